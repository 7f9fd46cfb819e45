//! What holds for any sequence of commands: rules, undo and redo, exact inverses, saving and loading.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

mod common;
#[path = "common/random.rs"]
mod random;

use std::cell::RefCell;
use std::collections::BTreeMap;

use proptest::prelude::*;
use proptest::test_runner::TestCaseResult;
use random::{FRAMES, command, cursor, presets, run_one, runner};
use tautline::command::{Action, Context, Cursor, Presets, VERBS, complete, parse};
use tautline::edit::{Access, Session, Store, apply_all, inverse_all, journal_path};
use tautline::song::rules::check_song;
use tautline::song::{EditId, Song};

type Script = Vec<(String, Option<Cursor<'static>>)>;

fn script(longest: usize) -> impl Strategy<Value = Script> {
    prop::collection::vec((command(), cursor()), 1..longest)
}

fn new_store(folder: &tempfile::TempDir) -> Store {
    common::store(folder.path(), 4, FRAMES)
}

/// All of a session that a file holds.
fn whole(session: &Session) -> impl PartialEq + std::fmt::Debug + use<> {
    (
        session.assets.clone(),
        session.history.edits().to_vec(),
        session.marks.clone(),
        session.history.head(),
        session.song().clone(),
        (session.title.clone(), session.rate, session.time_origin, session.history.start().clone()),
    )
}

fn run_script(store: &mut Store, presets: &Presets, script: &Script) {
    for (line, cursor) in script {
        let _ = run_one(store, presets, *cursor, line);
    }
}

#[test]
fn every_state_keeps_the_rules_and_a_refusal_changes_nothing() {
    let presets = presets();
    let counts: RefCell<BTreeMap<&str, (u32, u32)>> = RefCell::default();
    let check = |script: Script| -> TestCaseResult {
        let folder = common::quick_folder();
        let mut store = new_store(&folder);
        let journal = journal_path(store.path());
        for (line, cursor) in &script {
            let before = (whole(store.session()), std::fs::read(&journal).unwrap());
            let done = run_one(&mut store, &presets, *cursor, line);
            let verb = VERBS.iter().find(|verb| line.split(' ').next() == Some(verb.name)).unwrap();
            let mut counts = counts.borrow_mut();
            let count = counts.entry(verb.name).or_default();
            count.0 += u32::from(done.is_ok());
            count.1 += 1;
            if done.is_err() {
                let after = (whole(store.session()), std::fs::read(&journal).unwrap());
                prop_assert!(before == after, "`{}` was refused and changed something", line);
            }
            let broken = check_song(store.session().song(), store.session());
            prop_assert!(broken.is_empty(), "after `{}`: {:?}", line, broken);
        }
        Ok(())
    };
    runner(200, 1).run(&script(40), check).unwrap_or_else(|error| panic!("{error}"));
    let counts = counts.into_inner();
    let (done, tried) = counts.values().fold((0, 0), |sum, count| (sum.0 + count.0, sum.1 + count.1));
    println!("{done} of {tried} commands were carried out: {counts:?}");
    assert!(done * 10 >= tried * 4, "only {done} of {tried} commands did something");
    // Those that need to hear the recordings have none here.
    let deaf = ["seam", "soften", "tighten", "word", "hold", "match"];
    for verb in VERBS.iter().filter(|verb| !deaf.contains(&verb.name)) {
        assert!(counts.get(verb.name).is_some_and(|count| count.0 > 0), "{} never succeeded", verb.name);
    }
}

/// The state after an edit, replayed from the start by nothing but its chain of parents.
fn replayed(session: &Session, id: EditId) -> Song {
    let history = &session.history;
    let mut chain: Vec<EditId> =
        std::iter::successors(Some(id), |id| history.parent(*id)).filter(|id| id.0 != 0).collect();
    chain.reverse();
    let mut song = history.start().clone();
    for id in chain {
        apply_all(&mut song, &history.edit(id).unwrap().ops).unwrap();
    }
    song
}

#[test]
fn any_edit_can_be_reached_and_taken_back_exactly() {
    let presets = presets();
    let check = |script: Script| -> TestCaseResult {
        let folder = common::quick_folder();
        let mut store = new_store(&folder);
        run_script(&mut store, &presets, &script);
        let session = store.session();
        for edit in session.history.edits() {
            let after = session.history.song_at(edit.id).unwrap();
            prop_assert_eq!(&after, &replayed(session, edit.id), "edit {} is not its replay", edit.id);
            let mut back = after;
            apply_all(&mut back, &inverse_all(&edit.ops)).unwrap();
            let parent = session.history.song_at(edit.parents[0]).unwrap();
            prop_assert_eq!(back, parent, "taking back `{}`", &edit.command);
        }
        Ok(())
    };
    runner(150, 2).run(&script(60), check).unwrap_or_else(|error| panic!("{error}"));
}

#[test]
fn undoing_all_gives_the_start_and_redoing_all_the_end() {
    let presets = presets();
    let check = |script: Script| -> TestCaseResult {
        let folder = common::quick_folder();
        let mut store = new_store(&folder);
        run_script(&mut store, &presets, &script);
        let mut states = vec![(store.session().history.head(), store.session().song().clone())];
        while let Ok(head) = store.undo() {
            states.push((head, store.session().song().clone()));
        }
        prop_assert_eq!(store.session().song(), store.session().history.start());
        prop_assert_eq!(store.session().history.head(), EditId(0));
        states.pop();
        for (head, song) in states.into_iter().rev() {
            prop_assert_eq!(store.redo().unwrap(), head);
            prop_assert_eq!(store.session().song(), &song);
        }
        Ok(())
    };
    runner(150, 3).run(&script(50), check).unwrap_or_else(|error| panic!("{error}"));
}

#[test]
fn a_session_comes_back_from_its_file_and_from_its_journal_as_it_was() {
    let presets = presets();
    let check = |(script, saved_after): (Script, usize)| -> TestCaseResult {
        let folder = common::quick_folder();
        let mut store = new_store(&folder);
        let (saved, unsaved) = script.split_at(saved_after.min(script.len()));
        run_script(&mut store, &presets, &saved.to_vec());
        store.save().unwrap();
        run_script(&mut store, &presets, &unsaved.to_vec());
        let path = store.path().to_owned();
        let expected = whole(store.session());
        drop(store);
        let (store, _) = Store::open(&path, Access::Write).unwrap();
        prop_assert!(whole(store.session()) == expected, "recovered from the journal");
        let next = store.session().next_region();
        store.close().unwrap();
        prop_assert!(!journal_path(&path).exists());
        let (store, notes) = Store::open(&path, Access::Write).unwrap();
        prop_assert!(notes.is_empty(), "{:?}", notes);
        prop_assert!(whole(store.session()) == expected, "read from the file");
        prop_assert_eq!(store.session().next_region(), next);
        Ok(())
    };
    runner(150, 4).run(&(script(40), 0..40usize), check).unwrap_or_else(|error| panic!("{error}"));
}

/// Words and signs of commands, and what people and pastes put between them.
fn soup() -> BoxedStrategy<String> {
    let mut words: Vec<String> = VERBS
        .iter()
        .flat_map(|verb| std::iter::once(&verb.name).chain(verb.also).chain(verb.examples))
        .flat_map(|text| text.split(' '))
        .map(str::to_owned)
        .collect();
    words
        .extend(VERBS.iter().flat_map(|verb| verb.usage().split(' ').map(str::to_owned).collect::<Vec<_>>()));
    words.extend(
        [
            "on",
            "at",
            "all",
            "here",
            "loop",
            "lane",
            "role",
            "word",
            "fit",
            "curve",
            "bend",
            "to",
            "start",
            "end",
            "..",
            "...",
            ",",
            ";",
            "-",
            "--",
            "-.",
            "+.",
            ".",
            ".5s",
            "\"",
            "\"a",
            "\\",
            "#",
            "1:",
            "1:60",
            "1:.5",
            ":",
            "1:23.4.5",
            "-1:00",
            "99999999999999999999s",
            "1e400",
            "0smp",
            "-0dB",
            "+0ms",
            "1.5smp",
            "12",
            "3..5",
            "5..3",
            "2-1",
            "2-",
            "0",
            "\u{2212}3dB",
            "\u{2212}",
            "\u{661}s",
            "\u{e9}",
            "\u{1f3a4}",
            "\u{0}",
            "\t",
            "\u{202e}",
            "\u{301}",
            "ﬁt",
            "İ",
            "ß",
        ]
        .map(str::to_owned),
    );
    let nines = "9".repeat(400);
    words.extend([format!("{nines}s"), format!("0.{nines}s"), format!("{nines}:1")]);
    prop::collection::vec((prop::sample::select(words), prop::sample::select(vec!["", " ", " ", " "])), 0..14)
        .prop_map(|parts| parts.into_iter().map(|(word, space)| word + space).collect())
        .boxed()
}

/// An example of the table with bytes cut out or characters put in.
fn bent_example() -> BoxedStrategy<String> {
    let examples: Vec<&str> = VERBS.iter().flat_map(|verb| verb.examples.iter().copied()).collect();
    (prop::sample::select(examples), any::<prop::sample::Index>(), 0..4usize, "\\PC{0,2}")
        .prop_map(|(example, place, gone, put)| {
            let characters: Vec<char> = example.chars().collect();
            let start = place.index(characters.len());
            let end = (start + gone).min(characters.len());
            let text = |part: &[char]| part.iter().collect::<String>();
            text(&characters[..start]) + &put + &text(&characters[end..])
        })
        .boxed()
}

#[test]
fn no_line_makes_the_parser_or_a_verb_panic() {
    let presets = presets();
    let folder = common::quick_folder();
    let mut store = new_store(&folder);
    for line in ["cut at 1s,2s,3s on all", "loop 1s..2s", "mark first", "crossfade 10ms on lane 2", "undo"] {
        run_one(&mut store, &presets, None, line).unwrap();
    }
    let session = store.session();
    let bytes = prop::collection::vec(any::<u8>(), 0..60)
        .prop_map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    let lines = prop_oneof![2 => soup(), 2 => bent_example(), 1 => bytes, 1 => any::<String>()];
    let read = RefCell::new((0u32, 0u32));
    let check = |(line, cursor): (String, Option<Cursor>)| -> TestCaseResult {
        let context = Context { session, cursor, presets: &presets, hearing: &tautline::command::Deaf };
        let offers = (complete(&line, None), complete(&line, Some(&context)));
        prop_assert!(offers.0.len() <= offers.1.len(), "a session takes offers away: {}", line);
        let commands = match parse(&line) {
            Ok(commands) => commands,
            Err(error) => {
                let characters = line.chars().count();
                prop_assert!(
                    error.column.is_some_and(|column| column <= characters + 1),
                    "{}: {}",
                    line,
                    error
                );
                return Ok(());
            }
        };
        for command in commands {
            read.borrow_mut().0 += 1;
            let Ok(Action::Edit { ops, .. }) = command.call.resolve(&context) else { continue };
            read.borrow_mut().1 += 1;
            let mut song = session.song().clone();
            apply_all(&mut song, &ops).unwrap();
            let broken = check_song(&song, session);
            prop_assert!(broken.is_empty(), "`{}` gives {:?}", command.text, broken);
        }
        Ok(())
    };
    runner(10_000, 5).run(&(lines, cursor()), check).unwrap_or_else(|error| panic!("{error}"));
    let (read, resolved) = read.into_inner();
    println!("{read} commands could be read, {resolved} resolved");
    assert!(read > 200 && resolved > 50, "too few lines meant anything: {read}, {resolved}");
}
