//! `type`, `find`, `again`: ways to run more lines.

use super::super::app::{App, World};
use super::{Acted, ScreenVerb, text};
use crate::command::{Args, Diagnostic, Kind, Part};

/// `type`.
pub static TYPE: ScreenVerb = ScreenVerb {
    name: "type",
    form: &[Part::Maybe(&[Part::Value("start", Kind::Quoted)])],
    about: "Opens the command line, with a text in it to go on from.",
    also: &["command", "line", "ask"],
    act: |app, world, args| {
        let start = text(args, "start").unwrap_or("").to_owned();
        app.open_prompt(world, &start);
        Ok(Vec::new())
    },
};

/// `find`.
pub static FIND: ScreenVerb = ScreenVerb {
    name: "find",
    form: &[],
    about: "Finds anything that can be done by a few letters of it.",
    also: &["palette", "search", "menu"],
    act: |app, world, _| {
        app.open_palette(world);
        Ok(Vec::new())
    },
};

/// `again`.
pub static AGAIN: ScreenVerb = ScreenVerb {
    name: "again",
    form: &[],
    about: "Runs the last line that edited once more, where the cursor is now.",
    also: &["repeat", "redo-last"],
    act: again,
};

fn again(app: &mut App, _: &World, _: &Args) -> Acted {
    let Some(line) = app.last.clone() else {
        return Err(Diagnostic::refusal("nothing was edited yet that could be done again"));
    };
    let mut steps = super::super::steps::split(&line)?;
    while let Some(step) = steps.pop() {
        app.steps.push_front(step);
    }
    Ok(Vec::new())
}
