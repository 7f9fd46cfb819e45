//! `role`: says what takes are for.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;
use crate::edit::LaneValue;
use crate::song::Role;

/// The verb.
pub static VERB: Verb = Verb {
    name: "role",
    form: &[Part::Value("to", Kind::Role)],
    scope: ScopeUse::Lanes,
    every: true,
    about: "Says what takes are for; a new guide makes the old one a double.",
    examples: &["role harmony on lane 4", "role guide on lane 2"],
    also: &["kind", "type"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let Some(Value::Roles(roles)) = call.args.get("to") else {
        return Err(Diagnostic::refusal("a role is missing"));
    };
    let to = roles.first().copied().unwrap_or_default();
    if to != Role::Guide {
        let summary = format!("gave the role {} to", to.word());
        return super::set_lanes(call, context, &summary, |lane| {
            (LaneValue::Role(lane.role), LaneValue::Role(to))
        });
    }
    let row = super::only_lane(call, context, "one lane is the guide")?;
    let mut draft = Draft::new(context);
    let mut summary = format!("made lane {} the guide", row + 1);
    let old = draft.song().lanes.iter().position(|lane| lane.role == Role::Guide);
    if let Some(old) = old.filter(|old| *old != row) {
        draft.set_lane(old, LaneValue::Role(Role::Guide), LaneValue::Role(Role::Double))?;
        summary.push_str(&format!("; lane {} is a double now", old + 1));
    }
    let from = draft.lane(row).role;
    draft.set_lane(row, LaneValue::Role(from), LaneValue::Role(Role::Guide))?;
    draft.finish(summary)
}
