//! The high-pass of a region: takes away what is below a frequency, as a pop needs it.
//!
//! Linear phase: the sound less its low part, which a windowed-sinc low-pass gives (Oppenheim and Schafer, Discrete-Time Signal
//! Processing, "design of FIR filters by windowing"; Hann window). So nothing is delayed, both sides of a seam agree in
//! phase, and a sample depends on the samples of the recording around it alone: any split into blocks gives the same bits.
//!
//! The low part changes slowly: it is computed once in so many frames of the recording, counted from its
//! first, and joined by a cubic in between.

use super::kernel::Samples;
use crate::song::AssetId;

/// Length of the window times the frequency, in cycles: the Hann window's transition is as wide as the frequency itself.
const CYCLES: f64 = 3.3;
/// Points of the low part for each cycle of the frequency, at least.
const POINTS: f64 = 20.0;
/// Frames of the recording that are looked at together.
const PIECE: usize = 256;

/// Computes the low part of a recording below one frequency. Made outside the callback.
#[derive(Debug, Clone, PartialEq)]
pub struct LowPart {
    taps: Vec<f32>,
    step: u64,
}

impl LowPart {
    /// The steps in which it counts the frames of a recording divide this: a recording that is cut down keeps its sound bit for bit
    /// if a multiple of this is cut from its start.
    pub const MOST_STEP: u64 = 64;

    /// For a frequency in Hz, held between 10 Hz and a twentieth of `rate`: there the level is -6 dB; above one and a half
    /// times it nothing changes, below half of it nothing is left. Allocates.
    #[must_use]
    pub fn new(hz: f64, rate: u32) -> LowPart {
        let rate = f64::from(rate.max(1));
        let hz = if hz.is_finite() { hz } else { 10.0 }.clamp(10.0, (rate / 20.0).max(10.0));
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "positive and below 2^20"
        )]
        let half = (CYCLES / 2.0 * rate / hz).round().max(1.0) as usize;
        let turn = std::f64::consts::TAU * hz / rate;
        let tap = |n: usize| {
            let x = n as f64 - half as f64;
            let sinc = if x == 0.0 { turn } else { (turn * x).sin() / x };
            sinc * (1.0 + (std::f64::consts::PI * x / (half as f64 + 1.0)).cos())
        };
        let taps: Vec<f64> = (0..=2 * half).map(tap).collect();
        // A sum of one, so that nothing is left of a constant.
        let sum: f64 = taps.iter().sum();
        #[expect(clippy::cast_possible_truncation, reason = "taps are f32")]
        let taps = taps.iter().map(|tap| (tap / sum) as f32).collect();
        let mut step = Self::MOST_STEP;
        while step > 1 && step as f64 > rate / hz / POINTS {
            step /= 2;
        }
        LowPart { taps, step }
    }

    /// How many frames of the recording on either side of a frame its result rests on, at most.
    #[must_use]
    pub fn reach(&self) -> u64 {
        self.taps.len() as u64 / 2 + 2 * self.step
    }

    /// Takes the low part away from `out`, which holds the frames of one channel of `asset` from `from` on. Realtime-safe if
    /// `samples` is.
    pub fn take_from<S: Samples + ?Sized>(
        &self,
        samples: &mut S,
        asset: AssetId,
        channel: u16,
        from: u64,
        out: &mut [f32],
    ) {
        let end = from.saturating_add(out.len() as u64);
        let mut cell = from / self.step;
        let mut at = from;
        let mut point = |number: i64| self.point(samples, asset, channel, number);
        let first = i64::try_from(cell).unwrap_or(i64::MAX - 4);
        let mut points = [point(first - 1), point(first), point(first + 1), point(first + 2)];
        let mut rest = out;
        while at < end {
            let next = (cell + 1).saturating_mul(self.step).min(end);
            #[expect(clippy::cast_possible_truncation, reason = "within a block")]
            let (now, after) = std::mem::take(&mut rest).split_at_mut((next - at) as usize);
            for (sample, frame) in now.iter_mut().zip(at..) {
                *sample -= cubic(points, (frame % self.step) as f64 / self.step as f64);
            }
            (rest, at) = (after, next);
            if at < end {
                cell += 1;
                let [_, b, c, d] = points;
                points = [b, c, d, point(i64::try_from(cell).unwrap_or(i64::MAX - 4) + 2)];
            }
        }
    }

    /// The low part at the frame `number * step`. Sums in an order that depends on nothing else.
    fn point<S: Samples + ?Sized>(&self, samples: &mut S, asset: AssetId, channel: u16, number: i64) -> f64 {
        let step = i64::try_from(self.step).unwrap_or(1);
        let half = (self.taps.len() / 2) as i64;
        let mut at = number.saturating_mul(step) - half;
        let mut taps = self.taps.as_slice();
        // What lies before the recording is silence.
        if at < 0 {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "positive here, and cut off"
            )]
            let before = ((-at) as usize).min(taps.len());
            taps = &taps[before..];
            at = 0;
        }
        let mut sums = [0.0f32; 8];
        let mut piece = [0.0f32; PIECE];
        for taps in taps.chunks(PIECE) {
            let piece = &mut piece[..taps.len()];
            samples.fill(asset, channel, u64::try_from(at).unwrap_or(0), piece);
            dot(piece, taps, &mut sums);
            at += taps.len() as i64;
        }
        sums.iter().map(|sum| f64::from(*sum)).sum()
    }
}

/// Adds the products of two lists of one length to eight sums that the compiler can keep side by side.
fn dot(one: &[f32], other: &[f32], sums: &mut [f32; 8]) {
    let (ones, others) = (one.chunks_exact(8), other.chunks_exact(8));
    for ((sum, a), b) in sums.iter_mut().zip(ones.remainder()).zip(others.remainder()) {
        *sum += a * b;
    }
    for (a, b) in ones.zip(others) {
        for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
            *sum += a * b;
        }
    }
}

/// The cubic through four points a step apart (Catmull and Rom 1974) at a part of the way from the second to the third.
fn cubic([a, b, c, d]: [f64; 4], part: f64) -> f32 {
    let slope = (c - a) / 2.0;
    let next = (d - b) / 2.0;
    let (square, rise) = (part * part, c - b);
    let bend = 3.0 * rise - 2.0 * slope - next;
    let twist = slope + next - 2.0 * rise;
    #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
    let value = (b + part * slope + square * bend + square * part * twist) as f32;
    value
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Tone {
        turn: f64,
        frames: u64,
    }

    impl Samples for Tone {
        fn fill(&mut self, _: AssetId, _: u16, from: u64, out: &mut [f32]) {
            for (sample, n) in out.iter_mut().zip(from..) {
                *sample = if n < self.frames { (self.turn * n as f64).cos() as f32 } else { 0.0 };
            }
        }
    }

    fn left(hz: f64, low: &LowPart, rate: u32, from: u64, frames: usize) -> Vec<f32> {
        let mut tone = Tone { turn: std::f64::consts::TAU * hz / f64::from(rate), frames: 1 << 30 };
        let mut out = vec![0.0; frames];
        tone.fill(AssetId(1), 0, from, &mut out);
        low.take_from(&mut tone, AssetId(1), 0, from, &mut out);
        out
    }

    #[test]
    fn below_half_the_frequency_nothing_is_left_and_above_one_and_a_half_nothing_changes() {
        // The Hann window's side lobes lie 44 dB down (Oppenheim and Schafer, table of windows); its transition is as wide as
        // the frequency, with -6 dB in its middle.
        for (rate, hz) in [(48_000, 150.0), (44_100, 60.0), (96_000, 120.0), (48_000, 400.0)] {
            let low = LowPart::new(hz, rate);
            let level = |at: f64| {
                let out = left(at, &low, rate, 200_003, rate as usize / 2);
                20.0 * f64::from(out.iter().fold(0.0f32, |most, sample| most.max(sample.abs()))).log10()
            };
            assert!(level(0.0) < -90.0, "{rate} {hz}: {}", level(0.0));
            assert!(level(hz / 2.0) < -43.0, "{rate} {hz}: {}", level(hz / 2.0));
            assert!((level(hz) + 6.02).abs() < 0.3, "{rate} {hz}: {}", level(hz));
            for above in [1.6, 3.0, 10.0, 30.0] {
                assert!(level(hz * above).abs() < 0.07, "{rate} {hz}: {} at {above}", level(hz * above));
            }
        }
    }

    #[test]
    fn no_phase_is_turned() {
        let low = LowPart::new(150.0, 48_000);
        let (clean, cut) = (
            left(900.0, &LowPart::new(10.0, 48_000), 48_000, 96_000, 480),
            left(900.0, &low, 48_000, 96_000, 480),
        );
        assert!(clean.iter().zip(&cut).all(|(a, b)| (a - b).abs() < 0.01));
    }

    #[test]
    fn any_split_gives_the_same_bits() {
        let low = LowPart::new(150.0, 48_000);
        let whole = left(333.0, &low, 48_000, 7, 3000);
        let mut parts = Vec::new();
        for count in [1, 2, 15, 16, 17, 128, 500, 2321] {
            parts.extend(left(333.0, &low, 48_000, 7 + parts.len() as u64, count));
        }
        assert_eq!(parts, whole);
        assert!(left(333.0, &low, 48_000, 7, 0).is_empty());
    }

    #[test]
    fn odd_frequencies_and_ends_are_harmless() {
        for hz in [f64::NAN, -5.0, 0.0, f64::INFINITY, 1e9] {
            for rate in [0, 8000, 384_000] {
                let low = LowPart::new(hz, rate);
                assert!(low.reach() < 1 << 17);
                assert!(left(100.0, &low, rate.max(1), 0, 300).iter().all(|sample| sample.is_finite()));
            }
        }
        let mut end = Tone { turn: 0.0, frames: 100 };
        let mut out = [1.0f32; 64];
        LowPart::new(150.0, 48_000).take_from(&mut end, AssetId(1), 0, u64::MAX / 4, &mut out);
        assert_eq!(out, [1.0; 64]);
    }
}
