//! A chorus tightened on the screen by keys alone: proposals are gone through, heard before and after, nudged, accepted and
//! refused, and the timing table falls.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

mod live;

use std::process::Command;

use live::{Demo, Live};
use serde_json::Value;

fn tautline(demo: &Demo, what: &[&str]) -> Vec<u8> {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tautline"));
    command.arg(what[0]).arg(demo.session()).args(&what[1..]);
    command.env("HOME", demo.home()).env("XDG_CACHE_HOME", demo.home().join("cache"));
    command.env("XDG_CONFIG_HOME", demo.home().join("config"));
    let output = command.output().unwrap();
    assert!(output.status.success(), "{what:?}: {}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

fn summary(demo: &Demo) -> Value {
    let report: Value = serde_json::from_slice(&tautline(demo, &["timing", "--json"])).unwrap();
    report["summary"].clone()
}

/// The demo as it was sung.
fn as_sung() -> Demo {
    let demo = Demo::new();
    tautline(&demo, &["run", "-c", "goto start"]);
    demo
}

fn opened(demo: &Demo, keymap: &str) -> Live {
    let live = demo.start().size(120, 40).arg("--keymap").arg(keymap).run();
    live.wait_ready();
    live.wait_for("measured");
    live
}

/// How many edits a session has.
fn edits(demo: &Demo) -> usize {
    let session: Value = serde_json::from_slice(&std::fs::read(demo.session()).unwrap()).unwrap();
    session["edits"].as_array().unwrap().len()
}

#[test]
fn a_whole_chorus_is_tightened_by_keys_alone_as_one_edit() {
    let demo = as_sung();
    let (before, edits_before) = (summary(&demo), edits(&demo));
    let mut live = opened(&demo, "two-hands");
    // Words are shown with their offsets, early and late by shape.
    let lanes = live.text();
    assert!(lanes.contains('◂') && lanes.contains('▸'), "{lanes}");
    live.send(b"\x14");
    live.wait_for("proposals of `tighten on all`");
    live.wait_for("0 accepted, 0 refused");
    // Heard as it would be, as it is, and stopped.
    live.send(b"p");
    live.wait_for("heard: after proposal 1");
    live.wait_for("▶");
    live.send(b"p");
    live.wait_for("heard: before proposal 1");
    live.send(b" ");
    live.wait_for("■");
    // The first is accepted, the second refused, the third nudged by a stride and accepted.
    live.keys("j f h");
    live.wait_for("nudged +1.0");
    live.keys("j");
    live.wait_for("2 accepted, 1 refused");
    live.keys("t t");
    live.keys("J");
    live.wait_for("1 refused");
    live.keys("A k");
    live.wait_for("slid");
    live.wait_for("done");
    live.keys("esc");
    live.wait_for("measured");
    live.quit();
    let after = summary(&demo);
    println!("before {before}\nafter {after}");
    assert_eq!(edits(&demo), edits_before + 1, "one edit");
    let median = |summary: &Value| summary["median_abs_ms"].as_f64().unwrap();
    let tight = |summary: &Value| summary["within_10ms"].as_f64().unwrap();
    assert!(median(&after) < 5.0 && median(&after) * 4.0 < median(&before), "{before} {after}");
    assert!(tight(&after) > 0.9 && tight(&before) < 0.4, "{before} {after}");
}

#[test]
fn each_accepted_proposal_can_be_an_edit_of_its_own_on_every_keymap() {
    for (keymap, accept, refuse, apply) in [("left-alone", "g", "b", "T"), ("number-pad", "0", ".", "*")] {
        let demo = as_sung();
        let edits_before = edits(&demo);
        let mut live = opened(&demo, keymap);
        live.send(b"\x14");
        live.wait_for("proposals of `tighten on all`");
        live.keys(&format!("{accept} {refuse} {accept} {accept}"));
        live.wait_for("3 accepted, 1 refused");
        live.keys(apply);
        live.wait_for("3 done");
        live.quit();
        assert_eq!(edits(&demo), edits_before + 3, "{keymap}: three edits");
    }
}

#[test]
fn gaps_are_proposed_one_by_one_too() {
    let demo = as_sung();
    let before = demo.regions(2).len();
    let mut live = opened(&demo, "two-hands");
    live.send(b"\x05");
    live.wait_for("proposals of `trim gaps on all`");
    live.keys("F");
    live.wait_for("proposals refused");
    live.line("focus lane 2; propose \"trim gaps on lane 2\"");
    live.wait_for("proposals of `trim gaps on lane 2`");
    live.keys("j k");
    live.wait_for("1 done");
    live.quit();
    let after = demo.regions(2).len();
    assert!(after == before || after == before + 1, "one gap: {before} regions, then {after}");
}

#[test]
fn what_cannot_be_proposed_says_so() {
    let demo = as_sung();
    let mut live = opened(&demo, "two-hands");
    live.line("propose \"fade out 10ms\"");
    live.wait_for("`fade` makes no proposals");
    live.line("proposal next");
    live.wait_for("there are no proposals");
    live.keys("esc");
    live.line("propose \"tighten on lane 1\"");
    live.wait_for("nothing to propose");
    live.quit();
}
