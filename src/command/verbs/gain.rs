//! `gain`: makes lanes or regions louder or softer.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::edit::LaneValue;
use crate::song::Db;
use crate::song::rules::GAIN_RANGE;

/// The verb.
pub static VERB: Verb = Verb {
    name: "gain",
    form: &[Part::One(&[
        &[Part::Word("to"), Part::Value("to-gain", Kind::Gain)],
        &[Part::Value("by", Kind::GainChange)],
    ])],
    scope: ScopeUse::Regions,
    every: true,
    about: "Changes (-3dB) or sets (to -3dB) gain: of whole lanes where the scope names lanes, else of its regions.",
    examples: &["gain -3dB on lane 2", "gain to 0dB on role double", "gain +1.5dB on lane 2 at 1.6s"],
    also: &["volume", "level", "louder", "softer"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let changed = |old: Db| match (super::number(&call.args, "to-gain"), super::number(&call.args, "by")) {
        (Some(to), _) => Db(to),
        (None, by) => Db(old.0 + by.unwrap_or(0.0)),
    };
    let in_range = |to: Db| match GAIN_RANGE.contains(&to.0) {
        true => Ok(to),
        false => Err(Diagnostic::refusal(format!("{} dB is out of range", to.0)).help(format!(
            "gains reach from {} dB to {} dB",
            GAIN_RANGE.start(),
            GAIN_RANGE.end()
        ))),
    };
    let mut draft = Draft::new(context);
    if call.scope.is_of_lanes() {
        let rows = call.scope.lanes(context, call.verb.every)?;
        for row in &rows {
            let old = draft.lane(*row).gain_db;
            draft.set_lane(*row, LaneValue::GainDb(old), LaneValue::GainDb(in_range(changed(old))?))?;
        }
        return draft.finish(format!("set the gain of {}", super::count(rows.len(), "lane")));
    }
    let found = call.scope.regions(context, call.verb.every)?;
    for (row, index) in &found {
        let to = in_range(changed(draft.region(*row, *index).gain_db))?;
        draft.set_gain(*row, *index, to);
    }
    draft.finish(format!("set the gain of {}", super::regions_on_lanes(&found)))
}
