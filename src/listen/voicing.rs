//! Whether a sound has a pitch: how alike the waveform is one period later.

use std::collections::VecDeque;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::filter::Fourth;
use super::frames::PER_SECOND;

/// The waveform is looked at at about this rate.
const RATE_HZ: f64 = 6000.0;
/// Voices lie within these pitches.
const LOWEST_HZ: f64 = 70.0;
const HIGHEST_HZ: f64 = 1000.0;
/// Length that is compared, in seconds: nearly three periods of the lowest voice.
const WINDOW_S: f64 = 0.04;
/// Frames between two looks.
const EVERY: u64 = 4;

/// Measures voicing by the autocorrelation, normalised by that of the window, of the sound below 1.2 kHz.
pub struct Voicing {
    low_pass: Fourth,
    factor: usize,
    phase: usize,
    recent: VecDeque<f32>,
    size: usize,
    window: Vec<f32>,
    /// Autocorrelation of the window, by lag.
    window_r: Vec<f32>,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    buffer: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    lags: (usize, usize),
    /// Samples until the next look.
    until: u64,
    step: u64,
    /// Voicing of the looks from number `first` on.
    looks: VecDeque<f32>,
    first: u64,
}

impl Voicing {
    /// Frames that must have been pushed beyond one before its voicing is known.
    pub const AHEAD: usize = (WINDOW_S / 2.0 * PER_SECOND as f64) as usize + EVERY as usize + 2;

    /// For samples at `rate`, in frames of `hop` samples.
    pub fn new(rate: u32, hop: usize) -> Voicing {
        let factor = ((f64::from(rate) / RATE_HZ).round() as usize).max(1);
        let rate = f64::from(rate);
        let low_rate = rate / factor as f64;
        let size = (WINDOW_S * low_rate) as usize;
        let length = (2 * size).next_power_of_two();
        let mut planner = RealFftPlanner::<f32>::new();
        let hann = |n: usize| {
            (0.5 - 0.5 * (2.0 * std::f64::consts::PI * (n as f64 + 0.5) / size as f64).cos()) as f32
        };
        let window: Vec<f32> = (0..size).map(hann).collect();
        let lags = ((low_rate / HIGHEST_HZ) as usize, (low_rate / LOWEST_HZ) as usize);
        let product = |lag: usize| window.iter().zip(window.iter().skip(lag)).map(|(a, b)| a * b).sum();
        let window_r = (0..=lags.1 + 1).map(product).collect();
        let forward = planner.plan_fft_forward(length);
        Voicing {
            low_pass: Fourth::low_pass(rate, 1200.0),
            factor,
            phase: 0,
            recent: VecDeque::from(vec![0.0; size]),
            size,
            window,
            window_r,
            spectrum: forward.make_output_vec(),
            inverse: planner.plan_fft_inverse(length),
            forward,
            buffer: vec![0.0; length],
            lags,
            // The window's middle lies in the middle of the frames that a look speaks for.
            until: (size * factor / 2) as u64 + EVERY * hop as u64 / 2,
            step: EVERY * hop as u64,
            looks: VecDeque::new(),
            first: 0,
        }
    }

    /// The next sample.
    pub fn push(&mut self, sample: f64) {
        let low = self.low_pass.step(sample) as f32;
        self.phase += 1;
        if self.phase == self.factor {
            self.phase = 0;
            self.recent.pop_front();
            self.recent.push_back(low);
        }
        self.until -= 1;
        if self.until == 0 {
            self.until = self.step;
            let look = self.look();
            self.looks.push_back(look);
        }
    }

    /// Voicing of a frame, 0 to 1. Frames are asked for in order.
    pub fn at(&mut self, frame: u64) -> f32 {
        let number = frame / EVERY;
        while self.first < number && self.looks.len() > 1 {
            self.looks.pop_front();
            self.first += 1;
        }
        self.looks.front().copied().unwrap_or(0.0)
    }

    fn look(&mut self) -> f32 {
        self.buffer.fill(0.0);
        for ((place, sample), weight) in self.buffer.iter_mut().zip(&self.recent).zip(&self.window) {
            *place = sample * weight;
        }
        // The buffers have the sizes that the plans were made for, so that they cannot fail.
        let _ = self.forward.process(&mut self.buffer, &mut self.spectrum);
        for value in &mut self.spectrum {
            *value = Complex::new(value.norm_sqr(), 0.0);
        }
        let _ = self.inverse.process(&mut self.spectrum, &mut self.buffer);
        let power = self.buffer[0];
        // Below the last bit of 24 the waveform is rounding, not voice.
        if power / self.buffer.len() as f32 <= 1e-12 * self.size as f32 {
            return 0.0;
        }
        let normal = |lag: usize| self.buffer[lag] / power * self.window_r[0] / self.window_r[lag];
        let mut best = 0.0f32;
        for lag in self.lags.0..=self.lags.1 {
            let here = normal(lag);
            // Only a peak counts: the slope down from lag 0 is that of any dull noise.
            if here > best && here >= normal(lag - 1) && here >= normal(lag + 1) {
                best = here;
            }
        }
        best.clamp(0.0, 1.0)
    }
}
