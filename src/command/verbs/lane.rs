//! `lane`: renames a lane or moves it to another row.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;
use crate::edit::{LaneValue, Op};
use crate::song::rules::LONGEST_TEXT;

/// The verb.
pub static VERB: Verb = Verb {
    name: "lane",
    form: &[Part::One(&[
        &[Part::Word("name"), Part::Value("new-name", Kind::Text)],
        &[Part::Word("to"), Part::Value("row", Kind::Count)],
    ])],
    scope: ScopeUse::Lanes,
    every: true,
    about: "Renames a lane, or moves it to another row.",
    examples: &["lane name \"high third\" on lane 4", "lane to 2 on lane 5"],
    also: &["rename", "reorder"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let row = super::only_lane(call, context, "one lane at a time gets a name or a row")?;
    let mut draft = Draft::new(context);
    if let Some(name) = super::text(&call.args, "new-name") {
        let name = name.trim();
        if name.is_empty() || name.chars().count() > LONGEST_TEXT || name.chars().any(char::is_control) {
            return Err(Diagnostic::refusal(
                "a name has 1 to 1000 characters, none of them control characters",
            ));
        }
        let old = LaneValue::Name(draft.lane(row).name.clone());
        draft.set_lane(row, old, LaneValue::Name(name.to_owned()))?;
        return draft.finish(format!("named lane {} {name}", row + 1));
    }
    let lanes = context.session.song().lanes.len();
    match call.args.get("row") {
        Some(Value::Count(number)) if *number <= lanes as u64 => {
            let to = usize::try_from(*number).unwrap_or(1) - 1;
            if to != row {
                draft.push(Op::MoveLane { lane: draft.lane(row).id, from: row, to })?;
            }
            draft.finish(format!("moved lane {} to row {number}", row + 1))
        }
        _ => Err(Diagnostic::refusal("there is no such row").help(format!("rows are 1 to {lanes}"))),
    }
}
