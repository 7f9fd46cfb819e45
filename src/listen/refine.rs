//! One onset of the guide, found again in another take to a fraction of a millisecond.
//!
//! Two ways, the better one decides. If the take holds the same performance (a copy that was cut and
//! slid), its waveform lies under the guide's at exactly one lag. If somebody sings it again, no waveform
//! fits, but levels of bands rise and fall alike around the onset: their slopes are compared.

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

use super::course::Course;
use super::features::{Analyser, BANDS, Frame, Scale};
use super::low_copy::LowCopy;
use super::throat::Throat;

/// Steps of the fine picture in a second.
const FINE_HZ: f64 = 1000.0;
/// Window of the fine picture, in seconds: short enough for a burst, long enough for two pulses of a deep voice.
const FINE_WINDOW_S: f64 = 0.010;
/// What is compared lies from so many fine steps before the onset …
const BEFORE: usize = 20;
/// … to so many after it.
const AFTER: usize = 100;
/// Reach of a slope on either side, in fine steps.
const SLOPE: usize = 3;

/// An onset found again.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Found {
    /// Lane position minus guide position, in samples of the low copy.
    pub lag: f64,
    /// Likeness of the slopes at that lag, up to 1.
    pub likeness: f32,
    /// By how much the best lag stands out from any other more than 15 ms away.
    pub lead: f32,
    /// Correlation of the waveforms at their best lag, up to 1.
    pub wave: f32,
    /// True if the waveforms decided.
    pub same: bool,
}

/// Finds onsets of one guide in one lane.
pub struct Finder<'a> {
    guide: &'a LowCopy,
    lane: &'a LowCopy,
    scales: (Scale, Scale),
    throat: Option<Throat>,
    analyser: Analyser,
    waves: Waves,
    hop: usize,
}

impl<'a> Finder<'a> {
    /// A finder for takes of one rate.
    #[must_use]
    pub fn new(guide: &'a LowCopy, lane: &'a LowCopy, course: &Course) -> Finder<'a> {
        let rate = guide.rate;
        let hop = ((f64::from(rate) / FINE_HZ).round() as usize).max(1);
        let (analyser, waves) = (Analyser::new(rate, FINE_WINDOW_S), Waves::new(rate));
        Finder { guide, lane, scales: course.scales, throat: course.throat, analyser, waves, hop }
    }

    /// Finds the onset at guide sample `onset`, expected `expected` samples later in the lane, `reach`
    /// samples to either side. `hints` are samples of the lane where it is more likely than elsewhere.
    pub fn find(&mut self, onset: usize, expected: f64, reach: usize, hints: &[usize]) -> Found {
        let (mut found, scores) = self.by_slopes(onset, expected, reach, hints);
        let waves = self.waves.correlate(&self.guide.samples, &self.lane.samples, onset, expected, 3 * reach);
        let Some(wave) = waves.best(|lag| scores.at(lag)) else { return found };
        found.wave = wave.correlation;
        if wave.correlation >= SAME && wave.score >= SAME_SCORE {
            found.lag = wave.lag;
            found.same = true;
        }
        found
    }

    /// The lag at another moment of a word whose onset lies at `lag`, if the slopes there speak clearly.
    pub fn find_near(&mut self, moment: usize, lag: f64, reach: usize) -> Option<f64> {
        let (found, _) = self.by_slopes(moment, lag, reach, &[]);
        (found.likeness > NEAR_LIKENESS).then_some(found.lag)
    }

    fn by_slopes(&mut self, onset: usize, expected: f64, reach: usize, hints: &[usize]) -> (Found, Scores) {
        let step = self.hop as f64;
        let steps = reach as i64 / self.hop as i64;
        let centre = (expected / step).round() as i64;
        let (guide, lane) = self.pictures(onset, centre, steps);
        let scores: Vec<f32> = (0..=2 * steps as usize).map(|shift| guide.likeness(&lane, shift)).collect();
        let first = (centre - steps) as f64 * step;
        let hints = Hints::new(hints, onset as f64 + first, step, f64::from(self.guide.rate));
        let prior = |shift: usize| {
            let away = (shift as f64 - steps as f64) / (reach as f64 / step);
            (away * away) as f32 * PRIOR - hints.at(shift)
        };
        let biased: Vec<f32> = scores.iter().enumerate().map(|(shift, score)| score - prior(shift)).collect();
        let Some(best) = (0..biased.len()).max_by(|a, b| biased[*a].total_cmp(&biased[*b])) else {
            return (Found { lag: expected, ..Found::default() }, Scores::default());
        };
        let apart = |shift: usize| shift.abs_diff(best) > 15;
        let rival =
            (0..biased.len()).filter(|shift| apart(*shift)).map(|shift| biased[shift]).fold(-1.0, f32::max);
        let exact = best as f64 + peak_between(&biased, best);
        let found = Found {
            lag: (exact - steps as f64 + centre as f64) * step,
            likeness: scores[best],
            lead: biased[best] - rival,
            wave: 0.0,
            same: false,
        };
        (found, Scores { first, step, values: biased })
    }

    /// The fine pictures of the guide around an onset and of the lane, `steps` wider to either side, around the same moment
    /// `centre` fine steps later.
    fn pictures(&mut self, onset: usize, centre: i64, steps: i64) -> (Picture, Picture) {
        let hop = self.hop as i64;
        let pad = SLOPE as i64;
        let (before, count) = (BEFORE as i64 + pad, BEFORE + AFTER + 2 * SLOPE);
        let from = onset as i64 - before * hop;
        let guide = self.analyser.levels(&self.guide.samples, from, self.hop, count);
        let lane_from = from + (centre - steps) * hop;
        let lane = self.analyser.levels(&self.lane.samples, lane_from, self.hop, count + 2 * steps as usize);
        let lane = match &self.throat {
            Some(throat) => throat.levels(&lane),
            None => lane,
        };
        let weights = self.scales.0.weights;
        let picture = |scale: &Scale, levels| Picture::of(&scale.apply(levels), &weights);
        (picture(&self.scales.0, &guide), picture(&self.scales.1, &lane))
    }
}

/// Places where an onset is more likely than elsewhere, in fine steps of a range of lags.
struct Hints {
    at: Vec<f64>,
    wide: f64,
}

impl Hints {
    /// Of `hints`, which are in order, those that a range of lags reaches: it begins at sample `first` of the lane.
    fn new(hints: &[usize], first: f64, step: f64, rate: f64) -> Hints {
        let (wide, long) = (HINT_S * rate / step, rate);
        let from = hints.partition_point(|hint| (*hint as f64) < first - 0.1 * rate);
        let near = hints[from..].iter().take_while(|hint| (**hint as f64) < first + long);
        Hints { at: near.map(|hint| (*hint as f64 - first) / step).collect(), wide }
    }

    fn at(&self, shift: usize) -> f32 {
        let one = |at: &f64| (-0.5 * ((shift as f64 - at) / self.wide).powi(2)).exp() as f32;
        HINT * self.at.iter().map(one).fold(0.0, f32::max)
    }
}

/// Likeness of slopes by lag, in samples of the low copy.
#[derive(Default)]
struct Scores {
    first: f64,
    step: f64,
    values: Vec<f32>,
}

impl Scores {
    /// Likeness at a lag; beyond the range that of its border, less something for the distance.
    fn at(&self, lag: f64) -> f32 {
        let place = (lag - self.first) / self.step.max(1.0);
        let last = self.values.len() as f64 - 1.0;
        let inside = place.clamp(0.0, last.max(0.0));
        let value = self.values.get(inside.round() as usize).copied().unwrap_or(0.0);
        value - (place - inside).abs() as f32 * 0.002
    }
}

/// What it counts that a lag leads to a hint, and how near it has to, in seconds. A word after silence begins where the
/// lane's sound does, however unlike the two voices are.
const HINT: f32 = 0.3;
const HINT_S: f64 = 0.01;
/// Slopes less alike than this do not tell where a vowel begins.
const NEAR_LIKENESS: f32 = 0.35;
/// How strongly a lag far from the expected one is held against it.
const PRIOR: f32 = 1.0;
/// Waveforms that correlate like this are one performance …
const SAME: f32 = 0.6;
/// … if the slopes do not speak against it.
const SAME_SCORE: f32 = 1.4;

/// Levels and slopes around an onset.
struct Picture {
    levels: Vec<Frame>,
    slopes: Vec<Frame>,
    powers: Vec<f32>,
    /// Weight of each moment.
    window: Vec<f32>,
}

impl Picture {
    fn of(frames: &[Frame], weights: &Frame) -> Picture {
        let smooth = |index: usize| -> Frame {
            let mut out = [0.0; BANDS];
            let (from, to) = (index.saturating_sub(1), (index + 2).min(frames.len()));
            for frame in &frames[from..to] {
                for band in 0..BANDS {
                    out[band] += frame[band].max(0.0).powf(SOFTEN) / (to - from) as f32;
                }
            }
            out
        };
        let frames: Vec<Frame> = (0..frames.len()).map(smooth).collect();
        let weigh = |frame: Frame| -> Frame {
            let mut out = frame;
            out.iter_mut().zip(weights).for_each(|(value, weight)| *value *= weight.sqrt());
            out
        };
        let inner = SLOPE..frames.len().saturating_sub(SLOPE);
        let slope = |index: usize| -> Frame {
            let mut out = [0.0; BANDS];
            for band in 0..BANDS {
                out[band] = frames[index + SLOPE][band] - frames[index - SLOPE][band];
            }
            weigh(out)
        };
        let slopes: Vec<Frame> = inner.clone().map(slope).collect();
        let levels = inner.map(|index| weigh(frames[index])).collect();
        let powers = slopes.iter().map(|slope| slope.iter().map(|value| value * value).sum()).collect();
        let window = (0..slopes.len()).map(window).collect();
        Picture { levels, slopes, powers, window }
    }

    /// How alike this picture and the stretch of `other` from `shift` on are.
    fn likeness(&self, other: &Picture, shift: usize) -> f32 {
        let (mut cross, mut one, mut two, mut apart, mut total) = (0.0f32, 1e-6f32, 1e-6f32, 0.0f32, 0.0f32);
        for index in 0..self.slopes.len() {
            let Some(theirs) = other.slopes.get(index + shift) else { break };
            let weight = self.window[index];
            let levels = &other.levels[index + shift];
            let (product, distance) = compare((&self.slopes[index], theirs), (&self.levels[index], levels));
            cross += weight * product;
            one += weight * self.powers[index];
            two += weight * other.powers[index + shift];
            apart += weight * distance;
            total += weight;
        }
        cross / (one * two).sqrt() - LEVELS * apart / total.max(1e-6)
    }
}

/// Sums over the bands: the product of the first two, the squared difference of the others; in eight lanes, so that it
/// runs in registers.
fn compare(slopes: (&Frame, &Frame), levels: (&Frame, &Frame)) -> (f32, f32) {
    let (mut products, mut distances) = ([0.0f32; 8], [0.0f32; 8]);
    for start in [0, 8] {
        for lane in 0..8 {
            let band = start + lane;
            products[lane] += slopes.0[band] * slopes.1[band];
            let difference = levels.0[band] - levels.1[band];
            distances[lane] += difference * difference;
        }
    }
    (products.iter().sum(), distances.iter().sum())
}

/// Lifts weak sound up: an onset is where sound begins, not where it is loud.
const SOFTEN: f32 = 0.7;
/// What a difference of levels counts beside the likeness of slopes.
const LEVELS: f32 = 2.0;

/// Weight of a moment: most at the onset, less before than after it.
fn window(index: usize) -> f32 {
    let away = index as f32 - BEFORE as f32;
    let reach = if away < 0.0 { BEFORE as f32 } else { AFTER as f32 };
    let u = (away / reach).clamp(-1.0, 1.0);
    0.5 + 0.5 * (std::f32::consts::PI * u).cos()
}

/// Where between its neighbours a peak lies, from -0.5 to 0.5.
fn peak_between(values: &[f32], at: usize) -> f64 {
    let (Some(left), Some(right)) = (at.checked_sub(1).and_then(|left| values.get(left)), values.get(at + 1))
    else {
        return 0.0;
    };
    let (left, here, right) = (f64::from(*left), f64::from(values[at]), f64::from(*right));
    let curve = left - 2.0 * here + right;
    if curve >= 0.0 { 0.0 } else { (0.5 * (left - right) / curve).clamp(-0.5, 0.5) }
}

/// Correlates waveforms.
struct Waves {
    before: usize,
    length: usize,
    planner: RealFftPlanner<f32>,
}

/// Correlation of waveforms by lag: `values[i]` belongs to lag `first + i`.
struct Correlations {
    first: i64,
    values: Vec<f32>,
}

struct Wave {
    lag: f64,
    correlation: f32,
    score: f32,
}

impl Correlations {
    /// The peak that correlates best, where a periodic voice has several: slopes tell which.
    fn best(&self, slopes: impl Fn(f64) -> f32) -> Option<Wave> {
        let values = &self.values;
        let top = values.iter().copied().fold(0.0, f32::max);
        let peaks = (1..values.len().saturating_sub(1)).filter(|index| {
            let here = values[*index];
            here >= values[index - 1] && here > values[index + 1] && here > 0.3 && here > 0.75 * top
        });
        let wave = |index: usize| {
            let lag = self.first as f64 + index as f64 + peak_between(values, index);
            let score = 2.0 * values[index] + SLOPES * slopes(lag).max(-1.0);
            Wave { lag, correlation: values[index], score }
        };
        peaks.map(wave).max_by(|a, b| a.score.total_cmp(&b.score))
    }
}

/// What the slopes count beside the waveforms.
const SLOPES: f32 = 2.0;

impl Waves {
    fn new(rate: u32) -> Waves {
        let samples = |seconds: f64| (seconds * f64::from(rate)) as usize;
        Waves { before: samples(0.005), length: samples(0.110), planner: RealFftPlanner::new() }
    }

    /// Correlates the guide's stretch at `onset` with the lane at all lags within `reach` of the expected one.
    fn correlate(
        &mut self,
        guide: &[f32],
        lane: &[f32],
        onset: usize,
        expected: f64,
        reach: usize,
    ) -> Correlations {
        let none = Correlations { first: 0, values: Vec::new() };
        let start = onset.saturating_sub(self.before);
        let Some(stretch) = guide.get(start..(start + self.length).min(guide.len())) else { return none };
        if stretch.len() < self.length / 2 {
            return none;
        }
        let centre = expected.round() as i64;
        let lane_from = start as i64 + centre - reach as i64;
        let searched = stretch.len() + 2 * reach;
        let size = searched.next_power_of_two();
        let forward: Arc<dyn RealToComplex<f32>> = self.planner.plan_fft_forward(size);
        let back = self.planner.plan_fft_inverse(size);
        let mut a = forward.make_input_vec();
        let mut b = forward.make_input_vec();
        brighten(stretch.iter().copied(), &mut a);
        let at = |index: i64| usize::try_from(index).ok().and_then(|i| lane.get(i)).copied().unwrap_or(0.0);
        brighten((0..searched as i64).map(|index| at(lane_from + index)), &mut b);
        let own: f32 = a.iter().map(|x| x * x).sum();
        let mut sums = vec![0.0f64; searched + 1];
        for index in 0..searched {
            sums[index + 1] = sums[index] + f64::from(b[index] * b[index]);
        }
        let mut fa: Vec<Complex<f32>> = forward.make_output_vec();
        let mut fb = forward.make_output_vec();
        if forward.process(&mut a, &mut fa).is_err() || forward.process(&mut b, &mut fb).is_err() {
            return none;
        }
        fa.iter_mut().zip(&fb).for_each(|(a, b)| *a = a.conj() * b);
        let mut out = back.make_output_vec();
        if back.process(&mut fa, &mut out).is_err() {
            return none;
        }
        let loud = sums[searched] / searched as f64 * stretch.len() as f64;
        let values = (0..=2 * reach)
            .map(|shift| {
                let theirs = (sums[shift + stretch.len()] - sums[shift]).max(0.02 * loud) as f32;
                out[shift] / size as f32 / (own * theirs).sqrt().max(1e-9)
            })
            .collect();
        Correlations { first: centre - reach as i64, values }
    }
}

/// Fills `to` with the signal brightened, so that low partials do not decide alone.
fn brighten(from: impl Iterator<Item = f32>, to: &mut [f32]) {
    let mut last = None;
    for (to, sample) in to.iter_mut().zip(from) {
        *to = sample - 0.85 * last.unwrap_or(sample);
        last = Some(sample);
    }
}
