//! Where two pieces of a copy meet that was cut and slid before: up to there the lane follows the guide as the left word
//! does, from there on as the right one does. A cut there gives each piece what is its own.

use super::part::Parting;
use super::splice::{How, Splice};
use super::tighten::Piece;
use super::{LaneTiming, Timing, WordTiming, guide_region, quiet, samples_of};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::listen::seam;
use crate::song::Region;

/// Two pieces whose words are nearer to each other against the guide than this are not told apart, in ms.
const APART_MS: f64 = 4.0;
/// Words farther from each other than this have a gap between them that needs no such care, in ms.
const LONGEST_MS: f64 = 1500.0;
/// How far behind the onset of the right word it is looked for, in ms: measured onsets lie up to so much before the sound.
const BEHIND_MS: f64 = 90.0;
/// Window and step of a look, in ms.
const LOOK_MS: (f64, f64) = (8.0, 2.0);
/// How far a lag may be off at the onset, and how far it may go from one look to the next, in ms: the pitch of a piece may
/// have been changed by up to 50 cents.
const OFF_MS: (f64, f64) = (1.5, 0.2);
/// What is read of the guide to either side, in ms: as far as a lag may go astray.
const PAD_MS: f64 = 40.0;
/// Of a higher rate not every sample and every lag is looked at.
const ENOUGH_HZ: f64 = 24_000.0;
/// What correlates like this follows the guide.
const FOLLOWS: f64 = 0.8;
/// What correlates like this may follow it: its pitch has been changed.
const PERHAPS: f64 = 0.6;
/// So much of either piece has to follow as its word does and not as the other one, in ms.
const SURE_MS: f64 = 16.0;
/// So much of what sounds has to follow the guide as is said, as a share.
const SHARE: f64 = 0.75;
/// The longest fades beside the cut, left and right, in ms.
const FADES_MS: (f64, f64) = (25.0, 12.0);
/// The right piece begins so far before what is its own for certain, in ms: where one covered the other, and behind a gap.
const AHEAD_MS: (f64, f64) = (12.0, 8.0);
/// What is missing of a gap to be left out, in ms, so that a cut there is one all the same.
const LACKS_MS: f64 = 24.0;

/// Where two pieces meet, on the timeline: the left one sounds up to `left`, the right one from `right` on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Joint {
    left: i64,
    right: i64,
}

/// Finds where pieces of one region meet, by the nearest words to either side that are as sure as is asked.
///
/// # Errors
/// A recording cannot be read.
pub(super) fn mark(
    context: &Context,
    (timing, lane): (&Timing, &LaneTiming),
    sure: f64,
    pieces: &mut [Piece],
) -> Result<(), Diagnostic> {
    let copied = |word: &&usize| {
        let found = &lane.words[**word].found;
        found.confidence >= sure && found.evidence.found.same
    };
    for index in 1..pieces.len() {
        let (left, right) = (&pieces[index - 1], &pieces[index]);
        if left.region != right.region || right.starts_region() {
            continue;
        }
        let pair = left.words.iter().rev().find(copied).zip(right.words.iter().find(copied));
        let region = &context.session.song().lanes[lane.row].regions[right.region];
        if let Some((before, behind)) = pair {
            let pair = (&lane.words[*before], &lane.words[*behind]);
            pieces[index].joint = find(context, timing, region, pair)?;
        }
    }
    Ok(())
}

impl Joint {
    /// By how many samples the right piece may go earlier against the left one.
    pub(super) fn room(self, rate: f64) -> i64 {
        (self.right - self.left).max(0) + (LACKS_MS * rate / 1000.0) as i64
    }

    /// The cut there, if the right piece can go later than the left one by so many samples; no fade begins before `floor`.
    pub(super) fn parting(self, by: i64, floor: i64, rate: f64) -> Option<Parting> {
        let ms = |ms: f64| (ms * rate / 1000.0) as i64;
        let start = if by > 0 {
            self.left.min(self.right) - ms(AHEAD_MS.0)
        } else {
            (self.right.min(self.left - by)) - ms(AHEAD_MS.1)
        };
        let end = start + by.min(0);
        let out = ms(FADES_MS.0).min(end - floor);
        if out < ms(FADES_MS.0 / 4.0) || end < self.left - ms(LACKS_MS) {
            return None;
        }
        let splice = Splice { left: end, right: start, out, into: ms(FADES_MS.1), how: How::Faded };
        Some(Parting { shift: 0, splice, by })
    }
}

/// Where the pieces of two words of a region meet.
fn find(
    context: &Context,
    timing: &Timing,
    region: &Region,
    (left, right): (&WordTiming, &WordTiming),
) -> Result<Option<Joint>, Diagnostic> {
    let rate = f64::from(timing.rate);
    let ms = |ms: f64| (ms * rate / 1000.0) as i64;
    let (from, to) = (left.at as i64, (right.at as i64 + ms(BEHIND_MS)).min(region.end().0));
    if (left.offset - right.offset).abs() < ms(APART_MS) as f64 || !(1..ms(LONGEST_MS)).contains(&(to - from))
    {
        return Ok(None);
    }
    let Some(guide) = guide_region(context, timing, right.word) else { return Ok(None) };
    let take = samples_of(context, region, (from, to))?;
    let pad = ms(PAD_MS);
    let at = |word: &WordTiming| {
        let lag = word.offset.round() as i64;
        samples_of(context, guide, (from - lag - pad, to - lag + pad))
    };
    let (as_left, as_right) = (at(left)?, at(right)?);
    let looks = Looks::new(&take, rate, quiet::dead(context, region)?);
    let onset = usize::try_from(right.at as i64 - from).unwrap_or(0);
    let found = looks.meet(&looks.follow(&as_left, pad, None), &looks.follow(&as_right, pad, Some(onset)));
    Ok(found.map(|(left, right)| Joint { left: from + left as i64, right: from + right as i64 }))
}

/// Looks at a stretch of a take.
struct Looks<'a> {
    take: &'a [f32],
    window: usize,
    step: usize,
    /// Samples from one that counts to the next, and from lag to lag.
    stride: usize,
    /// Most that a lag may be off at first and from look to look.
    off: (i64, i64),
    /// How long a look counts, in ms: nothing where only the room sounds.
    weights: Vec<f64>,
}

impl Looks<'_> {
    fn new(take: &[f32], rate: f64, dead: f64) -> Looks<'_> {
        let ms = |ms: f64| (ms * rate / 1000.0) as usize;
        let (window, step) = (ms(LOOK_MS.0).max(2), ms(LOOK_MS.1).max(1));
        let count = take.len().checked_sub(window).map_or(0, |last| last / step + 1);
        let sounds = |look: usize| seam::db(seam::power(&take[look * step..look * step + window])) > dead;
        let weights = (0..count).map(|look| if sounds(look) { LOOK_MS.1 } else { 0.0 }).collect();
        let off = (ms(OFF_MS.0).max(1) as i64, ms(OFF_MS.1).max(1) as i64);
        let stride = ((rate / ENOUGH_HZ) as usize).max(1);
        Looks { take, window, step, stride, off, weights }
    }

    /// How each look correlates with the guide, whose samples begin `pad` before the take's, at a lag that is followed from
    /// the first look on, or from the look at a sample to either side.
    fn follow(&self, guide: &[f32], pad: i64, from: Option<usize>) -> Vec<f64> {
        let count = self.weights.len();
        let mut found = vec![0.0; count];
        let first = from.map_or(0, |at| at / self.step).min(count.saturating_sub(1));
        let mut run = |order: &mut dyn Iterator<Item = usize>, mut lag: i64, mut reach: i64| {
            let begin = lag;
            let mut at_first = None;
            for look in order {
                let (correlation, best) = self.best(guide, look, pad + lag, reach);
                found[look] = correlation;
                if correlation >= FOLLOWS && self.weights[look] > 0.0 {
                    lag += best;
                    reach = self.off.1;
                }
                at_first.get_or_insert(lag);
            }
            at_first.unwrap_or(begin)
        };
        let lag = run(&mut (first..count), 0, self.off.0);
        run(&mut (0..first).rev(), lag, self.off.1);
        found
    }

    /// The best correlation of a look with the guide within a reach around a place, and how far from it.
    fn best(&self, guide: &[f32], look: usize, place: i64, reach: i64) -> (f64, i64) {
        let from = look * self.step;
        let here = &self.take[from..from + self.window];
        let at = |lag: i64| {
            let from = usize::try_from(from as i64 + place + lag).ok()?;
            Some((seam::correlation(here, guide.get(from..from + self.window)?, self.stride), lag))
        };
        let reach = reach - reach % self.stride as i64;
        let best = (-reach..=reach).step_by(self.stride).filter_map(at).max_by(|a, b| a.0.total_cmp(&b.0));
        best.unwrap_or((0.0, 0))
    }

    /// Up to which sample the take follows the left piece and from which on the right one, given how each look correlates.
    fn meet(&self, as_left: &[f64], as_right: &[f64]) -> Option<(usize, usize)> {
        let count = self.weights.len();
        let follows = |correlation: f64| (correlation.max(0.0) - 0.5).max(0.0);
        let gain = |look: usize| self.weights[look] * (follows(as_left[look]) - follows(as_right[look]));
        let (mut sum, mut best, mut border) = (0.0, 0.0, 0);
        for look in 0..count {
            sum += gain(look);
            if sum > best {
                (best, border) = (sum, look + 1);
            }
        }
        let own = |looks: std::ops::Range<usize>, own: &[f64], other: &[f64]| {
            let (mut sure, mut fits, mut sounds) = (0.0, 0.0, 0.0);
            for look in looks {
                sounds += self.weights[look];
                if own[look] >= PERHAPS {
                    fits += self.weights[look];
                    sure +=
                        if own[look] >= FOLLOWS && other[look] < FOLLOWS { self.weights[look] } else { 0.0 };
                }
            }
            sure >= SURE_MS && fits >= SHARE * sounds
        };
        let left = own(0..border, as_left, as_right);
        let right = own(border..count, as_right, as_left);
        if !left || !right {
            return None;
        }
        let heard = |look: &usize, own: &[f64]| own[*look] >= FOLLOWS && self.weights[*look] > 0.0;
        let last = (0..border).rev().find(|look| heard(look, as_left))?;
        let first = (border..count).find(|look| heard(look, as_right))?;
        Some((last * self.step + self.window, first * self.step))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 16_000.0;

    fn at(ms: f64) -> usize {
        (ms * RATE / 1000.0) as usize
    }

    /// A guide of two seconds in which no stretch is like another.
    fn guide() -> Vec<f32> {
        super::super::in_quiet::noise(&[(2000.0, -25.0)], RATE)
    }

    /// Where two pieces of the guide meet in a take from the guide's 500 ms on: up to `left` it is the guide, then the room
    /// sounds for a while, then the guide again, `lag` later than it was.
    fn met(left: f64, room: f64, lag: f64) -> Option<(usize, usize)> {
        let guide = guide();
        let mut take = guide[at(500.0)..at(500.0 + left)].to_vec();
        take.extend(super::super::in_quiet::noise(&[(room, -65.0)], RATE).iter().map(|sample| sample * 0.7));
        let from = at(500.0 + left + room - lag);
        take.extend(&guide[from..from + at(400.0 - left - room)]);
        let looks = Looks::new(&take, RATE, -55.0);
        let pad = at(PAD_MS) as i64;
        let part = |lag: f64| {
            let from = at(500.0 - lag - PAD_MS);
            &guide[from..from + take.len() + 2 * pad as usize]
        };
        let onset = at(left + room + 20.0);
        looks.meet(&looks.follow(part(0.0), pad, None), &looks.follow(part(lag), pad, Some(onset)))
    }

    #[test]
    fn pieces_of_a_copy_meet_where_one_stops_and_the_other_begins() {
        // The second piece covers 60 ms of the first; it comes 60 ms later than it was, behind a gap.
        for (left, room, lag) in [(200.0, 0.0, -60.0), (200.0, 60.0, 60.0), (120.0, 30.0, 30.0)] {
            let (ends, begins) = met(left, room, lag).unwrap();
            assert!(ends.abs_diff(at(left)) <= at(8.0), "{left} {lag}: {ends}");
            assert!(begins.abs_diff(at(left + room)) <= at(8.0), "{left} {lag}: {begins}");
        }
    }

    #[test]
    fn what_follows_the_guide_as_neither_word_does_meets_nowhere() {
        let other = super::super::in_quiet::noise(&[(50.0, -20.0), (400.0, -25.0)], RATE);
        let guide = guide();
        let looks = Looks::new(&other, RATE, -55.0);
        let pad = at(PAD_MS) as i64;
        let part = &guide[at(300.0)..at(300.0) + other.len() + 2 * pad as usize];
        let follows = looks.follow(part, pad, None);
        assert_eq!(looks.meet(&follows, &looks.follow(&guide, pad, Some(at(200.0)))), None);
    }

    #[test]
    fn a_cut_gives_each_piece_its_own_and_leaves_out_the_gap() {
        let ms = |ms: f64| at(ms) as i64;
        let covered = Joint { left: ms(300.0), right: ms(298.0) };
        let splice = covered.parting(ms(80.0), 0, RATE).unwrap().splice;
        assert_eq!(splice.left, splice.right);
        assert!((ms(280.0)..=ms(298.0)).contains(&splice.right), "{splice:?}");
        let gap = Joint { left: ms(300.0), right: ms(380.0) };
        let splice = gap.parting(-ms(80.0), 0, RATE).unwrap().splice;
        assert_eq!(splice.right - splice.left, ms(80.0));
        assert!(splice.right <= ms(380.0) && splice.left >= ms(280.0), "{splice:?}");
        // There is no more to be left out than the gap, and no room for a fade before it.
        assert_eq!(gap.parting(-ms(120.0), 0, RATE), None);
        assert_eq!(covered.parting(ms(80.0), ms(285.0), RATE), None);
    }
}
