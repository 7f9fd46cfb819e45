//! How a take runs along the guide: its lag as a whole, the path through it, and the scales on which both look alike.

use super::features::{self, Frame, Levels, Reach, Scale};
use super::matching::{self, Described, Path};
use super::throat::Throat;

/// What it counts that takes are alike at one lag, without any bending, beside their likeness along the path.
const AT_ONE_LAG: f32 = 0.3;
/// By how much a throat of another length has to be more alike for each step away from the guide's, or a chance would
/// decide between copies of one voice.
const STEP_COSTS: f32 = 0.004;

/// A take against the guide.
pub struct Course {
    path: Path,
    /// What the guide's levels and those of the take are measured by.
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
        let (mut path, mut along, mut at_one_lag) = align(&one, &two, frames);
        let other = other_throat(guide, lane, (&path, along), frames);
        if let Some(other) = &other {
            scales = other.scales;
            (path, along, at_one_lag) = align(&other.guide, &other.lane, frames);
        }
        Course {
            path,
            scales,
            throat: other.map(|other| other.throat),
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

/// The path, how alike both are along it, and how alike at one lag. A take that goes much slower than the guide is like it at
/// no one lag, or more so at that of another phrase: where it was recorded is tried as well.
fn align(guide: &[Described], lane: &[Described], rate: f64) -> (Path, f32, f32) {
    let (lag, at_one_lag) = matching::coarse_lag(guide, lane);
    let found = |lag: i64| {
        let path = matching::align(guide, lane, lag, rate);
        let along = matching::along(guide, lane, &path, rate);
        (path, along, at_one_lag)
    };
    let best = found(lag);
    if (lag as f64).abs() <= NEAR_S * rate {
        return best;
    }
    let here = found(0);
    if here.1 > best.1 { here } else { best }
}

/// A lag that is no farther from where the take was recorded leaves room for all that is sung there, in seconds.
const NEAR_S: f64 = 0.5;

/// A throat of another length, and both takes as they look through it.
struct Other {
    throat: Throat,
    scales: (Scale, Scale),
    guide: Vec<Described>,
    lane: Vec<Described>,
}

/// The throat with which both are most alike along a path, if that is not the guide's own length.
fn other_throat(guide: Measured, lane: Measured, (path, along): (&Path, f32), rate: f64) -> Option<Other> {
    let mut best = None;
    let mut most = along;
    for (steps, throat) in Throat::others() {
        let levels = throat.levels(lane.0);
        let scales = Scale::pair(guide.1, &Reach::of(&levels));
        let (one, two) = (describe(guide.0, &scales.0), describe(&levels, &scales.1));
        let score = matching::along(&one, &two, path, rate) - STEP_COSTS * steps as f32;
        if score > most {
            most = score;
            best = Some(Other { throat, scales, guide: one, lane: two });
        }
    }
    best
}

fn describe(levels: &Levels, scale: &Scale) -> Vec<Described> {
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

#[cfg(test)]
mod tests {
    use super::super::features::BANDS;
    use super::*;

    const HOP_S: f64 = 0.005;
    const PHRASE_S: f64 = 3.1;

    /// Where each of four phrases of seven sounds begins and how long each of its sounds lasts, in seconds.
    fn plan(slow: f64) -> Vec<(f64, f64)> {
        let sounds = (0..28).map(|n| (n / 7, n % 7));
        sounds
            .map(|(phrase, n)| (1.0 + PHRASE_S * f64::from(phrase) + 0.22 * slow * f64::from(n), 0.15 * slow))
            .collect()
    }

    /// Sounds of one colour each, over noise that moves by some dB; each phrase has the colours of the one before, one on.
    fn take(slow: f64, seed: usize) -> (Levels, Reach) {
        let sounds = plan(slow);
        let frame = |index: usize| -> Frame {
            let at = index as f64 * HOP_S;
            let sound = sounds.iter().position(|(from, long)| (*from..from + long).contains(&at));
            std::array::from_fn(|band| {
                let noise = ((index * 37 + band * 101 + seed * 53) % 11) as f32 * 0.4;
                let colour = |n: usize| ((band * 7 + (n / 7 + n % 7) * 5) % 11) as f32 * 3.0;
                sound.map_or(-85.0, |n| -55.0 + colour(n)) + noise
            })
        };
        let frames: Vec<Frame> = (0..2800).map(frame).collect();
        let levels = Levels { hop: 80, first: 0, frames };
        let reach = Reach::of(&levels);
        assert_eq!(levels.frames[0].len(), BANDS);
        (levels, reach)
    }

    #[test]
    fn a_take_that_goes_much_slower_is_followed_and_one_that_starts_late_found() {
        let (guide, lane) = (take(1.0, 1), take(1.45, 2));
        let course = Course::of((&guide.0, &guide.1), (&lane.0, &lane.1), 16_000);
        for (n, (here, there)) in plan(1.0).iter().zip(plan(1.45)).enumerate() {
            let (lag, _) = course.expected(here.0 * 16_000.0);
            let off = lag / 16_000.0 - (there.0 - here.0);
            assert!(off.abs() < 0.08, "sound {n}: {off:.3} s off");
        }
        let late: Vec<Frame> =
            std::iter::repeat_n(lane.0.frames[0], 900).chain(guide.0.frames.clone()).collect();
        let late = Levels { hop: 80, first: 0, frames: late };
        let reach = Reach::of(&late);
        let course = Course::of((&guide.0, &guide.1), (&late, &reach), 16_000);
        assert!((course.lag() / 16_000.0 - 4.5).abs() < 0.02, "{}", course.lag());
    }
}
