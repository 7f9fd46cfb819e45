//! `note`: pins remarks to lanes.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::edit::LaneValue;
use crate::song::Note;
use crate::song::rules::LONGEST_TEXT;

/// The verb.
pub static VERB: Verb = Verb {
    name: "note",
    form: &[Part::One(&[
        &[Part::Word("clear")],
        &[
            Part::Value("text", Kind::Quoted),
            Part::Maybe(&[Part::Word("at"), Part::Value("at-time", Kind::Time)]),
        ],
    ])],
    scope: ScopeUse::Lanes,
    every: true,
    about: "Pins a remark to lanes, at a position if one is named; `clear` takes all of them off.",
    examples: &["note \"check the t\" at 3.1s on lane 2", "note clear on lane 2"],
    also: &["comment", "remark", "memo"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let at = super::time(&call.args, "at-time").map(|time| context.position(time)).transpose()?;
    let added = super::text(&call.args, "text").map(|text| Note { at, text: text.to_owned() });
    if added.as_ref().is_some_and(|note| note.text.is_empty() || note.text.chars().count() > LONGEST_TEXT) {
        return Err(Diagnostic::refusal("a note has 1 to 1000 characters"));
    }
    super::set_lanes(call, context, "noted on", |lane| {
        let mut notes = lane.notes.clone();
        match &added {
            Some(note) => notes.push(note.clone()),
            None => notes.clear(),
        }
        (LaneValue::Notes(lane.notes.clone()), LaneValue::Notes(notes))
    })
}
