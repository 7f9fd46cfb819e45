//! The journal and the session file under cuts, damage, crashes, a second program and a full disk.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use common::{contents, quick_folder, run, session};
use serde_json::{Value, json};
use tautline::edit::{Access, ErrorKind, OpenNote, Session, Store, StoreError, journal_path};
use tautline::song::{EditId, Song};

const FRAMES: u64 = 240_000;

/// Commands that each put exactly one line into the journal.
const LINES: [&str; 16] = [
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
type State = (usize, EditId, BTreeMap<String, EditId>, Song);

fn state(session: &Session) -> State {
    let history = &session.history;
    (history.edits().len(), history.head(), session.marks.clone(), session.song().clone())
}

/// A session file, the journal that a crash left beside it, and the state after each of its lines.
struct Left {
    folder: tempfile::TempDir,
    path: PathBuf,
    file: Vec<u8>,
    journal: Vec<u8>,
    states: Vec<State>,
}

fn left_behind() -> Left {
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
    fn put(&self, file: &[u8], journal: &[u8]) {
        fs::write(&self.path, file).unwrap();
        fs::write(journal_path(&self.path), journal).unwrap();
    }

    /// Opens for writing and for reading, which must both fail alike and leave every byte in place.
    fn refused(&self, what: &str) -> StoreError {
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

/// The session file of [`left_behind`] with its journal folded in, as JSON to be damaged.
fn folded(left: &Left) -> Value {
    let (store, _) = Store::open(&left.path, Access::Write).unwrap();
    store.close().unwrap();
    serde_json::from_slice(&fs::read(&left.path).unwrap()).unwrap()
}

type Damage = (&'static str, fn(&mut Value), &'static str);

const DAMAGES: &[Damage] = &[
    ("an unknown field", |s| s["mood"] = json!(1), "unknown field `mood`"),
    (
        "an unknown field within",
        |s| s["start"]["lanes"][0]["regions"][0]["mood"] = json!(1),
        "unknown field `mood`",
    ),
    ("a missing field", |s| drop(s.as_object_mut().unwrap().remove("head")), "missing field `head`"),
    ("another format", |s| s["format"] = json!("knitting-pattern"), "knitting-pattern"),
    ("no format", |s| drop(s.as_object_mut().unwrap().remove("format")), "it has no \"format\""),
    ("version 0", |s| s["version"] = json!(0), "version 0"),
    ("no version", |s| drop(s.as_object_mut().unwrap().remove("version")), "no version"),
    ("half a version", |s| s["version"] = json!(1.5), "1.5"),
    ("a text as rate", |s| s["rate"] = json!("48k"), "48k"),
    ("an impossible rate", |s| s["rate"] = json!(7), "rate is 7 Hz"),
    ("a rate beyond its type", |s| s["rate"] = json!(1u64 << 40), "1099511627776"),
    ("a negative length", |s| s["assets"][0]["frames"] = json!(-5), "-5"),
    ("an enormous asset", |s| s["assets"][0]["frames"] = json!(u64::MAX), "frames"),
    ("a position beyond its type", |s| s["start"]["lanes"][0]["regions"][0]["at"] = json!(1e300), "1e+300"),
    ("an asset twice", |s| s["assets"][1]["id"] = json!(1), "asset 1 is listed twice"),
    ("eight channels", |s| s["assets"][0]["channels"] = json!(8), "8 channels"),
    ("an unknown role", |s| s["start"]["lanes"][0]["role"] = json!("boss"), "boss"),
    ("polarity 0", |s| s["start"]["lanes"][0]["polarity"] = json!(0), "polarity is 1 or -1"),
    ("a later parent", |s| s["edits"][2]["parents"] = json!([4]), "cycle"),
    ("itself as parent", |s| s["edits"][2]["parents"] = json!([3]), "cycle"),
    ("no parents", |s| s["edits"][2]["parents"] = json!([]), "0 parents"),
    ("a gap in the ids", |s| s["edits"][2]["id"] = json!(12), "edit 12 stands where edit 3 is due"),
    ("ids from 0", |s| s["edits"][0]["id"] = json!(0), "edit 0 stands where edit 1 is due"),
    ("an edit on another branch", |s| s["edits"][2]["parents"] = json!([1]), "edit 3, operation 1"),
    ("an unknown lane", |s| s["edits"][0]["ops"][0]["split"]["lane"] = json!(99), "no lane with id 99"),
    ("an unknown region", |s| s["edits"][0]["ops"][0]["split"]["region"] = json!(99), "no region 99"),
    ("a cut in nothing", |s| s["edits"][0]["ops"][0]["split"]["at"] = json!(-9), "cannot be cut"),
    ("a huge cut", |s| s["edits"][0]["ops"][0]["split"]["at"] = json!(i64::MAX), "cannot be cut"),
    ("an id twice", |s| s["edits"][0]["ops"][0]["split"]["new"] = json!(2), "has a region 2 already"),
    ("an unknown operation", |s| s["edits"][0]["ops"][0] = json!({"boost": 1}), "boost"),
    ("a mark of nothing", |s| s["marks"]["first try"] = json!(500), "edit 500, which does not exist"),
    ("a head that is none", |s| s["head"] = json!(500), "no edit 500"),
    ("a list instead of a session", |s| *s = json!([1, 2]), "line 1"),
    ("a number instead of a session", |s| *s = json!(1e300), "line 1"),
];

#[test]
fn a_damaged_session_gives_one_clear_error_and_stays_as_it_is() {
    let left = left_behind();
    let good = folded(&left);
    for (what, damage, cause) in DAMAGES {
        let mut bad = good.clone();
        damage(&mut bad);
        fs::write(&left.path, bad.to_string()).unwrap();
        let error = left.refused(what);
        let text = error.to_string();
        assert!(matches!(error, StoreError::Damaged { .. }), "{what}: {error:?}");
        assert_eq!(error.kind(), ErrorKind::Input);
        assert!(text.contains("song.json") && text.contains(cause), "{what}: {text}");
        assert!(text.contains("Nothing was changed"), "{what}: {text}");
    }
}

#[test]
fn a_newer_session_is_told_from_a_damaged_one() {
    let left = left_behind();
    let mut newer = folded(&left);
    newer["version"] = json!(2);
    newer["takes_by_mood"] = json!({"calm": [1]});
    fs::write(&left.path, newer.to_string()).unwrap();
    let error = left.refused("version 2");
    assert!(matches!(error, StoreError::Newer { found: 2, known: 1, .. }), "{error:?}");
    let text = error.to_string();
    assert!(text.contains("song.json has version 2") && text.contains("Use a newer tautline"), "{text}");
    assert_eq!(error.kind(), ErrorKind::Input);
}

#[test]
fn a_truncated_session_says_where_it_ends() {
    let left = left_behind();
    folded(&left);
    let whole = fs::read(&left.path).unwrap();
    // The line end after the last brace is the only byte that nobody misses.
    for cut in (0..whole.len() - 1).step_by(97).chain(whole.len() - 9..whole.len() - 1) {
        fs::write(&left.path, &whole[..cut]).unwrap();
        let error = left.refused("truncated");
        let text = error.to_string();
        let cause = if cut == 0 { "it is empty" } else { "it ends in the middle (line " };
        assert!(text.contains("song.json") && text.contains(cause), "cut at {cut}: {text}");
        assert!(matches!(error, StoreError::Damaged { .. }), "{error:?}");
    }
}

#[test]
fn hostile_text_is_refused_without_harm() {
    let left = left_behind();
    let start = String::from_utf8(left.file.clone()).unwrap();
    let deep = |open: &str, close: &str| open.repeat(200) + &close.repeat(200);
    let number =
        |digits: usize| start.replacen("\"rate\": 48000", &format!("\"rate\": {}", "9".repeat(digits)), 1);
    let cases = [
        ("deep lists", deep("[", "]"), "line 1"),
        ("deep objects", deep("{\"a\":", "}"), "song.json"),
        ("a deep title", start.replacen("\"Lantern Row\"", &deep("[", "]"), 1), "line 4"),
        ("many deep lists", "[".repeat(1_000_000), "song.json"),
        ("a long number", number(400), "out of range"),
        ("a very long number", number(100_000), "song.json"),
        ("a number too large", start.replacen("\"gain_db\":0.0", "\"gain_db\":1e999", 1), "out of range"),
        ("no number", start.replacen("\"gain_db\":0.0", "\"gain_db\":NaN", 1), "song.json"),
        ("a field twice", start.replacen("\"rate\"", "\"title\": \"b\",\n\"rate\"", 1), "duplicate field"),
        ("a second document", start.clone() + "{}", "trailing"),
        ("bytes that are no text", "\u{0}\u{1}\u{2}".into(), "song.json"),
        ("a mark of byte order", "\u{feff}".to_owned() + &start, "song.json"),
    ];
    for (what, text, cause) in cases {
        assert_ne!(text, start, "{what} is not in the text");
        left.put(text.as_bytes(), b"");
        fs::remove_file(journal_path(&left.path)).unwrap();
        let error = left.refused(what);
        assert_eq!(error.kind(), ErrorKind::Input, "{what}: {error:?}");
        let said = error.to_string();
        assert!(said.contains("song.json") && said.contains(cause), "{what}: {said}");
        assert!(said.len() < 1_000, "{what}: the error itself is {} bytes long", said.len());
    }
}

#[test]
fn numbers_at_the_ends_of_their_types_break_no_arithmetic() {
    let left = left_behind();
    let good: Value = serde_json::from_slice(&left.file).unwrap();
    let edges = [json!(u64::MAX), json!(i64::MAX), json!(i64::MIN), json!(1u64 << 63), json!(0)];
    fs::remove_file(journal_path(&left.path)).unwrap();
    let mut opened = 0;
    for field in ["source_in", "length", "at", "id", "asset"] {
        for value in &edges {
            for at in [json!(24_000), value.clone()] {
                let mut bad = good.clone();
                bad["start"]["lanes"][1]["regions"][0][field] = value.clone();
                bad["edits"][0]["ops"][0]["split"]["at"] = at;
                fs::write(&left.path, bad.to_string()).unwrap();
                match Store::open(&left.path, Access::Read) {
                    Ok((store, _)) => {
                        opened += 1;
                        // Let in so that it can be shown; whoever works with it is told by the rules.
                        let _ = store.session().violations();
                    }
                    Err(error) => assert_eq!(error.kind(), ErrorKind::Input),
                }
            }
        }
    }
    assert!(opened > 0, "some of these can be shown");
}

#[cfg(unix)]
#[test]
fn what_is_no_file_is_named() {
    use std::os::unix::fs::symlink;
    let folder = quick_folder();
    let at = |name: &str| folder.path().join(name);
    fs::create_dir(at("folder.json")).unwrap();
    symlink(at("nowhere.json"), at("dangling.json")).unwrap();
    symlink(at("ring.json"), at("ring.json")).unwrap();
    let made = Command::new("mkfifo").arg(at("pipe.json")).status();
    let mut cases = vec![
        ("folder.json", "not a regular file"),
        ("dangling.json", "No such file"),
        ("ring.json", "symbolic links"),
        ("missing.json", "No such file"),
        ("no/such/folder.json", "No such file"),
    ];
    if made.is_ok_and(|status| status.success()) {
        cases.push(("pipe.json", "not a regular file"));
    }
    let before: Vec<String> = contents_without_pipes(folder.path());
    for (name, cause) in cases {
        for access in [Access::Read, Access::Write] {
            let error = Store::open(&at(name), access).err().unwrap_or_else(|| panic!("{name} was opened"));
            let text = error.to_string();
            assert!(text.contains(name) && text.contains(cause), "{text}");
            assert_eq!(error.kind(), ErrorKind::Input, "{text}");
        }
    }
    assert_eq!(contents_without_pipes(folder.path()), before);
}

/// Reading a pipe would wait for ever, so only the names.
fn contents_without_pipes(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into())
        .collect();
    names.sort();
    names
}

#[cfg(unix)]
#[test]
fn a_session_behind_a_link_is_saved_where_it_lies() {
    use std::os::unix::fs::symlink;
    let left = left_behind();
    let elsewhere = quick_folder();
    let link = elsewhere.path().join("link.json");
    symlink(&left.path, &link).unwrap();
    let (store, _) = Store::open(&link, Access::Write).unwrap();
    let (second, notes) = Store::open(&left.path, Access::Write).unwrap();
    assert!(!second.is_writable() && notes.len() == 1, "both names are one session with one lock");
    store.close().unwrap();
    assert!(link.is_symlink());
    let saved = Session::from_json(&left.path, &fs::read(&left.path).unwrap()).unwrap();
    assert_eq!(state(&saved), *left.states.last().unwrap());
}

#[test]
fn a_second_program_reads_only_until_the_first_one_closes() {
    let folder = quick_folder();
    let mut first = common::store(folder.path(), 2, FRAMES);
    run(&mut first, "gain -1dB on lane 2").unwrap();
    let path = first.path().to_owned();

    let (mut second, notes) = Store::open(&path, Access::Write).unwrap();
    assert!(!second.is_writable());
    let [OpenNote::Recovered { .. } | OpenNote::ReadOnly { .. }, ..] = notes.as_slice() else {
        panic!("{notes:?}")
    };
    assert!(notes.iter().any(|note| note.to_string().contains("another tautline is editing")), "{notes:?}");
    assert_eq!(state(second.session()), state(first.session()), "unsaved lines are seen");
    let before = (state(second.session()), contents(folder.path()));
    let text = run(&mut second, "gain -2dB on lane 2").unwrap_err().to_string();
    assert!(text.contains("reading only") && text.contains("another tautline"), "{text}");
    for line in ["undo", "mark here", "goto start"] {
        run(&mut second, line).unwrap_err();
    }
    second.save().unwrap();
    assert!((state(second.session()), contents(folder.path())) == before, "a reader changes nothing");
    second.close().unwrap();
    assert!(journal_path(&path).exists(), "a reader takes no journal away");

    run(&mut first, "gain -2dB on lane 2").unwrap();
    let expected = state(first.session());
    first.close().unwrap();
    let (mut third, notes) = Store::open(&path, Access::Write).unwrap();
    assert!(third.is_writable() && notes.is_empty(), "{notes:?}");
    assert_eq!(state(third.session()), expected);
    run(&mut third, "gain -3dB on lane 2").unwrap();
    third.close().unwrap();
}

#[test]
fn one_who_looks_sees_what_the_writer_has_not_saved_yet() {
    let folder = quick_folder();
    let mut writer = common::store(folder.path(), 2, FRAMES);
    for line in ["cut at 1s on lane 2", "gain -1dB on lane 2", "mark soft", "undo"] {
        run(&mut writer, line).unwrap();
        let (reader, notes) = Store::open(writer.path(), Access::Read).unwrap();
        assert_eq!(state(reader.session()), state(writer.session()), "{line}: {notes:?}");
        assert!(!reader.is_writable());
    }
}

#[test]
fn a_session_is_not_created_over_another_or_over_a_journal() {
    let left = left_behind();
    let before = contents(left.folder.path());
    let error = Store::create(&left.path, session(2, FRAMES)).err().unwrap();
    assert!(matches!(error, StoreError::Exists { .. }) && error.to_string().contains("song.json"));
    fs::remove_file(&left.path).unwrap();
    assert!(Store::create(&left.path, session(2, FRAMES)).is_err(), "the journal belongs to somebody");
    fs::write(&left.path, &left.file).unwrap();
    assert!(contents(left.folder.path()) == before);
}

#[test]
fn programs_that_open_and_close_all_the_time_lose_no_edit() {
    let folder = quick_folder();
    let store = common::store(folder.path(), 2, FRAMES);
    let path = store.path().to_owned();
    store.close().unwrap();
    let acknowledged: usize = std::thread::scope(|scope| {
        let work = |thread: usize| {
            let path = &path;
            move || {
                let mut done = 0;
                while done < 25 {
                    let (mut store, _) = Store::open(path, Access::Write).unwrap();
                    if store.is_writable() {
                        run(&mut store, &format!("gain {}dB on lane 1", ["+1", "-1"][done % 2])).unwrap();
                        done += 1;
                    }
                    // Every third one dies without closing.
                    if done % 3 == thread % 3 { drop(store) } else { store.close().unwrap() }
                }
                done
            }
        };
        let threads: Vec<_> = (0..4).map(|thread| scope.spawn(work(thread))).collect();
        threads.into_iter().map(|thread| thread.join().unwrap()).sum()
    });
    let (store, _) = Store::open(&path, Access::Write).unwrap();
    assert_eq!(store.session().history.edits().len(), acknowledged);
    assert_eq!(acknowledged, 4 * 25);
    store.close().unwrap();
    assert_eq!(contents(folder.path()).into_keys().collect::<Vec<_>>(), ["song.json"]);
}

#[test]
fn what_a_killed_program_left_half_written_goes_and_nothing_else_does() {
    let folder = quick_folder();
    let store = common::store(folder.path(), 2, FRAMES);
    let path = store.path().to_owned();
    store.close().unwrap();
    let names =
        [".other.json.AbC123.saving", ".song.json.AbC123.saving", ".song.json.x.AbC123.saving", "takes.wav"];
    for name in names {
        fs::write(folder.path().join(name), "x").unwrap();
    }
    let (reader, _) = Store::open(&path, Access::Read).unwrap();
    assert_eq!(contents(folder.path()).len(), 5, "one who looks takes nothing away");
    drop(reader);
    let (store, _) = Store::open(&path, Access::Write).unwrap();
    store.close().unwrap();
    let left: Vec<String> = contents(folder.path()).into_keys().collect();
    assert_eq!(left, [names[0], names[2], "song.json", "takes.wav"]);
}

#[cfg(unix)]
#[test]
fn a_write_protected_session_is_opened_to_read() {
    use std::os::unix::fs::PermissionsExt;
    let left = left_behind();
    fs::set_permissions(&left.path, fs::Permissions::from_mode(0o444)).unwrap();
    let before = contents(left.folder.path());
    let (mut store, notes) = Store::open(&left.path, Access::Write).unwrap();
    assert!(!store.is_writable());
    assert!(notes.iter().any(|note| note.to_string().contains("write-protected")), "{notes:?}");
    assert_eq!(state(store.session()), *left.states.last().unwrap());
    run(&mut store, "gain -1dB on lane 2").unwrap_err();
    store.close().unwrap();
    assert!(contents(left.folder.path()) == before);
}

/// A small file system in memory, gone with its owner.
struct Small(tempfile::TempDir);

impl Small {
    /// `None`, loudly, where this machine does not let us mount one.
    fn mount(what: &str, size: &str) -> Option<Small> {
        let folder = tempfile::tempdir().unwrap();
        let options = format!("size={size}");
        let done =
            Command::new("mount").args(["-t", "tmpfs", "-o", &options, "tmpfs"]).arg(folder.path()).output();
        if done.is_ok_and(|output| output.status.success()) {
            return Some(Small(folder));
        }
        eprintln!("SKIPPED: {what} needs a small file system, and mounting one takes root");
        None
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    fn protect(&self) {
        let done = Command::new("mount").args(["-o", "remount,ro"]).arg(self.path()).status().unwrap();
        assert!(done.success());
    }

    /// Takes all the space there is but for so many bytes.
    fn fill(&self, but: u64) -> PathBuf {
        use std::io::Write;
        let filler = self.path().join("filler");
        let mut file = fs::File::create(&filler).unwrap();
        while file.write_all(&[1; 512]).is_ok() {}
        file.set_len(file.metadata().unwrap().len() - but).unwrap();
        filler
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.path()).status();
    }
}

#[test]
fn a_folder_that_cannot_be_written_is_opened_to_read() {
    let Some(small) = Small::mount("a read-only folder", "1m") else { return };
    let mut store = common::store(small.path(), 2, FRAMES);
    run(&mut store, "gain -1dB on lane 2").unwrap();
    let (path, expected) = (store.path().to_owned(), state(store.session()));
    drop(store);
    small.protect();
    let (mut store, notes) = Store::open(&path, Access::Write).unwrap();
    assert!(!store.is_writable());
    assert!(notes.iter().any(|note| note.to_string().contains("cannot be written")), "{notes:?}");
    assert_eq!(state(store.session()), expected);
    let text = run(&mut store, "gain -1dB on lane 2").unwrap_err().to_string();
    assert!(text.contains("Read-only file system"), "{text}");
    assert_eq!(
        Store::create(&small.path().join("new.json"), session(2, 9)).err().unwrap().kind(),
        ErrorKind::Output
    );
}

/// Commits until the disk is full; gives the error.
fn commit_until_full(store: &mut Store) -> StoreError {
    for _ in 0..100_000 {
        let lane = store.session().song().lanes[1].clone();
        let change = |db| tautline::edit::LaneValue::GainDb(tautline::song::Db(db));
        let to = if lane.gain_db.0 == 1.0 { 2.0 } else { 1.0 };
        let op = tautline::edit::Op::SetLane { lane: lane.id, from: change(lane.gain_db.0), to: change(to) };
        let before = state(store.session());
        if let Err(error) = store.commit("gain", common::TIME, vec![op], None) {
            assert_eq!(state(store.session()), before, "the failed edit was taken back");
            return error;
        }
    }
    panic!("the disk never got full")
}

#[test]
fn a_full_disk_loses_no_edit_that_was_acknowledged() {
    let Some(small) = Small::mount("a full disk", "256k") else { return };
    let mut store = common::store(small.path(), 2, FRAMES);
    run(&mut store, "cut at 1s on lane 2; mark before").unwrap();
    store.save().unwrap();
    let (path, saved) = (store.path().to_owned(), fs::read(store.path()).unwrap());
    let filler = small.fill(8192);

    let error = commit_until_full(&mut store);
    assert!(matches!(error, StoreError::Append { .. }) && error.kind() == ErrorKind::Output, "{error:?}");
    let text = error.to_string();
    assert!(text.contains("song.json.journal") && text.contains("taken back"), "{text}");
    // What moves the head is acknowledged by the same journal.
    let expected = state(store.session());
    assert!(expected.0 > 1);
    while store.undo().is_ok() {}
    let expected = (expected.0, store.session().history.head(), expected.2, store.session().song().clone());

    let error = store.save().err().unwrap();
    assert!(matches!(error, StoreError::Save { .. }) && error.kind() == ErrorKind::Output, "{error:?}");
    let text = error.to_string();
    assert!(text.contains("song.json") && text.contains("is intact"), "{text}");
    assert!(fs::read(&path).unwrap() == saved, "the old file is the last saved one");
    let names: Vec<String> = contents(small.path()).into_keys().collect();
    assert_eq!(names, ["filler", "song.json", "song.json.journal"], "nothing half written stays behind");

    let (reader, _) = Store::open(&path, Access::Read).unwrap();
    assert_eq!(state(reader.session()), expected);
    drop(store);
    let before = contents(small.path());
    let error = Store::open(&path, Access::Write).err().unwrap();
    assert!(matches!(error, StoreError::Save { .. }), "{error:?}");
    assert!(contents(small.path()) == before, "opening on a full disk changes nothing");
    let (reader, _) = Store::open(&path, Access::Read).unwrap();
    assert_eq!(state(reader.session()), expected);

    fs::remove_file(filler).unwrap();
    let (mut store, _) = Store::open(&path, Access::Write).unwrap();
    assert_eq!(state(store.session()), expected);
    run(&mut store, "gain -7dB on lane 2").unwrap();
    store.close().unwrap();
}

#[test]
fn several_steps_are_one_on_a_full_disk_too() {
    let Some(small) = Small::mount("a full disk", "256k") else { return };
    let mut store = common::store(small.path(), 2, FRAMES);
    for _ in 0..10 {
        run(&mut store, "gain -1dB on lane 2").unwrap();
    }
    let filler = small.fill(0);
    // Leaves room for the line of one step, not for more.
    let journal = journal_path(store.path());
    let page = 4096 - usize::try_from(fs::metadata(&journal).unwrap().len()).unwrap() % 4096;
    let name = "x".repeat(page - r#"{"mark":{"name":"","edit":10}}"#.len() - 1 - 15);
    store.mark(&name).unwrap();
    let before = state(store.session());
    let done = run(&mut store, "undo 5");
    let gone = (state(store.session()).1, done.is_ok());
    assert!(
        gone == (EditId(5), true) || gone == (before.1, false),
        "`undo 5` went part of the way: {gone:?}"
    );
    fs::remove_file(filler).unwrap();
    store.close().unwrap();
}
