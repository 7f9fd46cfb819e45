//! A lane's tone looked at over the whole lane: its long-term spectrum, what its dynamics take away where, how much louder or
//! softer the tone makes it.

use std::sync::Arc;

use realfft::RealFftPlanner;

use crate::mix::{Plan, Samples, Scratch, ToneStage, render_edits};
use crate::song::{AssetId, Lane, Length, Position, Song};
use crate::sound::bank::Blocks;
use crate::sound::loudness::{LoudnessMeter, matched_gain_db};

/// Bands of the spectrum in an octave.
pub const BANDS_PER_OCTAVE: f64 = 6.0;
/// Middle of the lowest band in Hz; the highest lies below 20 kHz.
pub const LOWEST_HZ: f64 = 25.0;
/// Number of bands: 25 Hz to 19.9 kHz.
pub const BANDS: usize = 58;

/// Frames of one step of the reductions.
const STEP: usize = 1024;
/// Reductions are looked at this often within a step, and the largest is kept.
const PART: usize = 128;
/// Frames of the spectrum's window.
const WINDOW: usize = 4096;
/// Windows with less power than this (−70 dBFS) are no sound.
const SILENCE: f64 = 1e-7;

/// What a look at a lane gives.
#[derive(Debug, Clone, PartialEq)]
pub struct ToneLook {
    /// Level of the lane before its tone in each band, in dB against the strongest one; empty for silence.
    pub spectrum_db: Vec<f32>,
    /// Where the lane begins.
    pub start: Position,
    /// Frames of a step.
    pub step: u64,
    /// What the de-esser and the compressor take away, in dB, the most in each step.
    pub reductions: Vec<(f32, f32)>,
    /// Gain in dB that makes the lane before its tone as loud as it is behind it (integrated, ITU-R BS.1770); `None` if it is
    /// too soft or too short to say.
    pub matched_db: Option<f64>,
}

impl ToneLook {
    /// The largest reductions in dB between two positions: de-esser, compressor.
    #[must_use]
    pub fn between(&self, from: Position, to: Position) -> (f32, f32) {
        let index = |at: Position| {
            usize::try_from(at.0.saturating_sub(self.start.0).max(0).cast_unsigned() / self.step.max(1))
                .unwrap_or(usize::MAX)
        };
        if to <= self.start {
            return (0.0, 0.0);
        }
        let first = index(from).min(self.reductions.len());
        let last = (index(to) + 1).clamp(first, self.reductions.len());
        let most = |a: (f32, f32), b: &(f32, f32)| (a.0.max(b.0), a.1.max(b.1));
        self.reductions[first..last].iter().fold((0.0, 0.0), most)
    }
}

/// Looks at a lane at `rate` Hz; `channels` tells how many channels an asset has. `go_on` is asked now and then; `None` if it
/// says no.
pub fn tone_look<S: Samples + ?Sized>(
    lane: &Arc<Lane>,
    rate: u32,
    channels: &dyn Fn(AssetId) -> Option<u16>,
    samples: &mut S,
    go_on: &dyn Fn() -> bool,
) -> Option<ToneLook> {
    let song = Song { lanes: vec![Arc::clone(lane)], ..Song::default() };
    let plan = Plan::compile(&song, rate, channels);
    let mut look = ToneLook {
        spectrum_db: Vec::new(),
        start: Position(0),
        step: STEP as u64,
        reductions: Vec::new(),
        matched_db: None,
    };
    let (Some(extent), Some(planned)) = (plan.extent(), plan.lanes().first()) else { return Some(look) };
    look.start = extent.start;
    let width = usize::from(planned.channels);
    let meter = || LoudnessMeter::new(planned.channels, rate);
    let (mut before, mut after) = (meter(), meter());
    let mut spectrum = LongTerm::new(rate);
    let mut stage = ToneStage::new(&plan);
    let mut scratch = Scratch::new(STEP);
    let mut block = [vec![0.0f32; STEP], vec![0.0f32; STEP]];
    let mut at = extent.start;
    while at < extent.end {
        if !go_on() {
            return None;
        }
        let frames = usize::try_from(extent.end.since(at).0).unwrap_or(STEP).min(STEP);
        let [left, right] = &mut block;
        let mut planes: Vec<&mut [f32]> = vec![&mut left[..frames], &mut right[..frames]];
        planes.truncate(width);
        render_edits(planned, at, &mut planes, samples, &mut scratch);
        let shown: Vec<&[f32]> = planes.iter().map(|plane| &**plane).collect();
        before.add(&shown);
        spectrum.add(&shown);
        look.reductions.push(shape(&mut stage, planned.id, at, frames, &mut block));
        let [left, right] = &block;
        let shown = [&left[..frames], &right[..frames]];
        after.add(&shown[..width]);
        at = at + Length(frames as u64);
    }
    look.spectrum_db = spectrum.finish();
    look.matched_db = matched_gain_db(&before.result(), &after.result());
    Some(look)
}

/// Sends a step through the tone; gives the largest reductions.
fn shape(
    stage: &mut ToneStage,
    lane: crate::song::LaneId,
    at: Position,
    frames: usize,
    block: &mut [Vec<f32>; 2],
) -> (f32, f32) {
    let mut most = (0.0f32, 0.0f32);
    for from in (0..frames).step_by(PART) {
        let count = PART.min(frames - from);
        stage.process((at + Length(from as u64)).0, count, &mut Part { block, from, count });
        if let Some(reduction) = stage.reduction(lane) {
            #[expect(clippy::cast_possible_truncation, reason = "a few dB")]
            let now = (reduction.deess_db as f32, reduction.compress_db as f32);
            most = (most.0.max(now.0), most.1.max(now.1));
        }
    }
    most
}

struct Part<'a> {
    block: &'a mut [Vec<f32>; 2],
    from: usize,
    count: usize,
}

impl Blocks for Part<'_> {
    fn block(&mut self, _: usize, channel: usize) -> &mut [f32] {
        let plane = self.block.get_mut(channel);
        plane.and_then(|plane| plane.get_mut(self.from..self.from + self.count)).unwrap_or_default()
    }
}

/// The mean spectrum of all that sounds.
struct LongTerm {
    rate: f64,
    fft: Arc<dyn realfft::RealToComplex<f64>>,
    window: Vec<f64>,
    input: Vec<f64>,
    filled: usize,
    power: Vec<f64>,
}

impl LongTerm {
    fn new(rate: u32) -> LongTerm {
        let turn = 2.0 * std::f64::consts::PI / WINDOW as f64;
        LongTerm {
            rate: f64::from(rate),
            fft: RealFftPlanner::new().plan_fft_forward(WINDOW),
            window: (0..WINDOW).map(|n| 0.5 - 0.5 * (turn * n as f64).cos()).collect(),
            input: vec![0.0; WINDOW],
            filled: 0,
            power: vec![0.0; WINDOW / 2 + 1],
        }
    }

    fn add(&mut self, planes: &[&[f32]]) {
        let frames = planes.first().map_or(0, |plane| plane.len());
        for index in 0..frames {
            let sum: f64 = planes.iter().map(|plane| f64::from(plane[index])).sum();
            self.input[self.filled] = sum / planes.len() as f64;
            self.filled += 1;
            if self.filled == WINDOW {
                self.take();
            }
        }
    }

    fn take(&mut self) {
        self.filled = 0;
        let power = self.input.iter().map(|x| x * x).sum::<f64>() / WINDOW as f64;
        if power < SILENCE || !power.is_finite() {
            return;
        }
        self.input.iter_mut().zip(&self.window).for_each(|(x, window)| *x *= window);
        let mut bins = self.fft.make_output_vec();
        if self.fft.process(&mut self.input, &mut bins).is_ok() {
            self.power.iter_mut().zip(&bins).for_each(|(sum, bin)| *sum += bin.norm_sqr());
        }
    }

    /// Levels of the bands, each as much of the power as falls into it.
    fn finish(mut self) -> Vec<f32> {
        if self.filled > 0 {
            self.input[self.filled..].fill(0.0);
            self.take();
        }
        let bin_hz = self.rate / WINDOW as f64;
        let half = 2f64.powf(0.5 / BANDS_PER_OCTAVE);
        let level = |band: usize| {
            let hz = band_hz(band);
            if hz * half > self.rate / 2.0 {
                return 0.0;
            }
            let (from, to) = (hz / half / bin_hz, hz * half / bin_hz);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bins")]
            let (first, last) = (from.round() as usize, (to.round() as usize).max(from.round() as usize + 1));
            let bins = self.power.get(first..last.min(self.power.len())).unwrap_or_default();
            bins.iter().sum::<f64>() / bins.len().max(1) as f64 * (to - from)
        };
        let levels: Vec<f64> = (0..BANDS).map(level).collect();
        let most = levels.iter().copied().fold(0.0, f64::max);
        if most <= 0.0 {
            return Vec::new();
        }
        #[expect(clippy::cast_possible_truncation, reason = "some dB")]
        let db = |level: &f64| (10.0 * (level / most).max(1e-12).log10()) as f32;
        levels.iter().map(db).collect()
    }
}

/// Middle of a band in Hz.
#[must_use]
pub fn band_hz(band: usize) -> f64 {
    LOWEST_HZ * 2f64.powf(band as f64 / BANDS_PER_OCTAVE)
}
