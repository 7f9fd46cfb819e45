//! What speaks against a cut in one place or another between two words.

use super::splice::{CLEAR_MS, GUARD_MS, LEFT_OUT_GUARD_MS, Place, WORST};
use crate::listen::{seam, turns};

/// It is better, by so much for each ms, the farther it lies from the onset up to so many ms: words begin before their
/// onset is heard, in closures and breath.
const AHEAD: [(f64, f64); 4] = [(30.0, 0.25), (60.0, 0.25), (90.0, 0.05), (120.0, 0.05)];
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
/// A sound that goes over into a rest does not turn into another one so near to it, in ms.
const DIES_MS: f64 = 45.0;
/// In less than this nothing begins, in ms.
const BEGINS_MS: f64 = 10.0;
/// A rise of the level by this holds an onset, in dB.
const RISE_DB: f64 = 9.0;

impl Place {
    /// Nothing of the word behind can lie in what is left out or sounds twice between two places.
    pub(super) fn is_clear(&self, left: i64, right: i64) -> bool {
        let end = left.max(right);
        let guard_ms = if left > right { GUARD_MS } else { LEFT_OUT_GUARD_MS };
        left == right || end + self.ms(guard_ms - CLEAR_MS) <= self.onset || left < right && self.rests(right)
    }

    /// Only the room sounds at a place, and behind it till the word does, longer than before the guide's.
    fn rests(&self, at: i64) -> bool {
        self.rest.is_some_and(|rest| (rest.from..=rest.free).contains(&at))
    }

    /// One past the last sample before the word that a fade may touch.
    pub(super) fn latest(&self) -> i64 {
        self.rest.map_or(self.onset, |rest| self.onset.max(rest.to))
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
        let begins = self.rest.filter(|_| self.rests(to)).map_or(self.onset, |rest| rest.to);
        let until = if from == to { to } else { (to + self.ms(GUARD_MS)).min(begins) - window };
        for at in (from..=until.max(to - window)).step_by(usize::try_from(hop).unwrap_or(1)) {
            let level = self.level(at, at + window).max(self.limit - 10.0);
            rise = rise.max(level - lowest);
            if at + window <= to {
                lowest = lowest.min(level);
                sounding += ((level - self.limit) / 24.0).clamp(0.0, 1.0) * 5.0;
            }
        }
        let rest = self.rest.filter(|_| self.rests(to));
        let turned = self.turned(from, rest.map_or(to, |rest| to.min(rest.from - self.ms(DIES_MS))));
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

#[cfg(test)]
mod tests {
    use super::super::closure::Rest;
    use super::super::in_quiet;
    use super::Place;

    #[test]
    fn a_rest_that_the_guide_has_not_may_be_left_out_up_to_where_the_word_sounds() {
        let rate = 16_000.0;
        let at = |ms: f64| (ms * rate / 1000.0) as i64;
        // The end of a word, a gap that somebody left there, and the word behind it, measured where it sounds.
        let samples = in_quiet::noise(&[(40.0, -20.0), (150.0, -65.0)], rate);
        let mut gap = Place::over(samples, (rate, 0), None, (-59.0, -44.0));
        assert!(!gap.is_clear(at(45.0), at(180.0)));
        // The word behind it has to come 140 ms nearer, for which there is no room before what it may begin with.
        assert_eq!(gap.best(at(-140.0), 0), None);
        gap.rest = Some(Rest { from: at(40.0), to: at(190.0), free: at(185.0) });
        assert!(gap.is_clear(at(45.0), at(180.0)));
        // Not what sounds, and nothing twice.
        assert!(!gap.is_clear(at(45.0), at(187.0)));
        assert!(!gap.is_clear(at(180.0), at(45.0)));
        let (splice, by) = gap.best(at(-140.0), 0).expect("a place in the gap");
        assert_eq!((by, splice.right - splice.left), (at(-140.0), at(140.0)));
        assert!(splice.right <= at(185.0), "{splice:?}");
    }
}
