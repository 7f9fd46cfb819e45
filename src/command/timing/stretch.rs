//! Takes a stretch out of a held sound, joined in phase.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::timing::samples_of;
use crate::listen::seam;
use crate::song::{Edges, Fade, FadeSide, Length, Position};

/// Length of the crossfade where a stretch of held sound was taken out, in ms.
const HELD_MS: f64 = 25.0;
/// Longest pitch period that is looked for, in ms.
const PERIOD_MS: f64 = 12.0;

/// What became of a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stretch {
    /// It was taken out, and the sides agree so well at the seam: -1 to 1.
    Out(f64),
    /// There is no room for a seam.
    TooShort,
    /// The region's fade-out begins before the seam would end.
    UnderFade,
}

/// Takes about `length` samples out of a held sound within a span of the timeline and slides what follows in its region
/// there, joined in phase; or says why not.
///
/// # Errors
/// The recording cannot be read.
pub fn remove_stretch(
    draft: &mut Draft,
    context: &Context,
    row: usize,
    (from, to): (f64, f64),
    length: f64,
) -> Result<Stretch, Diagnostic> {
    let ms = |ms: f64| (ms * f64::from(context.session.rate) / 1000.0) as i64;
    let (from, to, length) = (from as i64, to as i64, length.round() as i64);
    let (cross, reach) = (ms(HELD_MS), ms(PERIOD_MS).min(length / 2));
    // The crossfade begins on the left at `start`, and on the right `length` later in the recording.
    let room = to - from - length - 2 * reach;
    let Some(index) = draft.lane(row).index_at(Position(from)) else { return Ok(Stretch::TooShort) };
    let region = draft.region(row, index).clone();
    if to + cross >= (region.end() - region.fade_out.length).0 {
        return Ok(Stretch::UnderFade);
    }
    if room < cross || from < (region.at + region.fade_in.length).0 || length < 2 {
        return Ok(Stretch::TooShort);
    }
    let before = samples_of(context, &region, (from, from + room))?;
    let second = from + length - reach;
    let after = samples_of(context, &region, (second, second + room + 2 * reach))?;
    let pair = seam::Pair {
        before: &before,
        after: &after,
        reach: usize::try_from(reach).unwrap_or(0),
        rate: context.session.rate,
        length: usize::try_from(cross).unwrap_or(1),
    };
    let Some(found) = seam::find(&pair) else { return Ok(Stretch::TooShort) };
    let start = from + i64::try_from(found.start).unwrap_or(0);
    let taken = length - found.nudge;
    draft.split(row, index, Position(start + cross))?;
    let (left, right) = (draft.region(row, index).clone(), draft.region(row, index + 1).clone());
    // The right part begins in the recording where the left one's crossfade does, plus what is taken out.
    let origin = right.source_origin().0 - taken;
    let edges = Edges {
        source_in: u64::try_from(start - origin).unwrap_or(0),
        length: Length(u64::try_from(right.end().0 - taken - start).unwrap_or(0)),
        at: Position(start),
    };
    draft.set_edges(row, index, left.edges());
    draft.set_edges(row, index + 1, edges);
    let (curve, bend) = seam::law(found.correlation);
    let fade = Fade { length: Length(cross.unsigned_abs()), curve, bend };
    draft.set_fade(row, index, FadeSide::Out, fade);
    draft.set_fade(row, index + 1, FadeSide::In, fade);
    Ok(Stretch::Out(found.correlation))
}
