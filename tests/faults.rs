//! What goes wrong while somebody works: the program is killed, its files are torn, the disk fails at any step, recordings
//! vanish or change, the terminal goes. Every edit that was acknowledged survives, the file of before stays readable, and
//! the message says what failed, why, and what to do.
//!
//! `TAUTLINE_KILLS=2000 TAUTLINE_FAULT_RUNS=2000 cargo test --test faults -- --nocapture --test-threads=1` is the long run, with a
//! table at its end; `TAUTLINE_FAULT_SEED` makes it another one, `TAUTLINE_FAULT_PARTS="kills recordings"` runs
//! only some parts of it. Without these it is short.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a panic is the report of a test")]

#[path = "faults/assets.rs"]
mod assets;
mod common;
#[path = "faults/injected.rs"]
mod injected;
#[path = "faults/kills.rs"]
mod kills;
#[path = "common/left.rs"]
mod left;
#[path = "faults/lines.rs"]
mod lines;
mod live;
#[path = "common/numbers.rs"]
mod numbers;
mod program;
#[path = "faults/streams.rs"]
mod streams;
#[path = "faults/tears.rs"]
mod tears;

/// One line of the table.
#[derive(Debug)]
pub struct Row {
    /// What was done to the program or its files.
    pub what: &'static str,
    /// How often.
    pub tried: u64,
    /// Edits that were acknowledged before or between.
    pub acknowledged: u64,
    /// Acknowledged edits that were not there afterwards. Every part panics at the first one, so what is printed is 0.
    pub lost: u64,
}

/// The seed of the run.
pub fn seed() -> u64 {
    numbers::setting("TAUTLINE_FAULT_SEED", 20_261_125)
}

type Part = fn() -> Row;

const PARTS: [(&str, Part); 10] = [
    ("journal-cut", tears::journal_cut),
    ("journal-zeroed", tears::journal_zeroed),
    ("session-cut", tears::session_cut),
    ("bytes-changed", tears::bytes_changed),
    ("every-step", injected::every_step),
    ("steps-at-random", injected::steps_at_random),
    ("kills", kills::lines),
    ("making", kills::making),
    ("recordings", assets::harmed),
    ("answers", streams::answers_unread),
];

#[test]
fn no_fault_loses_an_acknowledged_edit() {
    let began = std::time::Instant::now();
    let mut rows = Vec::new();
    let chosen = std::env::var("TAUTLINE_FAULT_PARTS").unwrap_or_default();
    for (name, part) in PARTS {
        if !chosen.is_empty() && !chosen.split(' ').any(|word| word == name) {
            continue;
        }
        let row = part();
        println!(
            "{:<46} {:>7} tried {:>8} acknowledged {:>3} lost",
            row.what, row.tried, row.acknowledged, row.lost
        );
        rows.push(row);
    }
    let sum = |of: fn(&Row) -> u64| rows.iter().map(of).sum::<u64>();
    println!(
        "{:<46} {:>7} tried {:>8} acknowledged {:>3} lost   (seed {}, {:.0} s)",
        "all",
        sum(|row| row.tried),
        sum(|row| row.acknowledged),
        sum(|row| row.lost),
        seed(),
        began.elapsed().as_secs_f64(),
    );
    assert_eq!(sum(|row| row.lost), 0);
    assert!(rows.iter().all(|row| row.tried > 0), "{rows:?}");
}
