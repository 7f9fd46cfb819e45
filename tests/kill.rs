//! A program killed between any two instructions loses no edit that it reported as done.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

mod common;

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use tautline::edit::{Access, LaneValue, Op, Store};
use tautline::song::rules::check_song;
use tautline::song::{Db, EditId};

/// Names the session for the worker; without it the worker is an empty test.
const SESSION: &str = "TAUTLINE_KILL_SESSION";
/// How often the worker is killed in one run.
const KILLS: u64 = 60;

/// Not a test of its own: [`nothing_reported_as_done_is_lost`] runs it in a process to be killed.
#[test]
fn worker() {
    let Ok(path) = std::env::var(SESSION) else { return };
    let (mut store, _) = Store::open(Path::new(&path), Access::Write).unwrap();
    let mut out = std::io::stdout().lock();
    // The harness has begun a line of its own.
    let mut say = |what: String| writeln!(out, "{what}").and_then(|()| out.flush()).unwrap();
    say("\nopen".into());
    for round in 0u64.. {
        let lane = &store.session().song().lanes[1];
        let to = if lane.gain_db.0 == 1.0 { 2.0 } else { 1.0 };
        let (from, to) = (LaneValue::GainDb(lane.gain_db), LaneValue::GainDb(Db(to)));
        let op = Op::SetLane { lane: lane.id, from, to };
        let id = store.commit(&format!("round {round}"), common::TIME, vec![op], None).unwrap();
        say(format!("ok {id} {round}"));
        match round % 13 {
            3 => say(format!("head {}", store.undo().unwrap())),
            7 => {
                store.mark("here").unwrap();
                say(format!("mark {id}"));
            }
            9 => store.save().unwrap(),
            _ => {}
        }
    }
}

/// The same numbers in every run (Steele, Lea, Flood 2014: SplitMix64, constants from memory).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % limit
    }
}

fn start(path: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["worker", "--exact", "--nocapture", "--test-threads=1"])
        .env(SESSION, path)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Kills the worker after some lines or some time and gives all that it reported.
fn killed(path: &Path, numbers: &mut Numbers) -> Vec<String> {
    let mut child = start(path);
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut said = Vec::new();
    if numbers.below(4) == 0 {
        // While it starts, opens and folds the journal in, or a little later.
        std::thread::sleep(Duration::from_micros(numbers.below(20_000)));
    } else {
        let wanted = 1 + numbers.below(40);
        said.extend(lines.by_ref().map(Result::unwrap).take(usize::try_from(wanted).unwrap() + 5));
        std::thread::sleep(Duration::from_micros(numbers.below(600)));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    // What it said until it died counts as well; its last line may be cut off.
    said.extend(lines.map(Result::unwrap));
    said
}

/// What one life of the worker promised.
#[derive(Default)]
struct Promised {
    edits: Vec<(EditId, String)>,
    head: Option<EditId>,
    mark: Option<EditId>,
}

fn promised(said: &[String]) -> Promised {
    let mut promised = Promised::default();
    for line in said {
        let words: Vec<&str> = line.split(' ').collect();
        let id = |word: &str| word.parse().map(EditId).unwrap();
        match words.as_slice() {
            ["ok", edit, round] => {
                promised.edits.push((id(edit), format!("round {round}")));
                promised.head = Some(id(edit));
            }
            ["head", head] => promised.head = Some(id(head)),
            ["mark", edit] => promised.mark = Some(id(edit)),
            _ => {}
        }
    }
    promised
}

#[test]
fn nothing_reported_as_done_is_lost() {
    let folder = common::quick_folder();
    let store = common::store(folder.path(), 3, 48_000);
    let path = store.path().to_owned();
    store.close().unwrap();
    let kills = std::env::var("TAUTLINE_KILLS").ok().and_then(|kills| kills.parse().ok()).unwrap_or(KILLS);
    let mut numbers = Numbers(20_261_125);
    let (mut before, mut reported) = (0, 0);
    for kill in 0..kills {
        let promised = promised(&killed(&path, &mut numbers));
        let (store, notes) = Store::open(&path, Access::Write).unwrap();
        assert!(store.is_writable(), "the lock died with its owner: {notes:?}");
        let (session, history) = (store.session(), &store.session().history);
        for (id, command) in &promised.edits {
            assert_eq!(history.edit(*id).map(|edit| &edit.command), Some(command), "kill {kill}: edit {id}");
        }
        let edits = history.edits().len();
        let more = edits - before - promised.edits.len();
        assert!(more <= 1, "kill {kill}: {more} edits that nobody was told of");
        let unsaid = history.head().0 == edits as u64 || promised.head.is_none();
        let stepped_back = promised.head.and_then(|head| history.parent(head)) == Some(history.head());
        assert!(promised.head == Some(history.head()) || unsaid || stepped_back, "kill {kill}: the head");
        if let Some(mark) = promised.mark {
            assert!(session.marks["here"] >= mark, "kill {kill}: the mark");
        }
        assert!(check_song(session.song(), session).is_empty());
        (before, reported) = (edits, reported + promised.edits.len());
        // Half of the time the next worker finds the journal as the dead one left it.
        if kill % 2 == 0 {
            store.close().unwrap();
        }
        for name in common::contents(folder.path()).keys() {
            assert!(["song.json", "song.json.journal"].contains(&name.as_str()), "{name} was left behind");
        }
    }
    println!("{kills} kills, {reported} edits reported, {before} in the session");
    assert!(reported as u64 > kills, "the worker hardly worked");
}
