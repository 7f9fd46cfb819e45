//! What a command comes to.

use serde::Serialize;

use crate::edit::Op;
use crate::song::tone::TonePreset;
use crate::song::{EditId, FadePreset, Position};

/// Something that a command has to say about a place: why it does something there, or what it measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Remark {
    /// Number of the lane.
    pub lane: usize,
    /// Where it begins, in samples.
    pub from: Position,
    /// Where it ends, in samples.
    pub to: Position,
    /// What, in a few words.
    pub text: String,
}

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
        /// What there is to say about the places that it changes, in their order.
        remarks: Vec<Remark>,
    },
    /// Nothing changes: the command only says something.
    Tell {
        /// The gist, in a few words.
        summary: String,
        /// The particulars.
        remarks: Vec<Remark>,
    },
    /// A fade preset is to be kept in the user's folder. Whoever carries the action out writes it: this room knows
    /// no folders.
    SavePreset {
        /// Its name.
        name: String,
        /// The preset.
        preset: FadePreset,
    },
    /// A tone preset is to be kept in the user's folder, by whoever carries the action out.
    SaveTone {
        /// Its name.
        name: String,
        /// The preset.
        preset: Box<TonePreset>,
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
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Done {
    /// The command as written.
    pub command: String,
    /// The head after it.
    pub edit: EditId,
    /// What it did, in a few words.
    pub summary: String,
    /// Operations of a new edit; 0 where only the head or a mark moved.
    pub operations: usize,
    /// What there is to say about places.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub remarks: Vec<Remark>,
}
