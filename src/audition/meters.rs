//! Meters: levels of what is heard, computed on a thread of their own.
//!
//! The callback hands over the sum before the monitor level, so that the meters show what a bounce of the choice would
//! hold, and each lane before its pan. Loudness and true peaks follow ITU-R BS.1770 (crate `ebur128`), short-term loudness is
//! over 3 s (EBU Tech 3341).

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use ebur128::{EbuR128, Mode};
use ringbuf::traits::Consumer;

use super::AuditionError;
use super::lane_meter::{Correlation, LaneMeter, LaneReading};
use super::wire::Feed;
use crate::song::rules::MOST_LANES;

/// How often the thread looks.
const NAP: Duration = Duration::from_millis(25);

/// What the meters show.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Readings {
    /// What each lane gives before its pan, by its number less one; those after the last one heard so far are left out.
    pub lanes: Vec<LaneReading>,
    /// Largest sample magnitude (linear) of the two sides since the reading before.
    pub peak: [f32; 2],
    /// Largest true peak (linear) of the two sides since the reading before.
    pub true_peak: [f64; 2],
    /// Largest true peak (linear) of either side since the last [`Meters::reset`].
    pub most: f64,
    /// Loudness of the last 3 s in LUFS; `None` while it is silent.
    pub short_term: Option<f64>,
    /// Correlation of the sides, -1 to 1, over about 0.3 s; `None` while one of them is silent.
    pub correlation: Option<f64>,
}

/// Computes readings from interleaved stereo. Not realtime-safe: for the meters' own thread.
pub struct MeterBank {
    loudness: EbuR128,
    correlation: Correlation,
    most: f64,
}

impl MeterBank {
    /// Meters at `rate` Hz.
    ///
    /// # Errors
    /// The rate is out of the meter's range.
    pub fn new(rate: u32) -> Result<MeterBank, String> {
        let mode = Mode::S | Mode::SAMPLE_PEAK | Mode::TRUE_PEAK;
        let loudness = EbuR128::new(2, rate, mode).map_err(|error| error.to_string())?;
        Ok(MeterBank { loudness, correlation: Correlation::new(rate), most: 0.0 })
    }

    /// Takes frames in and reads all meters but those of the lanes.
    pub fn read(&mut self, frames: &[f32]) -> Readings {
        let finite: Vec<f32> =
            frames.iter().map(|sample| if sample.is_finite() { *sample } else { 0.0 }).collect();
        // Whole stereo frames are all that it asks for.
        let _ = self.loudness.add_frames_f32(&finite);
        for frame in finite.chunks_exact(2) {
            if let [left, right] = frame {
                self.correlation.add(*left, *right);
            }
        }
        let side = |channel: u32| self.loudness.prev_true_peak(channel).unwrap_or(0.0);
        let plain = |channel: u32| self.loudness.prev_sample_peak(channel).unwrap_or(0.0) as f32;
        let true_peak = [side(0), side(1)];
        self.most = self.most.max(true_peak[0]).max(true_peak[1]);
        Readings {
            lanes: Vec::new(),
            peak: [plain(0), plain(1)],
            true_peak,
            most: self.most,
            short_term: self.loudness.loudness_shortterm().ok().filter(|loudness| *loudness > -100.0),
            correlation: self.correlation.value(),
        }
    }
}

/// The running meters; their thread ends when this is dropped.
pub struct Meters {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Default)]
struct Shared {
    readings: Mutex<Readings>,
    end: AtomicBool,
    reset: AtomicBool,
}

impl Meters {
    /// Starts the thread over what the engine hands out.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(rate: u32, feed: Feed) -> Result<Meters, AuditionError> {
        let shared = Arc::new(Shared::default());
        let seen = Arc::clone(&shared);
        // A rate that the meters do not take is played without them.
        let Ok(desk) = MeterDesk::new(rate, feed) else { return Ok(Meters { shared, thread: None }) };
        let thread = std::thread::Builder::new()
            .name("tautline-meters".into())
            .spawn(move || run(desk, &seen))
            .map_err(AuditionError::thread)?;
        Ok(Meters { shared, thread: Some(thread) })
    }

    /// What the meters show now.
    #[must_use]
    pub fn readings(&self) -> Readings {
        self.shared.readings.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Forgets the largest true peak.
    pub fn reset(&self) {
        self.shared.reset.store(true, Ordering::Relaxed);
    }
}

impl Drop for Meters {
    fn drop(&mut self) {
        self.shared.end.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // If it panicked there is nothing left to do about it.
            let _ = thread.join();
        }
    }
}

fn run(mut desk: MeterDesk, shared: &Shared) {
    while !shared.end.load(Ordering::Relaxed) {
        if shared.reset.swap(false, Ordering::Relaxed) {
            desk.bank.most = 0.0;
        }
        let readings = desk.read();
        *shared.readings.lock().unwrap_or_else(PoisonError::into_inner) = readings;
        std::thread::sleep(NAP);
    }
}

/// All meters over what an engine hands out, read whenever one likes. Not realtime-safe.
pub struct MeterDesk {
    feed: Feed,
    bank: MeterBank,
    lanes: Lanes,
    frames: Vec<f32>,
}

impl MeterDesk {
    /// Meters at `rate` Hz.
    ///
    /// # Errors
    /// The rate is out of the meters' range.
    pub fn new(rate: u32, feed: Feed) -> Result<MeterDesk, String> {
        let lanes = Lanes { rate, meters: Vec::new(), spare: Vec::new() };
        let frames = vec![0.0f32; rate.max(1000) as usize * 2];
        Ok(MeterDesk { feed, bank: MeterBank::new(rate)?, lanes, frames })
    }

    /// Takes in what has sounded since the last call, and reads all meters.
    pub fn read(&mut self) -> Readings {
        // The ring holds whole frames, and half of it is an even number of samples.
        let count = self.feed.sums.pop_slice(&mut self.frames);
        let mut readings = self.bank.read(self.frames.get(..count).unwrap_or_default());
        readings.lanes = self.lanes.read(&mut self.feed, count / 2);
        readings
    }
}

/// The meters of the lanes, made as they are first heard.
struct Lanes {
    rate: u32,
    meters: Vec<Option<LaneMeter>>,
    spare: Vec<f32>,
}

impl Lanes {
    /// Takes in what was heard of each lane while the sum went on by `frames`.
    fn read(&mut self, feed: &mut Feed, frames: usize) -> Vec<LaneReading> {
        let Lanes { rate, meters, spare } = self;
        feed.taps.take(spare, |lane, samples, channels| {
            if lane >= MOST_LANES {
                return;
            }
            if meters.len() <= lane {
                meters.resize_with(lane + 1, || None);
            }
            if let Some(meter) = meters.get_mut(lane) {
                if meter.as_ref().is_none_or(|meter| meter.channels() != channels) {
                    *meter = LaneMeter::new(*rate, channels);
                }
                if let Some(meter) = meter {
                    meter.add(samples);
                }
            }
        });
        let read = |meter: &mut Option<LaneMeter>| {
            meter.as_mut().map_or(LaneReading::default(), |meter| {
                // A lane that is not heard hands over nothing; time goes on for it all the same.
                meter.keep_up(frames);
                meter.read()
            })
        };
        meters.iter_mut().map(read).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(amplitude: f64, hertz: f64, seconds: f64, right: f64) -> Vec<f32> {
        let frames = (48_000.0 * seconds) as usize;
        (0..frames)
            .flat_map(|n| {
                let value = amplitude * (std::f64::consts::TAU * hertz * n as f64 / 48_000.0).sin();
                [value as f32, (value * right) as f32]
            })
            .collect()
    }

    #[test]
    fn short_term_loudness_of_the_test_tone() {
        // EBU Tech 3341, case 1: stereo 1 kHz at −23 dBFS reads −23.0 ±0.1 LUFS.
        let mut bank = MeterBank::new(48_000).unwrap();
        let readings = bank.read(&sine(10f64.powf(-23.0 / 20.0), 1000.0, 5.0, 1.0));
        let loudness = readings.short_term.unwrap();
        assert!((loudness + 23.0).abs() <= 0.1, "{loudness}");
        assert!((readings.correlation.unwrap() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn true_peak_between_samples() {
        // EBU Tech 3341, case 16: fs/4 at 45°, amplitude 0.5: −6.0 dBTP +0.2/−0.4; the samples reach only −9.03.
        let mut bank = MeterBank::new(48_000).unwrap();
        let frames: Vec<f32> = (0..48_000)
            .flat_map(|n| {
                let rise = (f64::from(n) / 4800.0).min(1.0);
                let phase = f64::from(n) * std::f64::consts::FRAC_PI_2 + std::f64::consts::FRAC_PI_4;
                [(0.5 * rise * phase.sin()) as f32; 2]
            })
            .collect();
        let readings = bank.read(&frames);
        let level = 20.0 * readings.most.log10();
        assert!((-6.4..=-5.8).contains(&level), "{level}");
        assert!((20.0 * readings.peak[0].log10() + 9.03).abs() < 0.01);
    }

    #[test]
    fn opposite_sides_correlate_to_minus_one_and_silence_to_nothing() {
        let mut bank = MeterBank::new(48_000).unwrap();
        assert_eq!(bank.read(&[0.0; 2000]).correlation, None);
        assert_eq!(bank.read(&[]).short_term, None);
        let correlation = bank.read(&sine(0.3, 440.0, 1.0, -0.5)).correlation.unwrap();
        assert!((correlation + 1.0).abs() < 1e-9);
        assert!(bank.read(&[f32::NAN; 8]).correlation.is_some());
    }
}
