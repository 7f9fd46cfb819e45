//! `bring`: takes lanes as they stand at another edit.

use std::collections::HashMap;
use std::sync::Arc;

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::scope::Scope;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;
use crate::edit::{LaneValue, Op};
use crate::song::{FadeSide, Lane, Region, RegionId};

/// The verb.
pub static VERB: Verb = Verb {
    name: "bring",
    form: &[
        Part::Word("lane"),
        Part::Value("lanes", Kind::Lanes),
        Part::Word("from"),
        Part::Value("from-edit", Kind::Edit),
    ],
    scope: ScopeUse::None,
    every: true,
    about: "Takes lanes as they stand at another edit; the new edit has two parents.",
    examples: &["bring lane 3 from \"second try\"", "bring lane 2,4 from edit 12"],
    also: &["fetch", "import", "take"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let Some(Value::Edit(edit)) = call.args.get("from-edit") else {
        return Err(Diagnostic::refusal("an edit is missing"));
    };
    let from = context.edit(edit)?;
    let there =
        context.session.history.song_at(from).map_err(|error| Diagnostic::refusal(error.to_string()))?;
    let rows = Scope::from_args(&call.args).lanes(context, true)?;
    let mut draft = Draft::new(context);
    for row in &rows {
        let here = Arc::clone(&context.session.song().lanes[*row]);
        let Some(brought) = there.lane(here.id) else {
            return Err(Diagnostic::refusal(format!("lane {} is not there at edit {from}", row + 1)));
        };
        for op in difference(&here, brought) {
            draft.push(op)?;
        }
        draft.settle(*row);
    }
    let summary = format!("brought {} from edit {from}", super::count(rows.len(), "lane"));
    match draft.finish(summary)? {
        Action::Edit { ops, summary, remarks, .. } => {
            Ok(Action::Edit { ops, brought_from: Some(from), summary, remarks })
        }
        other => Ok(other),
    }
}

/// The operations that turn one state of a lane into another. Whether it is soloed is left alone: that
/// is about listening, not about the lane.
fn difference(here: &Lane, there: &Lane) -> Vec<Op> {
    let lane = here.id;
    let values = [
        (LaneValue::Name(here.name.clone()), LaneValue::Name(there.name.clone())),
        (LaneValue::Role(here.role), LaneValue::Role(there.role)),
        (LaneValue::GainDb(here.gain_db), LaneValue::GainDb(there.gain_db)),
        (LaneValue::Pan(here.pan), LaneValue::Pan(there.pan)),
        (LaneValue::Polarity(here.polarity), LaneValue::Polarity(there.polarity)),
        (LaneValue::Mute(here.mute), LaneValue::Mute(there.mute)),
        (LaneValue::Notes(here.notes.clone()), LaneValue::Notes(there.notes.clone())),
        (LaneValue::Holds(here.holds.clone()), LaneValue::Holds(there.holds.clone())),
    ];
    let mut ops: Vec<Op> = values
        .into_iter()
        .filter(|(from, to)| from != to)
        .map(|(from, to)| Op::SetLane { lane, from, to })
        .collect();
    if here.tone != there.tone {
        ops.push(Op::SetTone { lane, from: here.tone.clone(), to: there.tone.clone() });
    }
    let kept: HashMap<RegionId, &Arc<Region>> =
        there.regions.iter().map(|region| (region.id, region)).collect();
    let mut known = std::collections::HashSet::new();
    for region in &here.regions {
        match kept.get(&region.id) {
            Some(target) => {
                known.insert(region.id);
                ops.extend(region_difference(lane, region, target));
            }
            None => ops.push(Op::Remove { lane, region: Arc::clone(region) }),
        }
    }
    let new = there.regions.iter().filter(|region| !known.contains(&region.id));
    ops.extend(new.map(|region| Op::Insert { lane, region: Arc::clone(region) }));
    ops
}

fn region_difference(lane: crate::song::LaneId, here: &Region, there: &Region) -> Vec<Op> {
    let mut ops = Vec::new();
    let region = here.id;
    if here.edges() != there.edges() {
        ops.push(Op::SetEdges { lane, region, from: here.edges(), to: there.edges() });
    }
    if here.gain_db != there.gain_db {
        ops.push(Op::SetGain { lane, region, from: here.gain_db, to: there.gain_db });
    }
    if here.highpass_hz != there.highpass_hz {
        ops.push(Op::SetHighpass { lane, region, from: here.highpass_hz, to: there.highpass_hz });
    }
    for side in [FadeSide::In, FadeSide::Out] {
        if here.fade(side) != there.fade(side) {
            ops.push(Op::SetFade { lane, region, side, from: here.fade(side), to: there.fade(side) });
        }
    }
    ops
}
