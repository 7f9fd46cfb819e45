//! Where each moment of the guide is found in another take.
//!
//! First one lag for the whole take, by correlating band levels; then a path through the band of lags
//! around it. Outside of a take is silence, and silence against silence costs nothing, so that the path
//! neither jumps across dead space nor sticks to its ends. Memory is linear in length.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use super::features::{BANDS, Frame};

/// Values per frame that the path compares: levels and their slopes.
const WIDTH: usize = 2 * BANDS;
/// How far the path may stray from the take's lag, in seconds.
const BAND_S: f64 = 2.2;

/// What it counts that a take lies near where it was recorded, of the likeness of the same take with itself.
const NEARER: f32 = 0.02;
/// What slopes count beside levels: consonants are slopes.
const SLOPES: f32 = 2.5;

/// A frame as the path compares it.
pub type Described = [f32; WIDTH];

/// A path from guide to lane in frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    /// For each guide frame the lane frame, may lie outside of the lane.
    pub lane: Vec<f32>,
    /// For each guide frame what its match costs, 0 for equal.
    pub cost: Vec<f32>,
    /// The lag of the whole take, in frames.
    pub lag: i64,
}

/// Levels and slopes of scaled frames, weighted for comparison.
#[must_use]
pub fn describe(frames: &[Frame], weights: &Frame, slope: usize) -> Vec<Described> {
    let frames = blurred(frames);
    let at = |index: i64| -> Frame {
        usize::try_from(index).ok().and_then(|index| frames.get(index)).copied().unwrap_or([0.0; BANDS])
    };
    (0..frames.len() as i64)
        .map(|index| {
            let (here, after, before) = (at(index), at(index + slope as i64), at(index - slope as i64));
            let mut out = [0.0; WIDTH];
            for band in 0..BANDS {
                let weight = weights[band].sqrt();
                out[band] = here[band] * weight;
                out[BANDS + band] = SLOPES * (after[band] - before[band]) * weight;
            }
            out
        })
        .collect()
}

/// Each frame with its neighbours in time and in frequency: two voices do not put a formant into the same band, and
/// what the path needs is which sound it is, not its moment to the millisecond.
fn blurred(frames: &[Frame]) -> Vec<Frame> {
    let one = |index: usize| -> Frame {
        let (from, to) = (index.saturating_sub(1), (index + 2).min(frames.len()));
        let mut mean = [0.0f32; BANDS];
        for frame in &frames[from..to] {
            mean.iter_mut().zip(frame).for_each(|(sum, value)| *sum += value / (to - from) as f32);
        }
        let mut out = mean;
        for band in 0..BANDS {
            out[band] = 0.25 * mean[band.saturating_sub(1)]
                + 0.5 * mean[band]
                + 0.25 * mean[(band + 1).min(BANDS - 1)];
        }
        out
    };
    (0..frames.len()).map(one).collect()
}

/// The lag in frames at which the lane looks most like the guide, with a likeness from -1 to 1.
#[must_use]
pub fn coarse_lag(guide: &[[f32; WIDTH]], lane: &[[f32; WIDTH]]) -> (i64, f32) {
    if guide.is_empty() || lane.is_empty() {
        return (0, 0.0);
    }
    let size = (guide.len() + lane.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, back) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
    let mut sum = vec![Complex::new(0.0f32, 0.0); size / 2 + 1];
    let (mut a, mut b) = (forward.make_input_vec(), forward.make_input_vec());
    let (mut fa, mut fb) = (forward.make_output_vec(), forward.make_output_vec());
    for value in 0..WIDTH {
        let fill = |to: &mut Vec<f32>, from: &[[f32; WIDTH]]| {
            to.fill(0.0);
            let mean = from.iter().map(|frame| frame[value]).sum::<f32>() / from.len() as f32;
            to.iter_mut().zip(from).for_each(|(to, frame)| *to = frame[value] - mean);
        };
        fill(&mut a, guide);
        fill(&mut b, lane);
        if forward.process(&mut a, &mut fa).is_err() || forward.process(&mut b, &mut fb).is_err() {
            return (0, 0.0);
        }
        for ((sum, a), b) in sum.iter_mut().zip(&fa).zip(&fb) {
            *sum += a.conj() * b;
        }
    }
    let mut correlation = back.make_output_vec();
    if back.process(&mut sum, &mut correlation).is_err() {
        return (0, 0.0);
    }
    let energy = |frames: &[[f32; WIDTH]]| -> f32 {
        let mut total = 0.0f32;
        for value in 0..WIDTH {
            let mean = frames.iter().map(|frame| frame[value]).sum::<f32>() / frames.len() as f32;
            total += frames.iter().map(|frame| (frame[value] - mean).powi(2)).sum::<f32>();
        }
        total
    };
    let norm = energy(guide).min(energy(lane)) * size as f32;
    let mut best = (0i64, f32::NEG_INFINITY, 0.0);
    for (index, value) in correlation.iter().enumerate() {
        let lag = if index < lane.len() { index as i64 } else { index as i64 - size as i64 };
        if lag <= -(guide.len() as i64) {
            continue;
        }
        // All else equal a take lies near where it was recorded: a chorus comes more than once.
        let away = lag.abs() as f32;
        let nearer = *value - NEARER * norm * away / (away + 1000.0);
        if nearer > best.1 {
            best = (lag, nearer, *value);
        }
    }
    (best.0, if norm > 0.0 { best.2 / norm } else { 0.0 })
}

/// Finds the path around a lag. `rate` is in frames per second.
#[must_use]
pub fn align(guide: &[[f32; WIDTH]], lane: &[[f32; WIDTH]], lag: i64, rate: f64) -> Path {
    let half = ((BAND_S * rate) as usize).max(2);
    let width = 2 * half + 1;
    let silence = [0.0f32; WIDTH];
    let frame = |index: i64| -> &[f32; WIDTH] {
        usize::try_from(index).ok().and_then(|index| lane.get(index)).unwrap_or(&silence)
    };
    let mut steps = vec![0u8; guide.len() * width];
    let mut before = vec![0.0f32; width];
    let mut now = vec![0.0f32; width];
    let mut likeness = vec![0.0f32; width];
    let activity = |frame: &[f32; WIDTH]| -> f32 { frame[..BANDS].iter().sum::<f32>() };
    let lane_act: Vec<f32> = lane.iter().map(activity).collect();
    let act = |index: i64| usize::try_from(index).ok().and_then(|i| lane_act.get(i)).copied().unwrap_or(0.0);
    // What of the lane is passed over before and after the path counts as matched with silence.
    let passed: Vec<f32> = std::iter::once(0.0)
        .chain(lane.iter().scan(0.0f32, |sum, frame| {
            *sum += distance(frame, &silence);
            Some(*sum)
        }))
        .collect();
    let passed_before = |index: i64| passed[usize::try_from(index).unwrap_or(0).min(lane.len())];
    for (column, total) in before.iter_mut().enumerate() {
        *total = passed_before(lag - half as i64 + column as i64);
    }
    for (row, here) in guide.iter().enumerate() {
        let start = row as i64 + lag - half as i64;
        for (column, cost) in likeness.iter_mut().enumerate() {
            *cost = distance(here, frame(start + column as i64));
        }
        let guide_act = activity(here);
        let moves = &mut steps[row * width..(row + 1) * width];
        for column in 0..width {
            let cost = likeness[column];
            // In the band's own columns a diagonal step stays in its column, a step of the guide alone
            // comes from one column to the right, a step of the lane alone from one to the left.
            let diagonal = before[column] + 2.0 * cost;
            let guide_alone = if row > 0 && column + 1 < width {
                before[column + 1] + cost + STILL * guide_act.max(0.0) + REST
            } else {
                f32::INFINITY
            };
            let lane_alone = if column > 0 {
                now[column - 1] + cost + STILL * act(start + column as i64) + REST
            } else {
                f32::INFINITY
            };
            let (step, total) = if diagonal <= guide_alone && diagonal <= lane_alone {
                (0u8, diagonal)
            } else if guide_alone <= lane_alone {
                (1, guide_alone)
            } else {
                (2, lane_alone)
            };
            moves[column] = step;
            now[column] = total;
        }
        std::mem::swap(&mut before, &mut now);
    }
    let last = guide.len() as i64 - 1 + lag - half as i64;
    let all = passed[lane.len()];
    for (column, total) in before.iter_mut().enumerate() {
        *total += all - passed_before(last + column as i64 + 1);
    }
    let end = (0..width).min_by(|a, b| before[*a].total_cmp(&before[*b])).unwrap_or(half);
    trace(guide, &steps, width, half, lag, end, &|row, at| distance(&guide[row], frame(at)))
}

/// What a step without the partner costs in sound, and in silence.
const STILL: f32 = 0.02;
const REST: f32 = 0.0004;

fn trace(
    guide: &[[f32; WIDTH]],
    steps: &[u8],
    width: usize,
    half: usize,
    lag: i64,
    end: usize,
    cost: &dyn Fn(usize, i64) -> f32,
) -> Path {
    let mut lane = vec![0.0f32; guide.len()];
    let mut costs = vec![0.0f32; guide.len()];
    let mut column = end;
    for row in (0..guide.len()).rev() {
        let start = row as i64 + lag - half as i64;
        let last = column;
        while steps[row * width + column] == 2 && column > 0 {
            column -= 1;
        }
        let middle = (last + column) as f32 / 2.0;
        lane[row] = start as f32 + middle;
        costs[row] = cost(row, start + i64::midpoint(last as i64, column as i64));
        if steps[row * width + column] == 1 {
            column = (column + 1).min(width - 1);
        }
    }
    Path { lane, cost: costs, lag }
}

/// How alike a take is to the guide along a path, up to 1: what both do together, of what each does. Where the take rests
/// for long it left something out, which is no sign of another song. `rate` is in frames per second.
#[must_use]
pub fn along(guide: &[[f32; WIDTH]], lane: &[[f32; WIDTH]], path: &Path, rate: f64) -> f32 {
    let rests = rests(lane, (LONG_REST_S * rate) as usize);
    let mean = |frames: &[[f32; WIDTH]], value: usize| {
        frames.iter().map(|frame| frame[value]).sum::<f32>() / frames.len().max(1) as f32
    };
    let centres: Vec<(f32, f32)> = (0..WIDTH).map(|value| (mean(guide, value), mean(lane, value))).collect();
    let (mut cross, mut one, mut other) = (0.0f32, 0.0f32, 0.0f32);
    for (frame, at) in guide.iter().zip(&path.lane).filter(|(_, at)| **at >= 0.0) {
        let at = at.round() as usize;
        let Some(theirs) = lane.get(at).filter(|_| !rests[at]) else { continue };
        for (value, (mine, its)) in centres.iter().enumerate() {
            let (a, b) = (frame[value] - mine, theirs[value] - its);
            cross += a * b;
            one += a * a;
            other += b * b;
        }
    }
    if one > 0.0 && other > 0.0 { cross / (one * other).sqrt() } else { 0.0 }
}

/// Which frames lie in a silence of at least `long` frames.
fn rests(lane: &[[f32; WIDTH]], long: usize) -> Vec<bool> {
    let mut rests = vec![false; lane.len()];
    let mut from = 0;
    for index in 0..=lane.len() {
        let sounds =
            lane.get(index).is_none_or(|frame| frame[..BANDS].iter().map(|v| v * v).sum::<f32>() > SILENT);
        if sounds {
            if index - from >= long {
                rests[from..index].fill(true);
            }
            from = index + 1;
        }
    }
    rests
}

/// A silence as long as this is no pause between phrases, in seconds.
const LONG_REST_S: f64 = 3.0;
/// Mean square of a scaled frame up to which it is silent.
const SILENT: f32 = 0.005;

fn distance(one: &[f32; WIDTH], other: &[f32; WIDTH]) -> f32 {
    let mut sums = [0.0f32; 8];
    for (one, other) in one.chunks_exact(8).zip(other.chunks_exact(8)) {
        for lane in 0..8 {
            let difference = one[lane] - other[lane];
            sums[lane] += difference * difference;
        }
    }
    sums.iter().sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bursts of differing colour, three seconds of silence after the fourth.
    fn made(lead: usize) -> Vec<[f32; WIDTH]> {
        let mut frames = vec![[0.0; BANDS]; lead];
        for burst in 0..8 {
            let mut frame = [0.0; BANDS];
            (0..BANDS).for_each(|band| frame[band] = ((band * 7 + burst * 5) % 11) as f32 / 11.0);
            frames.extend(vec![frame; 20 + 3 * burst]);
            frames.extend(vec![[0.0; BANDS]; if burst == 3 { 300 } else { 12 }]);
        }
        describe(&frames, &[1.0 / BANDS as f32; BANDS], 2)
    }

    #[test]
    fn a_take_that_starts_late_is_found_and_followed_across_dead_space() {
        let (guide, lane) = (made(50), made(50 + 777));
        let (lag, likeness) = coarse_lag(&guide, &lane);
        assert_eq!(lag, 777);
        assert!(likeness > 0.9, "{likeness}");
        let path = align(&guide, &lane, lag + 30, 100.0);
        let sounding = (0..guide.len()).filter(|row| guide[*row][..BANDS].iter().any(|value| *value > 0.0));
        for row in sounding {
            let error: f32 = path.lane[row] - row as f32 - 777.0;
            assert!(error.abs() <= 1.0, "frame {row}: {error}");
        }
    }

    #[test]
    fn nothing_against_something_is_no_panic() {
        assert_eq!(coarse_lag(&[], &made(0)), (0, 0.0));
        assert_eq!(align(&made(0), &[], 0, 100.0).lane.len(), made(0).len());
        assert!(align(&[], &made(0), 5, 100.0).lane.is_empty());
    }
}
