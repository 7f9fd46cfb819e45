//! Loudness: of programme by ITU-R BS.1770 and EBU R 128 (meter of the `ebur128` crate), and of the voiced parts of a lane.

use ebur128::{EbuR128, Mode};

use crate::sound::biquad::{Biquad, Runner};

/// Loudness of a programme.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize)]
pub struct Loudness {
    /// Integrated loudness in LUFS; `None` if nothing passes the gates.
    pub integrated_lufs: Option<f64>,
    /// Loudness range in LU (EBU Tech 3342).
    pub range_lu: f64,
    /// Highest momentary loudness (400 ms) in LUFS.
    pub momentary_lufs: Option<f64>,
    /// Highest short-term loudness (3 s) in LUFS.
    pub short_term_lufs: Option<f64>,
    /// True peak in dBTP; `None` for silence.
    pub true_peak_dbtp: Option<f64>,
}

/// Measures the loudness of a programme that comes piece by piece.
#[derive(Debug)]
pub struct LoudnessMeter {
    meter: EbuR128,
    /// Frames of a tenth of a second, after which momentary and short-term loudness are looked at.
    hop: usize,
    left: usize,
    momentary: f64,
    short_term: f64,
}

impl LoudnessMeter {
    /// A meter for so many channels.
    ///
    /// # Errors
    /// A number of channels or a rate that it does not know.
    pub fn new(channels: u32, rate: u32) -> Result<LoudnessMeter, String> {
        let mode = Mode::I | Mode::LRA | Mode::TRUE_PEAK | Mode::M | Mode::S;
        let meter = EbuR128::new(channels, rate, mode).map_err(|error| error.to_string())?;
        let hop = (rate / 10).max(1) as usize;
        Ok(LoudnessMeter {
            meter,
            hop,
            left: hop,
            momentary: f64::NEG_INFINITY,
            short_term: f64::NEG_INFINITY,
        })
    }

    /// Takes the next samples into account, one slice for each channel.
    ///
    /// # Errors
    /// Another number of channels than the meter was made for.
    pub fn add(&mut self, planes: &[&[f32]]) -> Result<(), String> {
        let frames = planes.iter().map(|plane| plane.len()).min().unwrap_or(0);
        let mut from = 0;
        while from < frames {
            let to = frames.min(from + self.left);
            let part: Vec<&[f32]> = planes.iter().map(|plane| &plane[from..to]).collect();
            self.meter.add_frames_planar_f32(&part).map_err(|error| error.to_string())?;
            self.left -= to - from;
            if self.left == 0 {
                self.left = self.hop;
                self.momentary =
                    self.momentary.max(self.meter.loudness_momentary().unwrap_or(f64::NEG_INFINITY));
                self.short_term =
                    self.short_term.max(self.meter.loudness_shortterm().unwrap_or(f64::NEG_INFINITY));
            }
            from = to;
        }
        Ok(())
    }

    /// What was measured.
    #[must_use]
    pub fn finish(&self) -> Loudness {
        let peaks = (0..self.meter.channels()).filter_map(|channel| self.meter.true_peak(channel).ok());
        let peak = peaks.fold(0.0, f64::max);
        let finite = |value: f64| value.is_finite().then_some(value);
        Loudness {
            integrated_lufs: self.meter.loudness_global().ok().and_then(finite),
            range_lu: self.meter.loudness_range().ok().and_then(finite).unwrap_or(0.0),
            momentary_lufs: finite(self.momentary),
            short_term_lufs: finite(self.short_term),
            true_peak_dbtp: (peak > 0.0).then(|| 20.0 * peak.log10()),
        }
    }
}

/// The loudness of a programme that is in memory.
///
/// # Errors
/// See [`LoudnessMeter::new`].
pub fn loudness(planes: &[&[f32]], rate: u32) -> Result<Loudness, String> {
    let mut meter = LoudnessMeter::new(u32::try_from(planes.len()).unwrap_or(0), rate)?;
    meter.add(planes)?;
    Ok(meter.finish())
}

/// The gain in dB that makes `after` as loud as `before`: for comparing the two without the louder one winning. `None` if
/// one of them is silent.
///
/// # Errors
/// See [`LoudnessMeter::new`].
pub fn matched_gain_db(before: &[&[f32]], after: &[&[f32]], rate: u32) -> Result<Option<f64>, String> {
    let (before, after) = (loudness(before, rate)?, loudness(after, rate)?);
    Ok(before.integrated_lufs.zip(after.integrated_lufs).map(|(before, after)| before - after))
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

/// K-weighted power of a lane in steps of a hundredth of a second, from which the loudness of any stretches is read.
#[derive(Debug, Clone)]
pub struct PowerTrack {
    filters: [Runner; 2],
    hop: usize,
    sum: f64,
    count: usize,
    powers: Vec<f64>,
}

impl PowerTrack {
    /// A track at `rate` Hz with nothing in it.
    #[must_use]
    pub fn new(rate: u32) -> PowerTrack {
        let filters = k_weighting(f64::from(rate)).map(Runner::new);
        PowerTrack { filters, hop: (rate / 100).max(1) as usize, sum: 0.0, count: 0, powers: Vec::new() }
    }

    /// Takes the next samples into account.
    pub fn add(&mut self, samples: &[f32]) {
        let [shelf, high_pass] = &mut self.filters;
        for sample in samples {
            let weighted = high_pass.next(shelf.next(f64::from(*sample)));
            self.sum += weighted * weighted;
            self.count += 1;
            if self.count == self.hop {
                self.powers.push(self.sum / self.hop as f64);
                (self.sum, self.count) = (0.0, 0);
            }
        }
    }

    /// Frames of one step.
    #[must_use]
    pub fn hop(&self) -> usize {
        self.hop
    }

    /// Loudness in LUFS of the steps that lie whole in one of `stretches` of frames: −0.691 + 10·log₁₀ of their mean power,
    /// as BS.1770 has it for one channel, without gates since the stretches are chosen. `None` below −70 LUFS or for
    /// less than a tenth of a second.
    #[must_use]
    pub fn loudness(&self, stretches: &[(u64, u64)]) -> Option<f64> {
        let (mut sum, mut count) = (0.0, 0usize);
        let hop = self.hop as u64;
        for (start, end) in stretches {
            let first = usize::try_from(start.div_ceil(hop)).unwrap_or(usize::MAX).min(self.powers.len());
            let last = usize::try_from(end / hop).unwrap_or(usize::MAX).min(self.powers.len());
            if first < last {
                sum += self.powers[first..last].iter().sum::<f64>();
                count += last - first;
            }
        }
        if count < 10 {
            return None;
        }
        let lufs = -0.691 + 10.0 * (sum / count as f64).max(1e-20).log10();
        (lufs > -70.0).then_some(lufs)
    }

    /// Loudness in LUFS of what stands out: gated as BS.1770 has it, in steps of 10 ms.
    #[must_use]
    pub fn gated(&self) -> Option<f64> {
        let gate = |least: f64| {
            let (sum, count) = self
                .powers
                .iter()
                .filter(|power| **power > least)
                .fold((0.0, 0usize), |(sum, count), power| (sum + power, count + 1));
            (count >= 10).then(|| sum / count as f64)
        };
        let absolute = 10f64.powf((-70.0 + 0.691) / 10.0);
        let first = gate(absolute)?;
        gate(absolute.max(first / 10.0)).map(|power| -0.691 + 10.0 * power.log10())
    }
}
