//! Short fuzz runs through the public entry points; `cargo test fuzz_` runs them alone, `PROPTEST_CASES` says how long.
//!
//! Whatever comes in, each entry point ends, does not panic, and what it accepts holds together. Damaged sound files are
//! the matter of `tests/media/hostile.rs`.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic is the report of a test")]

mod common;

use std::collections::HashMap;
use std::path::Path;
use std::sync::LazyLock;

use common::{TIME, run, store};
use proptest::prelude::*;
use serde_json::Value;
use tautline::command::{Context, Presets, VERBS, complete, parse};
use tautline::edit::Session;
use tautline::handoff::{CheckRequest, check};
use tautline::mix::Plan;

const FRAMES: u64 = 240_000;

/// Words that the language knows, and some that nearly are.
const WORDS: &[&str] = &[
    "at",
    "to",
    "on",
    "all",
    "here",
    "loop",
    "lane",
    "role",
    "double",
    "guide",
    "in",
    "out",
    "both",
    "curve",
    "bend",
    "linear",
    "equal-power",
    "preset",
    "soft-ends",
    "missing",
    "fit",
    "start",
    "end",
    "keep",
    "word",
    "from",
    "clear",
    "1s",
    "1.5s",
    "+12ms",
    "-3dB",
    "240smp",
    "1:02.5",
    "0.3",
    "-1",
    "2",
    "2,3",
    "2-3",
    "1..2",
    "1.6s..end",
    "..",
    ",",
    ";",
    "\"a\"",
    "\"",
    "\\",
    "#",
    "99999999999999999999s",
    "1e9s",
    "-0smp",
    "nan",
    "infs",
    "0x10",
    "١s",
    "ms",
    "+",
    "-",
    "--",
    "٣",
    "é",
    "\u{0}",
    "\t",
    "bar 3.2",
    "9223372036854775807smp",
    "-9223372036854775808smp",
    "18446744073709551616",
];

fn any_line() -> impl Strategy<Value = String> {
    let verbs: Vec<&'static str> = VERBS.iter().map(|verb| verb.name).collect();
    let examples: Vec<&'static str> = VERBS.iter().flat_map(|verb| verb.examples.iter().copied()).collect();
    let word = prop_oneof![prop::sample::select(WORDS), prop::sample::select(verbs.clone())];
    let words = prop::collection::vec(word, 0..10);
    prop_oneof![
        any::<String>(),
        (prop::sample::select(verbs), words.clone())
            .prop_map(|(verb, words)| format!("{verb} {}", words.join(" "))),
        // A good line with something else in one place.
        (prop::sample::select(examples), words, 0usize..12).prop_map(|(example, words, place)| {
            let mut parts: Vec<&str> = example.split(' ').collect();
            let at = place.min(parts.len());
            parts.splice(at..(at + 1).min(parts.len()), words.into_iter().take(2));
            parts.join(" ")
        }),
    ]
}

/// A session with cuts, slides, crossfades, branches and marks.
static SAMPLE: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap();
    let mut store = store(folder.path(), 3, FRAMES);
    for line in [
        "cut at 1s,2s on lane 2",
        "shift -10ms on lane 2 at 2.5s; fade missing 4ms on all",
        "mark \"one\"; undo; gain -3dB on lane 2 at 1.5s; pan 0.5 on lane 3; loop 1s..2s",
        "crossfade 10ms on lane 2; note \"check the t\" at 1s on lane 2; tail to 4s fade 100ms on lane 3",
        "bring lane 2 from \"one\"; role harmony on lane 3; solo lane 2",
    ] {
        run(&mut store, line).unwrap_or_else(|error| panic!("{line}: {error}"));
    }
    let mut bytes = Vec::new();
    store.session().write_json(&mut bytes).unwrap();
    bytes
});

fn sample() -> Session {
    Session::from_json(Path::new("sample.json"), &SAMPLE).unwrap()
}

/// Everything that is done with a session that was let in.
fn exercise(bytes: &[u8]) {
    let path = Path::new("mutated.json");
    let Ok(session) = Session::from_json(path, bytes) else { return };
    let mut written = Vec::new();
    session.write_json(&mut written).unwrap();
    let again =
        Session::from_json(path, &written).unwrap_or_else(|error| panic!("its own text is refused: {error}"));
    assert_eq!(again.song(), session.song());
    assert_eq!((again.history.head(), &again.marks), (session.history.head(), &session.marks));
    let violations = session.violations();
    let request = CheckRequest {
        song: session.song(),
        rate: session.rate,
        intake: &HashMap::new(),
        violations: &violations,
        copies: &[],
        hearing: &tautline::command::Deaf,
        levels: true,
    };
    // A song of hours would be rendered for long; what is long and empty is covered by the plan alone.
    let plan = Plan::compile(session.song(), session.rate, &|_| None);
    if plan.extent().is_none_or(|extent| extent.end.since(extent.start).0 < 1_000_000)
        || !violations.is_empty()
    {
        check(&request).unwrap();
    }
    let presets = Presets::new();
    let context =
        Context { session: &session, cursor: None, presets: &presets, hearing: &tautline::command::Deaf };
    for verb in VERBS {
        for example in verb.examples {
            for command in parse(example).unwrap() {
                let _ = command.call.resolve(&context);
            }
        }
    }
}

/// Values in the document, counted depth first.
fn count(value: &Value) -> usize {
    1 + match value {
        Value::Array(items) => items.iter().map(count).sum(),
        Value::Object(fields) => fields.values().map(count).sum(),
        _ => 0,
    }
}

/// Changes the value at a place in that order.
fn change(value: &mut Value, place: &mut usize, how: &Change) {
    if *place == 0 {
        how.apply(value);
    }
    let Some(left) = place.checked_sub(1) else {
        *place = usize::MAX;
        return;
    };
    *place = left;
    match value {
        Value::Array(items) => items.iter_mut().for_each(|item| change_unless_done(item, place, how)),
        Value::Object(fields) => fields.values_mut().for_each(|field| change_unless_done(field, place, how)),
        _ => {}
    }
}

fn change_unless_done(value: &mut Value, place: &mut usize, how: &Change) {
    if *place != usize::MAX {
        change(value, place, how);
    }
}

#[derive(Debug, Clone)]
enum Change {
    Number(i64),
    Unsigned(u64),
    Real(f64),
    Text(String),
    Null,
    Twice,
    Less,
    Rename,
}

impl Change {
    fn apply(&self, value: &mut Value) {
        match (self, &mut *value) {
            (Change::Twice, Value::Array(items)) => items.extend(items.clone()),
            (Change::Less, Value::Array(items)) => drop(items.pop()),
            (Change::Rename | Change::Twice, Value::Object(fields)) => {
                fields.insert("other".into(), Value::Null);
            }
            (Change::Less, Value::Object(fields)) => {
                let first = fields.keys().next().cloned().unwrap_or_default();
                fields.remove(&first);
            }
            (Change::Number(number), _) => *value = (*number).into(),
            (Change::Unsigned(number), _) => *value = (*number).into(),
            (Change::Real(number), _) => *value = (*number).into(),
            (Change::Text(text), _) => *value = text.clone().into(),
            _ => *value = Value::Null,
        }
    }
}

fn any_change() -> impl Strategy<Value = Change> {
    prop_oneof![
        prop_oneof![
            Just(0i64),
            Just(-1),
            Just(i64::MIN),
            Just(i64::MAX),
            -1_000_000i64..1_000_000,
            any::<i64>()
        ]
        .prop_map(Change::Number),
        prop_oneof![Just(u64::MAX), Just(1 << 41), 0u64..300_000].prop_map(Change::Unsigned),
        prop_oneof![Just(1e308), Just(-0.0), Just(1e-320), -200.0f64..200.0].prop_map(Change::Real),
        prop_oneof![Just("linear".to_owned()), Just("guide".to_owned()), any::<String>()]
            .prop_map(Change::Text),
        Just(Change::Null),
        Just(Change::Twice),
        Just(Change::Less),
        Just(Change::Rename),
    ]
}

fn config() -> ProptestConfig {
    ProptestConfig { failure_persistence: None, max_shrink_iters: 2_000, ..ProptestConfig::default() }
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn fuzz_any_text_is_read_or_refused_at_a_column_of_its_own(line in any_line()) {
        match parse(&line) {
            Ok(commands) => {
                for command in &commands {
                    prop_assert!(line.contains(&command.text));
                    prop_assert!(parse(&command.text).is_ok(), "{:?} is read only beside others", command.text);
                }
            }
            Err(error) => {
                prop_assert!(!error.message.is_empty());
                prop_assert!(error.span.start <= error.span.end && error.span.start <= line.len(), "{error:?}");
                let columns = line.chars().count() + 1;
                prop_assert!(error.column.is_none_or(|column| (1..=columns).contains(&column)), "{error:?}");
            }
        }
    }

    #[test]
    fn fuzz_completion_of_any_text_goes_on_from_it(line in any_line(), keep in 0.0f64..1.0) {
        let presets = Presets::new();
        let session = sample();
        let context = Context { session: &session, cursor: None, presets: &presets, hearing: &tautline::command::Deaf };
        let cut = line.char_indices().map(|(at, _)| at).nth((line.chars().count() as f64 * keep) as usize).unwrap_or(0);
        for text in [&line[..], &line[..cut]] {
            for with in [None, Some(&context)] {
                for candidate in complete(text, with) {
                    prop_assert!(!candidate.text.is_empty());
                }
            }
        }
    }

    #[test]
    fn fuzz_any_command_changes_a_session_to_a_lawful_one_or_not_at_all(lines in prop::collection::vec(any_line(), 1..6)) {
        let presets = Presets::new();
        let session = sample();
        let context = Context { session: &session, cursor: None, presets: &presets, hearing: &tautline::command::Deaf };
        let mut song_is_new = false;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("s.json");
        std::fs::write(&path, &*SAMPLE).unwrap();
        let (mut store, _) = tautline::edit::Store::open(&path, tautline::edit::Access::Rehearse).unwrap();
        for line in &lines {
            let Ok(commands) = parse(line) else { continue };
            for command in commands {
                let _ = command.call.resolve(&context);
                let now = Context { session: store.session(), ..context };
                let Ok(action) = command.call.resolve(&now) else { continue };
                let before = store.session().song().clone();
                match tautline::command::carry_out(&mut store, action, &command.text, TIME) {
                    Ok(_) => song_is_new = true,
                    Err(_) => prop_assert_eq!(store.session().song(), &before),
                }
                let violations = store.session().violations();
                prop_assert!(violations.is_empty(), "{}: {}", command.text, violations[0]);
            }
        }
        if song_is_new {
            let mut bytes = Vec::new();
            store.session().write_json(&mut bytes).unwrap();
            let again = Session::from_json(&path, &bytes).unwrap();
            prop_assert_eq!(again.song(), store.session().song());
        }
    }

    #[test]
    fn fuzz_sessions_with_changed_values_are_refused_or_hold_together(
        changes in prop::collection::vec((0.0f64..1.0, any_change()), 1..4),
    ) {
        let mut document: Value = serde_json::from_slice(&SAMPLE).unwrap();
        for (place, how) in &changes {
            let mut place = (place * count(&document) as f64) as usize;
            change(&mut document, &mut place, how);
        }
        exercise(&serde_json::to_vec(&document).unwrap());
    }

    #[test]
    fn fuzz_sessions_with_changed_bytes_are_refused_or_hold_together(
        hits in prop::collection::vec((0.0f64..1.0, prop_oneof![Just(b'9'), Just(b'0'), Just(b'-'), any::<u8>()]), 0..6),
        keep in 0.5f64..1.5,
    ) {
        let mut bytes = SAMPLE.clone();
        for (place, value) in hits {
            let at = (place * bytes.len() as f64) as usize;
            bytes[at] = value;
        }
        let length = (bytes.len() as f64 * keep.min(1.0)) as usize;
        exercise(&bytes[..length]);
    }
}
