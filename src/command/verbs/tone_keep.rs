//! The forms of `tone` that take a whole tone from somewhere, or keep it.

use super::text;
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::outcome::Action;
use crate::command::scope::Scope;
use crate::command::suggest::nearest;
use crate::command::table::Call;
use crate::command::value::Value;
use crate::song::Tone;
use crate::song::tone::TonePreset;

/// Longest name of a preset, in characters.
const LONGEST_NAME: usize = 60;

pub(super) fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    if call.args.has("save") {
        return save(call, context);
    }
    let (tone, whence) = match text(&call.args, "preset-name") {
        Some(name) => (preset(name, context)?, format!("preset {name}")),
        None => copied(call, context)?,
    };
    let rows = call.scope.lanes(context, call.verb.every)?;
    let mut draft = Draft::new(context);
    for row in &rows {
        draft.set_tone(*row, tone.clone())?;
    }
    draft.finish(format!("gave {} the tone of {whence}", super::count(rows.len(), "lane")))
}

fn preset(name: &str, context: &Context) -> Result<Tone, Diagnostic> {
    let presets = &context.presets.tones;
    presets.get(name).map(|preset| preset.set.clone()).ok_or_else(|| {
        let refusal = Diagnostic::refusal(format!("there is no tone preset \"{name}\""));
        let names: Vec<&str> = presets.keys().map(String::as_str).collect();
        match nearest(name, names.iter().copied()) {
            Some(near) => refusal.help(format!("did you mean {near}?")),
            None if names.is_empty() => refusal,
            None => refusal.help(format!("presets: {}", names.join(", "))),
        }
    })
}

fn copied(call: &Call, context: &Context) -> Result<(Tone, String), Diagnostic> {
    let Some(Value::Lanes(lanes)) = call.args.get("source") else {
        return Err(Diagnostic::refusal("name the lane to copy from"));
    };
    match Scope::of_lanes(lanes.clone()).lanes(context, true)?.as_slice() {
        [row] => {
            let lane = &context.session.song().lanes[*row];
            let tone = lane.tone.as_deref().cloned().ok_or_else(|| {
                Diagnostic::refusal(format!("lane {} ({}) has no tone to copy", row + 1, lane.name))
            })?;
            Ok((tone, format!("lane {}", row + 1)))
        }
        _ => Err(Diagnostic::refusal("a tone is copied from one lane")
            .help("as in: tone copy from lane 2 on role double")),
    }
}

fn save(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let row = super::only_lane(call, context, "a tone is saved from one lane")?;
    let name = text(&call.args, "new-name").unwrap_or("default");
    let usable = |c: char| c.is_alphanumeric() || "-_ ".contains(c);
    if name.is_empty() || name.chars().count() > LONGEST_NAME || !name.chars().all(usable) {
        return Err(Diagnostic::refusal(format!("\"{name}\" is no name for a preset"))
            .help(format!("up to {LONGEST_NAME} letters, digits, spaces, - and _")));
    }
    let lane = &context.session.song().lanes[row];
    let tone = lane.tone.as_deref().ok_or_else(|| {
        Diagnostic::refusal(format!("lane {} ({}) has no tone to save", row + 1, lane.name))
    })?;
    // What is left out for now is part of the work on this lane, not of the sound.
    let set = Tone { bypass: false, skip: Vec::new(), ..tone.clone() };
    let about = text(&call.args, "about-is").unwrap_or_default().to_owned();
    Ok(Action::SaveTone { name: name.to_owned(), preset: Box::new(TonePreset { about, set }) })
}
