//! `remove`: takes sound off a lane. The recording keeps it.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;

/// The verb.
pub static VERB: Verb = Verb {
    name: "remove",
    form: &[Part::Maybe(&[Part::Value("span", Kind::Span)])],
    scope: ScopeUse::Regions,
    every: false,
    about: "Takes regions, or the sound of a span, off their lanes; `restore` brings sound back.",
    examples: &["remove on lane 2 at 1.6s", "remove 2.1s..3.4s on lane 3", "remove on here"],
    also: &["delete", "clear", "erase", "drop"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let mut draft = Draft::new(context);
    if let Some(Value::Span(from, to)) = call.args.get("span") {
        let span = context.span(*from, *to)?;
        let rows = call.scope.lanes(context, call.verb.every)?;
        for row in &rows {
            draft.clear(*row, span)?;
        }
        return draft
            .finish(format!(
                "emptied {}..{} on {}",
                context.show(span.start),
                context.show(span.end),
                super::count(rows.len(), "lane")
            ))
            .map_err(|error| error.help("there is no sound in that span to remove"));
    }
    let found = call.scope.regions(context, call.verb.every)?;
    for (row, index) in found.iter().rev() {
        draft.remove(*row, *index);
    }
    draft.finish(format!("removed {}", super::regions_on_lanes(&found)))
}
