//! Edits: operations and their inverses, the edit graph, the journal and the session file.
//!
//! A command resolves to [`Op`]s with exact numbers; an [`Edit`] is one applied command with its
//! operations and its parents; the [`History`] holds all of them and every state they lead to. Undo
//! moves the head to the parent and throws nothing away: a new edit after an undo opens a branch.
//!
//! ```text
//!   0 ── 1 ── 2 ── 3          start, cut, shift, fade      (mark "first try" on 3)
//!              └── 4 ── 5     undo twice, another shift; 5 is `bring lane 2 from "first try"`:
//!        3 ─ ─ ─ ─ ─ ─ ┘      its parents are 4 and 3
//! ```
//!
//! A [`Session`] is a history with its assets and marks; a [`Store`] keeps one on disk: an edit is
//! acknowledged once its line is synced to the journal beside the file, and saving writes the whole
//! file aside, syncs it and renames it over the old one.
//!
//! Limits: the graph only grows; positions of notes are not moved by edits; the lock is per machine
//! (a network file system may not carry it).

mod access;
mod apply;
mod disk;
mod document;
mod error;
mod history;
mod journal;
mod layer;
mod op;
mod session;
mod store;

pub use access::{Access, OpenNote};
pub use apply::{OpError, apply, apply_all};
pub use document::{FORMAT, VERSION, schema};
pub use error::{ErrorKind, StoreError};
pub use history::{Edit, History, HistoryError};
pub use journal::Record;
pub use layer::{Disk, PlainDisk};
pub use op::{LaneValue, Op, inverse_all};
pub use session::Session;
pub use store::{Store, journal_path};
