//! How a take runs along the guide: its lag as a whole, the path through it, and the scales on which both look alike.

use super::features::{self, Frame, Levels, Reach, Scale};
use super::matching::{self, Path};
use super::throat::Throat;

/// What it counts that takes are alike at one lag, without any bending, beside their likeness along the path.
const AT_ONE_LAG: f32 = 0.3;
/// By how much a throat of another length has to be more alike for each step away from the guide's, or a chance would
/// decide between copies of one voice.
const STEP_COSTS: f32 = 0.004;

/// A take against the guide.
pub struct Course {
    path: Path,
    /// What its levels are measured by, and the guide's.
    pub scales: (Scale, Scale),
    /// How the singer's throat differs from the guide's, if it does.
    pub throat: Option<Throat>,
    /// How alike both are along the path and, for a third as much, at one lag: up to 1.3.
    pub likeness: f32,
    /// Samples of the low copy from frame to frame of the path.
    hop: f64,
    /// Frames of the path in a second.
    rate: f64,
}

/// A take's levels and what they reach.
pub type Measured<'a> = (&'a Levels, &'a Reach);

impl Course {
    /// Finds it. `rate` is that of the low copies; linear in length.
    #[must_use]
    pub fn of(guide: Measured, lane: Measured, rate: u32) -> Course {
        let hop = 2 * guide.0.hop;
        let frames = f64::from(rate) / hop as f64;
        let mut scales = Scale::pair(guide.1, lane.1);
        let (one, two) = (describe(guide.0, &scales.0), describe(lane.0, &scales.1));
        let (mut lag, mut at_one_lag) = matching::coarse_lag(&one, &two);
        let mut path = matching::align(&one, &two, lag, frames);
        let mut along = matching::along(&one, &two, &path, frames);
        let other = other_throat(guide, lane, (&path, along), frames);
        if let Some((_, levels, better)) = &other {
            scales = *better;
            let (one, two) = (describe(guide.0, &scales.0), describe(levels, &scales.1));
            (lag, at_one_lag) = matching::coarse_lag(&one, &two);
            path = matching::align(&one, &two, lag, frames);
            along = matching::along(&one, &two, &path, frames);
        }
        Course {
            path,
            scales,
            throat: other.map(|(throat, _, _)| throat),
            likeness: along + AT_ONE_LAG * at_one_lag,
            hop: hop as f64,
            rate: frames,
        }
    }

    /// The lag of the whole take, in samples of the low copy.
    #[must_use]
    pub fn lag(&self) -> f64 {
        self.path.lag as f64 * self.hop
    }

    /// The lag at a sample of the guide, from the first tenth of a second after it, and what the path costs there.
    #[must_use]
    pub fn expected(&self, sample: f64) -> (f64, f32) {
        let from = (sample / self.hop).round() as usize;
        let to = (from + (0.1 * self.rate) as usize).min(self.path.lane.len());
        if from >= to {
            return (self.lag(), 1.0);
        }
        let mut lags: Vec<f32> = (from..to).map(|index| self.path.lane[index] - index as f32).collect();
        let cost = self.path.cost[from..to].iter().sum::<f32>() / (to - from) as f32;
        (f64::from(features::percentile(&mut lags, 0.5)) * self.hop, cost)
    }
}

/// The throat, if one of another length is more alike along a path; with the lane's levels as the guide's throat would
/// have them and their scales.
fn other_throat(
    guide: Measured,
    lane: Measured,
    (path, along): (&Path, f32),
    rate: f64,
) -> Option<(Throat, Levels, (Scale, Scale))> {
    let mut best = None;
    let mut most = along;
    for (steps, throat) in Throat::others() {
        let levels = throat.levels(lane.0);
        let scales = Scale::pair(guide.1, &Reach::of(&levels));
        let (one, two) = (describe(guide.0, &scales.0), describe(&levels, &scales.1));
        let score = matching::along(&one, &two, path, rate) - STEP_COSTS * steps as f32;
        if score > most {
            most = score;
            best = Some((throat, levels, scales));
        }
    }
    best
}

fn describe(levels: &Levels, scale: &Scale) -> Vec<matching::Described> {
    matching::describe(&halved(&scale.apply(levels)), &scale.weights, 2)
}

/// Every two frames as one.
fn halved(frames: &[Frame]) -> Vec<Frame> {
    let mean = |pair: &[Frame]| {
        let mut mean = pair[0];
        if let Some(second) = pair.get(1) {
            mean.iter_mut().zip(second).for_each(|(a, b)| *a = (*a + b) / 2.0);
        }
        mean
    };
    frames.chunks(2).map(mean).collect()
}
