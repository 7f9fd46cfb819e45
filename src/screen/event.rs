//! What happens to the screen, and what it asks for.

use std::sync::Arc;

use super::key::Key;
use super::lines::Starts;
use super::log::Weight;
use super::transport::{Playing, TransportRequest};
use crate::command::timing::Timing;
use crate::command::{Diagnostic, Done};
use crate::listen::ToneLook;
use crate::media::Peaks;
use crate::song::{AssetId, EditId, Lane};

/// What happens.
#[derive(Debug, Clone)]
pub enum Event {
    /// A key was pressed.
    Key(Key),
    /// Text was pasted.
    Paste(String),
    /// The mouse did something.
    Mouse(Mouse),
    /// The terminal has another size: columns, rows.
    Resize(u16, u16),
    /// A command of an [`Effect::Edit`] was carried out.
    Done(Done),
    /// A command of an [`Effect::Edit`] was refused.
    Refused(Diagnostic),
    /// The peaks of a recording are ready.
    Peaks(AssetId, Arc<Peaks>),
    /// Starts of words in a recording were found.
    Starts(AssetId, Starts),
    /// The words of a state were measured, or cannot be; answers an [`Effect::Words`].
    Words(EditId, Result<Arc<Timing>, Diagnostic>),
    /// Samples that an [`Effect::Samples`] asked for: from which frame on.
    Samples(AssetId, u64, Arc<[f32]>),
    /// What an [`Effect::ToneLook`] asked for.
    Toned(Arc<Lane>, Arc<ToneLook>),
    /// Background work: how much is done of all; nothing is left to do if both are equal.
    Progress(u64, u64),
    /// What the player says.
    Playing(Playing),
    /// What makes the sound, in a few words.
    Sound(String),
    /// Something to tell.
    Note(Weight, String),
}

/// A move of the mouse.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mouse {
    /// What it did.
    pub kind: MouseKind,
    /// Column.
    pub x: u16,
    /// Row.
    pub y: u16,
}

/// What the mouse did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MouseKind {
    /// The first button went down.
    Press,
    /// It moved with the button down.
    Drag,
    /// The button went up.
    Release,
    /// The wheel turned away.
    WheelUp,
    /// The wheel turned near.
    WheelDown,
}

/// What is asked of the loop.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// Carry out this command of the editing language, and answer with [`Event::Done`] or
    /// [`Event::Refused`] before anything else.
    Edit(String),
    /// Do this with the sound.
    Transport(TransportRequest),
    /// Send the sound to this output; empty: tell what outputs there are.
    Output(String),
    /// Read samples of a recording (frames from, up to) and answer with [`Event::Samples`].
    Samples(AssetId, u64, u64),
    /// Look at a lane's tone and answer with [`Event::Toned`].
    ToneLook(Arc<Lane>),
    /// Measure the words of the state that is shown, in the background, and answer with [`Event::Words`]. A newer one of
    /// these makes older ones needless.
    Words(EditId),
    /// Stop background work.
    Cancel,
    /// Send the whole screen again.
    Redraw,
    /// Go to the background.
    Suspend,
    /// Save and end.
    Quit,
}
