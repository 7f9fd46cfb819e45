//! What speaks against a cut in one place or another between two words.

use super::splice::{CLEAR_MS, GUARD_MS, Place, WORST};
use crate::listen::{seam, turns};

/// It is better, by so much for each ms, the farther it lies from the onset up to so many ms: words begin before their
/// onset is heard, in closures and breath.
const AHEAD: [(f64, f64); 3] = [(30.0, 0.25), (60.0, 0.25), (90.0, 0.05)];
/// But no more than this: that a word's first consonant may stay behind is no reason to leave all of it where it is.
const NEAR_WORST: f64 = 20.0;
/// A slide by less than this, in ms, does the less harm there.
const HARMS_MS: f64 = 20.0;
/// Against each ms that sounds where it is left out or doubled: loudly, and at all (soft consonants).
const SOUNDS: f64 = 0.03;
const HEARD: f64 = 0.1;
/// Against each dB by which the sound turns into another one there, or up to so many ms later, beyond what it does anywhere:
/// the end of one word and the beginning of the next.
const TURNED: f64 = 1.0;
const ANY_TURN_DB: f64 = 8.0;
const BEHIND_MS: f64 = 20.0;
/// In less than this nothing begins, in ms.
const BEGINS_MS: f64 = 10.0;
/// A rise of the level by this holds an onset, in dB.
const RISE_DB: f64 = 9.0;

impl Place {
    /// Nothing of the word behind can lie in what is left out or sounds twice between two places.
    pub(super) fn is_clear(&self, left: i64, right: i64) -> bool {
        left == right || left.max(right) + self.ms(GUARD_MS - CLEAR_MS) <= self.onset
    }

    /// A cut is rather not so near to the onset behind it.
    pub(super) fn near(&self, end: i64, by: i64) -> f64 {
        let ahead = (self.onset - end) as f64 * 1000.0 / self.rate;
        let harm = (by.abs() as f64 * 1000.0 / self.rate / HARMS_MS).clamp(0.3, 1.0);
        (harm * AHEAD.iter().map(|(ms, weight)| weight * (ms - ahead).max(0.0)).sum::<f64>()).min(NEAR_WORST)
    }

    /// What speaks against leaving out, or letting sound twice, what lies between two places: that something sounds, and an
    /// onset that nobody measured. One that is heard a little later may begin there too.
    pub(super) fn between(&self, a: i64, b: i64) -> f64 {
        let (from, to) = (a.min(b), a.max(b));
        let (window, hop) = (self.ms(10.0), self.ms(5.0).max(1));
        let (mut lowest, mut rise, mut sounding) = (f64::INFINITY, 0.0f64, 0.0);
        let until = if from == to { to } else { (to + self.ms(GUARD_MS)).min(self.onset) - window };
        for at in (from..=until.max(to - window)).step_by(usize::try_from(hop).unwrap_or(1)) {
            let level = self.level(at, at + window).max(self.limit - 10.0);
            rise = rise.max(level - lowest);
            if at + window <= to {
                lowest = lowest.min(level);
                sounding += ((level - self.limit) / 24.0).clamp(0.0, 1.0) * 5.0;
            }
        }
        let turned = self.turned(from, to);
        SOUNDS * sounding + turned + HEARD * self.heard(from, to) + if rise > RISE_DB { WORST } else { 0.0 }
    }

    /// How long something softer or louder than the room sounds between two places, in ms.
    pub(super) fn heard(&self, a: i64, b: i64) -> f64 {
        let (from, to) = (a.min(b), a.max(b));
        let (window, hop) = (self.ms(10.0), self.ms(5.0).max(1));
        let step = usize::try_from(hop).unwrap_or(1);
        let over = |at: i64| ((self.level(at, at + window) - self.dead) / 10.0).clamp(0.0, 1.0);
        (from..=to - window).step_by(step).map(over).sum::<f64>() * 5.0
    }

    /// What speaks against leaving out what lies between two places since one sound turns into another there.
    fn turned(&self, from: i64, to: i64) -> f64 {
        if to - from < self.ms(BEGINS_MS) {
            return 0.0;
        }
        let index = |at: i64| usize::try_from((at - self.from) / self.ms(turns::HOP_MS).max(1)).unwrap_or(0);
        let turns = self.turns();
        let last = index(to + self.ms(BEHIND_MS)).min(turns.len());
        let most = turns[index(from).min(last)..last].iter().copied().fold(0.0, f32::max);
        TURNED * (f64::from(most) - ANY_TURN_DB).max(0.0)
    }

    /// Level between two places, in dBFS rms.
    pub(super) fn level(&self, from: i64, to: i64) -> f64 {
        let index = |at: i64| usize::try_from(at - self.from).unwrap_or(0).min(self.samples.len());
        let (from, to) = (index(from), index(to));
        if to <= from {
            return -200.0;
        }
        seam::db((self.sums[to] - self.sums[from]).max(0.0) / (to - from) as f64)
    }

    pub(super) fn part(&self, from: i64, length: i64) -> Option<&[f32]> {
        let from = usize::try_from(from - self.from).ok()?;
        self.samples.get(from..from + usize::try_from(length).ok()?)
    }
}
