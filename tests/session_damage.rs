//! Files that are no sessions any more, or never were: one clear error each, and no byte changed.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

mod common;
#[path = "common/left.rs"]
mod left;

use std::fs;
use std::path::Path;
use std::process::Command;

use common::quick_folder;
use left::{Left, left_behind};
use serde_json::{Value, json};
use tautline::edit::{Access, ErrorKind, Store, StoreError, journal_path};

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
