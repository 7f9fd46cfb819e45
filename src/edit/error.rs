//! Why a session cannot be opened, edited or saved.

use std::io;
use std::path::{Path, PathBuf};

use thiserror::Error;

use super::disk::Denial;
use super::history::HistoryError;

/// What kind of trouble a [`StoreError`] is, for exit codes and for what to offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorKind {
    /// The request cannot be met in this state; nothing was changed.
    Refused,
    /// The file cannot be read, or is damaged, or is not what it should be.
    Input,
    /// A file could not be written.
    Output,
}

/// Why a session cannot be opened, edited or saved. The text says what failed, where, and what to do.
#[derive(Debug, Error)]
pub enum StoreError {
    /// The file cannot be read.
    #[error("cannot read {path}: {source}", path = .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file is larger than any session.
    #[error("{path} is {bytes} bytes long, more than a session may have ({limit}); is it the right file?", path = .path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Its size.
        bytes: u64,
        /// The limit.
        limit: u64,
    },
    /// Not a session, or damaged.
    #[error("{path} is not a readable session: {why}. Nothing was changed; {hint}", path = .path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong, with line and column where known.
        why: String,
        /// What to do.
        hint: &'static str,
    },
    /// Written by a newer program.
    #[error("{path} has version {found} of the session format; this program reads up to {known}. Use a newer tautline; nothing was changed", path = .path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// The version in the file.
        found: u64,
        /// The newest version that this program reads.
        known: u64,
    },
    /// The journal beside the session cannot be folded in.
    #[error("the journal {path} does not fit its session: {why}. Nothing was changed; move the journal aside to open the session without the edits in it, and keep it", path = .path.display())]
    Journal {
        /// The journal.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// Somebody else saved the session each time it was being read.
    #[error("{path} was saved by another tautline each time it was being read; nothing was changed. Try again", path = .path.display())]
    Restless {
        /// The session file.
        path: PathBuf,
    },
    /// A file is there already.
    #[error("{path} exists already; nothing was written. Choose another name, or move it away first", path = .path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// Opened for reading only.
    #[error("the session is open for reading only ({why}); the edit was not made{}", .unwritable.then_some(". Make the file and its folder writable, or copy the session to a folder that is").unwrap_or_default())]
    ReadOnly {
        /// Why.
        why: String,
        /// The disk or its rights are in the way, not another program.
        unwritable: bool,
    },
    /// An edit could not be put on disk; it was taken back.
    #[error("cannot write the edit to {path}: {source}. The edit was taken back{}; free some space or check the disk, then try again", .left.then_some(", but its line could not be taken out of the journal: should the program end now, `undo` takes it back after the next opening").unwrap_or_default(), path = .path.display())]
    Append {
        /// The journal.
        path: PathBuf,
        /// Why.
        source: io::Error,
        /// Some of the line stays in the journal until the next edit takes its place.
        left: bool,
    },
    /// The unfinished line at the end of a left-over journal could not be taken away.
    #[error("cannot write {path}, which ends in an unfinished line: {source}. Nothing was changed; check the disk, then open the session again", path = .path.display())]
    Mend {
        /// The journal.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A new session file could not be written.
    #[error("cannot write {path}: {source}. No session was made; free some space or choose another folder", path = .path.display())]
    Create {
        /// The session file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The session could not be saved.
    #[error("cannot save {path}: {source}. The file on disk is the last saved one and is intact, and the edits since then are in its journal; free some space or check the disk, then save again", path = .path.display())]
    Save {
        /// The session file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A state breaks the rules.
    #[error("{path} holds a state that breaks the rules: {what}. Nothing was changed; `tautline check` lists all of it", path = .path.display())]
    Broken {
        /// The session file.
        path: PathBuf,
        /// The first things that are wrong.
        what: String,
    },
    /// The edit graph refuses.
    #[error(transparent)]
    History(#[from] HistoryError),
    /// No mark of that name.
    #[error("there is no mark \"{0}\"")]
    NoMark(String),
}

impl StoreError {
    /// What kind of trouble this is.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        match self {
            StoreError::Read { .. }
            | StoreError::TooLarge { .. }
            | StoreError::Damaged { .. }
            | StoreError::Newer { .. }
            | StoreError::Journal { .. }
            | StoreError::Broken { .. } => ErrorKind::Input,
            StoreError::Exists { .. }
            | StoreError::Create { .. }
            | StoreError::Append { .. }
            | StoreError::Mend { .. }
            | StoreError::ReadOnly { unwritable: true, .. }
            | StoreError::Save { .. } => ErrorKind::Output,
            StoreError::Restless { .. }
            | StoreError::ReadOnly { .. }
            | StoreError::History(_)
            | StoreError::NoMark(_) => ErrorKind::Refused,
        }
    }

    pub(super) fn read(path: &Path, source: io::Error) -> StoreError {
        StoreError::Read { path: path.to_owned(), source }
    }

    pub(super) fn damaged(path: &Path, why: impl Into<String>) -> StoreError {
        StoreError::Damaged {
            path: path.to_owned(),
            why: why.into(),
            hint: "put back a copy of the file, or correct it by hand",
        }
    }
}

impl From<Denial> for StoreError {
    fn from(Denial { why, unwritable }: Denial) -> StoreError {
        StoreError::ReadOnly { why, unwritable }
    }
}
