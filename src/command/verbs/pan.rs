//! `pan`: places lanes between left and right.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::edit::LaneValue;
use crate::song::Pan;

/// The verb.
pub static VERB: Verb = Verb {
    name: "pan",
    form: &[Part::One(&[
        &[Part::Word("left")],
        &[Part::Word("centre")],
        &[Part::Word("right")],
        &[Part::Value("to", Kind::Unit)],
    ])],
    scope: ScopeUse::Lanes,
    every: false,
    about: "Places lanes between left (-1) and right (1); equal power, 3 dB down in the centre.",
    examples: &["pan -0.4 on lane 2", "pan centre on role double"],
    also: &["balance", "position"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let to = match super::number(&call.args, "to") {
        Some(to) => to,
        None if call.args.has("left") => -1.0,
        None if call.args.has("right") => 1.0,
        None => 0.0,
    };
    super::set_lanes(call, context, "placed", |lane| (LaneValue::Pan(lane.pan), LaneValue::Pan(Pan(to))))
}
