//! The meter of one lane: peaks, loudness and correlation of what it gives before its pan.

use std::collections::VecDeque;

use ebur128::{EbuR128, Mode};

use crate::sound::loudness::{lufs, power_of};

/// Short-term loudness is over 3 s (EBU Tech 3341), in steps of 100 ms.
const STEPS: usize = 30;
/// Time constant of the correlation.
const CORRELATION_SECONDS: f64 = 0.3;

/// What the meter of a lane shows.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LaneReading {
    /// Largest sample magnitude (linear) since the reading before.
    pub peak: f32,
    /// Largest true peak (linear) since the reading before.
    pub true_peak: f64,
    /// Loudness of the last 3 s in LUFS; `None` while it is silent. One channel counts as one.
    pub short_term: Option<f64>,
    /// Correlation of the two channels, -1 to 1, over about 0.3 s; `None` for one channel, or while one is silent.
    pub correlation: Option<f64>,
}

/// Correlation of two signals over the time just past.
#[derive(Debug, Clone)]
pub(super) struct Correlation {
    sums: [f64; 3],
    keep: f64,
}

impl Correlation {
    pub(super) fn new(rate: u32) -> Correlation {
        Correlation { sums: [0.0; 3], keep: (-1.0 / (CORRELATION_SECONDS * f64::from(rate))).exp() }
    }

    pub(super) fn add(&mut self, left: f32, right: f32) {
        let (left, right) = (f64::from(left), f64::from(right));
        for (sum, value) in self.sums.iter_mut().zip([left * left, right * right, left * right]) {
            *sum = *sum * self.keep + value;
        }
    }

    pub(super) fn value(&self) -> Option<f64> {
        let [left, right, both] = self.sums;
        (left > 1e-12 && right > 1e-12).then(|| (both / (left * right).sqrt()).clamp(-1.0, 1.0))
    }
}

/// Computes the readings of a lane. Not realtime-safe: for the meters' own thread.
pub(super) struct LaneMeter {
    loudness: EbuR128,
    channels: usize,
    step: usize,
    /// Frames of the step that is under way.
    into: usize,
    /// Power of the weighted signal in each of the last steps.
    powers: VecDeque<f64>,
    correlation: Correlation,
    reading: LaneReading,
    interleaved: Vec<f32>,
    /// Frames taken in beyond those that the sum has come to.
    ahead: usize,
}

impl LaneMeter {
    /// A meter at `rate` Hz; `None` if the rate or the number of channels is out of the meter's range.
    pub(super) fn new(rate: u32, channels: usize) -> Option<LaneMeter> {
        let loudness = EbuR128::new(u32::try_from(channels).ok()?, rate, Mode::M | Mode::TRUE_PEAK).ok()?;
        Some(LaneMeter {
            loudness,
            channels,
            step: (rate as usize / 10).max(1),
            into: 0,
            powers: VecDeque::with_capacity(STEPS),
            correlation: Correlation::new(rate),
            reading: LaneReading::default(),
            interleaved: Vec::new(),
            ahead: 0,
        })
    }

    pub(super) fn channels(&self) -> usize {
        self.channels
    }

    /// Takes in frames: the channels one after the other.
    pub(super) fn add(&mut self, samples: &[f32]) {
        let frames = samples.len() / self.channels.max(1);
        let finite =
            |sample: Option<&f32>| sample.copied().filter(|sample| sample.is_finite()).unwrap_or(0.0);
        let mut interleaved = std::mem::take(&mut self.interleaved);
        interleaved.clear();
        for frame in 0..frames {
            interleaved
                .extend((0..self.channels).map(|channel| finite(samples.get(channel * frames + frame))));
        }
        self.take_in(&interleaved);
        self.interleaved = interleaved;
        self.ahead += frames;
    }

    /// The sum went on by so many frames: what the lane did not hand over of them was silence.
    pub(super) fn keep_up(&mut self, frames: usize) {
        let missing = frames.saturating_sub(self.ahead);
        self.rest(missing);
        self.ahead = self.ahead.saturating_sub(frames);
    }

    fn rest(&mut self, frames: usize) {
        let mut interleaved = std::mem::take(&mut self.interleaved);
        interleaved.clear();
        interleaved.resize(frames * self.channels, 0.0);
        self.take_in(&interleaved);
        self.interleaved = interleaved;
    }

    fn take_in(&mut self, mut samples: &[f32]) {
        while !samples.is_empty() {
            let frames = (self.step - self.into).min(samples.len() / self.channels);
            let (now, rest) = samples.split_at(frames * self.channels);
            self.piece(now);
            samples = rest;
        }
    }

    /// Frames that lie within one step.
    fn piece(&mut self, samples: &[f32]) {
        // Whole frames are all that it asks for.
        let _ = self.loudness.add_frames_f32(samples);
        if let [first, ..] = samples
            && self.channels == 2
            && first.is_finite()
        {
            for frame in samples.chunks_exact(2) {
                if let [left, right] = frame {
                    self.correlation.add(*left, *right);
                }
            }
        }
        for channel in 0..self.channels as u32 {
            self.reading.peak =
                self.reading.peak.max(self.loudness.prev_sample_peak(channel).unwrap_or(0.0) as f32);
            self.reading.true_peak =
                self.reading.true_peak.max(self.loudness.prev_true_peak(channel).unwrap_or(0.0));
        }
        self.into += samples.len() / self.channels;
        if self.into >= self.step {
            self.into = 0;
            let lufs = self.loudness.loudness_window(100).unwrap_or(f64::NEG_INFINITY);
            if self.powers.len() == STEPS {
                self.powers.pop_front();
            }
            self.powers.push_back(power_of(lufs));
        }
    }

    /// What the meter shows; its peaks begin anew.
    pub(super) fn read(&mut self) -> LaneReading {
        let power = self.powers.iter().sum::<f64>() / STEPS as f64;
        let short_term = lufs(power).filter(|lufs| *lufs > -100.0);
        LaneReading { short_term, correlation: self.correlation.value(), ..std::mem::take(&mut self.reading) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(amplitude: f64, hertz: f64, phase: f64, frames: usize) -> Vec<f32> {
        let turn = std::f64::consts::TAU * hertz / 48_000.0;
        (0..frames).map(|n| (amplitude * (turn * n as f64 + phase).sin()) as f32).collect()
    }

    #[test]
    fn short_term_loudness_of_the_test_tone() {
        // EBU Tech 3341, case 1: stereo 1 kHz at −23 dBFS reads −23.0 ±0.1 LUFS; one channel of it is 3.01 dB less.
        let tone = sine(10f64.powf(-23.0 / 20.0), 1000.0, 0.0, 192_000);
        for (channels, expected) in [(2, -23.0), (1, -26.01)] {
            let mut meter = LaneMeter::new(48_000, channels).unwrap();
            for piece in tone.chunks(777) {
                let both: Vec<f32> = (0..channels).flat_map(|_| piece.iter().copied()).collect();
                meter.add(&both);
            }
            let reading = meter.read();
            let loudness = reading.short_term.unwrap();
            assert!((loudness - expected).abs() <= 0.1, "{loudness}");
            assert_eq!(reading.correlation.is_some(), channels == 2);
            // What was handed over is not silence, what is missing beyond it is.
            meter.keep_up(192_000);
            assert_eq!(meter.read().short_term, reading.short_term);
            meter.keep_up(48_000 * 4);
            // The first reading holds what was on its way through the filters.
            meter.read();
            meter.keep_up(480);
            let silent = LaneReading { correlation: None, ..meter.read() };
            assert_eq!(silent, LaneReading::default());
        }
    }

    #[test]
    fn true_peak_between_samples() {
        // EBU Tech 3341, case 16: fs/4 at 45°, amplitude 0.5: −6.0 dBTP +0.2/−0.4; the samples reach only −9.03.
        let mut tone = sine(0.5, 12_000.0, std::f64::consts::FRAC_PI_4, 48_000);
        tone.iter_mut().enumerate().for_each(|(n, sample)| *sample *= (n as f32 / 4800.0).min(1.0));
        let mut meter = LaneMeter::new(48_000, 1).unwrap();
        tone.chunks(128).for_each(|piece| meter.add(piece));
        let reading = meter.read();
        let level = 20.0 * reading.true_peak.log10();
        assert!((-6.4..=-5.8).contains(&level), "{level}");
        assert!((20.0 * f64::from(reading.peak).log10() + 9.03).abs() < 0.01);
    }

    #[test]
    fn what_is_not_finite_counts_as_silence() {
        let mut meter = LaneMeter::new(48_000, 2).unwrap();
        meter.add(&[f32::NAN; 9600]);
        assert_eq!(meter.read(), LaneReading::default());
        assert!(LaneMeter::new(48_000, 0).is_none());
    }
}
