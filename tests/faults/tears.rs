//! Files that were cut off or changed at every byte.

use std::fs;

use tautline::edit::{Access, ErrorKind, Session, Store, journal_path};

use crate::common::contents;
use crate::left::{Left, left_behind, state};
use crate::numbers::Numbers;
use crate::{Row, seed};

/// Edits that were acknowledged before the tear and must be there after it.
fn whole_lines(journal: &[u8]) -> usize {
    journal.iter().filter(|byte| **byte == b'\n').count()
}

/// Looks, opens for writing, and closes; all lines that are whole must be there, before and after.
fn opens_with(left: &Left, journal: &[u8], lines: usize, what: &str) {
    left.put(&left.file, journal);
    let before = contents(left.folder.path());
    let (looked, _) = Store::open(&left.path, Access::Read).unwrap();
    assert_eq!(state(looked.session()), left.states[lines], "{what}");
    assert!(contents(left.folder.path()) == before, "{what}: looking changed something");
    let (store, _) = Store::open(&left.path, Access::Write).unwrap();
    assert_eq!(state(store.session()), left.states[lines], "{what}");
    store.close().unwrap();
    let saved = Session::from_json(&left.path, &fs::read(&left.path).unwrap()).unwrap();
    assert_eq!(state(&saved), left.states[lines], "{what}");
}

pub fn journal_cut() -> Row {
    let left = left_behind();
    let mut acknowledged = 0;
    for cut in 0..=left.journal.len() {
        let lines = whole_lines(&left.journal[..cut]);
        opens_with(&left, &left.journal[..cut], lines, &format!("cut at {cut}"));
        acknowledged += lines as u64;
    }
    Row { what: "journal cut off at every byte", tried: left.journal.len() as u64 + 1, acknowledged, lost: 0 }
}

/// After a power failure a file may have its new length before it has its content: the end is zeros.
pub fn journal_zeroed() -> Row {
    let left = left_behind();
    let mut acknowledged = 0;
    for from in 0..left.journal.len() {
        let mut journal = left.journal.clone();
        journal[from..].fill(0);
        let lines = whole_lines(&journal);
        opens_with(&left, &journal, lines, &format!("zeros from {from}"));
        acknowledged += lines as u64;
    }
    Row {
        what: "journal ending in zeros from every byte",
        tried: left.journal.len() as u64,
        acknowledged,
        lost: 0,
    }
}

/// The session file itself is never written in place, so this is the work of something else. It is said, nothing is
/// overwritten, and the journal with its edits stays.
pub fn session_cut() -> Row {
    let left = left_behind();
    // The line end after the last brace is the only byte that nobody misses.
    let tried = left.file.len() - 1;
    for cut in 0..tried {
        left.put(&left.file[..cut], &left.journal);
        let error = left.refused(&format!("session cut at {cut}"));
        let text = error.to_string();
        assert_eq!(error.kind(), ErrorKind::Input, "{text}");
        assert!(text.contains("song.json") && text.contains("put back a copy"), "cut at {cut}: {text}");
    }
    // A copy is put back: the edits in the journal are still there.
    opens_with(&left, &left.journal, left.states.len() - 1, "a copy was put back");
    Row {
        what: "session file cut off at every byte",
        tried: tried as u64,
        acknowledged: left.states.len() as u64 - 1,
        lost: 0,
    }
}

/// One bit of each byte of both files: read or refused, without a panic, and nothing on disk changes by looking.
pub fn bytes_changed() -> Row {
    let left = left_behind();
    let mut numbers = Numbers(seed());
    let mut tried = 0;
    for in_journal in [true, false] {
        let length = if in_journal { left.journal.len() } else { left.file.len() };
        for at in 0..length {
            let (mut file, mut journal) = (left.file.clone(), left.journal.clone());
            let bytes = if in_journal { &mut journal } else { &mut file };
            bytes[at] ^= 1 << numbers.below(8);
            left.put(&file, &journal);
            tried += 1;
            match Store::open(&left.path, Access::Read) {
                // A letter of a name is another letter: nobody can tell.
                Ok((store, _)) => drop(store.session().violations()),
                Err(error) => {
                    let text = error.to_string();
                    let hint = ["put back a copy", "move the journal aside", "Use a newer tautline"];
                    assert!(hint.iter().any(|hint| text.contains(hint)), "byte {at}: {text}");
                    assert!(
                        text.contains("song.json") && text.contains("othing was changed"),
                        "byte {at}: {text}"
                    );
                    assert!(fs::read(&left.path).unwrap() == file, "byte {at}");
                    assert!(fs::read(journal_path(&left.path)).unwrap() == journal, "byte {at}");
                }
            }
        }
    }
    opens_with(&left, &left.journal, left.states.len() - 1, "both files were put back");
    Row {
        what: "one bit changed in every byte of both",
        tried,
        acknowledged: left.states.len() as u64 - 1,
        lost: 0,
    }
}
