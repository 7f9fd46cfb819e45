//! `theme`: other colours.

use super::super::app::{App, World};
use super::super::log::Weight;
use super::{Acted, ScreenVerb, text};
use crate::command::{Args, Diagnostic, Kind, Part, nearest};

/// The verb.
pub static VERB: ScreenVerb = ScreenVerb {
    name: "theme",
    form: &[Part::Value("theme-name", Kind::Text)],
    about: "Colours the screen after a theme.",
    also: &["colours", "colors", "skin"],
    act,
};

fn act(app: &mut App, _: &World, args: &Args) -> Acted {
    let name = text(args, "theme-name").unwrap_or("");
    let Some(theme) = app.themes.iter().find(|theme| theme.name == name) else {
        let names: Vec<&str> = app.themes.iter().map(|theme| theme.name.as_str()).collect();
        let refusal = Diagnostic::refusal(format!("there is no theme \"{name}\""));
        return Err(match nearest(name, names.iter().copied()) {
            Some(near) => refusal.help(format!("did you mean {near}?")),
            None => refusal.help(format!("themes: {}", names.join(", "))),
        });
    };
    let text = format!("theme {}: {}", theme.name, theme.about);
    app.view.theme = name.to_owned();
    app.say(Weight::Note, &text);
    Ok(Vec::new())
}
