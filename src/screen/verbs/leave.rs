//! `cancel`, `redraw`, `suspend`, `quit`.

use super::super::app::App;
use super::super::event::Effect;
use super::super::log::Weight;
use super::super::view::Pane;
use super::ScreenVerb;

/// `cancel`.
pub static CANCEL: ScreenVerb = ScreenVerb {
    name: "cancel",
    form: &[],
    about: "Takes back what is half done: a chord, the selection, a view; then background work.",
    also: &["escape", "abort"],
    act: |app, _, _| Ok(cancel(app)),
};

/// `redraw`.
pub static REDRAW: ScreenVerb = ScreenVerb {
    name: "redraw",
    form: &[],
    about: "Sends the whole screen again.",
    also: &["refresh"],
    act: |_, _, _| Ok(vec![Effect::Redraw]),
};

/// `suspend`.
pub static SUSPEND: ScreenVerb = ScreenVerb {
    name: "suspend",
    form: &[],
    about: "Goes to the background; `fg` in the shell comes back.",
    also: &["background"],
    act: |_, _, _| Ok(vec![Effect::Suspend]),
};

/// `quit`.
pub static QUIT: ScreenVerb = ScreenVerb {
    name: "quit",
    form: &[],
    about: "Ends. Every edit is on disk already; the view is kept for the next time.",
    also: &["exit", "close"],
    act: |app, _, _| {
        app.quitting = true;
        Ok(vec![Effect::Quit])
    },
};

/// One thing at a time, the nearest first.
fn cancel(app: &mut App) -> Vec<Effect> {
    if app.view.pane != Pane::Lanes {
        app.offers.trial = None;
        app.view.pane = app.view.before;
        app.view.before = Pane::Lanes;
    } else if !app.selected.is_empty() {
        app.selected.clear();
        app.say(Weight::Note, "nothing is selected");
    } else if app.progress.is_some() {
        app.say(Weight::Note, "background work is stopped; open the session again to go on with it");
        return vec![Effect::Cancel];
    }
    Vec::new()
}
