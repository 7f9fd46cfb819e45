//! Carries a plan out on a draft: cuts, slides, closes what opens, and lets cross what overlaps.

use super::quiet::Quiet;
use super::splice::{GUARD_MS, How, Splice};
use super::tighten::{Piece, Plan};
use super::{LaneTiming, samples_of};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::timing::room::Room;
use crate::listen::seam;
use crate::song::{Bend, Curve, Edges, Fade, FadeSide, Length, Position, Region, Shift};

/// Longest crossfade of a seam, in ms.
const CROSS_MS: f64 = 15.0;
/// Longest fade beside a hole, in ms.
const FADE_MS: f64 = 10.0;
/// Shortest crossfade that is worth the name, in ms.
const LEAST_MS: f64 = 2.0;
/// Fades of the room's own sound in a hole between two sides that have faded, in ms.
const ROOM_FADE_MS: f64 = 4.0;

/// What was done to a lane.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Done {
    /// Cuts made.
    pub cuts: usize,
    /// Holes filled with the room's own sound.
    pub filled: usize,
}

/// Cuts, slides and closes seams.
///
/// # Errors
/// A recording cannot be read, or a piece does not fit.
pub fn carry_out(
    draft: &mut Draft,
    lane: &LaneTiming,
    plan: &Plan,
    context: &Context,
) -> Result<Done, Diagnostic> {
    let mut done = Done::default();
    if plan.pieces.iter().all(|piece| piece.by == 0) {
        return Ok(done);
    }
    let row = plan.row;
    for piece in plan.pieces.iter().rev() {
        let Some(splice) = piece.splice else { continue };
        draft.split(row, piece.region, Position(splice.right))?;
        done.cuts += 1;
    }
    // Cuts add a region each: where each piece, and each region without one, stands now.
    let mut now: Vec<Option<&Piece>> = Vec::new();
    for region in 0..context.session.song().lanes[row].regions.len() {
        // A piece that was not parted from the one before it is still of one region with it.
        let mut pieces = plan.pieces.iter().filter(|piece| piece.region == region);
        now.push(pieces.next());
        now.extend(pieces.filter(|piece| piece.splice.is_some()).map(Some));
    }
    let by = |piece: Option<&Piece>| piece.map_or(0, |piece| piece.by);
    for (index, piece) in now.iter().enumerate() {
        draft.slide(row, index, Shift(by(*piece)));
    }
    keep_origin(draft, lane, row, now[0]);
    // From the last to the first, so that what is put into a hole moves no index that is still needed.
    for index in (1..now.len()).rev() {
        let (left, right) = (now[index - 1], now[index]);
        if by(left) == by(right) {
            continue;
        }
        done.filled += usize::from(match right.and_then(|piece| piece.splice) {
            Some(splice) => join(draft, (row, index), splice, (by(left), by(right)), context)?,
            None => {
                let ended =
                    left.and_then(|piece| piece.words.last()).map(|word| lane.words[*word].end as i64);
                let onset =
                    right.and_then(|piece| piece.words.first()).map(|word| lane.words[*word].at as i64);
                let may = (ended.map(|at| at + by(left)), onset.map(|at| at + by(right)));
                close(draft, (row, index), may, context)?
            }
        });
    }
    Ok(done)
}

/// A lane that began at the song's origin or later still does, if only silence would lie before it: otherwise all files of
/// a bounce would begin earlier for its sake.
fn keep_origin(draft: &mut Draft, lane: &LaneTiming, row: usize, first: Option<&Piece>) {
    let Some(piece) = first else { return };
    let region = draft.region(row, 0).clone();
    let onset = piece.words.first().map_or(0, |word| lane.words[*word].at as i64 + piece.by);
    if region.at.0 >= 0 || region.at.0 < piece.by || onset <= region.fade_in.length.0.cast_signed() {
        return;
    }
    set(draft, row, 0, &region, (0, region.end().0));
}

/// Joins the two sides of a cut as it was planned. True if a hole was filled.
fn join(
    draft: &mut Draft,
    (row, index): (usize, usize),
    splice: Splice,
    by: (i64, i64),
    context: &Context,
) -> Result<bool, Diagnostic> {
    let (mut end, mut start) = (splice.left + by.0, splice.right + by.1);
    let (a, b) = (draft.region(row, index - 1).clone(), draft.region(row, index).clone());
    if end <= start {
        if let How::Quiet(_) = splice.how
            && hole(draft, (row, index), (end, start), (splice.out, splice.into), context)?
        {
            return Ok(true);
        }
        let (audible, rate) = (Room::is_heard(context, &a)?, f64::from(context.session.rate));
        match splice.how {
            // There is no room to be had, so what is quiet on both sides goes on longer, but not what leads to the onset.
            How::Quiet(quiet) if audible && longer(quiet, splice, rate) >= start - end => {
                let more = start - end + (LEAST_MS * rate / 1000.0) as i64;
                let left = (quiet.to - (GUARD_MS * rate / 1000.0) as i64 - splice.left).max(0);
                end += left.min(more);
                start -= more - left.min(more);
            }
            How::Quiet(_) if !audible => return Ok(false),
            _ => {
                set(draft, row, index - 1, &a, (a.at.0, end));
                set(draft, row, index, &b, (start, b.end().0));
                draft.set_fade(row, index - 1, FadeSide::Out, soft(splice.out));
                draft.set_fade(row, index, FadeSide::In, soft(splice.into));
                return fill(draft, row, &a, (end, start), context);
            }
        }
    }
    let correlation = match splice.how {
        How::Phase(correlation) => correlation,
        _ => 0.0,
    };
    crossed(draft, row, index, (start, end), correlation);
    Ok(false)
}

/// By how much, in samples, the sides of a cut can go on in the quiet around it, beyond a short crossfade.
fn longer(quiet: Quiet, splice: Splice, rate: f64) -> i64 {
    let left = (quiet.to - (GUARD_MS * rate / 1000.0) as i64 - splice.left).max(0);
    left + splice.right - quiet.from - (LEAST_MS * rate / 1000.0) as i64
}

/// Fills a hole between two sides that have faded with the room's own sound, without crossing either. True if there is any.
fn fill(
    draft: &mut Draft,
    row: usize,
    beside: &Region,
    (end, start): (i64, i64),
    context: &Context,
) -> Result<bool, Diagnostic> {
    let Some(room) = Room::near(context, beside, (end, start), (0, 0))? else { return Ok(false) };
    let fade = ((ROOM_FADE_MS * f64::from(context.session.rate) / 1000.0) as i64).min((start - end) / 2);
    draft.insert(row, Region { fade_in: soft(fade), fade_out: soft(fade), ..room.region(beside) })?;
    Ok(true)
}

/// A fade that is bowed, so that its last 5 ms lie 20 dB and more below where it comes from.
fn soft(length: i64) -> Fade {
    Fade { length: Length(length.unsigned_abs()), curve: Curve::RaisedCosine, bend: Bend(-0.3) }
}

/// Opens a hole between two neighbours that are quiet there: each side fades, and the room between them is filled with what
/// the room sounds like, if it sounds at all. True if it was filled.
fn hole(
    draft: &mut Draft,
    (row, index): (usize, usize),
    (end, start): (i64, i64),
    (out, into): (i64, i64),
    context: &Context,
) -> Result<bool, Diagnostic> {
    let (a, b) = (draft.region(row, index - 1).clone(), draft.region(row, index).clone());
    set(draft, row, index - 1, &a, (a.at.0, end));
    set(draft, row, index, &b, (start, b.end().0));
    let room = Room::near(context, &a, (end, start), (out, into))?;
    let fade = |length: i64| match room {
        Some(_) => crossing(0.0, Length(length.unsigned_abs())),
        None => soft(length),
    };
    draft.set_fade(row, index - 1, FadeSide::Out, fade(out));
    draft.set_fade(row, index, FadeSide::In, fade(into));
    let Some(room) = room else { return Ok(false) };
    let region = Region { fade_in: fade(out), fade_out: fade(into), ..room.region(&a) };
    draft.insert(row, region)?;
    Ok(true)
}

/// Joins two neighbours that were regions of their own before, where the left one has `ended` and the right one has its
/// `onset` on the timeline as they lie now; where one word comes too near, the tail before it gives way. True if a hole
/// was filled.
fn close(
    draft: &mut Draft,
    (row, index): (usize, usize),
    (ended, onset): (Option<i64>, Option<i64>),
    context: &Context,
) -> Result<bool, Diagnostic> {
    let ms = |ms: f64| (ms * f64::from(context.session.rate) / 1000.0) as i64;
    let (a, b) = (draft.region(row, index - 1).clone(), draft.region(row, index).clone());
    if a.end() <= b.at {
        return Ok(false);
    }
    let left = (ended.unwrap_or(a.end().0).min(a.end().0), a.end().0);
    let right = (b.at.0, onset.unwrap_or(b.at.0).max(b.at.0));
    let (from, to) = (left.0.max(right.0), left.1.min(right.1));
    if to - from >= ms(LEAST_MS).max(2) {
        let length = (to - from).min(ms(CROSS_MS));
        cross(draft, row, index, (from, to, length), context)?;
        return Ok(false);
    }
    let length = ms(FADE_MS);
    let to = right.1.max(right.0 + length).min(a.end().0.max(left.1));
    cross(draft, row, index, (to - length, to, length), context)?;
    Ok(false)
}

/// Lets two neighbours cross somewhere within a span, where the seam finder says.
fn cross(
    draft: &mut Draft,
    row: usize,
    index: usize,
    (from, to, length): (i64, i64, i64),
    context: &Context,
) -> Result<(), Diagnostic> {
    let (left, right) = (draft.region(row, index - 1).clone(), draft.region(row, index).clone());
    let (before, after) = (samples_of(context, &left, (from, to))?, samples_of(context, &right, (from, to))?);
    let pair = seam::Pair {
        before: &before,
        after: &after,
        reach: 0,
        rate: context.session.rate,
        length: usize::try_from(length).unwrap_or(1),
    };
    let found = seam::find(&pair);
    let start = from + found.map_or(0, |found| i64::try_from(found.start).unwrap_or(0));
    crossed(draft, row, index, (start, start + length), found.map_or(0.0, |found| found.correlation));
    Ok(())
}

/// A fade for two sides of a correlation.
fn crossing(correlation: f64, length: Length) -> Fade {
    let (curve, bend) = seam::law(correlation);
    Fade { length, curve, bend }
}

/// Lets two neighbours cross over exactly a span.
fn crossed(draft: &mut Draft, row: usize, index: usize, (start, end): (i64, i64), correlation: f64) {
    let (left, right) = (draft.region(row, index - 1).clone(), draft.region(row, index).clone());
    set(draft, row, index - 1, &left, (left.at.0, end));
    set(draft, row, index, &right, (start, right.end().0));
    let fade = crossing(correlation, Length((end - start).unsigned_abs()));
    draft.set_fade(row, index - 1, FadeSide::Out, fade);
    draft.set_fade(row, index, FadeSide::In, fade);
}

/// Moves a region's edges without moving its sound.
fn set(draft: &mut Draft, row: usize, index: usize, region: &Region, (from, to): (i64, i64)) {
    let origin = region.source_origin().0;
    let from = from.max(origin);
    let edges = Edges {
        source_in: u64::try_from(from - origin).unwrap_or(0),
        length: Length(u64::try_from(to - from).unwrap_or(0)),
        at: Position(from),
    };
    draft.set_edges(row, index, edges);
}
