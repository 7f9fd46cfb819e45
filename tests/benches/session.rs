//! How long a large session takes to open, to travel in and to edit. `cargo bench --bench session`
//! prints a table of best, median and worst cases beside the goals; nothing fails, since machines
//! differ. On a machine that has other work to do, look at the best cases.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a bench is its report")]

use std::hint::black_box;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

use tautline::command::{Presets, carry_out};
use tautline::edit::{Access, Session, Store, journal_path};
use tautline::song::EditId;

#[path = "../common/mod.rs"]
mod common;

const LANES: u64 = 64;
const EDITS: u64 = 10_000;
/// Five minutes at 48 kHz.
const FRAMES: u64 = 300 * 48_000;

mod rows;

fn main() {
    println!("{:<50} {:>10} {:>10} {:>10}  goal", "", "best", "median", "worst");
    large_session();
    wide_fade("in memory", &common::quick_folder());
    wide_fade("on disk", &tempfile::tempdir().unwrap());
}

fn row(what: &str, mut times: Vec<Duration>, goal: &str) {
    times.sort();
    let ms = |time: Duration| format!("{:.3} ms", time.as_secs_f64() * 1e3);
    let [best, median, worst] = [0, times.len() / 2, times.len() - 1].map(|index| ms(times[index]));
    println!("{what:<50} {best:>10} {median:>10} {worst:>10}  {goal}");
    if let Some(goal) = goal.strip_suffix(" ms").and_then(|goal| goal.parse().ok()) {
        let median = times[times.len() / 2].as_secs_f64() * 1e3;
        rows::row(what.trim(), median, "ms", rows::Goal::AtMost(goal), "");
    }
}

fn timed<T>(work: impl FnOnce() -> T) -> (Duration, T) {
    let start = Instant::now();
    let result = black_box(work());
    (start.elapsed(), result)
}

/// A session of 10,000 edits on 64 lanes as weeks of work leave it: cuts, slides, fades and gains all
/// over the song, and now and then a branch.
fn worked_on(folder: &Path) -> Store {
    let mut store = common::store(folder, LANES, FRAMES);
    let mut step = 0u64;
    while store.session().history.next_id().0 <= EDITS {
        step += 1;
        let lane = step % LANES + 1;
        // The golden ratio spreads the positions evenly over five minutes, never twice the same.
        let at = (step as f64 * 0.618_033_988_75).fract() * 298.0 + 1.0;
        let line = match step % 5 {
            0 | 1 => format!("cut at {at:.3}s on lane {lane}"),
            2 => format!("shift {:+}smp on lane {lane} at {at:.3}s", (step % 7) + 1),
            3 => format!("fade both {}smp fit on lane {lane} at {at:.3}s", 100 + step % 300),
            _ => {
                format!("gain {:+}dB on lane {lane} at {at:.3}s", if step.is_multiple_of(2) { 1 } else { -1 })
            }
        };
        let _ = common::run(&mut store, &line);
        if step.is_multiple_of(500) {
            common::run(&mut store, "undo 3; mark here").unwrap();
        }
    }
    store.save().unwrap();
    store
}

fn large_session() {
    let folder = common::quick_folder();
    let mut store = worked_on(folder.path());
    let path = store.path().to_owned();
    let text = std::fs::read(&path).unwrap();
    let regions: usize = store.session().song().lanes.iter().map(|lane| lane.regions.len()).sum();
    println!("{EDITS} edits on {LANES} lanes, {regions} regions at the head, {} kB", text.len() / 1000);

    let open = |_| timed(|| Store::open(&path, Access::Read).unwrap()).0;
    row("open", (0..15).map(open).collect(), "150 ms");
    let parse = |_| timed(|| serde_json::from_slice::<serde_json::Value>(&text).unwrap()).0;
    row("  for comparison: its JSON as a tree of values", (0..15).map(parse).collect(), "");
    let build = |_| timed(|| Session::from_json(&path, &text).unwrap()).0;
    row("  of which: reading and replaying", (0..15).map(build).collect(), "");
    row("save", (0..15).map(|_| timed(|| store.save().unwrap()).0).collect(), "");

    let mut history = store.session().history.clone();
    row("undo", (0..4000).map(|_| timed(|| history.undo().unwrap()).0).collect(), "1 ms");
    row("redo", (0..4000).map(|_| timed(|| history.redo().unwrap()).0).collect(), "1 ms");
    let far = |step: u64| EditId((step * 7_919) % (EDITS + 1));
    row(
        "goto, far jumps",
        (0..4000).map(|step| timed(|| history.go_to(far(step)).unwrap()).0).collect(),
        "1 ms",
    );
    let journaled = |step| timed(|| store.go_to(far(step)).unwrap()).0;
    row("goto with its line in the journal (memory)", (0..500).map(journaled).collect(), "1 ms");
}

/// One fade on all of 10,000 regions as one edit.
fn wide_fade(place: &str, folder: &tempfile::TempDir) {
    let mut store = common::store(folder.path(), LANES, FRAMES);
    let times: Vec<String> = (1..=156).map(|cut| format!("{:.2}s", f64::from(cut) * 1.9)).collect();
    for lane in 1..=LANES {
        common::run(&mut store, &format!("cut at {} on lane {lane}", times.join(","))).unwrap();
    }
    let regions: usize = store.session().song().lanes.iter().map(|lane| lane.regions.len()).sum();
    println!("{regions} regions on {LANES} lanes, {place}");
    store.save().unwrap();
    let mut all = [const { Vec::new() }; 4];
    let mut written = 0;
    for turn in 0..15 {
        let line = ["fade out 40ms on all", "fade out 30ms curve equal-power on all"][turn % 2];
        let presets = Presets::new();
        let (resolving, (text, action)) = timed(|| {
            let command = tautline::command::parse(line).unwrap().remove(0);
            let context = tautline::command::Context {
                session: store.session(),
                cursor: None,
                presets: &presets,
                hearing: &tautline::command::Deaf,
            };
            (command.text.clone(), command.call.resolve(&context).unwrap())
        });
        let before = std::fs::metadata(journal_path(store.path())).unwrap().len();
        let (committing, _) = timed(|| carry_out(&mut store, action, &text, common::TIME).unwrap());
        let after = std::fs::metadata(journal_path(store.path())).unwrap().len();
        written = after - before;
        let bytes = vec![b'x'; usize::try_from(written).unwrap()];
        let mut file = std::fs::File::create(folder.path().join("comparison")).unwrap();
        let (writing, ()) = timed(|| file.write_all(&bytes).and_then(|()| file.sync_data()).unwrap());
        for (times, time) in all.iter_mut().zip([resolving + committing, resolving, committing, writing]) {
            times.push(time);
        }
    }
    let [whole, resolving, committing, writing] = all;
    row("fade out 40ms on all, as one edit", whole, "20 ms");
    row("  of which: parse and resolve", resolving, "");
    row("  of which: commit", committing, "");
    row(&format!("  for comparison: write and sync {} kB", written / 1000), writing, "");
}
