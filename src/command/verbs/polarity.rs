//! `polarity`: turns the sign of a lane's samples.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::grammar::Part;
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::edit::LaneValue;
use crate::song::Polarity;

/// The verb.
pub static VERB: Verb = Verb {
    name: "polarity",
    form: &[Part::One(&[&[Part::Word("invert")], &[Part::Word("normal")]])],
    scope: ScopeUse::Lanes,
    every: false,
    about: "Inverts the polarity of lanes, or sets it back to what was recorded.",
    examples: &["polarity invert on lane 3", "polarity normal on all"],
    also: &["phase", "invert", "flip"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let to = if call.args.has("invert") { Polarity::Inverted } else { Polarity::Normal };
    super::set_lanes(call, context, "set the polarity of", |lane| {
        (LaneValue::Polarity(lane.polarity), LaneValue::Polarity(to))
    })
}
