//! The real program, killed at any moment. A shadow does what was answered; both must come to the same.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tautline::edit::{Access, Session, Store};

use crate::common::{quick_folder, run};
use crate::left::state;
use crate::lines;
use crate::numbers::{Numbers, setting};
use crate::program::Desk;
use crate::{Row, seed};

/// Kills without `TAUTLINE_KILLS`.
const KILLS: u64 = 120;
/// A session is begun anew after so many kills, so that opening it stays quick.
const KILLS_OF_A_SESSION: u64 = 40;

/// How the program is at work when it is hit.
#[derive(Debug, Clone, Copy)]
enum Hit {
    /// While it answers lines.
    Lines,
    /// While it starts, opens, folds the journal in.
    Start,
    /// After its last line, while it saves and clears up.
    Close,
    /// Anywhere in a script from a file.
    Script,
}

struct Bench {
    desk: Desk,
    pristine: Vec<u8>,
    shadow_folder: tempfile::TempDir,
    shadow: Store,
    numbers: Numbers,
}

impl Bench {
    fn new(seed: u64) -> Bench {
        let desk = Desk::with_session();
        let pristine = fs::read(desk.path("song.json")).unwrap();
        let shadow_folder = quick_folder();
        let shadow = shadow(shadow_folder.path().join("shadow.json"), &pristine);
        Bench { desk, pristine, shadow_folder, shadow, numbers: Numbers(seed) }
    }

    fn begin_anew(&mut self) {
        let _ = fs::remove_file(self.desk.path("song.json.journal"));
        fs::write(self.desk.path("song.json"), &self.pristine).unwrap();
        let name = format!("shadow-{}.json", self.numbers.next());
        self.shadow = shadow(self.shadow_folder.path().join(name), &self.pristine);
    }

    fn start(&self, args: &[&str]) -> Child {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tautline"));
        command.args(args).current_dir(self.desk.path("")).envs(self.desk.environment());
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap()
    }

    /// Runs lines and kills; gives the lines and how many answers came.
    fn killed(&mut self, hit: Hit) -> (Vec<String>, Vec<String>) {
        let count = match hit {
            Hit::Lines | Hit::Start => 60,
            Hit::Close => self.numbers.below(6) as usize,
            Hit::Script => 1 + self.numbers.below(40) as usize,
        };
        let safe = matches!(hit, Hit::Script);
        let lines: Vec<String> = (0..count)
            .map(|_| if safe { lines::safe(&mut self.numbers) } else { lines::any(&mut self.numbers) })
            .collect();
        let text: String = lines.iter().map(|line| format!("{line}\n")).collect();
        if safe {
            self.desk.put("script.txt", &text);
        }
        let mut child = self.start(if safe {
            &["run", "song.json", "-f", "script.txt"]
        } else {
            &["run", "song.json", "-"]
        });
        let mut input = child.stdin.take();
        if let (false, Some(input)) = (safe, &mut input) {
            // All of it fits into the pipe, so this does not wait.
            input.write_all(text.as_bytes()).unwrap();
        }
        let mut answers = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let mut said = Vec::new();
        let micros = |numbers: &mut Numbers, limit| Duration::from_micros(numbers.below(limit));
        match hit {
            Hit::Start => std::thread::sleep(micros(&mut self.numbers, 25_000)),
            Hit::Script => std::thread::sleep(micros(&mut self.numbers, 60_000)),
            Hit::Lines => {
                let after = 1 + self.numbers.index(12);
                said.extend(answers.by_ref().take(after));
                std::thread::sleep(micros(&mut self.numbers, 1_500));
            }
            Hit::Close => {
                said.extend(answers.by_ref().take(count));
                drop(input.take());
                std::thread::sleep(micros(&mut self.numbers, 6_000));
            }
        }
        self.end(&mut child);
        // What it said until it died counts as well.
        said.extend(answers);
        (lines, said)
    }

    /// On Unix, `kill` is SIGKILL: nothing in the program can see it coming. One in ten gets another signal.
    fn end(&mut self, child: &mut Child) {
        if self.numbers.one_in(10) {
            let signal = self.numbers.pick(&["TERM", "HUP", "INT"]);
            let _ = Command::new("kill").args(["-s", signal, &child.id().to_string()]).output();
            // Whoever runs the tests without a terminal may have had them ignored.
            std::thread::sleep(Duration::from_millis(30));
        }
        child.kill().unwrap();
        child.wait().unwrap();
    }

    /// Lets the shadow do what was answered, and compares. Gives how many answers said `ok`.
    fn compare(&mut self, lines: &[String], said: &[String], what: &str) -> u64 {
        let mut acknowledged = 0;
        assert!(said.len() <= lines.len(), "{what}: {said:#?}");
        for (line, answer) in lines.iter().zip(said) {
            let done = run(&mut self.shadow, line);
            match answer.strip_prefix("ok ") {
                Some(rest) => {
                    let edit =
                        done.unwrap_or_else(|error| panic!("{what}: `{line}`: {answer}, but {error}")).edit;
                    assert_eq!(rest.split(' ').next(), Some(edit.to_string().as_str()), "{what}: `{line}`");
                    acknowledged += 1;
                }
                None => {
                    assert!(done.is_err() && answer.starts_with("refused: "), "{what}: `{line}`: {answer}")
                }
            }
        }
        let path = self.desk.path("song.json");
        // The file alone is a whole session, whatever the journal beside it holds.
        let saved = Session::from_json(&path, &fs::read(&path).unwrap()).unwrap();
        let access = if self.numbers.one_in(3) { Access::Write } else { Access::Read };
        let (found, notes) = Store::open(&path, access).unwrap_or_else(|error| panic!("{what}: {error}"));
        assert!(access == Access::Read || found.is_writable(), "the lock died with its owner: {notes:?}");
        // The next line may have been carried out and its answer cut off.
        if seen(&found) != seen(&self.shadow) && said.len() < lines.len() {
            let _ = run(&mut self.shadow, &lines[said.len()]);
        }
        let (found_now, wanted) = (seen(&found), seen(&self.shadow));
        assert!(
            found_now == wanted,
            "{what}: {} answers to {lines:#?}\nfound {found_now:#?}\nnot {wanted:#?}",
            said.len()
        );
        let edits = self.shadow.session().history.edits();
        for (edit, shadow) in saved.history.edits().iter().zip(edits) {
            assert_eq!(
                (edit.id, &edit.command, &edit.ops),
                (shadow.id, &shadow.command, &shadow.ops),
                "{what}"
            );
        }
        assert!(found.session().violations().is_empty());
        acknowledged
    }
}

type Seen = (
    crate::left::State,
    Vec<String>,
    std::collections::BTreeMap<tautline::song::EditId, tautline::song::EditId>,
);

/// All that a user can tell of a session, with the way that redo goes.
fn seen(store: &Store) -> Seen {
    let history = &store.session().history;
    let commands = history.edits().iter().map(|edit| edit.command.clone()).collect();
    (state(store.session()), commands, history.ways())
}

fn shadow(path: PathBuf, bytes: &[u8]) -> Store {
    fs::write(&path, bytes).unwrap();
    Store::open(&path, Access::Write).unwrap().0
}

/// Kills a program that works off lines.
pub fn lines() -> Row {
    let kills = setting("TAUTLINE_KILLS", KILLS);
    let mut bench = Bench::new(seed());
    let mut acknowledged = 0;
    for kill in 0..kills {
        if kill % KILLS_OF_A_SESSION == KILLS_OF_A_SESSION - 1 {
            bench.begin_anew();
        }
        let hit = [Hit::Lines, Hit::Lines, Hit::Close, Hit::Script, Hit::Start][bench.numbers.index(5)];
        let (lines, said) = bench.killed(hit);
        acknowledged += bench.compare(&lines, &said, &format!("kill {kill}, {hit:?}, seed {}", seed()));
    }
    // Whoever comes next finds a folder without litter, and works on.
    bench.desk.run("mark \"end\"").ends(0);
    let mut names: Vec<_> = crate::common::contents(&bench.desk.path("")).into_keys().collect();
    names.retain(|name| !name.ends_with(".wav") && name != "script.txt");
    assert_eq!(names, ["song.json"]);
    assert!(acknowledged > kills, "it hardly worked: {acknowledged} edits");
    Row { what: "killed while it edits", tried: kills, acknowledged, lost: 0 }
}

/// Kills a program that makes a session: it is there whole or not at all, and the recordings are as they were.
pub fn making() -> Row {
    let kills = setting("TAUTLINE_KILLS", KILLS) / 10;
    let mut bench = Bench::new(seed() ^ 1);
    let takes = ["lead.wav", "double-1.wav", "double-2.wav"];
    let before = bench.desk.files();
    let began = Instant::now();
    bench.desk.tautline(&["new", "whole.json", takes[0], takes[1], takes[2]]).ends(0);
    let usual = began.elapsed().as_micros() as u64;
    let mut made = 0;
    for kill in 0..kills {
        let name = format!("new-{kill}.json");
        let mut child = bench.start(&["new", &name, takes[0], takes[1], takes[2]]);
        std::thread::sleep(Duration::from_micros(bench.numbers.below(usual + usual / 4)));
        child.kill().unwrap();
        child.wait().unwrap();
        let path = bench.desk.path(&name);
        if path.exists() {
            made += 1;
        } else {
            bench.desk.tautline(&["new", &name, takes[0], takes[1], takes[2]]).ends(0);
        }
        let (store, _) = Store::open(&path, Access::Write).unwrap();
        assert_eq!(store.session().song().lanes.len(), 3, "kill {kill}");
        store.close().unwrap();
    }
    let after = bench.desk.files();
    assert!(
        before.iter().all(|(path, hash)| after.get(path) == Some(hash)),
        "something of before has changed"
    );
    Row { what: "killed while it makes a session", tried: kills, acknowledged: made, lost: 0 }
}
