//! How sure a measured offset is, from 0 to 1, calibrated on made stacks with known truth
//! (`tests/fixtures/timing`): of words at 0.9 or more at least 95 % lie within 15 ms of it.

use serde::{Deserialize, Serialize};

use super::refine::Found;

/// What is known about one measured onset.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Evidence {
    /// How it was found.
    pub found: Found,
    /// Mean cost of the path over the word's beginning.
    pub cost: f32,
    /// How far from it one of the lane's own units begins, in ms; up to 60.
    pub unit_ms: f64,
    /// How far its offset lies from those of the words beside it, in ms, the sum of both; each up to 60.
    pub beside_ms: f64,
    /// The take is a copy whose pieces were slid, and it lies like neither of those beside it.
    pub between: bool,
}

/// Distances beyond this are all alike.
pub const FAR_MS: f64 = 60.0;

/// How far an offset lies from those beside it, one or two. Where there is only one it counts for both.
#[must_use]
pub fn beside(offset_ms: f64, others: &[f64]) -> f64 {
    let sum: f64 = others.iter().map(|other| (other - offset_ms).abs().min(FAR_MS)).sum();
    2.0 * sum / others.len().max(1) as f64
}

/// True if most offsets go on as the one before them: a take that was sung drifts, one whose pieces were slid jumps now and
/// then. `clear` has the offsets that are clear.
#[must_use]
pub fn is_slid(clear: &[Option<f64>]) -> bool {
    let offsets: Vec<f64> = clear.iter().copied().flatten().collect();
    let flat = offsets.windows(2).filter(|pair| (pair[1] - pair[0]).abs() < FLAT_MS).count();
    // Of one that is clear nowhere nothing can be said.
    flat * 2 > offsets.len() && offsets.len() * 5 > clear.len()
}

/// True if an offset is neither that of the clear ones before it nor that of those behind it, between which there is a jump.
#[must_use]
pub fn is_between(offset_ms: f64, clear: &[Option<f64>], index: usize) -> bool {
    let before = clear[..index].iter().rev().copied().flatten().next();
    let after = clear[index + 1..].iter().copied().flatten().next();
    let (Some(left), Some(right)) = (before, after) else { return false };
    (left - right).abs() > 2.0 * BETWEEN_MS
        && [left, right].iter().all(|clear| (clear - offset_ms).abs() > BETWEEN_MS)
}

/// The confidence in one onset of a lane whose onsets are alike by `usual` (median of their likeness).
#[must_use]
pub fn of(evidence: &Evidence, usual: f32) -> f64 {
    let Evidence { found, cost, unit_ms, beside_ms, between } = evidence;
    // Waveforms that fit were found nowhere else, wherever those beside them lie.
    let how =
        if found.same { WAVE * (f64::from(found.wave.clamp(0.0, 1.0)) - FITS) } else { BESIDE * beside_ms };
    let score = BASE
        + how
        + LEAD * f64::from(found.lead.clamp(0.0, 1.0))
        + COST * f64::from(cost.min(1.0))
        + UNIT * (-0.5 * (unit_ms / UNIT_MS).powi(2)).exp()
        + USUAL * f64::from(usual.min(ALIKE) - ALIKE);
    let confidence = 1.0 / (1.0 + (-score).exp());
    // Pieces of a copy lie as they were slid: what lies in between has a cut inside.
    if *between { confidence.min(BETWEEN) } else { confidence }
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
/// The most confidence that is left to such an offset.
const STRANGER: f64 = 0.4;

/// How far an offset lies from both beside it to be neither's, in ms.
const BETWEEN_MS: f64 = 12.0;
/// Offsets so near to each other are one piece's, in ms.
const FLAT_MS: f64 = 3.0;
/// The most confidence left to it: less than anything is moved by.
const BETWEEN: f64 = 0.25;
/// A lag that leads by this much is where the slopes are, whatever lies beside it.
pub const CLEAR: f32 = 0.5;

// A logistic fit to the tuning draws 1, 3 and 5 of `make_draw.py`, rounded, leaning to the cautious side.
const BASE: f64 = 1.5;
const LEAD: f64 = 3.3;
const WAVE: f64 = 6.0;
const FITS: f64 = 0.93;
const COST: f64 = -1.4;
const UNIT: f64 = 1.2;
const UNIT_MS: f64 = 12.0;
const BESIDE: f64 = -0.016;
const USUAL: f64 = 5.0;
/// Takes that are usually alike by this much are as good as any.
const ALIKE: f32 = 0.4;

#[cfg(test)]
mod tests {
    use super::*;

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

    #[test]
    fn what_lies_between_two_pieces_of_a_copy_is_found_and_nothing_in_a_take_that_drifts() {
        let offsets = [-24.5, -24.9, -58.1, -105.2, -107.0, -107.7, -107.7];
        let clear: Vec<Option<f64>> =
            offsets.iter().enumerate().map(|(index, offset)| (index != 2).then_some(*offset)).collect();
        assert!(is_slid(&clear));
        assert!(is_between(-58.1, &clear, 2));
        // It goes with one of them; or it has nothing on one side.
        assert!(!is_between(-100.0, &clear, 2) && !is_between(-30.0, &clear, 2));
        assert!(!is_between(-58.1, &clear[..2], 1) && !is_between(-58.1, &clear, 0));
        assert!(!is_slid(&[Some(0.0), Some(12.0), None, Some(31.0), Some(25.0), Some(25.5)]));
        assert!(!is_slid(&[]));
    }

    #[test]
    fn a_unit_of_its_own_and_neighbours_that_agree_make_an_onset_surer() {
        let found = Found { lead: 0.3, likeness: 0.4, ..Found::default() };
        let alone = Evidence { found, cost: 0.1, unit_ms: FAR_MS, beside_ms: 2.0 * FAR_MS, between: false };
        let own = Evidence { unit_ms: 3.0, ..alone };
        let joined = Evidence { beside_ms: beside(10.0, &[8.0, 15.0]), ..own };
        let sure = [alone, own, joined].map(|evidence| of(&evidence, ALIKE));
        assert!(sure[0] < 0.65 && sure[1] > sure[0] + 0.1 && sure[2] > 0.9, "{sure:?}");
        assert!(of(&Evidence { between: true, ..joined }, ALIKE) <= BETWEEN);
        // One neighbour counts for both, and far is far.
        assert_eq!((beside(0.0, &[7.0]), beside(0.0, &[500.0, 3.0]), beside(0.0, &[])), (14.0, 63.0, 0.0));
    }
}
