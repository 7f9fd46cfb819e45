//! A program killed at any moment loses no edit that it answered `ok`.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic is the report of a test")]

mod program;

use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};
use std::time::Duration;

use program::Desk;
use serde_json::Value;

/// Rounds without `TAUTLINE_KILL_ROUNDS`.
const ROUNDS: u64 = 40;

/// A number from a seed (splitmix64, from memory; any mixing would do).
fn mixed(seed: &mut u64) -> u64 {
    *seed = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut x = *seed;
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ (x >> 31)
}

/// The line that is sent at a turn; each is an edit of its own that can be told from all others.
fn line(turn: u64) -> String {
    format!("gain to -{}.{:03}dB on lane {}", turn / 1000 % 60, turn % 1000, 1 + turn % 3)
}

/// Feeds lines to `run -` and kills it at a moment that the seed names. Gives what was answered: the numbers of the
/// edits and how many lines from `first` on that were.
fn killed_run(desk: &Desk, first: u64, seed: &mut u64) -> Vec<u64> {
    let mut child = Command::new(env!("CARGO_BIN_EXE_tautline"))
        .args(["run", "song.json", "-"])
        .current_dir(desk.path(""))
        .envs(desk.environment())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    let answers = BufReader::new(child.stdout.take().unwrap()).lines();
    // All lines at once: the program is then busy writing whenever it is hit. A broken pipe is the kill itself.
    let feeder = std::thread::spawn(move || {
        let text: String = (first..first + 2_000).map(|turn| line(turn) + "\n").collect();
        let _ = input.write_all(text.as_bytes());
        input
    });
    let (after, pause) = (mixed(seed) % 12, Duration::from_micros(mixed(seed) % 1_500));
    let mut acknowledged = Vec::new();
    for answer in answers.map_while(Result::ok) {
        let Some(id) = answer.strip_prefix("ok ") else { panic!("{answer}") };
        acknowledged.push(id.parse().unwrap());
        if acknowledged.len() as u64 == after + 1 {
            std::thread::sleep(pause);
            // On Unix this is SIGKILL: nothing in the program can see it coming.
            child.kill().unwrap();
        }
    }
    drop(feeder.join().unwrap());
    assert!(!child.wait().unwrap().success(), "it ended before it was killed");
    acknowledged
}

#[test]
fn no_edit_that_was_answered_ok_is_lost_by_a_kill() {
    let rounds = std::env::var("TAUTLINE_KILL_ROUNDS").map_or(ROUNDS, |rounds| rounds.parse().unwrap());
    let desk = Desk::with_session();
    let mut seed = 0x7a07_11fe;
    // What stands at each edit's number, from answers; a round begins where the one before really ended.
    let mut known = 0;
    for round in 0..rounds {
        let first = known + 1;
        let acknowledged = killed_run(&desk, first, &mut seed);
        assert!(
            acknowledged.iter().copied().eq(first..first + acknowledged.len() as u64),
            "{acknowledged:?}"
        );
        let last = *acknowledged.last().unwrap();

        let shown = desk.tautline(&["show", "song.json", "--json"]).ends(0).json();
        let head = shown["head"].as_u64().unwrap();
        assert!(head >= last, "round {round}: edit {last} was acknowledged, {head} is the newest");
        for row in 0..3 {
            // The last edit on each lane decides what its gain is.
            let turn = (1..=head).rev().find(|turn| turn % 3 == row);
            let gain = shown["lanes"][row as usize]["gain_db"].as_f64().unwrap();
            let wanted = turn.map_or(0.0, |turn| -(turn as f64) / 1000.0);
            assert!((gain - wanted).abs() < 1e-9, "round {round}, lane {}: {gain}, not {wanted}", row + 1);
        }
        known = head;
    }
    // The next writer folds the journal in; every edit is in the file with the command that made it.
    desk.run("mark \"end\"").ends(0);
    assert!(!desk.path("song.json.journal").exists());
    let session: Value = serde_json::from_slice(&std::fs::read(desk.path("song.json")).unwrap()).unwrap();
    let edits = session["edits"].as_array().unwrap();
    assert_eq!(edits.len() as u64, known);
    for (edit, turn) in edits.iter().zip(1..) {
        assert_eq!(edit["command"], line(turn));
    }
}
