//! `cut`: puts an edge where there was none.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;

/// The verb.
pub static VERB: Verb = Verb {
    name: "cut",
    form: &[Part::Word("at"), Part::Value("times", Kind::Times)],
    scope: ScopeUse::Regions,
    every: false,
    about: "Cuts regions in two at one or more positions; nothing is heard of it until a piece moves.",
    examples: &["cut at 1.5s on lane 2", "cut at cursor on here", "cut at 3s,4.25s on role double"],
    also: &["split", "divide"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let Some(Value::Times(times)) = call.args.get("times") else {
        return Err(Diagnostic::refusal("a position is missing"));
    };
    let mut draft = Draft::new(context);
    let rows = call.scope.lanes(context, call.verb.every)?;
    let in_scope = call.scope.regions(context, call.verb.every)?;
    let mut cuts = 0;
    for time in times {
        let at = context.position(*time)?;
        let before = cuts;
        for row in &rows {
            let song = context.session.song();
            let covered =
                song.lanes[*row].index_at(at).is_some_and(|index| in_scope.contains(&(*row, index)));
            // Earlier positions of this command have cut already: look in the draft.
            if let (true, Some(index)) = (covered, draft.lane(*row).index_at(at)) {
                draft.split(*row, index, at)?;
                cuts += 1;
            }
        }
        if cuts == before {
            return Err(Diagnostic::refusal(format!(
                "no region of the scope lies under {}",
                context.show(at)
            ))
            .help("`tautline show` lists the regions"));
        }
    }
    draft.finish(format!("cut {}", super::count(cuts, "region")))
}
