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
