//! How two words of a take are parted and joined again when one slides against the other: in the quiet between them, in
//! phase where one sound goes over into the next, or under a fade in the weakest place.
//!
//! The left piece may end and the right one begin at different moments of the recording: what lies between sounds twice or
//! is left out. Neither may hold an onset, so both lie before the onset of the right word and behind the vowel's onset of
//! the left one.

use std::cell::OnceCell;

use super::LaneTiming;
use super::closure::{self, Rest};
use super::part;
use super::quiet::{BELOW_VOICE_DB, Border, Quiet};
use super::tighten::{Plan, Rules, names, remark};
use super::{Timing, WordTiming, samples_of};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::listen::{seam, turns};
use crate::song::Region;

/// How a cut is hidden.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum How {
    /// It is quiet on both sides.
    Quiet(Quiet),
    /// The sides agree so well over their crossfade: -1 to 1.
    Phase(f64),
    /// Each side fades by itself, in the weakest place.
    Faded,
}

/// A cut and how it is joined. Places are on the timeline before anything is slid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Splice {
    /// One past the last sample of the left piece.
    pub left: i64,
    /// First sample of the right piece.
    pub right: i64,
    /// Longest fade of the left side where the two do not cross, in samples.
    pub out: i64,
    /// Longest fade of the right side where the two do not cross, in samples.
    pub into: i64,
    /// How it is hidden.
    pub how: How,
}

/// Two sides that agree less than this are not joined in phase (the issue's own bar).
const AGREE: f64 = 0.9;
/// Length of a crossfade in phase, in ms.
const CROSS_MS: f64 = 15.0;
/// The right side may be nudged by this for the sake of its phase: half the period of a voice of 100 Hz, in ms.
const NUDGE_MS: f64 = 5.0;
/// Against each ms of such a nudge: another place on the same held sound may agree without it.
const NUDGED: f64 = 2.0;
/// Fades beside a cut in sound, left and right, in ms: long enough to be 20 dB down where they end.
pub(super) const FADES_MS: (f64, f64) = (25.0, 15.0);
/// Fade-in of a side that is quiet, in ms.
const SOFT_MS: f64 = 6.0;
/// What stays of a word at its onset and of its vowel, in ms.
const KEEPS_MS: (f64, f64) = (30.0, 15.0);
/// A cut lies no nearer to the onset behind it, in ms.
pub(super) const CLEAR_MS: f64 = 4.0;
/// What sounds twice ends so far before the onset behind it, in ms: a word begins up to 50 ms before it is heard to (closures of
/// stops, breathy and soft voiced beginnings; 95 % of the words of the tuning draw).
pub(super) const GUARD_MS: f64 = 55.0;
/// What is left out may come a little nearer, in ms: a beginning that is a few ms short is not heard to be, a second one is.
pub(super) const LEFT_OUT_GUARD_MS: f64 = 45.0;
/// How far before an onset it is looked for a place, unless inside words, in ms.
const WINDOW_MS: f64 = 200.0;
/// No place before an onset is farther from it than this and twice the longest slide, in ms.
const LOOKED_AT_MS: f64 = 3000.0;
/// Against each dB above the voice's usual level: the loudest vowels bend as sharply as a click, and hide none.
const LOUD: f64 = 0.8;
/// A place with more than this against it is none.
pub(super) const WORST: f64 = 32.0;
/// Sound in a band so far below the quiet limit does not count where one turns into another, in dB.
const FLOOR_DB: f64 = 24.0;
/// Distance between places that are tried, in ms.
pub(super) const STEP_MS: f64 = 2.0;
/// Holes shorter than this are closed by what sounds a little longer, in ms.
pub(super) const SHORT_MS: f64 = 6.0;

/// Finds the place of every cut, and nudges pieces for the sake of their phase. Where a piece cannot go so far it goes as
/// far as it can.
///
/// # Errors
/// A recording cannot be read; an exact slide is not possible.
pub fn place_cuts(
    context: &Context,
    timing: &Timing,
    lane: &LaneTiming,
    rules: &Rules,
    plan: &mut Plan,
) -> Result<(), Diagnostic> {
    let regions = &context.session.song().lanes[lane.row].regions;
    let mut floor = i64::MIN;
    for index in 1..plan.pieces.len() {
        let (left, right) = (&plan.pieces[index - 1], &plan.pieces[index]);
        let least = (left.by, right.by);
        if right.region != left.region || right.starts_region() || least.0 == least.1 {
            floor = i64::MIN;
            continue;
        }
        let region = &regions[right.region];
        let starts = (region.at + region.fade_in.length).0;
        let joint = right
            .joint
            .and_then(|joint| joint.parting(least.1 - least.0, floor.max(starts), f64::from(timing.rate)));
        let parted = || {
            part::best(lane, rules, (left, right), &|pair, border, distances| {
                let rest = closure::before(context, timing, region, pair.1)?;
                let place = Place::new(context, region, (pair, rest), border, (rules, floor))?;
                let reach = place.reach(rules);
                let best = |(index, by): (usize, &i64)| {
                    place.best(*by, reach).map(|(splice, by)| (index, splice, by))
                };
                Ok(distances.iter().enumerate().find_map(best))
            })
        };
        let Some(parting) = joint.map_or_else(parted, |joint| Ok(Some(joint)))? else {
            join_up(timing, lane, rules, plan, index)?;
            continue;
        };
        let (splice, by) = (parting.splice, parting.by);
        part::hand_over(&mut plan.pieces, index, parting.shift);
        let right = &mut plan.pieces[index];
        right.by = least.0 + by;
        right.splice = Some(splice);
        floor = splice.right + (splice.left - splice.right - by).max(splice.into);
        let short = timing.ms((right.by - least.1) as f64);
        if short.abs() > timing.ms(rules.within) + NUDGE_MS {
            let why = format!(
                "{}: {:.1} ms are left, since its neighbour leaves no room",
                names(lane, &right.words),
                short.abs()
            );
            let at = right.words.first().map_or(0, |word| lane.words[*word].at as i64);
            plan.refused.push(remark(plan.row, at, why));
        }
    }
    Ok(())
}

/// A piece that cannot be parted from the one before it goes with that one.
fn join_up(
    timing: &Timing,
    lane: &LaneTiming,
    rules: &Rules,
    plan: &mut Plan,
    index: usize,
) -> Result<(), Diagnostic> {
    let by = plan.pieces[index - 1].by;
    let right = &mut plan.pieces[index];
    let words = names(lane, &right.words);
    if rules.exact {
        return Err(Diagnostic::refusal(format!(
            "lane {}: {words} cannot go so far alone: no place before it can be cut",
            plan.row + 1
        ))
        .help("slide it together with the word before, or by less"));
    }
    let left = timing.ms((by - right.by) as f64);
    right.by = by;
    if left.abs() <= timing.ms(rules.within) + NUDGE_MS {
        return Ok(());
    }
    let at = right.words.first().map_or(0, |word| lane.words[*word].at as i64);
    plan.refused.push(remark(
        plan.row,
        at,
        format!("{words}: no place before it can be cut, so {left:+.1} ms are left"),
    ));
    Ok(())
}

/// What lies between two words, and where it may be cut.
pub(super) struct Place {
    pub(super) rate: f64,
    /// First sample of `samples` on the timeline.
    pub(super) from: i64,
    pub(super) samples: Vec<f32>,
    /// Sums of squares before each sample.
    pub(super) sums: Vec<f64>,
    /// How much the sound turns into another one, in dB, once that was asked: a quiet place with nothing against it never is.
    turns: OnceCell<Vec<f32>>,
    /// The quiet stretch, if there is one.
    pub(super) quiet: Option<Quiet>,
    /// Below this only the room sounds, in dBFS.
    pub(super) dead: f64,
    /// Below this it is quiet, in dBFS.
    pub(super) limit: f64,
    /// The left piece sounds in full up to here at least.
    pub(super) floor: i64,
    /// The right piece sounds in full from here at the latest.
    pub(super) onset: i64,
    /// The rest before the onset that may be left out beyond what is clear of the onset.
    pub(super) rest: Option<Rest>,
    /// No right piece begins before here.
    pub(super) first: i64,
}

/// A place for a cut with what speaks against it.
pub(super) type Costed = (f64, Splice, i64);

impl Place {
    fn new(
        context: &Context,
        region: &Region,
        ((left, right), rest): ((&WordTiming, &WordTiming), Option<Rest>),
        before: Border,
        (rules, floor): (&Rules, i64),
    ) -> Result<Place, Diagnostic> {
        let rate = f64::from(context.session.rate);
        let ms = |ms: f64| (ms * rate / 1000.0) as i64;
        let last = (region.end() - region.fade_out.length).0;
        let onset = (right.at as i64).min(last) - ms(CLEAR_MS);
        let starts = (region.at + region.fade_in.length).0;
        let floor = floor.max(starts).max(keeps(region, (left, right), rate));
        // Between two phrases lie minutes that no cut looks at.
        let looked_at = ms(LOOKED_AT_MS).saturating_add((2.0 * rules.at_most.min(60.0 * rate)) as i64);
        let floor = floor.max(onset - looked_at);
        let from = floor.min(onset);
        let until = rest.map_or(onset, |rest| rest.to.min(last).max(onset));
        let samples = samples_of(context, region, (from, until))?;
        let limit = super::quiet::limit(context, region)?;
        let dead = super::quiet::dead(context, region)?;
        let window = if rules.inside { i64::MAX } else { ms(WINDOW_MS) };
        let quiet = match before {
            Border::Quiet(quiet) if quiet.from >= floor => Some(quiet),
            // Of a long rest the end counts.
            Border::Quiet(quiet) if quiet.to - quiet.from > looked_at && quiet.to > floor => {
                Some(Quiet { from: floor, ..quiet })
            }
            _ => None,
        };
        let place = Place::over(samples, (rate, from), quiet, (dead, limit));
        Ok(Place { floor, onset, rest, first: onset.saturating_sub(window).max(from), ..place })
    }

    /// A place over samples, the first of which lies at `from`, with the levels in dBFS below which only the room sounds and
    /// below which it is quiet.
    pub(super) fn over(
        samples: Vec<f32>,
        (rate, from): (f64, i64),
        quiet: Option<Quiet>,
        (dead, limit): (f64, f64),
    ) -> Place {
        let mut sums = Vec::with_capacity(samples.len() + 1);
        let mut sum = 0.0;
        sums.push(sum);
        for sample in &samples {
            sum += f64::from(*sample).powi(2);
            sums.push(sum);
        }
        let onset = from.saturating_add_unsigned(samples.len() as u64);
        Place {
            rate,
            from,
            samples,
            sums,
            turns: OnceCell::new(),
            quiet,
            dead,
            limit,
            floor: from,
            onset,
            rest: None,
            first: from,
        }
    }

    pub(super) fn ms(&self, ms: f64) -> i64 {
        (ms * self.rate / 1000.0) as i64
    }

    /// How much the sound turns into another one; see [`turns`].
    pub(super) fn turns(&self) -> &[f32] {
        let floor_db = (self.limit - FLOOR_DB) as f32;
        self.turns.get_or_init(|| turns::turns(&self.samples, self.rate as u32, floor_db))
    }

    /// By how much the right piece may be nudged, in samples: onsets that are kept apart and exact slides
    /// are not.
    fn reach(&self, rules: &Rules) -> i64 {
        if rules.apart.is_some() || rules.exact { 0 } else { self.ms(NUDGE_MS) }
    }

    /// The best cut for a right piece that goes later than the left one by `by`, and how much later it goes then.
    pub(super) fn best(&self, by: i64, reach: i64) -> Option<(Splice, i64)> {
        let quiet = self.in_quiet(by);
        if let Some((0.0, splice, by)) = quiet {
            return Some((splice, by));
        }
        let mut best = quiet;
        let step = usize::try_from(self.ms(STEP_MS).max(1)).unwrap_or(1);
        for right in (self.first..self.latest()).step_by(step) {
            for found in [self.faded(right, by), self.in_phase(right, by, reach)].into_iter().flatten() {
                if best.is_none_or(|(cost, ..)| found.0 < cost) {
                    best = Some(found);
                }
            }
        }
        best.filter(|(cost, ..)| *cost < WORST).map(|(_, splice, by)| (splice, by))
    }

    /// Each side fades by itself.
    fn faded(&self, right: i64, by: i64) -> Option<Costed> {
        // A short hole is closed by what sounds twice.
        let left = if by > 0 && by > self.ms(SHORT_MS) { right } else { right + by };
        let out = self.ms(FADES_MS.0).min(left - self.floor);
        let soft = self.level(right, right + self.ms(FADES_MS.1)) < self.limit;
        let into = self.ms(if soft { SOFT_MS } else { FADES_MS.1 });
        let fits = out >= self.ms(FADES_MS.0 * 0.5) && right + into <= self.latest();
        if !fits || !self.is_clear(left, right) {
            return None;
        }
        let over = |from: i64, to: i64| (self.level(from, to) - self.limit).max(0.0);
        let cost = 3.0
            + 0.12 * (over(left - out, left) + over(right, right + into))
            + self.near(left.max(right + into), by)
            + self.between(left, right);
        Some((cost, Splice { left, right, out, into, how: How::Faded }, by))
    }

    /// The sides cross where they agree.
    fn in_phase(&self, right: i64, by: i64, reach: i64) -> Option<Costed> {
        let cross = self.ms(CROSS_MS);
        let clear = |by: i64| {
            let left = right + by + cross;
            right + by >= self.floor && right + cross <= self.latest() && self.is_clear(left, right)
        };
        let here = self.part(right, cross)?;
        let cost = |nudge: i64, stride: usize| -> Option<(f64, f64)> {
            if !clear(by + nudge) {
                return None;
            }
            let r = seam::correlation(self.part(right + by + nudge, cross)?, here, stride);
            let apart = if r > AGREE { 10.0 * (1.0 - r) } else { 6.0 + 60.0 * (AGREE - r) };
            Some((apart + NUDGED * nudge.abs() as f64 * 1000.0 / self.rate, r))
        };
        let best = |nudges: &mut dyn Iterator<Item = i64>, stride: usize| {
            nudges
                .filter_map(|nudge| cost(nudge, stride).map(|(cost, r)| (cost, r, nudge)))
                .min_by(|a, b| a.0.total_cmp(&b.0))
        };
        let (_, _, coarse) = best(&mut (-reach..=reach).step_by(4), 4)?;
        let exact = (coarse - 3).max(-reach)..=(coarse + 3).min(reach);
        let (apart, r, nudge) = best(&mut exact.into_iter(), 1)?;
        let by = by + nudge;
        let left = right + by + cross;
        let levels = (self.level(left - cross, left) - self.level(right, right + cross)).abs();
        let above = self.level(left - cross, left).max(self.level(right, right + cross)) - self.limit;
        let cost = apart
            + 1.0
            + 0.05 * above.max(0.0)
            + LOUD * (above - BELOW_VOICE_DB).max(0.0)
            + 0.5 * (levels - 3.0).max(0.0)
            + self.near(left.max(right + cross), by)
            + self.between(left - cross, right);
        Some((cost, Splice { left, right, out: 0, into: 0, how: How::Phase(r) }, by))
    }
}

/// What stays of the left word in any case: its onset and the beginning of its vowel, but no more than two fifths of it.
pub(super) fn keeps(region: &Region, (left, right): (&WordTiming, &WordTiming), rate: f64) -> i64 {
    let ms = |ms: f64| (ms * rate / 1000.0) as i64;
    let vowel = region.source_origin().0 + left.found.vowel as i64;
    let most = left.at as i64 + ((right.at - left.at) * 0.4) as i64;
    (left.at as i64 + ms(KEEPS_MS.0)).max(vowel + ms(KEEPS_MS.1)).min(most.max(left.at as i64 + ms(15.0)))
}

/// By how many samples a word may go earlier against the one before it in its region.
pub(super) fn room(region: &Region, (left, right): (&WordTiming, &WordTiming), rate: f64) -> i64 {
    let fades = ((FADES_MS.0 * 0.5 + LEFT_OUT_GUARD_MS + STEP_MS) * rate / 1000.0) as i64;
    (right.at as i64 - keeps(region, (left, right), rate) - fades).max(0)
}
