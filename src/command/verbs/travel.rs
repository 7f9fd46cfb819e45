//! `undo`, `redo`, `mark`, `goto`: travelling through the edit graph.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;

/// `undo`.
pub static UNDO: Verb = Verb {
    name: "undo",
    form: &[Part::Maybe(&[Part::Value("steps", Kind::Count)])],
    scope: ScopeUse::None,
    every: false,
    about: "Takes back the last edit, or the last few; they stay in the graph.",
    examples: &["undo", "undo 3"],
    also: &["back", "revert"],
    resolve: undo,
};

/// `redo`.
pub static REDO: Verb = Verb {
    name: "redo",
    form: &[Part::Maybe(&[Part::Value("steps", Kind::Count)])],
    scope: ScopeUse::None,
    every: false,
    about: "Makes again what was taken back; where the graph branches, the branch last left or else the newest.",
    examples: &["redo", "redo 2"],
    also: &["forward", "again"],
    resolve: redo,
};

/// `mark`.
pub static MARK: Verb = Verb {
    name: "mark",
    form: &[Part::Value("mark-name", Kind::Text)],
    scope: ScopeUse::None,
    every: false,
    about: "Names the state shown, so that `goto` and `bring` find it.",
    examples: &["mark \"before tighten\""],
    also: &["bookmark", "tag"],
    resolve: mark,
};

/// `goto`.
pub static GOTO: Verb = Verb {
    name: "goto",
    form: &[Part::Value("to-edit", Kind::Edit)],
    scope: ScopeUse::None,
    every: false,
    about: "Goes to a mark, to an edit by its number, or to the start; nothing is lost on the way.",
    examples: &["goto \"before tighten\"", "goto edit 12", "goto start"],
    also: &["jump", "go"],
    resolve: goto,
};

fn steps(call: &Call) -> u64 {
    match call.args.get("steps") {
        Some(Value::Count(steps)) => *steps,
        _ => 1,
    }
}

fn undo(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let (history, steps) = (&context.session.history, steps(call));
    let possible = history.steps_back(steps);
    if possible < steps {
        return Err(refusal("undo", possible, "this is the state in which the session began"));
    }
    Ok(Action::Undo(steps))
}

fn redo(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let (history, steps) = (&context.session.history, steps(call));
    let possible = history.steps_forward(steps);
    if possible < steps {
        return Err(refusal("redo", possible, "no edit follows this one"));
    }
    Ok(Action::Redo(steps))
}

fn refusal(verb: &str, possible: u64, why: &str) -> Diagnostic {
    match possible {
        0 => Diagnostic::refusal(format!("there is nothing to {verb}: {why}")),
        possible => Diagnostic::refusal(format!("there are only {possible} steps to {verb}")),
    }
}

fn mark(call: &Call, _: &Context) -> Result<Action, Diagnostic> {
    match super::text(&call.args, "mark-name") {
        Some(name) if !name.trim().is_empty() && name.chars().count() <= 200 => {
            Ok(Action::Mark(name.trim().to_owned()))
        }
        _ => Err(Diagnostic::refusal("a mark's name has 1 to 200 characters")),
    }
}

fn goto(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    match call.args.get("to-edit") {
        Some(Value::Edit(edit)) => Ok(Action::GoTo(context.edit(edit)?)),
        _ => Err(Diagnostic::refusal("an edit is missing")),
    }
}
