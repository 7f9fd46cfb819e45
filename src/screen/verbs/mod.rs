//! Verbs of the screen: they move the cursor, the view and the sound, and change no edit.
//!
//! Their forms are read by the grammar of the [editing language](crate::command), so that a key, a typed
//! line and the palette treat both tables alike.

mod ask;
mod cursor;
mod focus;
mod knob;
mod leave;
mod look;
mod output;
mod play;
mod propose;
mod select;
mod stride;
mod theme;
mod walk;
mod zoom;

use super::app::{App, World};
use super::event::Effect;
use crate::command::{Args, Diagnostic, LaneRef, Part, Value, shape};

/// What a verb gives: effects, or a refusal.
pub type Acted = Result<Vec<Effect>, Diagnostic>;

/// One verb of the screen.
pub struct ScreenVerb {
    /// Its name.
    pub name: &'static str,
    /// What follows it.
    pub form: &'static [Part],
    /// What it does, in one sentence.
    pub about: &'static str,
    /// Other words for it that people try.
    pub also: &'static [&'static str],
    /// Does it.
    pub act: fn(&mut App, &World, &Args) -> Acted,
}

/// All verbs of the screen, in the order in which help shows them.
pub static VERBS: &[&ScreenVerb] = &[
    &cursor::VERB,
    &focus::VERB,
    &zoom::ZOOM,
    &zoom::SCROLL,
    &look::VIEW,
    &look::HEIGHT,
    &look::COLLAPSE,
    &select::VERB,
    &play::PLAY,
    &play::STOP,
    &play::HEAR,
    &play::FOLLOW,
    &knob::KNOB,
    &knob::SWEEP,
    &output::VERB,
    &stride::VERB,
    &walk::VERB,
    &propose::PROPOSE,
    &propose::PROPOSAL,
    &ask::TYPE,
    &ask::FIND,
    &ask::AGAIN,
    &theme::VERB,
    &leave::CANCEL,
    &leave::REDRAW,
    &leave::SUSPEND,
    &leave::QUIT,
];

/// The verb called `name`.
#[must_use]
pub fn verb(name: &str) -> Option<&'static ScreenVerb> {
    VERBS.iter().copied().find(|verb| verb.name == name)
}

impl ScreenVerb {
    /// How the verb is written, as one line.
    #[must_use]
    pub fn usage(&self) -> String {
        format!("{}{}", self.name, shape(self.form))
    }

    /// Lines of this verb that lack nothing.
    #[must_use]
    pub fn ready(&self) -> Vec<String> {
        let mut lines = Vec::new();
        for tail in readings(self.form) {
            lines.push(format!("{}{tail}", self.name));
        }
        lines
    }
}

/// All ways to write a form with words alone.
fn readings(form: &[Part]) -> Vec<String> {
    let mut all = vec![String::new()];
    for part in form {
        let ways: Vec<String> = match part {
            Part::Word(word) => vec![format!(" {word}")],
            Part::Value(..) => Vec::new(),
            Part::Maybe(parts) => {
                let mut ways = vec![String::new()];
                ways.extend(readings(parts));
                ways
            }
            Part::One(choices) => choices.iter().flat_map(|parts| readings(parts)).collect(),
            Part::Any(..) => vec![String::new()],
        };
        all = all.iter().flat_map(|line| ways.iter().map(move |way| format!("{line}{way}"))).collect();
    }
    all
}

/// The count after a word, or 1.
fn count(args: &Args) -> i64 {
    match args.get("n") {
        Some(Value::Count(count)) => i64::try_from(*count).unwrap_or(1).min(1_000_000),
        _ => 1,
    }
}

fn number(args: &Args, key: &str) -> Option<f64> {
    match args.get(key) {
        Some(Value::Number(number)) => Some(*number),
        _ => None,
    }
}

fn text<'a>(args: &'a Args, key: &str) -> Option<&'a str> {
    match args.get(key) {
        Some(Value::Text(text)) => Some(text),
        _ => None,
    }
}

/// The rows of written lanes.
fn rows(args: &Args, world: &World) -> Result<Vec<usize>, Diagnostic> {
    let Some(Value::Lanes(lanes)) = args.get("lanes") else { return Ok(Vec::new()) };
    let song = world.session.song();
    let mut rows = Vec::new();
    for lane in lanes {
        match lane {
            LaneRef::Numbers(first, last) if *last <= song.lanes.len() as u64 => {
                rows.extend((*first..=*last).filter_map(|number| usize::try_from(number - 1).ok()));
            }
            LaneRef::Numbers(_, last) => {
                return Err(Diagnostic::refusal(format!("there is no lane {last}"))
                    .help(format!("the session has lanes 1 to {}", song.lanes.len())));
            }
            LaneRef::Name(name) => rows.push(
                song.lanes
                    .iter()
                    .position(|lane| lane.name == *name)
                    .ok_or_else(|| Diagnostic::refusal(format!("there is no lane named \"{name}\"")))?,
            ),
        }
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_verb_of_the_screen_hides_one_of_the_editing_language() {
        let mut names = std::collections::HashSet::new();
        for verb in VERBS {
            assert!(crate::command::verb(verb.name).is_none(), "{}", verb.name);
            assert!(names.insert(verb.name), "{}", verb.name);
            assert!(!verb.about.is_empty());
        }
    }

    #[test]
    fn ready_lines_can_be_read() {
        let all: Vec<String> = VERBS.iter().flat_map(|verb| verb.ready()).collect();
        assert!(all.contains(&"zoom all".to_owned()) && all.contains(&"play".to_owned()), "{all:?}");
        for line in all {
            crate::screen::check_line(&line).unwrap_or_else(|error| panic!("{line}: {error}"));
        }
    }
}
