//! Opening a session for a subcommand.

use std::path::Path;

use super::{CliError, output};
use crate::command::{Context, Deaf};
use crate::edit::{Access, Session, Store};
use crate::song::{EditId, Song};

/// Opens a session and says on standard error what there is to say about it.
pub fn open(path: &Path, access: Access) -> Result<Store, CliError> {
    let (store, notes) = Store::open(path, access)?;
    for note in notes {
        output::message(&format!("note: {note}"));
    }
    Ok(store)
}

/// Refuses a session whose state breaks the rules: nothing sensible can be made of it.
pub fn refuse_broken(store: &Store) -> Result<(), CliError> {
    let violations = store.session().violations();
    let Some(first) = violations.first() else { return Ok(()) };
    let number = first.lane.and_then(|lane| store.session().song().number(lane));
    let place = number.map_or(String::new(), |number| format!("lane {number}: "));
    Err(CliError::input(format!(
        "{} holds a state that breaks the rules ({place}{first}). Nothing was changed; `tautline check` lists all of it",
        store.path().display()
    )))
}

/// The state at a mark, at an edit's number, or at the start.
pub fn state_at(session: &Session, at: Option<&str>) -> Result<(EditId, Song), CliError> {
    let history = &session.history;
    let Some(at) = at else { return Ok((history.head(), session.song().clone())) };
    let id = match (session.marks.get(at), at.parse::<u64>()) {
        (Some(id), _) => *id,
        (None, Ok(number)) if number == 0 || history.edit(EditId(number)).is_some() => EditId(number),
        (None, _) if at == "start" => EditId(0),
        _ => {
            let presets = crate::command::Presets::new();
            let context = Context { session, cursor: None, presets: &presets, hearing: &Deaf };
            let unknown = context.edit(&crate::command::EditRef::Mark(at.to_owned()));
            return Err(unknown.map_or_else(CliError::from, |_| CliError::usage("no such mark")));
        }
    };
    let song = history.song_at(id).map_err(|error| CliError::input(error.to_string()))?;
    Ok((id, song))
}
