//! Rows for the table of all speeds: written where `--bench report` asks for them, else nowhere.
#![allow(dead_code, reason = "each bench uses a part of it")]

use std::io::Write;

/// What a figure is held against.
#[derive(Clone, Copy)]
pub enum Goal {
    AtMost(f64),
    AtLeast(f64),
    /// A figure to know.
    Open,
}

/// Adds a row: what was measured, the figure, its unit, the goal, and what it was measured beside in the same run.
pub fn row(what: &str, value: f64, unit: &str, goal: Goal, beside: &str) {
    row_of(what, value, unit, goal, beside, peak_mb());
}

/// The same of another process, which held `peak_mb` at most.
pub fn row_of(what: &str, value: f64, unit: &str, goal: Goal, beside: &str, peak_mb: Option<f64>) {
    let Some(path) = std::env::var_os("TAUTLINE_BENCH_ROWS") else { return };
    let (kind, goal) = match goal {
        Goal::AtMost(goal) => ("at most", Some(goal)),
        Goal::AtLeast(goal) => ("at least", Some(goal)),
        Goal::Open => ("", None),
    };
    let row = serde_json::json!({
        "what": what, "value": value, "unit": unit, "kind": kind, "goal": goal, "beside": beside,
        "peak_mb": peak_mb,
    });
    let mut file = std::fs::OpenOptions::new().create(true).append(true).open(path).unwrap();
    writeln!(file, "{row}").unwrap();
}

/// Most memory that this process has held so far, in MB.
pub fn peak_mb() -> Option<f64> {
    peak_in(&std::fs::read_to_string("/proc/self/status").ok()?)
}

/// The most memory that the system's words about a process tell of, in MB.
pub fn peak_in(status: &str) -> Option<f64> {
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().trim_end_matches(" kB").trim().parse::<f64>().ok()? / 1024.0)
}
