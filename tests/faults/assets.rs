//! Recordings that vanish, change or turn into something else while the session knows them.

use std::fs;
use std::path::Path;
use std::process::Command;

use tautline::edit::{Access, Store};

use crate::numbers::{Numbers, setting};
use crate::program::Desk;
use crate::{Row, seed};

/// What is done to a recording, and one of the things that the message says of it.
const HARMS: [(&str, &[&str]); 8] = [
    ("removed", &["put the recording back", "there is no such file; put it there"]),
    ("one bit changed", &["changed since it was taken in"]),
    ("cut short", &["changed since it was taken in"]),
    ("replaced by text", &["changed since it was taken in"]),
    ("emptied", &["changed since it was taken in"]),
    ("replaced by another take", &["changed since it was taken in"]),
    ("replaced by a folder", &["put the recording back", "check that the disk is connected"]),
    ("replaced by a pipe", &["put the recording back", "check that the disk is connected"]),
];

fn harm(which: usize, path: &Path, numbers: &mut Numbers) {
    let mut bytes = fs::read(path).unwrap();
    match which {
        1 => {
            let at = numbers.index(bytes.len());
            bytes[at] ^= 1 << numbers.below(8);
        }
        2 => bytes.truncate(1 + numbers.index(bytes.len() - 1)),
        3 => bytes = b"words".to_vec(),
        4 => bytes.clear(),
        5 => bytes = fs::read(path.with_file_name("lead.wav")).unwrap(),
        _ => {}
    }
    fs::remove_file(path).unwrap();
    match which {
        0 => {}
        6 => fs::create_dir(path).unwrap(),
        7 => assert!(Command::new("mkfifo").arg(path).status().unwrap().success()),
        _ => fs::write(path, bytes).unwrap(),
    }
}

/// Recordings harmed at random, each command refused in words, nothing changed; put back, the work goes on.
pub fn harmed() -> Row {
    let desk = Desk::with_session();
    let mut numbers = Numbers(seed() ^ 2);
    let mut acknowledged = 0;
    let rounds = setting("TAUTLINE_KILLS", 240) / 10;
    for round in 0..rounds {
        let (which, name) = (numbers.index(HARMS.len()), numbers.pick(&["double-1.wav", "double-2.wav"]));
        let (done, says) = HARMS[which];
        let path = desk.path(name);
        let good = fs::read(&path).unwrap();
        harm(which, &path, &mut numbers);
        let session = fs::read(desk.path("song.json")).unwrap();
        let what = format!("round {round}: {name} {done}");
        let commands: [&[&str]; 5] = [
            &["run", "song.json", "-c", "mute on lane 2"],
            &["bounce", "song.json", "--to", "out"],
            &["timing", "song.json"],
            &["audition", "song.json", "--out", "none", "--for", "0.1s"],
            &["pack", "song.json", "--to", "out.tar"],
        ];
        let command = commands[numbers.index(commands.len())];
        let said = desk.tautline(command);
        assert_eq!(said.code, 3, "{what}, {command:?}: {said:#?}");
        assert!(
            says.iter().any(|part| said.err.contains(part)) && said.err.contains(name),
            "{what}, {command:?}: {said:#?}"
        );
        desk.tautline(&["show", "song.json"]).ends(0);
        let found = desk.tautline(&["check", "song.json"]).ends(1);
        assert!(found.out.contains(name), "{what}: {found:#?}");
        assert!(fs::read(desk.path("song.json")).unwrap() == session, "{what}: the session changed");
        assert!(
            !desk.path("out").exists() && !desk.path("out.tar").exists(),
            "{what}: half of something was left"
        );
        if path.is_dir() {
            fs::remove_dir(&path).unwrap();
        } else {
            let _ = fs::remove_file(&path);
        }
        fs::write(&path, good).unwrap();
        desk.run("pan 0.1 on lane 2; pan -0.1 on lane 2").ends(0);
        acknowledged += 2;
        let (store, _) = Store::open(&desk.path("song.json"), Access::Read).unwrap();
        assert_eq!(store.session().history.edits().len(), acknowledged as usize, "{what}");
    }
    Row { what: "recordings removed or altered", tried: rounds, acknowledged, lost: 0 }
}
