//! `join`: takes cuts back where nothing has moved.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};

/// The verb.
pub static VERB: Verb = Verb {
    name: "join",
    form: &[],
    scope: ScopeUse::Regions,
    every: false,
    about: "Joins regions that flow into each other; one region alone is joined with the next.",
    examples: &["join on lane 2 at 1s..3s", "join on here"],
    also: &["merge", "unite"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let found = call.scope.regions(context, call.verb.every)?;
    let song = context.session.song();
    let mut pairs = Vec::new();
    for row in super::rows_of(&found) {
        let indices: Vec<usize> = found.iter().filter(|(r, _)| *r == row).map(|(_, index)| *index).collect();
        match indices.as_slice() {
            [only] => pairs.push((row, *only)),
            many => pairs.extend(many.windows(2).filter(|w| w[1] == w[0] + 1).map(|w| (row, w[0]))),
        }
    }
    for (row, index) in &pairs {
        let regions = &song.lanes[*row].regions;
        let left = &regions[*index];
        let Some(right) = regions.get(index + 1) else {
            return Err(Diagnostic::refusal(format!(
                "region {} is the last on lane {}: there is nothing to join it with",
                left.id,
                row + 1
            )));
        };
        if !left.flows_into(right) {
            return Err(Diagnostic::refusal(format!(
                "regions {} and {} on lane {} do not flow into each other at {}",
                left.id,
                right.id,
                row + 1,
                context.show(right.at)
            ))
            .help("only pieces of one recording that lie as they were recorded can be joined; `crossfade` hides a seam"));
        }
    }
    let mut draft = Draft::new(context);
    // From the last to the first, so that the indices before stay true.
    for (row, index) in pairs.iter().rev() {
        draft.join(*row, *index)?;
    }
    draft.finish(format!("joined {}", super::count(pairs.len(), "seam")))
}
