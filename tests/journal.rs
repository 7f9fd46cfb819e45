//! The journal under cuts, damage and crashes.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

mod common;
#[path = "common/left.rs"]
mod left;

use std::fs;

use common::{contents, run};
use left::{left_behind, state};
use serde_json::{Value, json};
use tautline::edit::{Access, ErrorKind, OpenNote, Session, Store, StoreError, journal_path};

#[test]
fn a_journal_cut_at_any_byte_gives_the_edits_whose_lines_are_whole() {
    let left = left_behind();
    for cut in 0..=left.journal.len() {
        let journal = &left.journal[..cut];
        let whole = journal.iter().filter(|byte| **byte == b'\n').count();
        let torn = cut - journal.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
        left.put(&left.file, journal);

        let (looked, _) = Store::open(&left.path, Access::Read).unwrap();
        assert_eq!(state(looked.session()), left.states[whole], "read, cut at {cut}");
        assert_eq!(fs::read(journal_path(&left.path)).unwrap(), journal, "looking changed the journal");

        let (store, notes) = Store::open(&left.path, Access::Write).unwrap();
        assert_eq!(state(store.session()), left.states[whole], "cut at {cut}");
        let mut expected = Vec::new();
        if torn > 0 {
            expected.push(OpenNote::TornLine { bytes: torn as u64 });
        }
        if whole > 0 {
            expected.push(OpenNote::Recovered { changes: whole });
        }
        assert_eq!(notes, expected, "cut at {cut}");
        let saved = Session::from_json(&left.path, &fs::read(&left.path).unwrap()).unwrap();
        assert_eq!(state(&saved), left.states[whole], "saved, cut at {cut}");
        store.close().unwrap();
        let files: Vec<String> = contents(left.folder.path()).into_keys().collect();
        assert_eq!(files, ["song.json"], "cut at {cut}");
    }
}

#[test]
fn an_edit_after_a_torn_line_takes_its_place() {
    let left = left_behind();
    left.put(&left.file, &left.journal[..left.journal.len() - 3]);
    let (mut store, _) = Store::open(&left.path, Access::Write).unwrap();
    run(&mut store, "gain +1dB on lane 2").unwrap();
    let expected = state(store.session());
    drop(store);
    let (store, notes) = Store::open(&left.path, Access::Write).unwrap();
    assert_eq!((state(store.session()), notes), (expected, vec![OpenNote::Recovered { changes: 1 }]));
}

#[test]
fn a_journal_folded_in_twice_changes_nothing() {
    let left = left_behind();
    let (store, _) = Store::open(&left.path, Access::Write).unwrap();
    store.close().unwrap();
    let saved = fs::read(&left.path).unwrap();
    // The crash comes after the new file has its name and before the journal is cleared.
    left.put(&saved, &left.journal);
    for access in [Access::Read, Access::Write] {
        let (store, _) = Store::open(&left.path, access).unwrap();
        assert_eq!(state(store.session()), *left.states.last().unwrap());
    }
    assert!(fs::read(&left.path).unwrap() == saved, "the same session is the same text");
}

#[test]
fn a_damaged_line_in_the_middle_refuses_and_touches_nothing() {
    let left = left_behind();
    let lines: Vec<&[u8]> = left.journal.split_inclusive(|byte| *byte == b'\n').collect();
    let with = |index: usize, line: &[u8]| {
        let mut lines = lines.clone();
        lines[index] = line;
        lines.concat()
    };
    let edit: Value = serde_json::from_slice(lines[5]).unwrap();
    let changed = |change: &dyn Fn(&mut Value)| {
        let mut edit = edit.clone();
        change(&mut edit["edit"]);
        format!("{edit}\n").into_bytes()
    };
    let long = [b"[".repeat(200), b"]".repeat(200), b"\n".to_vec()].concat();
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        ("half a line", with(5, b"{\"edit\":{\"id\":5,\n"), "line 6"),
        ("an empty line", with(5, b"\n"), "line 6"),
        ("zeros", with(5, b"\0\0\0\0\n"), "line 6"),
        ("not text", with(5, b"\xff\xfe\n"), "line 6"),
        ("deep nesting", with(5, &long), "line 6"),
        ("an unknown record", with(5, b"{\"shout\":1}\n"), "shout"),
        ("an unknown field", with(5, &changed(&|edit| edit["mood"] = json!("good"))), "mood"),
        ("an unknown operation", with(5, &changed(&|edit| edit["ops"] = json!([{"boost": {}}]))), "boost"),
        ("a line left out", with(5, b""), "stands where edit"),
        ("a wrong parent", with(5, &changed(&|edit| edit["parents"] = json!([77]))), "cycle"),
        ("itself as parent", with(5, &changed(&|edit| edit["parents"] = json!([5]))), "cycle"),
        ("no parent", with(5, &changed(&|edit| edit["parents"] = json!([]))), "0 parents"),
        ("three parents", with(5, &changed(&|edit| edit["parents"] = json!([1, 2, 3]))), "3 parents"),
        ("a gap in the ids", with(5, &changed(&|edit| edit["id"] = json!(9))), "edit 9 stands where edit 5"),
        (
            "an operation that does not fit",
            with(5, &changed(&|edit| edit["ops"][0]["set_lane"]["from"] = json!({"gain_db": 3.0}))),
            "operation 1",
        ),
        (
            "a broken rule",
            with(5, &changed(&|edit| edit["ops"][0]["set_lane"]["to"] = json!({"gain_db": 900.0}))),
            "out of range",
        ),
        ("a jump to nowhere", with(4, b"{\"head\":99}\n"), "no edit 99"),
        ("a mark of nothing", with(3, b"{\"mark\":{\"name\":\"x\",\"edit\":99}}\n"), "does not exist"),
        ("a number too large", with(4, b"{\"head\":1e99}\n"), "line 5"),
    ];
    for (what, journal, cause) in cases {
        left.put(&left.file, &journal);
        let error = left.refused(what);
        assert!(matches!(error, StoreError::Journal { .. }), "{what}: {error:?}");
        assert_eq!(error.kind(), ErrorKind::Input);
        let text = error.to_string();
        assert!(text.contains("song.json.journal") && text.contains(cause), "{what}: {text}");
    }
}

#[test]
fn an_edit_that_differs_from_the_one_in_the_session_is_noticed() {
    let left = left_behind();
    let (store, _) = Store::open(&left.path, Access::Write).unwrap();
    store.close().unwrap();
    let other = String::from_utf8(left.journal.clone()).unwrap().replace("3.7", "3.5");
    left.put(&fs::read(&left.path).unwrap(), other.as_bytes());
    let text = left.refused("another edit 5").to_string();
    assert!(text.contains("edit 5 is another one in the session"), "{text}");
}
