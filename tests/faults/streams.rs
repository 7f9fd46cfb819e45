//! The terminal goes, nobody reads the answers, the answers' disk is full.

use std::fs::{self, File};
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Command, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use portable_pty::{CommandBuilder, PtySize, native_pty_system};
use tautline::edit::{Access, Store, journal_path};

use crate::Row;
use crate::live::Demo;
use crate::program::Desk;

fn edits(desk: &Desk) -> usize {
    let (store, _) = Store::open(&desk.path("song.json"), Access::Read).unwrap();
    store.session().history.edits().len()
}

/// Whoever reads the answers goes away after a few: what was sent is done all the same, and saved.
pub fn answers_unread() -> Row {
    let desk = Desk::with_session();
    let rounds = 5;
    for round in 0..rounds {
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
        let mut answers = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        for _ in 0..round {
            writeln!(input, "gain to -1dB on lane 1; gain to -2dB on lane 1").unwrap();
            answers.read_line(&mut line).unwrap();
        }
        drop(answers);
        for _ in round..20 {
            writeln!(input, "gain to -3dB on lane 2; gain to -4dB on lane 2").unwrap();
        }
        drop(input);
        assert!(child.wait().unwrap().success());
        assert_eq!(edits(&desk), 40 * (round + 1), "round {round}");
        assert!(!journal_path(&desk.path("song.json")).exists());
    }
    Row {
        what: "reader of the answers gone",
        tried: rounds as u64,
        acknowledged: 40 * rounds as u64,
        lost: 0,
    }
}

/// Answers that cannot be written are said on standard error; the edit is there all the same.
#[test]
fn answers_on_a_full_disk_are_an_error_and_the_edit_stays() {
    let Ok(full) = File::options().write(true).open("/dev/full") else {
        eprintln!("SKIPPED: there is no /dev/full here");
        return;
    };
    let desk = Desk::with_session();
    let output = Command::new(env!("CARGO_BIN_EXE_tautline"))
        .args(["run", "song.json", "-c", "gain -1dB on lane 2"])
        .current_dir(desk.path(""))
        .envs(desk.environment())
        .stdout(full)
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(4), "{text}");
    assert!(text.contains("cannot write to standard output") && text.contains("No space left"), "{text}");
    assert_eq!(edits(&desk), 1);
    assert!(!journal_path(&desk.path("song.json")).exists());
}

/// The window is closed under the screen: everything that was seen as done is saved, and the program ends.
#[test]
fn a_terminal_that_goes_away_takes_no_edit_with_it() {
    let demo = Demo::new();
    let pair =
        native_pty_system().openpty(PtySize { rows: 24, cols: 80, pixel_width: 0, pixel_height: 0 }).unwrap();
    let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_tautline"));
    command.args(["open", &demo.session().display().to_string(), "--out", "none"]);
    command.env_clear();
    command.env("TERM", "xterm-256color");
    for (name, folder) in [
        ("HOME", ""),
        ("XDG_CACHE_HOME", "cache"),
        ("XDG_STATE_HOME", "state"),
        ("XDG_CONFIG_HOME", "config"),
    ] {
        command.env(name, demo.home().join(folder));
    }
    let mut child = pair.slave.spawn_command(command).unwrap();
    drop(pair.slave);
    let mut reader = pair.master.try_clone_reader().unwrap();
    let mut writer = pair.master.take_writer().unwrap();
    let (told, heard) = mpsc::channel();
    // Reads until the mark is seen; then no end of the terminal is open any more but those that are dropped below.
    std::thread::spawn(move || {
        let mut all = Vec::new();
        let mut block = [0; 65_536];
        loop {
            let read = reader.read(&mut block).unwrap_or(0);
            all.extend_from_slice(&block[..read]);
            let text = String::from_utf8_lossy(&all);
            for sign in ["tight", "gone by"] {
                if text.contains(sign) {
                    let _ = told.send(sign);
                }
            }
            if read == 0 || text.contains("gone by") {
                return;
            }
        }
    });
    let wait = |sign: &str| {
        let began = Instant::now();
        while heard.recv_timeout(Duration::from_secs(60)).unwrap() != sign {
            assert!(began.elapsed() < Duration::from_secs(60), "`{sign}` never came");
        }
    };
    wait("tight");
    writer.write_all(b"\rgain -1dB on lane 2; mark \"gone by\"\r").unwrap();
    writer.flush().unwrap();
    wait("gone by");
    // The echo of what is typed is seen before it is done; give it the time to be.
    let journal = journal_path(&demo.session());
    let began = Instant::now();
    while !fs::read_to_string(&journal).is_ok_and(|text| text.contains("gone by")) {
        assert!(began.elapsed() < Duration::from_secs(60), "the mark was never made");
        std::thread::sleep(Duration::from_millis(10));
    }
    drop(writer);
    drop(pair.master);
    let began = Instant::now();
    while child.try_wait().unwrap().is_none() {
        assert!(began.elapsed() < Duration::from_secs(60), "it works on without a terminal");
        std::thread::sleep(Duration::from_millis(20));
    }
    let (store, notes) = Store::open(&demo.session(), Access::Read).unwrap();
    assert!(store.session().marks.contains_key("gone by"));
    assert!(notes.is_empty() && !journal.exists(), "it was saved: {notes:?}");
}

/// The screen killed at once after an edit that it showed as done.
#[test]
fn a_screen_that_is_killed_loses_nothing_that_it_showed() {
    let demo = Demo::new();
    for turn in 0..3 {
        let mut live = demo.start().run();
        live.wait_ready();
        live.line(&format!("mark \"turn {turn}\""));
        live.wait_for(&format!("\"turn {turn}\""));
        live.signal("KILL");
        let (well, _) = live.end();
        assert!(!well);
        let (store, _) = Store::open(&demo.session(), Access::Read).unwrap();
        assert!(store.session().marks.contains_key(&format!("turn {turn}")), "{:?}", store.session().marks);
    }
}
