//! Band levels over time: what a voice does, with its pitch, level and colour taken out.
//!
//! The bands are wide (200 Hz and more), so that single harmonics hardly show and another pitch gives
//! nearly the same picture. A [`Scale`] measures each band between the noise floor (0) and its usual top
//! (1); on that scale two singers, two microphones and two levels look alike.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// Band edges in Hz. Wide, so that two pitches give one picture; nothing above 8 kHz, where lossy or
/// low-rate takes have nothing left.
pub const EDGES: [f64; 17] = [
    80.0, 280.0, 480.0, 680.0, 900.0, 1150.0, 1450.0, 1800.0, 2200.0, 2650.0, 3150.0, 3700.0, 4350.0, 5100.0,
    6000.0, 7000.0, 8000.0,
];

/// How many bands there are.
pub const BANDS: usize = EDGES.len() - 1;

/// Level of every band in one frame.
pub type Frame = [f32; BANDS];

/// Lowest level told apart, in dB below full scale: below the noise of any converter.
const LOWEST_DB: f32 = -110.0;

/// Band levels in dB at equal steps of time. Frame `i` is centred on sample `first + i * hop`.
#[derive(Debug, Clone, PartialEq)]
pub struct Levels {
    /// Samples from frame to frame.
    pub hop: usize,
    /// The sample on which frame 0 is centred.
    pub first: i64,
    /// Levels in dB.
    pub frames: Vec<Frame>,
}

/// Computes [`Levels`]; one for many stretches of one rate. Allocates when made and per call.
pub struct Analyser {
    window: Vec<f32>,
    fft: std::sync::Arc<dyn realfft::RealToComplex<f32>>,
    input: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    /// First and one past the last bin of each band; empty above half the rate.
    bins: [(usize, usize); BANDS],
}

impl Analyser {
    /// An analyser with a raised-cosine window of `seconds`, at most a tenth of a second.
    #[must_use]
    pub fn new(rate: u32, seconds: f64) -> Analyser {
        let rate = f64::from(rate.max(1));
        let length = ((seconds.clamp(0.001, 0.1) * rate) as usize).max(8);
        let size = length.next_power_of_two();
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(size);
        let turn = std::f64::consts::TAU / length as f64;
        let raw: Vec<f64> = (0..length).map(|n| 0.5 - 0.5 * ((n as f64 + 0.5) * turn).cos()).collect();
        // A full-scale sine reads 0 dB in the band that holds it.
        let power: f64 = raw.iter().map(|w| w * w).sum();
        let gain = (4.0 / (power * size as f64)).sqrt();
        let bin = |hz: f64| ((hz * size as f64 / rate).round() as usize).min(size / 2);
        let mut bins = [(0, 0); BANDS];
        for (band, range) in bins.iter_mut().enumerate() {
            let low = bin(EDGES[band]).max(1);
            // A short window has coarse bins: every band below half the rate gets one at least.
            let high = if EDGES[band] * 2.0 < rate { bin(EDGES[band + 1]).max(low + 1) } else { low };
            *range = (low.min(size / 2), high.min(size / 2));
        }
        Analyser {
            window: raw.iter().map(|w| (w * gain) as f32).collect(),
            input: fft.make_input_vec(),
            spectrum: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            fft,
            bins,
        }
    }

    /// Levels of `count` frames, the first centred on sample `first`. Outside of `samples` is silence.
    #[must_use]
    pub fn levels(&mut self, samples: &[f32], first: i64, hop: usize, count: usize) -> Levels {
        let hop = hop.max(1);
        let mut frames = Vec::with_capacity(count);
        for index in 0..count {
            let centre = first.saturating_add((index * hop) as i64);
            frames.push(self.frame(samples, centre));
        }
        Levels { hop, first, frames }
    }

    fn frame(&mut self, samples: &[f32], centre: i64) -> Frame {
        let length = self.window.len();
        let from = centre.saturating_sub((length / 2) as i64);
        let mut frame = [LOWEST_DB; BANDS];
        self.input.fill(0.0);
        let lead = usize::try_from(from.saturating_neg()).unwrap_or(0);
        let start = usize::try_from(from).unwrap_or(0);
        if lead >= length || start >= samples.len() {
            return frame;
        }
        let span = (length - lead).min(samples.len() - start);
        let (taken, window) = (&samples[start..start + span], &self.window[lead..lead + span]);
        let mut peak = 0.0f32;
        for ((to, sample), weight) in self.input[lead..].iter_mut().zip(taken).zip(window) {
            let value = if sample.is_finite() { sample.clamp(-8.0, 8.0) } else { 0.0 };
            peak = peak.max(value.abs());
            *to = value * weight;
        }
        if peak == 0.0
            || self.fft.process_with_scratch(&mut self.input, &mut self.spectrum, &mut self.scratch).is_err()
        {
            return frame;
        }
        for (level, (low, high)) in frame.iter_mut().zip(self.bins) {
            let power: f32 = self.spectrum[low..high].iter().map(|bin| bin.norm_sqr()).sum();
            *level = (10.0 * power.log10()).max(LOWEST_DB);
        }
        frame
    }
}

/// Band levels of a whole take: a frame every `hop` samples from its first sample on.
#[must_use]
pub fn whole(samples: &[f32], rate: u32, hop: usize, window_s: f64) -> Levels {
    let count = samples.len().div_ceil(hop.max(1));
    Analyser::new(rate, window_s).levels(samples, 0, hop, count)
}

/// Where each band's noise ends and how loud it usually gets when the voice sounds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// Top of the noise, in dB.
    pub floor: Frame,
    /// Level that a twentieth of the sounding frames exceed, in dB.
    pub top: Frame,
}

impl Reach {
    /// Measures a take. A take of no frames reaches nowhere: floor and top are equal.
    #[must_use]
    pub fn of(levels: &Levels) -> Reach {
        let loud: Vec<f32> =
            levels.frames.iter().map(|frame| frame.iter().copied().fold(LOWEST_DB, f32::max)).collect();
        let loudest = percentile(&mut loud.clone(), 0.99);
        let mut reach = Reach { floor: [LOWEST_DB; BANDS], top: [LOWEST_DB; BANDS] };
        for band in 0..BANDS {
            let mut all: Vec<f32> = levels.frames.iter().map(|frame| frame[band]).collect();
            let mut sounding: Vec<f32> = levels
                .frames
                .iter()
                .zip(&loud)
                .filter(|(_, loud)| **loud > loudest - 40.0)
                .map(|(frame, _)| frame[band])
                .collect();
            reach.top[band] = percentile(&mut sounding, 0.95);
            // Single frames of noise stand some dB above their usual level.
            reach.floor[band] = (percentile(&mut all, 0.08) + 7.0).clamp(LOWEST_DB, reach.top[band]);
        }
        reach
    }
}

/// The value below which a share of all values lies; the lowest level if there is none. Reorders them.
pub fn percentile(values: &mut [f32], share: f64) -> f32 {
    if values.is_empty() {
        return LOWEST_DB;
    }
    let index = ((values.len() - 1) as f64 * share.clamp(0.0, 1.0)) as usize;
    *values.select_nth_unstable_by(index, f32::total_cmp).1
}

/// Range of a band beyond which weak sound is no longer looked at, in dB.
const WIDEST_DB: f32 = 48.0;
/// A band with less range than this tells nothing.
const NARROWEST_DB: f32 = 12.0;

/// Maps levels of one take to 0 (noise) … 1 (usual top), the same dB per unit as for its partner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    top: Frame,
    range: Frame,
    /// Share of each band in comparisons; all together 1, or 0 if no band tells anything.
    pub weights: Frame,
}

impl Scale {
    /// Scales for two takes that are to be compared: the range of each band is that of the poorer take.
    #[must_use]
    pub fn pair(one: &Reach, other: &Reach) -> (Scale, Scale) {
        let (mut range, mut weights) = ([1.0; BANDS], [0.0; BANDS]);
        for band in 0..BANDS {
            let reach = |reach: &Reach| reach.top[band] - reach.floor[band];
            range[band] = reach(one).min(reach(other)).clamp(1.0, WIDEST_DB);
            weights[band] = if range[band] < NARROWEST_DB { 0.0 } else { (range[band] / 30.0).min(1.0) };
        }
        let total: f32 = weights.iter().sum();
        if total > 0.0 {
            weights.iter_mut().for_each(|weight| *weight /= total);
        }
        (Scale { top: one.top, range, weights }, Scale { top: other.top, range, weights })
    }

    /// The scale of a take by itself.
    #[must_use]
    pub fn single(reach: &Reach) -> Scale {
        Scale::pair(reach, reach).0
    }

    /// Levels on the scale: 0 for noise, about 1 for loud.
    #[must_use]
    pub fn apply(&self, levels: &Levels) -> Vec<Frame> {
        levels.frames.iter().map(|frame| self.frame(frame)).collect()
    }

    /// One frame on the scale.
    #[must_use]
    pub fn frame(&self, frame: &Frame) -> Frame {
        let mut scaled = [0.0; BANDS];
        for band in 0..BANDS {
            let value = (frame[band] - self.top[band]) / self.range[band] + 1.0;
            scaled[band] = value.clamp(0.0, 1.25);
        }
        scaled
    }

    /// Mean of a scaled frame, by weight.
    #[must_use]
    pub fn mean(&self, frame: &Frame) -> f32 {
        frame.iter().zip(&self.weights).map(|(value, weight)| value * weight).sum()
    }
}
