//! Carries a plan out on a draft: cuts, slides, closes what opens, and lets cross what overlaps.

use super::LaneTiming;
use super::quiet::{Border, Quiet};
use super::tighten::{Piece, Plan};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::timing::room::Room;
use crate::listen::seam;
use crate::song::{Curve, Edges, Fade, FadeSide, Length, Position, Region, Shift};

/// Longest crossfade of a seam, in ms.
const CROSS_MS: f64 = 15.0;
/// Longest fade beside a hole, in ms.
const FADE_MS: f64 = 10.0;
/// Shortest crossfade that is worth the name, in ms.
const LEAST_MS: f64 = 2.0;
/// What lies this close behind an ending or before an onset belongs to its word though it is quiet: a release, the closure
/// of a stop, a breathy start. It neither sounds twice nor is lost, as far as there is room, in ms.
const MARGIN_MS: f64 = 90.0;
/// With less margin than this pieces that move apart are parted by a single cut, and the hole is filled, in ms.
const SOFT_MS: f64 = 30.0;

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
        let cut = match (piece.before, piece.held) {
            (Border::Quiet(quiet), _) => quiet.cut,
            (Border::Held, Some(held)) => held.start + held.length,
            _ => continue,
        };
        draft.split(row, piece.region, Position(cut))?;
        done.cuts += 1;
    }
    // Cuts add a region each: where each piece, and each region without one, stands now.
    let mut now: Vec<Option<&Piece>> = Vec::new();
    for region in 0..context.session.song().lanes[row].regions.len() {
        let mut pieces = plan.pieces.iter().filter(|piece| piece.region == region).peekable();
        if pieces.peek().is_none() {
            now.push(None);
        }
        now.extend(pieces.map(Some));
    }
    let by = |piece: Option<&Piece>| piece.map_or(0, |piece| piece.by);
    for (index, piece) in now.iter().enumerate() {
        draft.slide(row, index, Shift(by(*piece)));
    }
    keep_origin(draft, lane, row, now[0]);
    // From the last to the first, so that what is put into a hole moves no index that is still needed.
    for index in (1..now.len()).rev() {
        let (left, right) = (now[index - 1], now[index]);
        if by(left) != by(right) {
            let joint = Joint::new(draft, lane, (row, index), (left, right), context);
            done.filled += usize::from(close(draft, row, index, joint, context)?);
        }
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

/// Where on the timeline the two sides of a seam may end and begin, after they were slid.
#[derive(Debug, Clone, Copy)]
enum Joint {
    /// Both are quiet somewhere; the left one there, the right one there. `cut`: the two were one before, and may be
    /// drawn out into each other.
    Quiet { left: (i64, i64), right: (i64, i64), cut: bool },
    /// They cross in phase from the first of these to the second, with that correlation.
    Held { from: i64, to: i64, correlation: f64 },
}

impl Joint {
    fn new(
        draft: &Draft,
        lane: &LaneTiming,
        (row, index): (usize, usize),
        (left, right): (Option<&Piece>, Option<&Piece>),
        context: &Context,
    ) -> Joint {
        let (a, b) = (draft.region(row, index - 1), draft.region(row, index));
        let by = |piece: Option<&Piece>| piece.map_or(0, |piece| piece.by);
        match right.map(|piece| (piece.before, piece.held)) {
            Some((Border::Quiet(quiet), _)) => {
                let ms = |ms: f64| (ms * f64::from(context.session.rate) / 1000.0) as i64;
                return Joint::cut(quiet, (by(left), by(right)), (ms(MARGIN_MS), ms(SOFT_MS), ms(CROSS_MS)));
            }
            Some((Border::Held, Some(held))) => {
                let from = held.start + by(left);
                return Joint::Held { from, to: from + held.length, correlation: held.correlation };
            }
            _ => {}
        }
        let ended =
            left.and_then(|piece| piece.words.last()).map(|word| lane.words[*word].end as i64 + by(left));
        let onset =
            right.and_then(|piece| piece.words.first()).map(|word| lane.words[*word].at as i64 + by(right));
        Joint::Quiet {
            left: (ended.unwrap_or(a.end().0).min(a.end().0), a.end().0),
            right: (b.at.0, onset.unwrap_or(b.at.0).max(b.at.0)),
            cut: false,
        }
    }

    /// A cut in a quiet place. Of what is quiet, only the middle sounds twice or is left out.
    fn cut(quiet: Quiet, (left, right): (i64, i64), (most, soft, cross): (i64, i64, i64)) -> Joint {
        let Quiet { from, to, .. } = quiet;
        let by = right - left;
        let margin = ((to - from - by.abs() - cross) / 2).min(most);
        if by > 0 && margin < soft {
            let cut = quiet.cut;
            return Joint::Quiet {
                left: (from + left, cut + left),
                right: (cut + right, to + right),
                cut: true,
            };
        }
        let (from, to) = (from + margin.max(0), to - margin.max(0));
        Joint::Quiet { left: (from + left, to + left), right: (from + right, to + right), cut: true }
    }
}

/// Joins two neighbours where both may end and begin; where one word comes too near, the tail before it gives way. True if
/// a hole was filled.
fn close(
    draft: &mut Draft,
    row: usize,
    index: usize,
    joint: Joint,
    context: &Context,
) -> Result<bool, Diagnostic> {
    let ms = |ms: f64| (ms * f64::from(context.session.rate) / 1000.0) as i64;
    let (a, b) = (draft.region(row, index - 1).clone(), draft.region(row, index).clone());
    let (left, right, cut) = match joint {
        Joint::Quiet { left, right, cut } => (left, right, cut),
        Joint::Held { from, to, correlation } => {
            crossed(draft, row, index, (from, to), correlation);
            return Ok(false);
        }
    };
    if !cut && a.end() <= b.at {
        return Ok(false);
    }
    let (from, to) = (left.0.max(right.0), left.1.min(right.1));
    let least = ms(LEAST_MS).max(2);
    if to - from >= least {
        let length = (to - from).min(ms(CROSS_MS));
        cross(draft, row, index, (from, to, length), context)?;
        return Ok(false);
    }
    if left.1 < right.0 + least {
        // What is quiet on both sides together does not reach over the hole: each side fades, and the room between them is
        // filled with what the room sounds like, if it sounds at all.
        let (end, start) = (left.1, right.0.max(left.1));
        let most = ms(FADE_MS);
        let (out, into) = ((left.1 - left.0).clamp(0, most), (right.1 - right.0).clamp(0, most));
        set(draft, row, index - 1, &a, (a.at.0, end));
        set(draft, row, index, &b, (start, b.end().0));
        let room = Room::near(context, &a, (end, start), (out, into))?;
        let fade = |length: i64| {
            let length = Length(length.unsigned_abs());
            match room {
                Some(_) => crossing(0.0, length),
                None => Fade { length, curve: Curve::RaisedCosine, ..Fade::NONE },
            }
        };
        draft.set_fade(row, index - 1, FadeSide::Out, fade(out));
        draft.set_fade(row, index, FadeSide::In, fade(into));
        if let Some(room) = room {
            let region = Region { fade_in: fade(out), fade_out: fade(into), ..room.region(&a) };
            draft.insert(row, region)?;
            return Ok(true);
        }
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
    let read = |region: &Region| -> Result<Vec<f32>, Diagnostic> {
        let mut samples = vec![0.0f32; usize::try_from(to - from).unwrap_or(0)];
        let source = from - region.source_origin().0;
        let lead = usize::try_from(-source).unwrap_or(0).min(samples.len());
        context.hearing.samples(region.asset, u64::try_from(source).unwrap_or(0), &mut samples[lead..])?;
        Ok(samples)
    };
    let (before, after) = (read(&left)?, read(&right)?);
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
