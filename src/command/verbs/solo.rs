//! `solo`: lets only some lanes be heard while working.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::scope::Scope;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::edit::LaneValue;

/// The verb.
pub static VERB: Verb = Verb {
    name: "solo",
    form: &[Part::One(&[
        &[Part::Word("off")],
        &[Part::Word("here")],
        &[Part::Word("lane"), Part::Value("lanes", Kind::Lanes)],
        &[Part::Word("role"), Part::Value("roles", Kind::Roles)],
    ])],
    scope: ScopeUse::None,
    every: true,
    about: "Lets exactly these lanes be heard while working; a bounce does not care.",
    examples: &["solo lane 1,3", "solo role guide,double", "solo off"],
    also: &["only", "listen"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let rows = match call.args.has("off") {
        true => Vec::new(),
        false => Scope::from_args(&call.args).lanes(context, call.verb.every)?,
    };
    let mut draft = Draft::new(context);
    for row in 0..draft.song().lanes.len() {
        let (from, to) = (draft.lane(row).solo, rows.contains(&row));
        draft.set_lane(row, LaneValue::Solo(from), LaneValue::Solo(to))?;
    }
    draft.finish(match rows.len() {
        0 => "ended the solo".to_owned(),
        count => format!("soloed {}", super::count(count, "lane")),
    })
}
