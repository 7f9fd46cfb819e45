//! `shift`: slides regions.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::timing::measure;
use crate::command::value::Value;
use crate::listen::timing::Alike;
use crate::song::Shift;

/// The verb.
pub static VERB: Verb = Verb {
    name: "shift",
    form: &[Part::One(&[
        &[Part::Word("to"), Part::One(&[&[Part::Word("guide")], &[Part::Value("to-time", Kind::Time)]])],
        &[Part::Value("by", Kind::Shift)],
    ])],
    scope: ScopeUse::Regions,
    every: false,
    about: "Slides regions earlier (-) or later (+), so that the first of each lane starts at a position, or each by the median offset of its words, to the guide.",
    examples: &[
        "shift +12ms on lane 2 at 1.6s..end",
        "shift -240smp on here",
        "shift to 1.5s on lane 2 at 1.6s",
        "shift to guide on lane 2 word 3..5",
    ],
    also: &["move", "slide", "nudge", "push"],
    resolve,
};

/// Words less sure than this do not say where a region goes.
const SURE: f64 = 0.5;

/// Slides each region so that its words, or those that the scope names, lie on the guide's.
fn to_guide(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let found = call.scope.regions(context, call.verb.every)?;
    let chosen = call.scope.words(context)?;
    let rows = super::rows_of(&found);
    let timing = measure(context, &rows)?;
    let mut draft = Draft::new(context);
    for (row, index) in &found {
        let lane = timing.lanes.iter().find(|lane| lane.row == *row);
        let named =
            |word: usize| chosen.is_none_or(|(first, last)| (first..=last).contains(&(word as u64 + 1)));
        let mut offsets: Vec<f64> = lane
            .iter()
            .filter(|lane| lane.alike == Alike::Yes)
            .flat_map(|lane| &lane.words)
            .filter(|word| word.region == *index && named(word.word) && word.found.confidence >= SURE)
            .map(|word| word.offset)
            .collect();
        offsets.sort_by(f64::total_cmp);
        let Some(middle) = offsets.get(offsets.len() / 2) else {
            let region = draft.region(*row, *index);
            return Err(Diagnostic::refusal(format!(
                "lane {} at {}: region {} holds no word of the guide that is sure enough",
                row + 1,
                context.show(region.at),
                region.id
            ))
            .help("`tautline timing` lists all words; `shift +12ms` slides by hand"));
        };
        draft.slide(*row, *index, Shift(-middle.round() as i64));
    }
    rows.iter().for_each(|row| draft.settle(*row));
    draft.finish(format!("slid {} to the guide", super::regions_on_lanes(&found)))
}

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    if call.args.has("guide") {
        return to_guide(call, context);
    }
    let found = call.scope.regions(context, call.verb.every)?;
    let mut draft = Draft::new(context);
    for row in super::rows_of(&found) {
        let indices: Vec<usize> = found.iter().filter(|(r, _)| *r == row).map(|(_, index)| *index).collect();
        let by = match (super::time(&call.args, "to-time"), call.args.get("by")) {
            (Some(time), _) => context.position(time)? - draft.region(row, indices[0]).at,
            (None, Some(Value::Distance(by))) => context.shift(*by)?,
            _ => return Err(Diagnostic::refusal("a distance is missing")),
        };
        if by == Shift(0) {
            continue;
        }
        for index in indices {
            draft.slide(row, index, by);
        }
        draft.settle(row);
    }
    draft.finish(format!("slid {}", super::regions_on_lanes(&found)))
}
