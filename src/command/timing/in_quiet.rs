//! A cut in the quiet between two words: where nothing but the room is left out if that can be, since words end and begin in
//! soft consonants that are as quiet as the quiet itself.

use super::quiet::Quiet;
use super::splice::{Costed, FADES_MS, How, Place, SHORT_MS, STEP_MS, Splice};

/// Longest crossfade and fade in a quiet place, in ms.
const QUIET_CROSS_MS: f64 = 15.0;
const QUIET_FADE_MS: f64 = 10.0;
/// The edges of a quiet place that are left alone, in ms.
const EDGE_MS: f64 = 4.0;
/// What stays before an onset though it is quiet: two thirds of it, within these limits in ms: the closure of a stop, a
/// breathy start.
const LEAD_MS: (f64, f64) = (90.0, 250.0);
/// A quiet place shorter than this may be the closure of a stop, which belongs to the word behind it, in ms (common
/// practice, no source: 30 to 80).
pub(super) const CLOSURE_MS: f64 = 70.0;
/// What stays behind an ending though it is quiet, in ms.
const TRAIL_MS: f64 = 12.0;
/// A cut in quiet that lies so far ahead of the onset is the best there is, in ms.
const LEAST_LEAD_MS: f64 = 50.0;
/// Against each ms of sound that is left out in the quiet between two words, beyond so many ms.
const SOFT: f64 = 0.05;
const LITTLE_MS: f64 = 5.0;
/// Another place in the quiet is better only if it leaves out less by this, in ms.
const LESS_MS: f64 = 1.0;

impl Place {
    /// In a quiet stretch: a hole where the right piece goes later, else a crossfade.
    pub(super) fn in_quiet(&self, by: i64) -> Option<Costed> {
        let stretch = Stretch::of(self)?;
        let opens = by > 0
            && (by > self.ms(QUIET_CROSS_MS)
                || stretch.to - stretch.from - by < self.ms(SHORT_MS) + stretch.lead);
        let (against, splice) = if opens { (0.0, self.opened(stretch)) } else { self.crossing(stretch, by)? };
        let ahead = self.onset - splice.right.max(splice.left);
        if !self.is_clear(splice.left, splice.right) {
            return None;
        }
        let clear = ahead >= self.ms(LEAST_LEAD_MS);
        let near = if clear { 0.0 } else { 0.5 + self.near(self.onset - ahead, by) };
        Some((against + near, splice, by))
    }

    /// Nothing sounds twice: what opens is filled.
    fn opened(&self, stretch: Stretch) -> Splice {
        let Stretch { quiet, from, to, trail, lead, closure } = stretch;
        let cut = (from + trail).max(to - lead);
        let fade = self.ms(QUIET_FADE_MS);
        let (out, into) = (fade.min(cut - from), fade.min(to - cut));
        if closure {
            // The sound before it fades by itself.
            let out = self.ms(FADES_MS.0).min(cut - self.floor).max(out);
            return Splice { left: cut, right: cut, out, into, how: How::Faded };
        }
        Splice { left: cut, right: cut, out, into, how: How::Quiet(quiet) }
    }

    /// As little as can be is left out, and rather the room than something soft. With what speaks against it.
    fn crossing(&self, stretch: Stretch, by: i64) -> Option<(f64, Splice)> {
        let Stretch { quiet, from, to, trail, lead, .. } = stretch;
        let usual = self.ms(QUIET_CROSS_MS);
        let longest = (to - from - by.abs() - trail).min(usual.max(-by));
        if longest < self.ms(SHORT_MS) {
            return None;
        }
        let placed = |cross: i64, right: i64| {
            let left = right + by + cross;
            // Under the crossfade both are heard half.
            let heard = self.heard(left - cross / 2, right + cross / 2);
            (heard, Splice { left, right, out: 0, into: 0, how: How::Quiet(quiet) })
        };
        let first = from + (-by).max(0) + trail;
        let last = |cross: i64| to - cross - by.max(0);
        let step = usize::try_from(self.ms(STEP_MS).max(1)).unwrap_or(1);
        let mut best = placed(longest, first.max(to - lead).min(last(longest)));
        for cross in std::iter::once(longest).chain((longest > usual).then_some(usual)) {
            for right in (first..=last(cross)).step_by(step) {
                let found = placed(cross, right);
                if found.0 < best.0 - LESS_MS && self.is_clear(found.1.left, found.1.right) {
                    best = found;
                }
            }
        }
        Some((SOFT * (best.0 - LITTLE_MS).max(0.0), best.1))
    }
}

/// A quiet stretch without its edges.
#[derive(Clone, Copy)]
struct Stretch {
    quiet: Quiet,
    from: i64,
    to: i64,
    /// What stays of it with the left side, and with the right one if there is room.
    trail: i64,
    lead: i64,
    /// It is so short that it may be the closure of a stop.
    closure: bool,
}

impl Stretch {
    fn of(place: &Place) -> Option<Stretch> {
        let quiet = place.quiet?;
        // Its very edges are not quite as quiet.
        let edge = place.ms(EDGE_MS).min((quiet.to - quiet.from) / 8);
        let (from, to) = (quiet.from + edge, quiet.to - edge);
        let closure = to - from < place.ms(CLOSURE_MS);
        let trail = place.ms(if closure { EDGE_MS } else { TRAIL_MS }).min((to - from) / 2);
        let lead = ((to - from) * 2 / 3).clamp(place.ms(LEAD_MS.0), place.ms(LEAD_MS.1));
        Some(Stretch { quiet, from, to, trail, lead, closure })
    }
}

/// Noise of a level in dBFS over each stretch of so many ms, for tests.
#[cfg(test)]
pub(super) fn noise(parts: &[(f64, f64)], rate: f64) -> Vec<f32> {
    let mut state = 1u32;
    let mut samples = Vec::new();
    for (ms, level_db) in parts {
        for _ in 0..(ms * rate / 1000.0) as usize {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let uniform = f64::from(state) / f64::from(u32::MAX) * 2.0 - 1.0;
            samples.push((uniform * 3f64.sqrt() * 10f64.powf(level_db / 20.0)) as f32);
        }
    }
    samples
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 16_000.0;

    fn noise(parts: &[(f64, f64)]) -> Vec<f32> {
        super::noise(parts, RATE)
    }

    fn place(samples: Vec<f32>, quiet: (f64, f64)) -> Place {
        let at = |ms: f64| (ms * RATE / 1000.0) as i64;
        let (from, to) = (at(quiet.0), at(quiet.1));
        let quiet = Quiet { from, to, cut: i64::midpoint(from, to), level_db: -65.0 };
        Place::over(samples, (RATE, 0), Some(quiet), (-59.0, -44.0))
    }

    #[test]
    fn the_room_is_left_out_and_not_a_soft_consonant() {
        // A vowel, 200 ms of room, a soft consonant of 100 ms up to the onset that was measured.
        let place = place(noise(&[(300.0, -20.0), (200.0, -65.0), (100.0, -48.0)]), (300.0, 600.0));
        let (_, splice, by) = place.in_quiet((-0.15 * RATE) as i64).unwrap();
        let ms = |at: i64| at as f64 * 1000.0 / RATE;
        assert!(
            ms(splice.right) <= 500.0,
            "the consonant begins at 500 ms, the right side at {}",
            ms(splice.right)
        );
        assert!(ms(splice.left) >= 300.0, "{}", ms(splice.left));
        assert_eq!(by, (-0.15 * RATE) as i64);
        // With more to leave out than there is room, that speaks against the place.
        let (cost, ..) = place.in_quiet((-0.23 * RATE) as i64).unwrap();
        assert!(cost > 0.5, "{cost}");
    }

    #[test]
    fn a_soft_ending_is_kept_as_well() {
        // The word before ends in a soft consonant of 100 ms; the room comes after it.
        let place = place(noise(&[(300.0, -20.0), (100.0, -48.0), (200.0, -65.0)]), (300.0, 600.0));
        let (_, splice, _) = place.in_quiet((-0.12 * RATE) as i64).unwrap();
        assert!(splice.left as f64 * 1000.0 / RATE >= 395.0, "{splice:?}");
    }
}
