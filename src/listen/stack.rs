//! The sum: pairs of lanes that cancel, mono, esses that pile up.

use realfft::{RealFftPlanner, RealToComplex, num_complex::Complex};

use crate::sound::biquad::{Biquad, Runner};

/// Borders of the bands in which mono is judged, in Hz (common practice, no source).
const BORDERS_HZ: [f64; 4] = [200.0, 800.0, 3_000.0, 8_000.0];
/// Bands in which mono is judged.
pub const BANDS: usize = BORDERS_HZ.len() + 1;

/// How a stereo sum fares in mono.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Mono {
    /// Correlation of left and right: 1 the same, 0 independent, -1 opposite; `None` for silence.
    pub correlation: Option<f64>,
    /// What mono loses in each band, in dB: 0 where both sides are the same, −3 where they are independent; `None`
    /// where there is no sound.
    pub loss_db: [Option<f64>; BANDS],
}

/// Borders of the bands in Hz, from low to high.
#[must_use]
pub fn band_borders_hz() -> &'static [f64] {
    &BORDERS_HZ
}

/// Judges a stereo sum that comes piece by piece.
#[derive(Debug, Clone)]
pub struct MonoMeter {
    /// For each side a low-pass at each border, twice.
    filters: [[[Runner; 2]; BANDS - 1]; 2],
    both: [f64; 3],
    bands: [[f64; 2]; BANDS],
}

impl MonoMeter {
    /// A meter at `rate` Hz.
    #[must_use]
    pub fn new(rate: u32) -> MonoMeter {
        let side = || {
            std::array::from_fn(|border| {
                let filter =
                    Biquad::low_pass(BORDERS_HZ[border], std::f64::consts::FRAC_1_SQRT_2, f64::from(rate));
                [Runner::new(filter); 2]
            })
        };
        MonoMeter { filters: [side(), side()], both: [0.0; 3], bands: [[0.0; 2]; BANDS] }
    }

    /// Takes the next samples into account.
    pub fn add(&mut self, left: &[f32], right: &[f32]) {
        for (left, right) in left.iter().zip(right) {
            let (l, r) = (f64::from(*left), f64::from(*right));
            self.both[0] += l * r;
            self.both[1] += l * l;
            self.both[2] += r * r;
            // Bands are differences of low-passes: together they are the whole.
            let split = |filters: &mut [[Runner; 2]; BANDS - 1], x: f64| {
                let mut low = 0.0;
                let mut bands = [x; BANDS];
                for (border, [first, second]) in filters.iter_mut().enumerate() {
                    let next = second.next(first.next(x));
                    bands[border] = next - low;
                    low = next;
                }
                bands[BANDS - 1] = x - low;
                bands
            };
            let [left_filters, right_filters] = &mut self.filters;
            let (ls, rs) = (split(left_filters, l), split(right_filters, r));
            for (sums, (l, r)) in self.bands.iter_mut().zip(ls.iter().zip(&rs)) {
                sums[0] += (l + r) * (l + r) / 2.0;
                sums[1] += l * l + r * r;
            }
        }
    }

    /// What was found.
    #[must_use]
    pub fn finish(&self) -> Mono {
        let [cross, left, right] = self.both;
        let power = (left * right).sqrt();
        Mono {
            correlation: (power > 1e-12).then(|| cross / power),
            loss_db: self
                .bands
                .map(|[mono, stereo]| (stereo > 1e-9).then(|| 10.0 * (mono / stereo).max(1e-6).log10())),
        }
    }
}

/// What two lanes do to each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Conflict {
    /// One is the other with the sign changed: the sum gets thinner.
    Polarity,
    /// One is a copy of the other, a little later: the sum has notches.
    Comb,
}

/// Two lanes that cancel.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Pair {
    /// Index of the one.
    pub first: usize,
    /// Index of the other.
    pub second: usize,
    /// What they do.
    pub conflict: Conflict,
    /// Correlation at the best delay: −1 to 1.
    pub correlation: f64,
    /// How much later the second is, in ms.
    pub delay_ms: f64,
}

impl Pair {
    /// The lowest frequency that a comb takes out, in Hz.
    #[must_use]
    pub fn first_notch_hz(&self) -> f64 {
        500.0 / self.delay_ms.abs().max(1e-3)
    }
}

/// Delays up to this are looked at.
const LONGEST_DELAY_MS: f64 = 12.0;
/// Copies are at least so much alike; two takes of one line stay far below it.
const ALIKE: f64 = 0.7;
/// Opposites are, over all that was looked at.
const OPPOSITE: f64 = -0.5;
/// Delays below this do no harm to a copy: the first notch is above 10 kHz.
const HARMLESS_MS: f64 = 0.05;

/// Short excerpts of lanes, taken at the same places, for [`PairFinder::pairs`].
pub struct PairFinder {
    rate: u32,
    size: usize,
    forward: std::sync::Arc<dyn RealToComplex<f32>>,
    inverse: std::sync::Arc<dyn realfft::ComplexToReal<f32>>,
    /// For each lane, for each excerpt: its spectrum and energy.
    lanes: Vec<Vec<(Vec<Complex<f32>>, f64)>>,
}

impl std::fmt::Debug for PairFinder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PairFinder").field("rate", &self.rate).field("lanes", &self.lanes.len()).finish()
    }
}

impl PairFinder {
    /// For so many lanes; excerpts have `length` samples at `rate` Hz.
    #[must_use]
    pub fn new(lanes: usize, length: usize, rate: u32) -> PairFinder {
        let size = (2 * length.max(2)).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        PairFinder {
            rate,
            size,
            forward: planner.plan_fft_forward(size),
            inverse: planner.plan_fft_inverse(size),
            lanes: vec![Vec::new(); lanes],
        }
    }

    /// Adds the next excerpt of a lane. All lanes must get as many.
    pub fn add(&mut self, lane: usize, excerpt: &[f32]) {
        let mut input = self.forward.make_input_vec();
        input.iter_mut().zip(excerpt).for_each(|(i, s)| *i = *s);
        let energy = excerpt.iter().map(|s| f64::from(*s).powi(2)).sum();
        let mut spectrum = self.forward.make_output_vec();
        if self.forward.process(&mut input, &mut spectrum).is_ok()
            && let Some(lane) = self.lanes.get_mut(lane)
        {
            lane.push((spectrum, energy));
        }
    }

    /// The pairs of lanes that cancel.
    #[must_use]
    pub fn pairs(&self) -> Vec<Pair> {
        let indices = (0..self.lanes.len()).flat_map(|a| (a + 1..self.lanes.len()).map(move |b| (a, b)));
        indices.filter_map(|(first, second)| self.pair(first, second)).collect()
    }

    fn pair(&self, first: usize, second: usize) -> Option<Pair> {
        let mut sum = vec![Complex::new(0.0f32, 0.0); self.size / 2 + 1];
        let (mut own, mut other) = (0.0, 0.0);
        for ((a, energy_a), (b, energy_b)) in self.lanes[first].iter().zip(&self.lanes[second]) {
            if *energy_a < 1e-6 || *energy_b < 1e-6 {
                continue;
            }
            own += energy_a;
            other += energy_b;
            sum.iter_mut().zip(a.iter().zip(b)).for_each(|(sum, (a, b))| *sum += a.conj() * b);
        }
        let scale = (own * other).sqrt() * self.size as f64;
        if scale <= 0.0 {
            return None;
        }
        let mut correlation = self.inverse.make_output_vec();
        // A real signal has real ends of its spectrum; rounding must not say otherwise.
        if let [start, .., end] = sum.as_mut_slice() {
            (start.im, end.im) = (0.0, 0.0);
        }
        self.inverse.process(&mut sum, &mut correlation).ok()?;
        let rate = f64::from(self.rate);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some hundred samples")]
        let reach = ((LONGEST_DELAY_MS / 1000.0 * rate) as usize).min(self.size / 2 - 1);
        let at = |delay: usize, later: bool| {
            f64::from(correlation[if later { delay } else { (self.size - delay) % self.size }]) / scale
        };
        let all = (0..=reach)
            .flat_map(|delay| [(delay as f64, at(delay, true)), (-(delay as f64), at(delay, false))]);
        let (delay, value) = all.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
        let delay_ms = 1000.0 * delay / rate;
        let conflict = if value < OPPOSITE {
            Conflict::Polarity
        } else if value > ALIKE && delay_ms.abs() > HARMLESS_MS {
            Conflict::Comb
        } else {
            return None;
        };
        Some(Pair { first, second, conflict, correlation: value, delay_ms })
    }
}

/// Where the esses of several lanes fall together.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Pile {
    /// First sample, counted from where the lanes began.
    pub start: u64,
    /// One past the last sample.
    pub end: u64,
    /// Most lanes at once.
    pub lanes: usize,
}

/// Places where at least `least` lanes have an ess at once. `lanes` holds for each lane which of its steps of `hop` samples are
/// esses.
#[must_use]
pub fn piles(lanes: &[&[bool]], hop: usize, least: usize) -> Vec<Pile> {
    let steps = lanes.iter().map(|lane| lane.len()).max().unwrap_or(0);
    let mut piles: Vec<Pile> = Vec::new();
    for step in 0..steps {
        let count = lanes.iter().filter(|lane| lane.get(step) == Some(&true)).count();
        if count < least.max(2) {
            continue;
        }
        let (start, end) = ((step * hop) as u64, ((step + 1) * hop) as u64);
        match piles.last_mut() {
            Some(last) if last.end == start => {
                last.end = end;
                last.lanes = last.lanes.max(count);
            }
            _ => piles.push(Pile { start, end, lanes: count }),
        }
    }
    piles
}

/// Finds a lane's esses as it comes piece by piece, in steps of a hundredth of a second.
#[derive(Debug, Clone)]
pub struct EssTrack {
    high: [Runner; 2],
    low: [Runner; 2],
    sums: [f64; 2],
    count: usize,
    hop: usize,
    steps: Vec<bool>,
}

/// An ess has this much more power above 2.8 kHz than below 2.5 kHz ...
const ESS_DB: f64 = 6.0;
/// ... and at least this level in dBFS rms.
const ESS_LEAST_DB: f64 = -50.0;

impl EssTrack {
    /// A track at `rate` Hz with nothing in it.
    #[must_use]
    pub fn new(rate: u32) -> EssTrack {
        let (q, rate_hz) = (std::f64::consts::FRAC_1_SQRT_2, f64::from(rate));
        EssTrack {
            high: [Runner::new(Biquad::high_pass(2_800.0, q, rate_hz)); 2],
            low: [Runner::new(Biquad::low_pass(2_500.0, q, rate_hz)); 2],
            sums: [0.0; 2],
            count: 0,
            hop: (rate / 100).max(1) as usize,
            steps: Vec::new(),
        }
    }

    /// Takes the next samples into account.
    pub fn add(&mut self, samples: &[f32]) {
        for sample in samples {
            let x = f64::from(*sample);
            let high = self.high.iter_mut().fold(x, |x, filter| filter.next(x));
            let low = self.low.iter_mut().fold(x, |x, filter| filter.next(x));
            self.sums[0] += high * high;
            self.sums[1] += low * low;
            self.count += 1;
            if self.count == self.hop {
                let [high, low] = self.sums.map(|sum| 10.0 * (sum / self.hop as f64).max(1e-20).log10());
                self.steps.push(high > ESS_LEAST_DB && high > low + ESS_DB);
                (self.sums, self.count) = ([0.0; 2], 0);
            }
        }
    }

    /// Which steps are esses.
    #[must_use]
    pub fn steps(&self) -> &[bool] {
        &self.steps
    }

    /// Frames of one step.
    #[must_use]
    pub fn hop(&self) -> usize {
        self.hop
    }
}

/// Excerpts of each lane for [`PairFinder`]: this many, spread evenly ...
const EXCERPTS: u64 = 24;
/// ... each so long, in seconds ...
const EXCERPT_S: f64 = 0.7;
/// ... at about this rate, which keeps pitch and formants.
const EXCERPT_RATE: u32 = 12_000;

/// Cuts excerpts out of a lane as it comes piece by piece, at a lower rate.
#[derive(Debug, Clone)]
pub struct Excerpts {
    filters: [Runner; 2],
    every: u64,
    length: u64,
    distance: u64,
    at: u64,
    parts: Vec<Vec<f32>>,
}

impl Excerpts {
    /// For a lane of so many frames at `rate` Hz.
    #[must_use]
    pub fn new(frames: u64, rate: u32) -> Excerpts {
        let every = u64::from((rate / EXCERPT_RATE).max(1));
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few ten thousand")]
        let length = ((EXCERPT_S * f64::from(rate)) as u64 / every).max(1) * every;
        let distance = (frames / EXCERPTS).max(length);
        let hz = 0.36 * f64::from(rate) / every as f64;
        let low_pass = [0.541_196_100_146_197, 1.306_562_964_876_376_5];
        let filters = low_pass.map(|q| Runner::new(Biquad::low_pass(hz, q, f64::from(rate))));
        Excerpts { filters, every, length, distance, at: 0, parts: Vec::new() }
    }

    /// Rate and length of the excerpts.
    #[must_use]
    pub fn shape(&self, rate: u32) -> (u32, usize) {
        let every = u32::try_from(self.every).unwrap_or(1);
        (rate / every, usize::try_from(self.length / self.every).unwrap_or(1))
    }

    /// Takes the next samples into account.
    pub fn add(&mut self, samples: &[f32]) {
        for sample in samples {
            let low = self.filters.iter_mut().fold(f64::from(*sample), |x, filter| filter.next(x));
            let place = self.at % self.distance;
            if place == 0 {
                self.parts.push(Vec::new());
            }
            if place < self.length
                && place.is_multiple_of(self.every)
                && let Some(part) = self.parts.last_mut()
            {
                #[expect(clippy::cast_possible_truncation, reason = "audio")]
                part.push(low as f32);
            }
            self.at += 1;
        }
    }

    /// The excerpts.
    #[must_use]
    pub fn parts(&self) -> &[Vec<f32>] {
        &self.parts
    }
}
