//! The session file: what its JSON looks like, read with suspicion and written one line per edit.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::error::StoreError;
use super::history::Edit;
use super::session::Session;
use crate::song::{Asset, EditId, Marker, Song, TempoMap};

/// What the `format` field of every session says.
pub const FORMAT: &str = "tautline-session";
/// The newest version of the format that this program reads, and the one it writes.
pub const VERSION: u64 = 1;

/// The file as it stands on disk, before it is checked.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "Tautline session", rename = "Session")]
pub(super) struct Document {
    /// Always `tautline-session`.
    #[schemars(extend("const" = FORMAT))]
    pub format: String,
    /// Version of the format; this is 1.
    #[schemars(extend("const" = VERSION))]
    pub version: u64,
    /// The song's title.
    pub title: String,
    /// Sample rate of the timeline in Hz.
    pub rate: u32,
    /// Where position 0 lies, in samples since midnight, if the takes carried time references.
    #[serde(default)]
    pub time_origin: Option<u64>,
    /// Where the bars lie, if a tempo was given.
    #[serde(default)]
    pub tempo: Option<TempoMap>,
    /// Names of places on the timeline, in their order.
    #[serde(default)]
    pub markers: Vec<Marker>,
    /// The recordings.
    pub assets: Vec<Asset>,
    /// The state in which the session began; called edit 0 where a parent or a mark names it.
    pub start: Song,
    /// All edits on all branches in the order in which they were made.
    pub edits: Vec<Edit>,
    /// Names of edits.
    pub marks: BTreeMap<String, EditId>,
    /// The edit whose state is shown.
    pub head: EditId,
    /// Where redo goes from an edit, if not to the newest one that follows it.
    #[serde(default)]
    pub redo: BTreeMap<EditId, EditId>,
}

/// Just enough of a file to tell what it is.
#[derive(Deserialize)]
struct Head {
    format: Option<String>,
    version: Option<u64>,
}

/// The JSON Schema of the session file, generated from the types that read it.
#[must_use]
pub fn schema() -> serde_json::Value {
    schemars::schema_for!(Document).to_value()
}

/// Reads the text of a session file.
///
/// # Errors
/// Not JSON, not a session, a newer version, an unknown field, a value out of its type's range.
pub(super) fn parse(path: &Path, bytes: &[u8]) -> Result<Document, StoreError> {
    let parsed = serde_json::from_slice::<Document>(bytes);
    let known =
        parsed.as_ref().is_ok_and(|document| document.format == FORMAT && document.version == VERSION);
    if known {
        return parsed.map_err(|error| StoreError::damaged(path, error.to_string()));
    }
    // Something is wrong: say first whether it is a session at all and whether it is a newer one,
    // since a newer one is bound to have fields that this program does not know.
    let head: Head =
        serde_json::from_slice(bytes).map_err(|error| StoreError::damaged(path, describe(&error, bytes)))?;
    match (head.format.as_deref(), head.version) {
        (Some(FORMAT), Some(found)) if found > VERSION => {
            Err(StoreError::Newer { path: path.to_owned(), found, known: VERSION })
        }
        (Some(FORMAT), Some(VERSION)) => match parsed {
            Err(error) => Err(StoreError::damaged(path, error.to_string())),
            Ok(document) => Ok(document),
        },
        (Some(FORMAT), version) => {
            let version = version.map_or("no version".into(), |version| format!("version {version}"));
            Err(StoreError::damaged(path, format!("it has {version}; versions count from 1")))
        }
        (Some(other), _) => {
            Err(StoreError::damaged(path, format!("its format is \"{other}\", not \"{FORMAT}\"")))
        }
        (None, _) => Err(StoreError::damaged(path, format!("it has no \"format\": \"{FORMAT}\""))),
    }
}

fn describe(error: &serde_json::Error, bytes: &[u8]) -> String {
    if bytes.is_empty() {
        "it is empty".into()
    } else if [&b"RIFF"[..], b"RF64", b"BW64", b"FORM", b"fLaC", b"OggS", b"ID3"]
        .iter()
        .any(|head| bytes.starts_with(head))
    {
        "it is a recording, not a session; `tautline new` makes a session from recordings".into()
    } else if error.is_eof() {
        format!("it ends in the middle (line {}, column {})", error.line(), error.column())
    } else {
        error.to_string()
    }
}

/// Writes a session: one line per asset, lane and edit, so that versions compare well.
///
/// # Errors
/// Those of the writer.
pub(super) fn write(session: &Session, mut to: impl Write) -> io::Result<()> {
    let out = &mut to;
    write!(out, "{{\n\"format\": \"{FORMAT}\",\n\"version\": {VERSION},\n\"title\": ")?;
    serde_json::to_writer(&mut *out, &session.title)?;
    write!(out, ",\n\"rate\": {},\n", session.rate)?;
    if let Some(origin) = session.time_origin {
        writeln!(out, "\"time_origin\": {origin},")?;
    }
    if let Some(tempo) = &session.tempo {
        write!(out, "\"tempo\": ")?;
        serde_json::to_writer(&mut *out, tempo)?;
        writeln!(out, ",")?;
    }
    if !session.markers.is_empty() {
        write_list(out, "\"markers\": [", &session.markers, "],\n")?;
    }
    write_list(out, "\"assets\": [", &session.assets, "],\n")?;
    let start = session.history.start();
    write_list(out, "\"start\": { \"lanes\": [", &start.lanes, "]")?;
    if let Some(span) = start.loop_span {
        write!(out, ", \"loop\": ")?;
        serde_json::to_writer(&mut *out, &span)?;
    }
    if let Some(words) = &start.words {
        write!(out, ", \"words\": ")?;
        serde_json::to_writer(&mut *out, words)?;
    }
    write_list(out, " },\n\"edits\": [", session.history.edits(), "],\n")?;
    write!(out, "\"marks\": ")?;
    serde_json::to_writer(&mut *out, &session.marks)?;
    write!(out, ",\n\"head\": {}", session.history.head())?;
    let ways = session.history.ways();
    if !ways.is_empty() {
        write!(out, ",\n\"redo\": ")?;
        serde_json::to_writer(&mut *out, &ways)?;
    }
    write!(out, "\n}}\n")
}

fn write_list<T: Serialize>(out: &mut impl Write, open: &str, items: &[T], close: &str) -> io::Result<()> {
    write!(out, "{open}")?;
    for (index, item) in items.iter().enumerate() {
        write!(out, "{}\n  ", if index == 0 { "" } else { "," })?;
        serde_json::to_writer(&mut *out, item)?;
    }
    write!(out, "{}{close}", if items.is_empty() { "" } else { "\n" })
}
