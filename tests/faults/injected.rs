//! A disk that fails at a step of one's choice.

use std::ffi::OsStr;
use std::fs::{self, File};
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard};

use tautline::edit::{Access, Disk, ErrorKind, PlainDisk, Session, Store, StoreError};

use crate::common::{self, contents, quick_folder, run};
use crate::left::{FRAMES, LINES, State, state};
use crate::numbers::{Numbers, setting};
use crate::{Row, seed};

/// What happens at a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fault {
    /// The disk is full, this once.
    Full,
    /// The device reports an error, this once.
    Broken,
    /// A write takes only some of the bytes and says so.
    Short,
    /// A write takes some of the bytes, and then the disk is full.
    ShortThenFull,
    /// From here on nothing works any more.
    Gone,
}

const FAULTS: [Fault; 5] = [Fault::Full, Fault::Broken, Fault::Short, Fault::ShortThenFull, Fault::Gone];

#[derive(Debug, Default)]
struct Plan {
    /// Steps so far.
    steps: u64,
    /// The step that fails, and how.
    at: Option<(u64, Fault)>,
    /// Or: one step in so many fails, somehow.
    random: Option<(Numbers, u64)>,
    gone: bool,
    full_next: bool,
    failed: u64,
}

/// The real disk behind a plan of what fails.
#[derive(Debug, Default)]
struct FaultyDisk(Mutex<Plan>);

impl FaultyDisk {
    fn plan(&self) -> MutexGuard<'_, Plan> {
        self.0.lock().unwrap()
    }

    /// Whether the step may be taken; for a write, `Ok(true)` means: only a part of it.
    fn step(&self, is_write: bool) -> io::Result<bool> {
        let mut plan = self.plan();
        plan.steps += 1;
        let steps = plan.steps;
        let by_chance = plan
            .random
            .as_mut()
            .and_then(|(numbers, in_so_many)| numbers.one_in(*in_so_many).then(|| FAULTS[numbers.index(4)]));
        let fault = plan.at.filter(|(at, _)| *at == steps).map(|(_, fault)| fault).or(by_chance);
        let full = || io::Error::from_raw_os_error(28);
        let broken = || io::Error::from_raw_os_error(5);
        if plan.gone {
            return Err(broken());
        }
        if std::mem::take(&mut plan.full_next) {
            plan.failed += 1;
            return Err(full());
        }
        let Some(fault) = fault else { return Ok(false) };
        plan.failed += 1;
        match fault {
            Fault::Full => Err(full()),
            Fault::Broken => Err(broken()),
            Fault::Short => Ok(is_write),
            Fault::ShortThenFull if is_write => {
                plan.full_next = true;
                Ok(true)
            }
            Fault::ShortThenFull => Err(full()),
            Fault::Gone => {
                plan.gone = true;
                Err(broken())
            }
        }
    }
}

impl Disk for FaultyDisk {
    fn open_journal(&self, path: &Path) -> io::Result<File> {
        self.step(false)?;
        PlainDisk.open_journal(path)
    }

    fn make_aside(&self, folder: &Path, prefix: &OsStr, mode: u32) -> io::Result<tempfile::NamedTempFile> {
        self.step(false)?;
        PlainDisk.make_aside(folder, prefix, mode)
    }

    fn write(&self, file: &mut File, bytes: &[u8]) -> io::Result<usize> {
        let some = if self.step(true)? { bytes.len().div_ceil(2) } else { bytes.len() };
        PlainDisk.write(file, &bytes[..some])
    }

    fn cut(&self, file: &File, length: u64) -> io::Result<()> {
        self.step(false)?;
        PlainDisk.cut(file, length)
    }

    fn sync(&self, file: &File) -> io::Result<()> {
        self.step(false)?;
        PlainDisk.sync(file)
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        self.step(false)?;
        PlainDisk.sync_folder(folder)
    }

    fn give_name(&self, aside: tempfile::NamedTempFile, path: &Path, replace: bool) -> io::Result<()> {
        self.step(false)?;
        PlainDisk.give_name(aside, path, replace)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.step(false)?;
        PlainDisk.remove(path)
    }
}

/// The message names the file, the cause and a way on.
fn names_the_cause(text: &str) {
    assert!(text.contains("song.json"), "{text}");
    assert!(text.contains("No space left") || text.contains("Input/output error"), "{text}");
    let ways =
        ["try again", "save again", "choose another folder", "open the session again", "copy the session"];
    assert!(ways.iter().any(|way| text.contains(way)), "{text}");
}

/// The states after each of [`LINES`], the first one before any.
fn states() -> Vec<State> {
    let folder = quick_folder();
    let mut store = common::store(folder.path(), 4, FRAMES);
    run(&mut store, "cut at 0.5s on all").unwrap();
    let mut states = vec![state(store.session())];
    for line in LINES {
        run(&mut store, line).unwrap();
        states.push(state(store.session()));
    }
    states
}

/// A session being worked on over a disk that fails: made, edited, saved, left behind, opened again, closed.
struct Work<'a> {
    path: &'a Path,
    disk: &'a Arc<FaultyDisk>,
    /// How many lines were acknowledged.
    done: usize,
}

/// The disk is gone: nothing more can be done, and what was acknowledged has to be on it.
struct Gone;

impl Work<'_> {
    /// Does something until the disk lets it; each refusal has to name its cause and to change nothing.
    fn insist<T>(&self, mut attempt: impl FnMut() -> Result<T, String>) -> Result<T, Gone> {
        for _ in 0..60 {
            match attempt() {
                Ok(done) => return Ok(done),
                Err(text) => names_the_cause(&text),
            }
            if self.disk.plan().gone {
                return Err(Gone);
            }
        }
        // Where one step in three fails, so many attempts can all have had bad luck. With a disk that is well again the next
        // one has to work, whatever they left behind.
        let random = {
            let mut plan = self.disk.plan();
            plan.full_next = false;
            plan.random.take()
        };
        let last = attempt();
        self.disk.plan().random = random;
        last.map_err(|text| panic!("the disk has recovered, but nothing works any more: {text}"))
    }

    fn open(&self) -> Result<Store, Gone> {
        self.insist(|| match Store::open_on(self.disk.clone(), self.path, Access::Write) {
            Ok((store, _)) if store.is_writable() => Ok(store),
            Ok((_, notes)) => {
                let told = notes.iter().map(ToString::to_string).find(|note| note.contains("reading only"));
                Err(format!("{}; copy the session", told.expect("a note says why it is only read")))
            }
            Err(error) => {
                assert_eq!(error.kind(), ErrorKind::Output, "{error}");
                Err(error.to_string())
            }
        })
    }

    fn make(&self) -> Result<Store, Gone> {
        self.insist(|| {
            let made = Store::create_on(self.disk.clone(), self.path, common::session(4, FRAMES));
            made.map_err(|error| {
                assert!(matches!(error, StoreError::Create { .. }), "{error}");
                if !self.disk.plan().gone {
                    let left: Vec<_> = contents(self.path.parent().unwrap()).into_keys().collect();
                    // What could not be taken away either is a session that can be opened; `remove` is a step that fails too.
                    assert!(left.is_empty() || self.disk.plan().random.is_some(), "{left:?}");
                    let _ = fs::remove_file(self.path);
                }
                error.to_string()
            })
        })
    }

    fn edit(&mut self, store: &mut Store, lines: &[&str]) -> Result<(), Gone> {
        for line in lines {
            self.insist(|| {
                let before = state(store.session());
                run(store, line).map(drop).map_err(|error| {
                    assert!(state(store.session()) == before, "`{line}` was refused and changed something");
                    error.to_string()
                })
            })?;
            self.done += 1;
        }
        Ok(())
    }

    fn save(&self, store: &mut Store) -> Result<(), Gone> {
        self.insist(|| store.save().map_err(|error| error.to_string()))
    }

    fn go(&mut self) -> Result<(), Gone> {
        let mut store = self.make()?;
        if !store.is_writable() {
            drop(store);
            store = self.open()?;
        }
        // Not one of the counted lines: the first state is the one after it.
        self.insist(|| run(&mut store, "cut at 0.5s on all").map(drop).map_err(|error| error.to_string()))?;
        self.save(&mut store)?;
        self.edit(&mut store, &LINES[..5])?;
        drop(store);
        let mut store = self.open()?;
        self.edit(&mut store, &LINES[5..9])?;
        self.save(&mut store)?;
        self.edit(&mut store, &LINES[9..12])?;
        if let Err(error) = store.close() {
            names_the_cause(&error.to_string());
        }
        let mut store = self.open()?;
        self.edit(&mut store, &LINES[12..])?;
        self.save(&mut store)?;
        if let Err(error) = store.close() {
            names_the_cause(&error.to_string());
        }
        Ok(())
    }
}

/// Works over a disk with a plan and looks at what is there afterwards; gives steps, failures and acknowledged edits.
fn work(plan: Plan, states: &[State], what: &str) -> (u64, u64, u64) {
    let folder = quick_folder();
    let path = folder.path().join("song.json");
    let disk = Arc::new(FaultyDisk(Mutex::new(plan)));
    let mut work = Work { path: &path, disk: &disk, done: 0 };
    let ended = work.go();
    let done = work.done;
    let (steps, failed, gone) = {
        let plan = disk.plan();
        (plan.steps, plan.failed, plan.gone)
    };
    // The last steps only tidy up: the disk may have gone in one of them.
    assert!(ended.is_ok() || gone, "{what}");
    if path.exists() {
        Session::from_json(&path, &fs::read(&path).unwrap())
            .unwrap_or_else(|error| panic!("{what}: {error}"));
        let (reader, _) = Store::open(&path, Access::Read).unwrap();
        let found = state(reader.session());
        // A line whose taking out failed with the disk may come back; one that was acknowledged may not go.
        let possible = &states[done..(done + 1 + usize::from(gone)).min(states.len())];
        let began = gone && done == 0 && found.0 <= 1;
        assert!(
            began || possible.contains(&found),
            "{what}: {done} lines were acknowledged, {} edits are there",
            found.0
        );
        let (store, _) = Store::open(&path, Access::Write).unwrap();
        assert!(state(store.session()) == found, "{what}");
        store.close().unwrap();
        let names: Vec<_> = contents(folder.path()).into_keys().collect();
        assert_eq!(names, ["song.json"], "{what}: something was left behind");
    } else {
        assert!(gone && done == 0, "{what}: the session is not there");
    }
    (steps, failed, done as u64)
}

/// Each step in turn, in each way it can fail.
pub fn every_step() -> Row {
    let states = states();
    let (steps, failed, _) = work(Plan::default(), &states, "nothing fails");
    assert!(steps > 60 && failed == 0, "{steps} steps");
    let (mut tried, mut acknowledged) = (0, 0);
    for at in 1..=steps {
        for fault in FAULTS {
            let plan = Plan { at: Some((at, fault)), ..Plan::default() };
            let (_, failed, done) = work(plan, &states, &format!("step {at}: {fault:?}"));
            assert!(failed > 0, "step {at} was never taken");
            tried += 1;
            acknowledged += done;
        }
    }
    Row { what: "every write, sync, rename, cut, removal failed", tried, acknowledged, lost: 0 }
}

/// Many steps of one run, at random.
pub fn steps_at_random() -> Row {
    let states = states();
    let mut numbers = Numbers(seed());
    let (mut tried, mut acknowledged) = (0, 0);
    for turn in 0..setting("TAUTLINE_FAULT_RUNS", 60) {
        let own = numbers.next();
        let random = Some((Numbers(own), 3 + turn % 12));
        let plan = Plan { random, ..Plan::default() };
        let (_, failed, done) = work(plan, &states, &format!("run {turn}, numbers {own}"));
        tried += failed;
        acknowledged += done;
    }
    Row { what: "steps failed at random, several a run", tried, acknowledged, lost: 0 }
}
