//! The ceiling of the monitor path: a limiter that looks ahead, so that no true peak passes −1 dBTP.
//!
//! | | |
//! |---|---|
//! | latency | [`Ceiling::latency`]: 1 ms + 11 samples |
//! | below the ceiling | the samples that went in, bit for bit |
//! | above | turned down before the peak within 1 ms, back up at 1 in 0.3 s, both sides alike |
//! | not finite | becomes 0 before anything else, and is counted |
//!
//! True peaks are estimated by the interpolator of ITU-R BS.1770 Annex 2 (4 phases of 12 taps). Gains are
//! whole numbers, so that their running sum is exact: once a peak is over, the gain is exactly 1 again, and not
//! nearly 1. Realtime-safe: no allocation after [`Ceiling::new`], work per sample is bounded. One sample
//! after the other changes the state, so that any split into blocks gives the same bits.

use crate::sound::interpolator::{PHASES, TAPS};

/// What no true peak passes, linear: −1 dBTP.
pub const CEILING: f32 = 0.891_250_9;
/// What the limiter aims for: the gain moves while a peak passes and a peak lies between two taps of the estimate
/// at most 0.2 dB under the estimate or so, so that it keeps a distance.
const AIM: f32 = CEILING * 0.966;
/// Below this no peak between samples can reach the aim: the largest sum of absolute taps of a phase is 2.03.
const QUIET: f32 = 0.42;
/// Gain 1 as a whole number.
const ONE: u64 = 1 << 30;

/// A stereo limiter.
#[derive(Debug)]
pub(super) struct Ceiling {
    /// The last samples of each side, newest at `place`; twice as long as needed, so that the newest taps lie in a row.
    recent: [[f32; 2 * TAPS]; 2],
    place: usize,
    /// Samples until the last loud one has left the taps.
    loud: usize,
    /// Delayed samples.
    delay: Vec<[f32; 2]>,
    delay_place: usize,
    lowest: Lowest,
    /// The gains whose mean is taken.
    means: Vec<u64>,
    mean_place: usize,
    sum: u64,
    /// The wanted gain as it comes back up.
    release: u64,
    step: u64,
}

impl Ceiling {
    /// At `rate` Hz. Allocates.
    pub(super) fn new(rate: u32) -> Ceiling {
        let smooth = (rate / 1000).max(8) as usize;
        Ceiling {
            recent: [[0.0; 2 * TAPS]; 2],
            place: 0,
            loud: 0,
            delay: vec![[0.0; 2]; smooth + 11],
            delay_place: 0,
            lowest: Lowest::new(smooth + 16),
            means: vec![ONE; smooth],
            mean_place: 0,
            sum: ONE * smooth as u64,
            release: ONE,
            step: ONE * 10 / (u64::from(rate) * 3).max(1),
        }
    }

    /// Samples by which it is late.
    pub(super) fn latency(&self) -> usize {
        self.delay.len()
    }

    /// Takes a frame and gives the one from [`Self::latency`] frames before. The frame must be finite.
    pub(super) fn pass(&mut self, frame: [f32; 2]) -> [f32; 2] {
        let peak = self.peak(frame);
        let wanted = wanted(peak);
        self.release = wanted.min((self.release + self.step).min(ONE));
        let lowest = self.lowest.push(self.release);
        let (Some(mean), Some(late)) =
            (self.means.get_mut(self.mean_place), self.delay.get_mut(self.delay_place))
        else {
            return [0.0; 2];
        };
        self.sum = self.sum - *mean + lowest;
        *mean = lowest;
        let out = std::mem::replace(late, frame);
        self.mean_place = if self.mean_place + 1 == self.means.len() { 0 } else { self.mean_place + 1 };
        self.delay_place = if self.delay_place + 1 == self.delay.len() { 0 } else { self.delay_place + 1 };
        let full = ONE * self.means.len() as u64;
        if self.sum == full {
            return out;
        }
        #[expect(clippy::cast_precision_loss, reason = "the sum is below 2^40")]
        let gain = self.sum as f64 / full as f64;
        #[expect(clippy::cast_possible_truncation, reason = "this is where audio becomes f32 again")]
        out.map(|sample| ((f64::from(sample) * gain) as f32).clamp(-CEILING, CEILING))
    }

    /// The largest magnitude of the frame and between it and those before.
    fn peak(&mut self, frame: [f32; 2]) -> f32 {
        self.place = if self.place == 0 { TAPS - 1 } else { self.place - 1 };
        let mut peak = 0.0f32;
        for (recent, sample) in self.recent.iter_mut().zip(frame) {
            recent[self.place] = sample;
            recent[self.place + TAPS] = sample;
            peak = peak.max(sample.abs());
        }
        if peak >= QUIET {
            self.loud = TAPS;
        }
        if self.loud == 0 {
            return peak;
        }
        self.loud -= 1;
        for recent in &self.recent {
            let taps = &recent[self.place..self.place + TAPS];
            for phase in &PHASES {
                let forward: f32 = taps.iter().zip(phase).map(|(sample, tap)| sample * tap).sum();
                let backward: f32 =
                    taps.iter().zip(phase.iter().rev()).map(|(sample, tap)| sample * tap).sum();
                peak = peak.max(forward.abs()).max(backward.abs());
            }
        }
        peak
    }
}

fn wanted(peak: f32) -> u64 {
    if peak <= AIM {
        return ONE;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "between 0 and 2^30; a peak that overflowed gives 0"
    )]
    let gain = (f64::from(AIM) / f64::from(peak) * ONE as f64) as u64;
    gain
}

/// The lowest of the last so many values: a queue of those that can still become the lowest, each larger than the one
/// before it.
#[derive(Debug)]
struct Lowest {
    queue: Vec<(u64, u64)>,
    first: usize,
    count: usize,
    number: u64,
}

impl Lowest {
    fn new(window: usize) -> Lowest {
        Lowest { queue: vec![(0, ONE); window], first: 0, count: 0, number: 0 }
    }

    fn push(&mut self, value: u64) -> u64 {
        let window = self.queue.len();
        let slot = |first: usize, index: usize| (first + index) % window;
        // What has left the window; at most one a call.
        let oldest = self.queue.get(self.first).map_or(0, |entry| entry.0);
        if self.count > 0 && oldest + window as u64 <= self.number {
            self.first = slot(self.first, 1);
            self.count -= 1;
        }
        while self.count > 0
            && self.queue.get(slot(self.first, self.count - 1)).is_some_and(|entry| entry.1 >= value)
        {
            self.count -= 1;
        }
        if let Some(entry) = self.queue.get_mut(slot(self.first, self.count)) {
            *entry = (self.number, value);
        }
        self.count += 1;
        self.number += 1;
        self.queue.get(self.first).map_or(value, |entry| entry.1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(count: usize, gain: f32) -> Vec<[f32; 2]> {
        let mut x = 1u32;
        let mut next = move || {
            x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            ((x >> 8) as f32 / 8_388_608.0 - 1.0) * gain
        };
        (0..count).map(|_| [next(), next()]).collect()
    }

    fn run(frames: &[[f32; 2]]) -> Vec<[f32; 2]> {
        let mut ceiling = Ceiling::new(48_000);
        frames.iter().map(|frame| ceiling.pass(*frame)).collect()
    }

    #[test]
    fn the_lowest_of_a_window_is_found() {
        let mut lowest = Lowest::new(7);
        let values: Vec<u64> = noise(500, 1.0).iter().map(|f| (f[0].abs() * 20.0) as u64).collect();
        for (index, value) in values.iter().enumerate() {
            let wanted = values[index.saturating_sub(6)..=index].iter().min().copied().unwrap();
            assert_eq!(lowest.push(*value), wanted, "at {index}");
        }
    }

    #[test]
    fn below_the_ceiling_every_bit_stays_also_after_a_peak() {
        let mut frames = noise(40_000, 0.42);
        let late = Ceiling::new(48_000).latency();
        let out = run(&frames);
        assert_eq!(out[late..], frames[..frames.len() - late]);
        for frame in &mut frames[100..140] {
            *frame = frame.map(|sample| sample * 20.0);
        }
        let out = run(&frames);
        assert_ne!(out[late + 100..late + 140], frames[100..140]);
        // 1 ms after the peak plus a release of at most 0.3 s.
        let over = 140 + 48 + 27 + 14_400;
        assert_eq!(out[late + over..], frames[over..frames.len() - late]);
    }

    #[test]
    fn no_true_peak_passes() {
        // fs/4 at 45°: the true peak is 3.01 dB over the samples. The meter is another implementation.
        let quarter: Vec<[f32; 2]> = (0..48_000)
            .map(|n| [(f64::from(n) * std::f64::consts::FRAC_PI_2 + 0.785).sin() as f32 * 1.2; 2])
            .collect();
        let sweep: Vec<[f32; 2]> = (0..96_000)
            .map(|n| {
                let t = f64::from(n) / 48_000.0;
                let swell = (t * 3.0).sin() * 4.0;
                [(t * t * 40_000.0).sin() as f32 * swell as f32, (t * 9_000.0).sin() as f32 * swell as f32]
            })
            .collect();
        let mut square = vec![[0.0; 2]; 1000];
        square.extend((0..20_000).map(|n| if n / 50 % 2 == 0 { [8.0, -8.0] } else { [-8.0, 8.0] }));
        for (name, frames) in
            [("quarter", quarter), ("sweep", sweep), ("square", square), ("noise", noise(48_000, 10.0))]
        {
            let out: Vec<f32> = run(&frames).concat();
            assert!(out.iter().all(|sample| sample.abs() <= CEILING), "{name}");
            let mut meter = ebur128::EbuR128::new(2, 48_000, ebur128::Mode::TRUE_PEAK).unwrap();
            meter.add_frames_f32(&out).unwrap();
            let peak = meter.true_peak(0).unwrap().max(meter.true_peak(1).unwrap());
            assert!(20.0 * peak.log10() <= -1.0, "{name}: {:.3} dBTP", 20.0 * peak.log10());
            assert!(peak > 0.6, "{name}: it is turned down by no more than needed, {peak}");
        }
    }

    #[test]
    fn the_largest_number_is_held_too() {
        let mut frames = noise(2000, 0.1);
        frames[500] = [f32::MAX, -f32::MAX];
        assert!(run(&frames).concat().iter().all(|sample| sample.abs() <= CEILING));
    }
}
