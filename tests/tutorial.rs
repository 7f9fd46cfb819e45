//! The tutorial does what it says: its commands and keys are read out of the Markdown and typed, in a shell and in a
//! pseudo-terminal.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic is the report of a test")]

mod live;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use live::{Live, Start, spell};

const TUTORIAL: &str = include_str!("../demo/TUTORIAL.md");

/// Something to do, in the order of the text.
#[derive(Debug, PartialEq)]
enum Step<'a> {
    /// A line of a shell block.
    Shell(&'a str),
    /// What a row of a table types, and what the screen is to say then.
    Type(Vec<&'a str>, Vec<&'a str>),
}

/// What stands in backticks.
fn quoted(text: &str) -> Vec<&str> {
    text.split('`').skip(1).step_by(2).collect()
}

fn steps(text: &str) -> Vec<Step<'_>> {
    let mut steps = Vec::new();
    let mut in_shell = false;
    for line in text.lines() {
        if line.starts_with("```") {
            in_shell = line == "```sh";
        } else if in_shell {
            steps.push(Step::Shell(line));
        } else if line.starts_with("| `") {
            let cells: Vec<&str> = line.trim_matches('|').split('|').collect();
            assert_eq!(cells.len(), 3, "{line}");
            steps.push(Step::Type(quoted(cells[0]), quoted(cells[2])));
        }
    }
    steps
}

/// The bytes that a terminal sends for a key; `None`: it is no key.
fn bytes(key: &str) -> Option<&[u8]> {
    let spelled = spell(key);
    (spelled != key.as_bytes() || key.chars().count() == 1).then_some(spelled)
}

/// Keys in a row, or a command line.
fn hands(live: &mut Live, typed: &str) {
    let keys: Option<Vec<&[u8]>> = typed.split(' ').map(bytes).collect();
    match keys {
        Some(keys) => {
            for key in keys {
                live.send(key);
                if typed != "ctrl-q" {
                    pause(live);
                }
            }
        }
        None => {
            live.send(b"\r");
            pause(live);
            live.send(format!("{typed}\r").as_bytes());
            pause(live);
        }
    }
}

/// While it plays, something comes all the time; a moment is enough then.
fn pause(live: &Live) {
    if live.row(0).contains('▶') { std::thread::sleep(Duration::from_millis(250)) } else { live.settle() }
}

struct Reader {
    folder: PathBuf,
    home: PathBuf,
}

impl Reader {
    fn shell(&mut self, line: &str) {
        if let Some(to) = line.strip_prefix("cd ") {
            self.folder.push(to);
            return;
        }
        let program = Path::new(env!("CARGO_BIN_EXE_tautline"));
        let path = format!("{}:/usr/bin:/bin", program.parent().unwrap().display());
        let mut command = Command::new("bash");
        command.args(["--norc", "-c", line]).current_dir(&self.folder).env_clear();
        let output =
            command.env("PATH", path).env("HOME", &self.home).env("LANG", "C.UTF-8").output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "{line}: {said}\n{}", String::from_utf8_lossy(&output.stdout));
    }

    fn open(&self, session: &str) -> Live {
        // The virtual sound device is another test's matter; with `none` it keeps time in silence.
        let live = Start::open(&self.folder.join(session), &self.home).size(110, 32).run();
        live.wait_ready();
        live
    }
}

fn shows(live: &Live, text: &str, after: &[&str]) {
    let began = Instant::now();
    while !live.text().contains(text) {
        assert!(
            began.elapsed() < Duration::from_secs(90),
            "after {after:?} `{text}` never came:\n{}",
            live.text()
        );
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn every_key_and_every_line_of_the_tutorial_works() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path().join("home");
    std::fs::create_dir(&home).unwrap();
    let mut reader = Reader { folder: folder.path().to_owned(), home };
    let mut live: Option<Live> = None;
    let mut typed = 0;
    for step in steps(TUTORIAL) {
        match step {
            Step::Shell(line) => match line.strip_prefix("tautline open ") {
                Some(session) => live = Some(reader.open(session)),
                None => reader.shell(line),
            },
            Step::Type(keys, says) => {
                let screen = live.as_mut().unwrap_or_else(|| panic!("{keys:?}: no screen is open"));
                for key in &keys {
                    hands(screen, key);
                    typed += 1;
                }
                if keys == ["ctrl-q"] {
                    assert!(live.take().unwrap().end().0, "it did not end well");
                    continue;
                }
                let said = screen.text();
                for wrong in ["nothing is bound", "refused", "there is no verb", "did you mean"] {
                    assert!(!said.contains(wrong), "{keys:?}: {wrong}\n{said}");
                }
                for text in says {
                    shows(screen, text, &keys);
                }
            }
        }
    }
    assert!(live.is_none(), "the screen was never left");
    assert!(typed > 40, "only {typed} things were typed");
    // What the text promises of the result.
    let sheet = reader.folder.join("handoff");
    let names: Vec<String> = std::fs::read_dir(&sheet)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into())
        .collect();
    assert!(names.iter().any(|name| name.ends_with(".otio")) && names.len() >= 8, "{names:?}");
    assert!(reader.folder.join("bounce-as-sung").is_dir());
}

#[test]
fn keys_in_the_running_text_are_keys_of_the_keymap_too() {
    let keymap = include_str!("../keymaps/two-hands.toml");
    for step in steps(TUTORIAL) {
        let Step::Type(typed, _) = step else { continue };
        for keys in typed.iter().filter(|keys| keys.split(' ').all(|key| bytes(key).is_some())) {
            let chord = keys.trim_start_matches(|c: char| c.is_ascii_digit() && keys.len() > 1).trim_start();
            assert!(keymap.contains(&format!("\n\"{chord}\" = ")), "`{keys}` is not in the keymap");
        }
    }
}
