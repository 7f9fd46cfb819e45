//! The recording as frames of 2.5 ms: how much sounds in which band, whether it has a pitch, how low and how
//! abrupt it is. Memory is a few frames, whatever the length.

use std::collections::VecDeque;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::filter::Fourth;
use super::source::Source;
use super::voicing::Voicing;
use crate::sound::SILENT;

/// Bands of a frame.
pub const BANDS: usize = 12;
/// Borders of the bands in Hz: narrow where vowels differ, wide where hisses do.
pub const EDGES_HZ: [f64; BANDS + 1] =
    [120.0, 250.0, 400.0, 600.0, 900.0, 1300.0, 1900.0, 2800.0, 4000.0, 5600.0, 8000.0, 11_000.0, 16_000.0];
/// The centre of a hiss is looked for from here on.
const HISS_FROM_HZ: f64 = 2000.0;
/// Frames per second, nearly: the hop is a whole number of samples.
pub const PER_SECOND: u32 = 400;
/// Hops in a spectrum's window: 12.5 ms, short enough for the burst of a t.
const WINDOW_HOPS: usize = 5;
/// Frames that a smoothed level is averaged over.
const SMOOTH: usize = 5;
/// Power (mean square) below which nothing is told apart: -120 dBFS rms in each band.
pub const NOTHING: f32 = 1e-12;

/// What sounds in 2.5 ms. Powers are mean squares: a full-scale sine has 0.5.
#[derive(Debug, Clone, Copy, Default)]
pub struct Frame {
    /// Power in each band, averaged over five frames.
    pub smooth: [f32; BANDS],
    /// Power of this frame's own window in each band.
    pub bands: [f32; BANDS],
    /// Power above 2 kHz.
    pub hiss: f32,
    /// Centre of gravity of the power above 2 kHz, in Hz; 0 if there is none.
    pub centre_hz: f32,
    /// How regular the waveform is from one pitch period to the next: 0 to 1.
    pub voicing: f32,
    /// Power below 80 Hz.
    pub low: f32,
    /// Largest bend of the waveform, |x(n) - 2x(n-1) + x(n-2)|.
    pub bend: f32,
}

impl Frame {
    /// Power in all bands.
    #[must_use]
    pub fn broad(&self) -> f32 {
        self.smooth.iter().sum()
    }
}

/// Power in dB.
#[must_use]
pub fn db(power: f32) -> f32 {
    10.0 * power.max(NOTHING).log10()
}

/// Samples per frame at a rate.
#[must_use]
pub fn hop(rate: u32) -> usize {
    (rate.max(8000) / PER_SECOND) as usize
}

/// Reads a recording from start to end and hands each frame to `sink`. With `details`, all of a frame is filled in;
/// without, only the powers of the bands.
///
/// # Errors
/// Those of the source.
pub fn each_frame(
    source: &mut dyn Source,
    details: bool,
    sink: &mut dyn FnMut(&Frame),
) -> Result<(), String> {
    let mut analyser = Analyser::new(source.rate(), details);
    let hop = analyser.hop;
    let mut block = vec![0.0f32; hop * 64];
    let total = source.frames();
    let count = total.div_ceil(hop as u64);
    let mut at = 0u64;
    while at < total {
        source.read(at, &mut block)?;
        for (index, samples) in block.chunks(hop).enumerate() {
            if at / hop as u64 + (index as u64) < count {
                analyser.push(samples, sink);
            }
        }
        at += block.len() as u64;
    }
    analyser.finish(count, sink);
    Ok(())
}

/// Turns hops of samples into frames.
struct Analyser {
    hop: usize,
    details: bool,
    high_pass: Fourth,
    window: Vec<f32>,
    recent: Vec<f32>,
    buffer: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    fft: Arc<dyn RealToComplex<f32>>,
    /// First and one past the last bin of each band, and the first bin of what counts as hiss.
    bins: [(usize, usize); BANDS],
    hiss_from: usize,
    bin_hz: f32,
    scale: f32,
    voicing: Voicing,
    low: Low,
    last: [f32; 2],
    /// Bend and low power of the hops whose spectrum is not known yet.
    hops: VecDeque<(f32, f32)>,
    /// Frames whose smoothed level or voicing is not known yet.
    pending: VecDeque<Frame>,
    pushed: u64,
    emitted: u64,
}

/// Power below 80 Hz, without what stands still.
struct Low {
    filter: Fourth,
    still: f64,
    slow: f64,
}

impl Analyser {
    fn new(rate: u32, details: bool) -> Analyser {
        let hop = hop(rate);
        let size = hop * WINDOW_HOPS;
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(size);
        let hann = |n: usize| {
            let phase = 2.0 * std::f64::consts::PI * (n as f64 + 0.5) / size as f64;
            (0.5 - 0.5 * phase.cos()) as f32
        };
        let window: Vec<f32> = (0..size).map(hann).collect();
        let weight: f32 = window.iter().map(|w| w * w).sum();
        let bin_hz = f64::from(rate) / size as f64;
        // What lies close to half the rate is the roll-off of converters, not sound.
        let bin = |hz: f64| (hz.min(f64::from(rate) * 0.48) / bin_hz).ceil() as usize;
        Analyser {
            hop,
            details,
            high_pass: Fourth::high_pass(f64::from(rate), 120.0),
            recent: vec![0.0; size],
            buffer: vec![0.0; size],
            spectrum: fft.make_output_vec(),
            fft,
            bins: std::array::from_fn(|band| (bin(EDGES_HZ[band]), bin(EDGES_HZ[band + 1]))),
            hiss_from: bin(HISS_FROM_HZ),
            bin_hz: bin_hz as f32,
            // One-sided: each bin but the first and the last stands for two.
            scale: 2.0 / (weight * size as f32),
            window,
            voicing: Voicing::new(rate, hop),
            low: Low {
                filter: Fourth::low_pass(f64::from(rate), 80.0),
                still: 0.0,
                slow: 1.0 - (-2.0 * std::f64::consts::PI * 15.0 / f64::from(rate)).exp(),
            },
            last: [0.0; 2],
            hops: VecDeque::new(),
            pending: VecDeque::new(),
            pushed: 0,
            emitted: 0,
        }
    }

    fn push(&mut self, samples: &[f32], sink: &mut dyn FnMut(&Frame)) {
        self.recent.copy_within(self.hop.., 0);
        let start = self.recent.len() - self.hop;
        let (mut bend, mut low) = (0.0f32, 0.0f64);
        for (place, sample) in self.recent[start..].iter_mut().zip(samples) {
            let sample = if sample.is_finite() { *sample } else { 0.0 };
            let high = self.high_pass.step(f64::from(sample));
            *place = high as f32;
            if self.details {
                bend = bend.max((sample - 2.0 * self.last[0] + self.last[1]).abs());
                self.last = [sample, self.last[0]];
                self.low.still += self.low.slow * (f64::from(sample) - self.low.still);
                low += self.low.filter.step(f64::from(sample) - self.low.still).powi(2);
                self.voicing.push(high);
            }
        }
        if self.low.still.abs() < SILENT {
            self.low.still = 0.0;
        }
        self.hops.push_back((bend, low as f32 / self.hop as f32));
        self.pushed += 1;
        if self.pushed > (WINDOW_HOPS / 2) as u64 {
            let frame = self.spectrum_frame();
            self.pending.push_back(frame);
        }
        self.emit(sink);
    }

    /// The frame in the middle of the window.
    fn spectrum_frame(&mut self) -> Frame {
        for ((place, sample), weight) in self.buffer.iter_mut().zip(&self.recent).zip(&self.window) {
            *place = sample * weight;
        }
        // The buffers have the sizes that the plan was made for, so that it cannot fail.
        let _ = self.fft.process(&mut self.buffer, &mut self.spectrum);
        let mut frame = Frame::default();
        for (power, (from, to)) in frame.bands.iter_mut().zip(self.bins) {
            let bins = self.spectrum.get(from..to).unwrap_or_default();
            *power = bins.iter().map(Complex::norm_sqr).sum::<f32>() * self.scale;
        }
        if self.details {
            self.hiss(&mut frame);
        }
        (frame.bend, frame.low) = self.hops.pop_front().unwrap_or_default();
        frame
    }

    /// What lies above 2 kHz, and its centre of gravity.
    fn hiss(&self, frame: &mut Frame) {
        let last = self.bins[BANDS - 1].1;
        let bins = self.spectrum.get(self.hiss_from..last).unwrap_or_default();
        let mut moment = 0.0;
        for (bin, value) in (self.hiss_from..last).zip(bins) {
            let power = value.norm_sqr() * self.scale;
            frame.hiss += power;
            moment += power * bin as f32 * self.bin_hz;
        }
        frame.centre_hz = if frame.hiss > NOTHING { moment / frame.hiss } else { 0.0 };
    }

    /// Hands out the frames whose surroundings are known.
    fn emit(&mut self, sink: &mut dyn FnMut(&Frame)) {
        while self.pending.len() > Voicing::AHEAD + SMOOTH / 2 {
            // Frames before the one in question stay in front of it until they are no longer averaged over.
            let index = (self.emitted as usize).min(SMOOTH / 2);
            if index >= self.pending.len() {
                break;
            }
            let last = (index + SMOOTH / 2).min(self.pending.len() - 1);
            let mut frame = self.pending[index];
            let count = (last + 1) as f32;
            for other in self.pending.iter().take(last + 1) {
                for (sum, power) in frame.smooth.iter_mut().zip(&other.bands) {
                    *sum += power / count;
                }
            }
            frame.voicing = self.voicing.at(self.emitted);
            sink(&frame);
            self.emitted += 1;
            if index == SMOOTH / 2 {
                self.pending.pop_front();
            }
        }
    }

    fn finish(&mut self, count: u64, sink: &mut dyn FnMut(&Frame)) {
        // Silence behind the end until the last frame has come out.
        let silence = vec![0.0; self.hop];
        let mut left = 4 * Voicing::AHEAD + 4 * WINDOW_HOPS;
        let mut out = self.emitted;
        while self.emitted < count && left > 0 {
            let mut limited = |frame: &Frame| {
                if out < count {
                    sink(frame);
                }
                out += 1;
            };
            self.push(&silence, &mut limited);
            left -= 1;
        }
    }
}
