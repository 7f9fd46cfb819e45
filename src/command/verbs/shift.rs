//! `shift`: slides regions.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::timing::{WordTiming, measure};
use crate::command::value::Value;
use crate::listen::timing::Alike;
use crate::song::Shift;

/// The verb.
pub static VERB: Verb = Verb {
    name: "shift",
    form: &[Part::One(&[
        &[
            Part::Word("to"),
            Part::One(&[
                &[Part::Word("guide")],
                &[Part::Word("onset"), Part::One(&[&[Part::Word("next")], &[Part::Word("previous")]])],
                &[Part::Value("to-time", Kind::Time)],
            ]),
        ],
        &[Part::Value("by", Kind::Shift)],
    ])],
    scope: ScopeUse::Regions,
    every: false,
    about: "Slides regions earlier (-) or later (+), so that the first of each lane starts at a position, each by the median offset of its words, to the guide, or each so that its word at the cursor, or else its first, begins with the next or previous word of the guide.",
    examples: &[
        "shift +12ms on lane 2 at 1.6s..end",
        "shift -240smp on here",
        "shift to 1.5s on lane 2 at 1.6s",
        "shift to guide on lane 2 word 3..5",
        "shift to onset next on lane 2 at 3.1s",
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
            .map(WordTiming::off)
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

/// Slides each region so that one of its words begins with the word of the guide before or behind that.
fn to_onset(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let found = call.scope.regions(context, call.verb.every)?;
    let rows = super::rows_of(&found);
    let timing = measure(context, &rows)?;
    let next = call.args.has("next");
    let mut draft = Draft::new(context);
    for (row, index) in &found {
        let lane = timing.lanes.iter().find(|lane| lane.row == *row);
        let words = lane.iter().flat_map(|lane| &lane.words).filter(|word| word.region == *index);
        let own = context.session.song().lanes[*row].id;
        let cursor = context.cursor.filter(|cursor| cursor.lane == own).map(|cursor| cursor.at.0 as f64);
        // The word that the cursor is in, or the first.
        let before = words.clone().filter(|word| cursor.is_some_and(|at| word.at <= at));
        let word = before.max_by(|a, b| a.at.total_cmp(&b.at)).or(words.min_by(|a, b| a.at.total_cmp(&b.at)));
        let region = draft.region(*row, *index);
        let place = format!("lane {} at {}", row + 1, context.show(region.at));
        let Some(word) = word else {
            return Err(Diagnostic::refusal(format!(
                "{place}: region {} holds no word of the guide",
                region.id
            ))
            .help("`shift +12ms` slides by hand"));
        };
        let starts = timing.words.iter().map(|word| word.at.0 as f64);
        let to = match next {
            true => starts.filter(|at| *at > word.at + 1.0).fold(f64::INFINITY, f64::min),
            false => starts.filter(|at| *at < word.at - 1.0).fold(f64::NEG_INFINITY, f64::max),
        };
        if !to.is_finite() {
            let way = if next { "after" } else { "before" };
            return Err(Diagnostic::refusal(format!("{place}: no word of the guide begins {way} it")));
        }
        draft.slide(*row, *index, Shift((to - word.at).round() as i64));
    }
    rows.iter().for_each(|row| draft.settle(*row));
    draft.finish(format!("slid {} to an onset of the guide", super::regions_on_lanes(&found)))
}

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    if call.args.has("onset") {
        return to_onset(call, context);
    }
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
