//! `mute`: leaves lanes out of the stack.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::grammar::Part;
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::edit::LaneValue;

/// The verb.
pub static VERB: Verb = Verb {
    name: "mute",
    form: &[Part::Maybe(&[Part::Word("off")])],
    scope: ScopeUse::Lanes,
    every: false,
    about: "Leaves lanes out of the stack, or takes them back in.",
    examples: &["mute on lane 5", "mute off on all"],
    also: &["silence", "unmute"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let mute = !call.args.has("off");
    let summary = if mute { "muted" } else { "unmuted" };
    super::set_lanes(call, context, summary, |lane| (LaneValue::Mute(lane.mute), LaneValue::Mute(mute)))
}
