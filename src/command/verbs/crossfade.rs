//! `crossfade`: lets neighbours that touch overlap and cross.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::verbs::{FadeChange, edge};
use crate::song::rules::AssetFrames;
use crate::song::{Curve, Fade, FadeSide, Length, Position, Region};

/// The verb.
pub static VERB: Verb = Verb {
    name: "crossfade",
    form: &[Part::Value("length", Kind::Length), Part::Any(0, &[super::CURVE, super::BEND])],
    scope: ScopeUse::Regions,
    every: false,
    about: "Crossfades every joint of the scope: neighbours that touch or overlap go on under each other for a length, \
            half of it on either side where the recordings reach.",
    examples: &["crossfade 15ms on lane 2", "crossfade 10ms curve raised-cosine on lane 2 at 1.6s"],
    also: &["blend", "cross"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let found = call.scope.regions(context, call.verb.every)?;
    let change = FadeChange::from_args(&call.args, context)?;
    let length = change.length.unwrap_or(Length::ZERO);
    if length == Length::ZERO {
        return Err(Diagnostic::refusal("a crossfade of no length is none")
            .help("`shift` and `edge` part neighbours"));
    }
    let mut draft = Draft::new(context);
    let mut joints = 0;
    for (row, left) in joints_of(context, &found) {
        cross(&mut draft, row, left, length, context)?;
        for (index, side) in [(left, FadeSide::Out), (left + 1, FadeSide::In)] {
            let fade = draft.region(row, index).fade(side);
            let curve = if fade.length == Length::ZERO { Curve::EqualPower } else { fade.curve };
            let to = FadeChange { length: Some(length), ..change }.applied_to(Fade { curve, ..fade });
            draft.set_fade(row, index, side, to);
        }
        joints += 1;
    }
    if joints == 0 {
        return Err(Diagnostic::refusal("no two regions of the scope touch")
            .help("a gap cannot be crossfaded: close it with `shift` or `edge` first"));
    }
    draft.finish(format!("crossfaded {}", super::count(joints, "joint")))
}

/// Each joint after which a region of the scope lies or before which one lies, if the neighbour is in
/// the scope too or if the scope has only one region on that lane.
fn joints_of(context: &Context, found: &[(usize, usize)]) -> Vec<(usize, usize)> {
    joints_within(context, found, Length::ZERO)
}

/// The same; regions no further apart than `apart` count as touching.
pub(super) fn joints_within(
    context: &Context,
    found: &[(usize, usize)],
    apart: Length,
) -> Vec<(usize, usize)> {
    let mut joints = Vec::new();
    for row in super::rows_of(found) {
        let regions = &context.session.song().lanes[row].regions;
        let touches = |left: usize| {
            regions.get(left).zip(regions.get(left + 1)).is_some_and(|(left, right)| left.end() + apart >= right.at)
        };
        let indices: Vec<usize> = found.iter().filter(|(r, _)| *r == row).map(|(_, index)| *index).collect();
        match indices.as_slice() {
            [only] => joints.extend(
                only.checked_sub(1)
                    .into_iter()
                    .chain([*only])
                    .filter(|left| touches(*left))
                    .map(|left| (row, left)),
            ),
            many => joints
                .extend(many.windows(2).filter(|w| w[1] == w[0] + 1 && touches(w[0])).map(|w| (row, w[0]))),
        }
    }
    joints
}

/// Moves the two edges at a joint so that they overlap by `length`, evenly about the middle of the
/// joint where both recordings reach, else as far to one side as the other one needs.
fn cross(
    draft: &mut Draft,
    row: usize,
    left: usize,
    length: Length,
    context: &Context,
) -> Result<(), Diagnostic> {
    let (before, after) = (draft.region(row, left).clone(), draft.region(row, left + 1).clone());
    let middle = i64::midpoint(before.end().0, after.at.0);
    let reach =
        |region: &Region| region.source_origin() + Length(context.session.frames(region.asset).unwrap_or(0));
    let latest_end = reach(&before).0;
    let earliest_start = after.source_origin().0;
    let Length(long) = length;
    let half = i64::try_from(long / 2).unwrap_or(i64::MAX);
    let long = i64::try_from(long).unwrap_or(i64::MAX);
    let start = (middle - half).max(earliest_start).min(latest_end.saturating_sub(long));
    if start < earliest_start {
        return Err(Diagnostic::refusal(format!(
            "lane {} at {}: the recordings do not reach far enough for a crossfade of that length",
            row + 1,
            context.show(after.at)
        ))
        .help("a shorter one fits"));
    }
    let (start, end) = (Position(start), Position(start) + length);
    let at_lane = |error: Diagnostic| Diagnostic::refusal(format!("lane {}: {}", row + 1, error.message));
    let before = edge::moved(&before, false, end, context).map_err(at_lane)?;
    let after = edge::moved(&after, true, start, context).map_err(at_lane)?;
    draft.set_edges(row, left, before.edges());
    draft.set_edges(row, left + 1, after.edges());
    Ok(())
}
