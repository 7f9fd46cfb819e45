//! `shift`: slides regions.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;
use crate::song::Shift;

/// The verb.
pub static VERB: Verb = Verb {
    name: "shift",
    form: &[Part::One(&[
        &[Part::Word("to"), Part::One(&[&[Part::Word("guide")], &[Part::Value("to-time", Kind::Time)]])],
        &[Part::Value("by", Kind::Shift)],
    ])],
    scope: ScopeUse::Regions,
    every: false,
    about: "Slides regions earlier (-) or later (+), or so that the first of each lane starts at a position.",
    examples: &[
        "shift +12ms on lane 2 at 1.6s..end",
        "shift -240smp on here",
        "shift to 1.5s on lane 2 at 1.6s",
    ],
    also: &["move", "slide", "nudge", "push"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    if call.args.has("guide") {
        return Err(context.no_words("`shift to guide`"));
    }
    let found = call.scope.regions(context, call.verb.every)?;
    let mut draft = Draft::new(context);
    for row in super::rows_of(&found) {
        let indices: Vec<usize> = found.iter().filter(|(r, _)| *r == row).map(|(_, index)| *index).collect();
        let by = match (super::time(&call.args, "to-time"), call.args.get("by")) {
            (Some(time), _) => context.position(time)? - draft.region(row, indices[0]).at,
            (None, Some(Value::Distance(by))) => context.shift(*by)?,
            _ => return Err(Diagnostic::refusal("a distance is missing")),
        };
        if by == Shift(0) {
            continue;
        }
        for index in indices {
            draft.slide(row, index, by);
        }
        draft.settle(row);
    }
    draft.finish(format!("slid {}", super::regions_on_lanes(&found)))
}
