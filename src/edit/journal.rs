//! The journal: one JSON line per acknowledged change, synced before it is acknowledged.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::error::StoreError;
use super::history::Edit;
use crate::song::EditId;

/// One line of a journal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Record {
    /// A new edit; the head moves to it.
    Edit(Edit),
    /// The head moved: undo, redo, or a jump.
    Head(EditId),
    /// An edit got a name.
    Mark {
        /// The name.
        name: String,
        /// The edit.
        edit: EditId,
    },
}

impl Record {
    /// The line for it, with its line end.
    pub(super) fn line(&self) -> std::io::Result<Vec<u8>> {
        let mut line = serde_json::to_vec(self)?;
        line.push(b'\n');
        Ok(line)
    }
}

/// What a journal holds.
#[derive(Debug, Default)]
pub(super) struct Contents {
    /// The whole lines.
    pub records: Vec<Record>,
    /// Bytes of the whole lines.
    pub whole_bytes: u64,
    /// Bytes after the last line end: a line whose writing was cut off, never acknowledged.
    pub torn_bytes: u64,
}

/// Reads the bytes of a journal. An unfinished last line is left out and counted.
///
/// # Errors
/// A whole line that is not a record: the file was damaged, not merely cut off.
pub(super) fn parse(path: &Path, bytes: &[u8]) -> Result<Contents, StoreError> {
    let mut contents = Contents::default();
    for (index, line) in bytes.split_inclusive(|byte| *byte == b'\n').enumerate() {
        let Some(text) = line.strip_suffix(b"\n") else {
            contents.torn_bytes = line.len() as u64;
            break;
        };
        let record = serde_json::from_slice(text).map_err(|error| StoreError::Journal {
            path: path.to_owned(),
            why: format!("line {}: {error}", index + 1),
        })?;
        contents.records.push(record);
        contents.whole_bytes += line.len() as u64;
    }
    Ok(contents)
}
