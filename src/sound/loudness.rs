//! Loudness and true peak of a stretch of sound: ITU-R BS.1770-5, EBU Tech 3341 (momentary, short-term), EBU Tech 3342
//! (loudness range).

use super::biquad::{Biquad, Runner};
use super::interpolator::{PHASES, TAPS};

/// Hops of 100 ms: windows and gates move by so much.
const HOPS_PER_SECOND: u32 = 10;
/// Hops in 400 ms.
const MOMENTARY: usize = 4;
/// Hops in 3 s.
const SHORT_TERM: usize = 30;

/// How loud something was; `None` where it was too short or too soft to say.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize)]
pub struct Loudness {
    /// Integrated loudness in LUFS, gated.
    pub integrated_lufs: Option<f64>,
    /// Loudness range in LU.
    pub range_lu: Option<f64>,
    /// Highest momentary (400 ms) loudness in LUFS.
    pub momentary_lufs: Option<f64>,
    /// Highest short-term (3 s) loudness in LUFS.
    pub short_term_lufs: Option<f64>,
    /// Highest true peak in dBTP, four times oversampled.
    pub true_peak_db: Option<f64>,
}

/// Weight of the surround channels, the fourth and the fifth (BS.1770).
const SURROUND: f64 = 1.41;

/// Measures channels (left, right, centre, left and right surround) block by block. The blocks' lengths change nothing but the last digits of a true peak's
/// search. Memory grows by 8 bytes per 100 ms.
#[derive(Debug, Clone)]
pub struct LoudnessMeter {
    channels: Vec<Channel>,
    hop: u64,
    /// Frames of the hop under way.
    filled: u64,
    /// Sum of the squares of the hop under way.
    sum: f64,
    /// Mean square of all channels, hop by hop.
    hops: Vec<f64>,
}

#[derive(Debug, Clone)]
struct Channel {
    weight: f64,
    shelf: Runner,
    high_pass: Runner,
    true_peak: TruePeak,
}

impl LoudnessMeter {
    /// For `channels` channels at `rate` Hz. A mono file counts as one front channel (BS.1770).
    #[must_use]
    pub fn new(channels: u16, rate: u32) -> LoudnessMeter {
        let [shelf, high_pass] = k_weighting(f64::from(rate)).map(Runner::new);
        let channel = |index: u16| Channel {
            weight: if index < 3 { 1.0 } else { SURROUND },
            shelf,
            high_pass,
            true_peak: TruePeak::default(),
        };
        LoudnessMeter {
            channels: (0..channels).map(channel).collect(),
            hop: u64::from((rate + HOPS_PER_SECOND / 2) / HOPS_PER_SECOND).max(1),
            filled: 0,
            sum: 0.0,
            hops: Vec::new(),
        }
    }

    /// Takes a block: one slice per channel, all of one length.
    pub fn add(&mut self, planes: &[&[f32]]) {
        let frames = planes.iter().map(|plane| plane.len()).min().unwrap_or(0);
        for (channel, plane) in self.channels.iter_mut().zip(planes) {
            channel.true_peak.add(&plane[..frames]);
        }
        let mut done = 0;
        while done < frames {
            let room = usize::try_from(self.hop - self.filled).unwrap_or(usize::MAX);
            let end = frames.min(done.saturating_add(room));
            for (channel, plane) in self.channels.iter_mut().zip(planes) {
                let Channel { weight, shelf, high_pass, .. } = channel;
                let energy = |sample: &f32| high_pass.next(shelf.next(f64::from(*sample))).powi(2);
                self.sum += *weight * plane[done..end].iter().map(energy).sum::<f64>();
            }
            self.filled += (end - done) as u64;
            done = end;
            if self.filled == self.hop {
                self.hops.push(self.sum / self.hop as f64);
                (self.filled, self.sum) = (0, 0.0);
            }
        }
    }

    /// What was measured so far.
    #[must_use]
    pub fn result(&self) -> Loudness {
        let momentary = windows(&self.hops, MOMENTARY);
        let short_term = windows(&self.hops, SHORT_TERM);
        let highest = |powers: &[f64]| powers.iter().copied().reduce(f64::max).and_then(lufs);
        let peak = self.channels.iter().map(|channel| channel.true_peak.highest).fold(0.0, f32::max);
        Loudness {
            integrated_lufs: integrated(&momentary),
            range_lu: range(&short_term),
            momentary_lufs: highest(&momentary),
            short_term_lufs: highest(&short_term),
            true_peak_db: (peak > 0.0).then(|| 20.0 * f64::from(peak).log10()),
        }
    }
}

/// Means of every `count` hops in a row.
fn windows(hops: &[f64], count: usize) -> Vec<f64> {
    hops.windows(count).map(|window| window.iter().sum::<f64>() / count as f64).collect()
}

/// BS.1770: -0.691 + 10·log10 of the mean square after K-weighting; `None` for silence.
pub(crate) fn lufs(power: f64) -> Option<f64> {
    (power > 1e-20).then(|| -0.691 + 10.0 * power.log10())
}

/// The way back from [`lufs`].
pub(crate) fn power_of(lufs: f64) -> f64 {
    10f64.powf((lufs + 0.691) / 10.0)
}

fn mean_above(powers: &[f64], gate: f64) -> Option<f64> {
    let (sum, count) =
        powers.iter().filter(|power| **power >= gate).fold((0.0, 0u64), |(s, n), p| (s + p, n + 1));
    (count > 0).then(|| sum / count as f64)
}

/// The loudness of what is in memory, one slice for each channel.
#[must_use]
pub fn loudness(planes: &[&[f32]], rate: u32) -> Loudness {
    let mut meter = LoudnessMeter::new(u16::try_from(planes.len()).unwrap_or(u16::MAX), rate);
    meter.add(planes);
    meter.result()
}

/// The gain in dB that makes a sound of one loudness as loud as another: for comparing the two without the louder one
/// winning. `None` if one of them is silent.
#[must_use]
pub fn matched_gain_db(from: &Loudness, to: &Loudness) -> Option<f64> {
    to.integrated_lufs.zip(from.integrated_lufs).map(|(to, from)| to - from)
}

/// BS.1770: gates at -70 LKFS and 10 LU below the mean of what is above that.
fn integrated(momentary: &[f64]) -> Option<f64> {
    let first = mean_above(momentary, power_of(-70.0))?;
    mean_above(momentary, power_of(-70.0).max(first / 10.0)).and_then(lufs)
}

/// Tech 3342: gates at -70 LUFS and 20 LU below the mean of what is above that; 95th minus 10th percentile.
fn range(short_term: &[f64]) -> Option<f64> {
    let first = mean_above(short_term, power_of(-70.0))?;
    let gate = power_of(-70.0).max(first / 100.0);
    let mut kept: Vec<f64> = short_term.iter().copied().filter(|power| *power >= gate).collect();
    kept.sort_by(f64::total_cmp);
    let at = |share: f64| {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index")]
        let index = ((kept.len().saturating_sub(1)) as f64 * share).round() as usize;
        kept.get(index).copied().and_then(lufs)
    };
    Some(at(0.95)? - at(0.1)?)
}

/// The two filters of the K-weighting of ITU-R BS.1770 at any rate: the analogue match of libebur128, which gives the
/// standard's own table at 48 kHz to twelve digits.
#[must_use]
pub fn k_weighting(rate: f64) -> [Biquad; 2] {
    let shelf = {
        let k = (std::f64::consts::PI * 1_681.974_450_955_533 / rate).tan();
        let q = 0.707_175_236_955_419_6;
        let high = 10f64.powf(3.999_843_853_973_347 / 20.0);
        let band = high.powf(0.499_666_774_154_541_6);
        let a0 = 1.0 + k / q + k * k;
        Biquad {
            b0: (high + band * k / q + k * k) / a0,
            b1: 2.0 * (k * k - high) / a0,
            b2: (high - band * k / q + k * k) / a0,
            a1: 2.0 * (k * k - 1.0) / a0,
            a2: (1.0 - k / q + k * k) / a0,
        }
    };
    let k = (std::f64::consts::PI * 38.135_470_876_024_44 / rate).tan();
    let q = 0.500_327_037_323_877_3;
    let a0 = 1.0 + k / q + k * k;
    let high_pass =
        Biquad { b0: 1.0, b1: -2.0, b2: 1.0, a1: 2.0 * (k * k - 1.0) / a0, a2: (1.0 - k / q + k * k) / a0 };
    [shelf, high_pass]
}

/// No value between samples is larger than the samples around it times this: the largest sum of magnitudes of a phase's taps,
/// 2.023, rounded up.
const MOST: f32 = 2.03;
/// Samples looked at together.
const STRETCH: usize = 64;

/// The largest magnitude between and at the samples.
#[derive(Debug, Clone, Default)]
struct TruePeak {
    before: [f32; TAPS - 1],
    highest: f32,
}

impl TruePeak {
    fn add(&mut self, samples: &[f32]) {
        let mut stretch = [0.0f32; TAPS - 1 + STRETCH];
        for part in samples.chunks(STRETCH) {
            let end = TAPS - 1 + part.len();
            stretch[..TAPS - 1].copy_from_slice(&self.before);
            stretch[TAPS - 1..end].copy_from_slice(part);
            let peak = stretch[..end].iter().fold(0.0f32, |peak, x| peak.max(x.abs()));
            self.highest = self.highest.max(peak);
            // Most of a song is softer than its peak: nothing between these samples can be higher than what is known.
            if peak * MOST > self.highest {
                self.highest = self.highest.max(between(&stretch[..end]));
            }
            self.before.copy_from_slice(&stretch[end - (TAPS - 1)..end]);
        }
    }
}

fn between(stretch: &[f32]) -> f32 {
    let mut highest = 0.0f32;
    for window in stretch.windows(TAPS) {
        for taps in &PHASES {
            let (mut forth, mut back) = (0.0, 0.0);
            for index in 0..TAPS {
                forth += taps[index] * window[index];
                back += taps[TAPS - 1 - index] * window[index];
            }
            highest = highest.max(forth.abs()).max(back.abs());
        }
    }
    highest
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    /// Stereo sine of 1 kHz in parts of (dBFS peak, seconds), with 10 ms of fade around it all.
    fn tone(parts: &[(f64, f64)]) -> Vec<f32> {
        let mut out = Vec::new();
        for (db, seconds) in parts {
            let gain = 10f64.powf(db / 20.0);
            for _ in 0..(seconds * f64::from(RATE)).round() as usize {
                let phase = out.len() as f64 * 1000.0 / f64::from(RATE) * std::f64::consts::TAU;
                out.push((gain * phase.sin()) as f32);
            }
        }
        let length = out.len();
        for n in 0..480 {
            out[n] *= n as f32 / 480.0;
            out[length - 1 - n] *= n as f32 / 480.0;
        }
        out
    }

    fn measured(signal: &[f32]) -> Loudness {
        let mut meter = LoudnessMeter::new(2, RATE);
        signal.chunks(777).for_each(|part| meter.add(&[part, part]));
        let found = meter.result();
        let mut other = ebur128::EbuR128::new(2, RATE, ebur128::Mode::all()).unwrap();
        other.add_frames_planar_f32(&[signal, signal]).unwrap();
        // An independent meter, the ebur128 crate, to 0.05 LU.
        assert!((found.integrated_lufs.unwrap() - other.loudness_global().unwrap()).abs() < 0.05);
        found
    }

    #[test]
    fn signals_of_tech_3341_read_as_required() {
        // EBU Tech 3341, minimum requirements, cases 1 to 5 (seconds of 5 from memory): I = -23.0 ±0.1 LUFS (2: -33.0).
        for (parts, integrated) in [
            (&[(-23.0, 20.0)][..], -23.0),
            (&[(-33.0, 20.0)], -33.0),
            (&[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
            (&[(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
            (&[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
        ] {
            let found = measured(&tone(parts)).integrated_lufs.unwrap();
            assert!((found - integrated).abs() < 0.1, "{parts:?}: {found}");
        }
        // Case 9: S = -23.0 ±0.1; case 12: M = -23.0 ±0.1.
        let nine = measured(&tone(&[(-20.0, 1.34), (-30.0, 1.66)].repeat(5))).short_term_lufs.unwrap();
        assert!((nine + 23.0).abs() < 0.1, "{nine}");
        let twelve = measured(&tone(&[(-20.0, 0.18), (-30.0, 0.22)].repeat(25))).momentary_lufs.unwrap();
        assert!((twelve + 23.0).abs() < 0.1, "{twelve}");
    }

    #[test]
    fn signals_of_tech_3342_read_as_required() {
        // EBU Tech 3342, cases 1 to 4, ±1 LU.
        for (parts, range) in [
            (&[(-20.0, 20.0), (-30.0, 20.0)][..], 10.0),
            (&[(-20.0, 20.0), (-15.0, 20.0)], 5.0),
            (&[(-40.0, 20.0), (-20.0, 20.0)], 20.0),
            (&[(-50.0, 20.0), (-35.0, 20.0), (-20.0, 20.0), (-35.0, 20.0), (-50.0, 20.0)], 15.0),
        ] {
            let found = measured(&tone(parts)).range_lu.unwrap();
            assert!((found - range).abs() < 0.2, "{parts:?}: {found}");
        }
    }

    #[test]
    fn peaks_between_samples_are_found() {
        // EBU Tech 3341, cases 15 to 19: -6.0 (19: +3.0) dBTP, +0.2/-0.4.
        for (divisor, degrees, amplitude, wanted) in [
            (4.0, 0.0, 0.5, -6.0),
            (4.0, 45.0, 0.5, -6.0),
            (6.0, 60.0, 0.5, -6.0),
            (8.0, 67.5, 0.5, -6.0),
            (4.0, 45.0, 1.41, 3.0),
        ] {
            let sine = |n: usize| {
                let edge = (n.min(96_000 - n) as f64 / 2400.0).min(1.0);
                edge * amplitude
                    * (std::f64::consts::TAU * n as f64 / divisor + f64::to_radians(degrees)).sin()
            };
            let signal: Vec<f32> = (0..96_000).map(|n| sine(n) as f32).collect();
            let found = measured(&signal).true_peak_db.unwrap();
            assert!((-0.4..=0.2).contains(&(found - wanted)), "fs/{divisor} {degrees}°: {found}");
        }
    }

    #[test]
    fn silence_and_short_stretches_have_no_loudness() {
        let mut meter = LoudnessMeter::new(1, RATE);
        meter.add(&[&[0.0; 48_000]]);
        assert_eq!(meter.result(), Loudness::default());
        let mut short = LoudnessMeter::new(1, RATE);
        short.add(&[&[0.5; 1000]]);
        assert_eq!(short.result().integrated_lufs, None);
    }
}
