//! How sure a measured offset is, from 0 to 1, calibrated on made stacks with known truth
//! (`tests/fixtures/timing`): of words at 0.9 or more at least 95 % lie within 15 ms of it.

use serde::{Deserialize, Serialize};

use super::refine::Found;

/// What is known about one measured onset.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// How it was found.
    pub found: Found,
    /// By how much it lies away from where the path expected it, in ms.
    pub away_ms: f64,
    /// Mean cost of the path over the word's beginning.
    pub cost: f32,
}

/// The confidence in one onset of a lane whose onsets are alike by `usual` (median of their likeness).
#[must_use]
pub fn of(evidence: &Evidence, usual: f32) -> f64 {
    let Evidence { found, away_ms, cost } = evidence;
    let same = f64::from(u8::from(found.same));
    let score = BASE
        + LIKENESS * f64::from(found.likeness.clamp(-0.5, 1.0))
        + LEAD * f64::from(found.lead.clamp(0.0, 1.0))
        + WAVE * f64::from(found.wave.clamp(0.0, 1.0)) * same
        + AWAY * away_ms.abs().min(60.0)
        + COST * f64::from(cost.min(1.0))
        + USUAL * f64::from(usual.min(ALIKE) - ALIKE);
    1.0 / (1.0 + (-score).exp())
}

/// Lowers the confidence in onsets that all neighbours without silence between contradict: nobody sings one sound so
/// far from those that it is joined to, so that something alike was found elsewhere. `offsets_ms` and `confidences`
/// belong to the same words in order; `joined` tells of each word whether no silence parts it from the next one.
pub fn doubt_strangers(offsets_ms: &[f64], joined: &[bool], confidences: &mut [f64]) {
    let far = |one: usize, other: usize| match (offsets_ms.get(one), offsets_ms.get(other)) {
        (Some(one), Some(other)) => (one - other).abs() > STRANGER_MS,
        _ => true,
    };
    let is_joined =
        |index: usize| joined.get(index).copied().unwrap_or(false) && index + 1 < offsets_ms.len();
    let neighbours = |index: usize| {
        let before = index.checked_sub(1).filter(|before| is_joined(*before));
        [before, is_joined(index).then_some(index + 1)]
    };
    // Those between two that both contradict them: they are no witnesses against others.
    let between = |index: usize| match neighbours(index) {
        [Some(before), Some(after)] => far(index, before) && far(index, after),
        _ => false,
    };
    for (index, confidence) in confidences.iter_mut().enumerate() {
        let doubted = match neighbours(index) {
            [None, None] => false,
            [Some(one), None] | [None, Some(one)] => far(index, one) && !between(one),
            [Some(_), Some(_)] => between(index),
        };
        if doubted {
            *confidence = confidence.min(STRANGER);
        }
    }
}

/// How far an offset lies from those of its neighbours to be doubted, in ms.
const STRANGER_MS: f64 = 100.0;
/// The most confidence that is left to such an offset: below 0.5, from where on offsets are acted on.
const STRANGER: f64 = 0.4;

// A logistic fit to the tuning draw, rounded, leaning to the cautious side.
const BASE: f64 = 0.4;
const LIKENESS: f64 = 0.5;
const LEAD: f64 = 7.0;
const WAVE: f64 = 3.0;
const AWAY: f64 = -0.035;
const COST: f64 = -4.5;
const USUAL: f64 = 6.0;
/// Takes that are usually alike by this much are as good as any.
const ALIKE: f32 = 0.4;

#[cfg(test)]
mod tests {
    use super::doubt_strangers;

    #[test]
    fn only_what_all_joined_neighbours_contradict_is_doubted() {
        let mut sure = [0.95; 5];
        doubt_strangers(&[0.0, 10.0, 230.0, 20.0, 300.0], &[true, true, true, false, false], &mut sure);
        assert_eq!(sure, [0.95, 0.95, 0.4, 0.95, 0.95]);
        // The last of a run has one neighbour; a word that is doubted already is not made surer.
        let mut sure = [0.9, 0.95, 0.1];
        doubt_strangers(&[0.0, 5.0, -150.0], &[true, true, true], &mut sure);
        assert_eq!(sure, [0.9, 0.95, 0.1]);
    }
}
