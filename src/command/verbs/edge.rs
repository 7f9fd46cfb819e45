//! `edge`: lets a region begin or end earlier or later; its sound stays where it is.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;
use crate::song::rules::AssetFrames;
use crate::song::{Length, Position, Region};

/// The verb.
pub static VERB: Verb = Verb {
    name: "edge",
    form: &[
        Part::One(&[&[Part::Word("start")], &[Part::Word("end")]]),
        Part::One(&[
            &[Part::Word("to"), Part::Value("to-time", Kind::Time)],
            &[Part::Value("by", Kind::Shift)],
        ]),
    ],
    scope: ScopeUse::Regions,
    every: false,
    about: "Moves the start or the end of regions over their recording; the sound stays where it is.",
    examples: &["edge end +30ms on lane 2 at 1.6s", "edge start to 1.45s on lane 2 at 1.6s"],
    also: &["extend", "lengthen"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let found = call.scope.regions(context, call.verb.every)?;
    let at_start = call.args.has("start");
    let mut draft = Draft::new(context);
    for (row, index) in &found {
        let region = draft.region(*row, *index).clone();
        let edge = if at_start { region.at } else { region.end() };
        let to = match (super::time(&call.args, "to-time"), call.args.get("by")) {
            (Some(time), _) => context.position(time)?,
            (None, Some(Value::Distance(by))) => edge + context.shift(*by)?,
            _ => return Err(Diagnostic::refusal("a position or a distance is missing")),
        };
        let moved = moved(&region, at_start, to, context)
            .map_err(|error| Diagnostic::refusal(format!("lane {}: {}", row + 1, error.message)))?;
        draft.set_edges(*row, *index, moved.edges());
    }
    for row in super::rows_of(&found) {
        draft.settle(row);
    }
    draft.finish(format!("moved an edge of {}", super::regions_on_lanes(&found)))
}

/// The region with one edge moved to a position.
pub(super) fn moved(
    region: &Region,
    at_start: bool,
    to: Position,
    context: &Context,
) -> Result<Region, Diagnostic> {
    let origin = region.source_origin();
    let end = origin + Length(context.session.frames(region.asset).unwrap_or(0));
    if to < origin || to > end {
        return Err(Diagnostic::refusal(format!(
            "region {} cannot reach to {}: its recording lies from {} to {}",
            region.id,
            context.show(to),
            context.show(origin),
            context.show(end)
        )));
    }
    let (start, stop) = if at_start { (to, region.end()) } else { (region.at, to) };
    if start >= stop {
        return Err(Diagnostic::refusal(format!("nothing of region {} would be left", region.id)));
    }
    Ok(Region { source_in: start.since(origin).0, length: stop.since(start), at: start, ..region.clone() })
}
