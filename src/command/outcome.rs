//! What a command comes to.

use crate::edit::Op;
use crate::song::EditId;

/// What a command comes to, before it is carried out.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// A new edit.
    Edit {
        /// Its operations.
        ops: Vec<Op>,
        /// The edit that a lane was brought from.
        brought_from: Option<EditId>,
        /// What it does, in a few words.
        summary: String,
    },
    /// The head moves back by so many edits.
    Undo(u64),
    /// The head moves forward by so many edits.
    Redo(u64),
    /// The edit shown gets a name.
    Mark(String),
    /// The head moves to an edit.
    GoTo(EditId),
}

/// What a command did.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Done {
    /// The command as written.
    pub command: String,
    /// The head after it.
    pub edit: EditId,
    /// What it did, in a few words.
    pub summary: String,
    /// Operations of a new edit; 0 where only the head or a mark moved.
    pub operations: usize,
}
