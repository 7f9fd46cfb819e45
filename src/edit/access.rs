//! What a session is opened for, and what there is to tell about the opening.

/// What a session is opened for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Looking only: no lock, nothing on disk is touched.
    Read,
    /// Editing; falls back to reading if somebody else is editing.
    Write,
    /// Trying edits: they are accepted, but nothing on disk is touched.
    Rehearse,
}

/// Something to tell the user about an opened session.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum OpenNote {
    /// Changes from a left-over journal were folded in.
    Recovered {
        /// How many.
        changes: usize,
    },
    /// The journal ended in an unfinished line, whose change had not been acknowledged.
    TornLine {
        /// Its length.
        bytes: u64,
    },
    /// Another program is editing, or the folder cannot be written: reading only.
    ReadOnly {
        /// Why.
        why: String,
    },
}

impl std::fmt::Display for OpenNote {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            OpenNote::Recovered { changes } => {
                write!(f, "recovered {changes} change(s) from the journal of an earlier run")
            }
            OpenNote::TornLine { bytes } => write!(
                f,
                "the journal ended in an unfinished line of {bytes} bytes; that change had not been acknowledged"
            ),
            OpenNote::ReadOnly { why } => write!(f, "opened for reading only: {why}"),
        }
    }
}
