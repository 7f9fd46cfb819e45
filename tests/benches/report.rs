//! All benches one after the other, and one table of what they measured.
//!
//!     cargo bench --profile quick --bench report                    the table, as Markdown
//!     cargo bench --profile quick --bench report -- FILE.json       and as JSON into a file
//!     cargo bench --profile quick --bench report -- bounce tone     only these benches
//!
//! Every figure is held against the goal beside it; ratios are against a reference that ran in the same run. A machine
//! that does something else meanwhile is no stopwatch: the load is printed above the table.

use std::process::Command;

use serde_json::Value;

const BENCHES: [&str; 7] = ["session", "audition", "listen", "timing", "tone", "bounce", "large"];

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let chosen: Vec<&str> =
        BENCHES.into_iter().filter(|name| words.iter().any(|word| word == name)).collect();
    let chosen = if chosen.is_empty() { BENCHES.to_vec() } else { chosen };
    let folder = tempfile::tempdir().unwrap();
    let rows = folder.path().join("rows");
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let mut all = Vec::new();
    for bench in chosen {
        eprintln!("{bench} …");
        let _ = std::fs::remove_file(&rows);
        let status = Command::new(env!("CARGO"))
            .args(["bench", "-q", "--profile", "quick", "--bench", bench])
            .env("TAUTLINE_BENCH_ROWS", &rows)
            .stdout(std::process::Stdio::null())
            .status()
            .unwrap();
        assert!(status.success(), "the bench {bench} failed");
        let before = all.len();
        for line in std::fs::read_to_string(&rows).unwrap_or_default().lines() {
            let mut row: Value = serde_json::from_str(line).unwrap();
            row["bench"] = bench.into();
            all.push(row);
        }
        // A bench that says nothing here (rows/mod.rs) would be missed by nobody.
        if all.len() == before {
            all.push(serde_json::json!({ "bench": bench, "what": "no row was given" }));
        }
    }
    print(&all, load.split(' ').next().unwrap_or(""));
    if let Some(path) = words.iter().find(|word| word.ends_with(".json")) {
        std::fs::write(path, serde_json::to_string_pretty(&all).unwrap()).unwrap();
    }
}

fn print(rows: &[Value], load: &str) {
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    println!("{cores} cores, load before {load}\n");
    println!(
        "| bench | what | figure | goal | held | beside | peak memory |\n|---|---|---:|---:|---|---|---:|"
    );
    for row in rows {
        let number = |key: &str| row[key].as_f64();
        let text = |key: &str| row[key].as_str().unwrap_or("").to_owned();
        let Some(value) = number("value") else {
            println!("| {} | {} | | | NO | | |", text("bench"), text("what"));
            continue;
        };
        let (goal, held) = match (text("kind").as_str(), number("goal")) {
            ("at most", Some(goal)) => (format!("≤ {goal}"), if value <= goal { "yes" } else { "NO" }),
            ("at least", Some(goal)) => (format!("≥ {goal}"), if value >= goal { "yes" } else { "NO" }),
            _ => (String::new(), ""),
        };
        println!(
            "| {} | {} | {value:.3} {} | {goal} | {held} | {} | {:.0} MB |",
            text("bench"),
            text("what"),
            text("unit"),
            text("beside"),
            number("peak_mb").unwrap_or(0.0)
        );
    }
}
