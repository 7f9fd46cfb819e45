//! A session file with the journal that a crash left beside it.
#![allow(dead_code, reason = "each test binary uses a part of it")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

use tautline::edit::{Access, Session, Store, StoreError, journal_path};
use tautline::song::{EditId, Song};

use super::common::{self, contents, quick_folder, run};

pub const FRAMES: u64 = 240_000;

/// Commands that each put exactly one line into the journal.
pub const LINES: [&str; 16] = [
    "cut at 1s,2s on lane 2",
    "shift +12ms on lane 2 at 1.5s",
    "fade missing 5ms on lane 2",
    "mark \"first try\"",
    "undo",
    "gain -3.7dB on lane 3",
    "lane name \"h\u{e9} \\\"q\\\"\" on lane 4",
    "loop 1s..2s",
    "note \"the t; soft\" at 1.2s on lane 2",
    "mark \"second\"",
    "goto \"first try\"",
    "remove 3s..4s on lane 2",
    "bring lane 3 from \"second\"",
    "undo",
    "redo",
    "mark \"first try\"",
];

/// What a session is, as far as a user can tell.
pub type State = (usize, EditId, BTreeMap<String, EditId>, Song);

pub fn state(session: &Session) -> State {
    let history = &session.history;
    (history.edits().len(), history.head(), session.marks.clone(), session.song().clone())
}

/// A session file, the journal that a crash left beside it, and the state after each of its lines.
pub struct Left {
    pub folder: tempfile::TempDir,
    pub path: PathBuf,
    pub file: Vec<u8>,
    pub journal: Vec<u8>,
    pub states: Vec<State>,
}

pub fn left_behind() -> Left {
    let folder = quick_folder();
    let mut store = common::store(folder.path(), 4, FRAMES);
    run(&mut store, "cut at 0.5s on all").unwrap();
    store.save().unwrap();
    let mut states = vec![state(store.session())];
    for line in LINES {
        run(&mut store, line).unwrap_or_else(|error| panic!("{line}: {error}"));
        states.push(state(store.session()));
    }
    let path = store.path().to_owned();
    drop(store);
    let (file, journal) = (fs::read(&path).unwrap(), fs::read(journal_path(&path)).unwrap());
    assert_eq!(journal.iter().filter(|byte| **byte == b'\n').count(), LINES.len());
    Left { folder, path, file, journal, states }
}

impl Left {
    pub fn put(&self, file: &[u8], journal: &[u8]) {
        fs::write(&self.path, file).unwrap();
        fs::write(journal_path(&self.path), journal).unwrap();
    }

    /// Opens for writing and for reading, which must both fail alike and leave every byte in place.
    pub fn refused(&self, what: &str) -> StoreError {
        let before = contents(self.folder.path());
        let mut errors: Vec<StoreError> = [Access::Write, Access::Read]
            .into_iter()
            .map(|access| match Store::open(&self.path, access) {
                Ok((store, _)) => panic!("{what}: opened with {:?}", state(store.session()).1),
                Err(error) => error,
            })
            .collect();
        assert_eq!(errors[0].to_string(), errors[1].to_string(), "{what}");
        assert!(contents(self.folder.path()) == before, "{what}: the folder changed");
        errors.remove(0)
    }
}
