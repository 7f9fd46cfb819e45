//! Random commands of every verb over four lanes of five seconds, for property tests.
#![allow(dead_code, reason = "each test binary uses a part of it")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

use std::collections::BTreeMap;

use proptest::prelude::*;
use proptest::strategy::Union;
use proptest::test_runner::{Config, RngSeed, TestRunner};
use tautline::command::{Context, Cursor, Diagnostic, Done, Presets, carry_out, parse};
use tautline::edit::Store;
use tautline::song::{Curve, FadePreset, LaneId, Position, PresetRamp};

use super::common::TIME;

/// Frames of each take: five seconds at 48 kHz.
pub const FRAMES: u64 = 240_000;

/// A runner that tries the same cases in every run. TAUTLINE_CASES=10 tries ten times as many.
pub fn runner(cases: u32, seed: u64) -> TestRunner {
    let times = std::env::var("TAUTLINE_CASES").ok().and_then(|times| times.parse().ok()).unwrap_or(1);
    TestRunner::new(Config {
        cases: cases.saturating_mul(times),
        rng_seed: RngSeed::Fixed(seed),
        failure_persistence: None,
        max_shrink_iters: 400,
        ..Config::default()
    })
}

pub fn presets() -> Presets {
    let ramp = |ms| Some(PresetRamp { ms, curve: Curve::RaisedCosine, bend: Default::default() });
    let fades = BTreeMap::from([
        ("soft".to_owned(), FadePreset { about: "both".into(), fade_in: ramp(8.0), fade_out: ramp(30.0) }),
        ("end".to_owned(), FadePreset { about: "one".into(), fade_in: None, fade_out: ramp(12.5) }),
    ]);
    Presets { fades, ..Presets::default() }
}

fn text(choices: &'static [&'static str]) -> BoxedStrategy<String> {
    prop::sample::select(choices).prop_map(str::to_owned).boxed()
}

/// Fills `{}` of a pattern in order.
fn filled(pattern: &'static str, parts: Vec<BoxedStrategy<String>>) -> BoxedStrategy<String> {
    parts
        .prop_map(move |parts| {
            let mut line = pattern.to_owned();
            for part in parts {
                line = line.replacen("{}", &part, 1);
            }
            line
        })
        .boxed()
}

/// Positions on a grid of a quarter second, so that edges are hit, and anywhere else.
pub fn time() -> BoxedStrategy<String> {
    prop_oneof![
        6 => (0..=20u32).prop_map(|quarter| format!("{}s", f64::from(quarter) / 4.0)),
        4 => (-2_000..=245_000i64).prop_map(|sample| format!("{sample}smp")),
        1 => text(&["cursor", "end", "0:02.5", "word 2", "bar 3.1"]),
    ]
    .boxed()
}

fn span() -> BoxedStrategy<String> {
    prop_oneof![
        8 => (0..=18u32, 1..=6u32).prop_map(|(from, long)| {
            format!("{}s..{}s", f64::from(from) / 4.0, f64::from(from + long) / 4.0)
        }),
        1 => filled("{}..end", vec![time()]),
        1 => filled("{}..{}", vec![time(), time()]),
    ]
    .boxed()
}

fn length() -> BoxedStrategy<String> {
    prop_oneof![
        6 => (0..=60u32).prop_map(|ms| format!("{ms}ms")),
        2 => (0..=3_000u32).prop_map(|samples| format!("{samples}smp")),
        1 => text(&["0.5s", "2s", "9s"]),
    ]
    .boxed()
}

fn distance() -> BoxedStrategy<String> {
    prop_oneof![
        6 => (-60..=60i32).prop_map(|ms| format!("{ms:+}ms")),
        2 => (-3_000..=3_000i32).prop_map(|samples| format!("{samples:+}smp")),
        1 => text(&["+0.75s", "-0.75s", "+3s"]),
    ]
    .boxed()
}

fn lanes() -> BoxedStrategy<String> {
    prop_oneof![6 => text(&["1", "2", "3", "4"]), 2 => text(&["2,3", "2-4", "1,4", "\"take-3\"", "5"])]
        .boxed()
}

fn scope() -> BoxedStrategy<String> {
    prop_oneof![
        4 => filled(" on lane {}", vec![lanes()]),
        4 => filled(" on lane {} at {}", vec![lanes(), time()]),
        3 => filled(" on lane {} at {}", vec![lanes(), span()]),
        2 => text(&[" on all", "", " on here", " on loop", " on role double", " on role harmony"]),
        1 => filled(" on all at {}", vec![time()]),
        1 => filled(" on role double at {}", vec![span()]),
    ]
    .boxed()
}

fn shape() -> BoxedStrategy<String> {
    let curve = text(&["linear", "equal-power", "raised-cosine", "exponential", "square-root"]);
    prop_oneof![
        4 => Just(String::new()),
        2 => filled(" curve {}", vec![curve.clone()]),
        2 => filled(" bend {}", vec![text(&["0.3", "-0.7", "1", "-1", "0"])]),
        1 => filled(" curve {} bend 0.5", vec![curve]),
    ]
    .boxed()
}

fn edit_ref() -> BoxedStrategy<String> {
    prop_oneof![
        3 => (1..=20u32).prop_map(|id| format!("edit {id}")),
        2 => text(&["\"first\"", "\"second try\"", "\"third\""]),
        1 => Just("start".to_owned()),
    ]
    .boxed()
}

/// What stands between `tone` and its scope.
fn tone() -> BoxedStrategy<String> {
    text(&[
        "highpass 90Hz",
        "highpass 120Hz slope 24",
        "highpass off",
        "eq 2 bell 300Hz -4dB q 1.4",
        "eq 4 high-shelf 9kHz +2dB",
        "eq 2 off",
        "eq 1 bell 30kHz 3dB",
        "deess 7500Hz threshold -30dB at most 8dB",
        "deess threshold -12dB relative",
        "compress threshold -20dB ratio 4 attack 5ms release 60ms knee 6dB",
        "compress ratio 0.5",
        "drive 3dB",
        "gain -2dB",
        "order deess,eq,compress,drive",
        "bypass on",
        "bypass deess off",
        "clear",
        "copy from lane 2",
    ])
}

/// One command line; many will be refused by one session or another.
pub fn command() -> BoxedStrategy<String> {
    let fit = || text(&["", "", " fit"]);
    let weighted: Vec<(u32, BoxedStrategy<String>)> = vec![
        (8, filled("cut at {}{}", vec![time(), scope()])),
        (2, filled("cut at {},{}{}", vec![time(), time(), scope()])),
        (3, filled("join{}", vec![scope()])),
        (3, filled("join on lane {} at {}", vec![text(&["1", "2", "3", "4"]), time()])),
        (3, filled("remove{}", vec![scope()])),
        (3, filled("remove {}{}", vec![span(), scope()])),
        (3, filled("restore{}", vec![scope()])),
        (3, filled("restore {}{}", vec![span(), scope()])),
        (4, filled("edge {} {}{}", vec![text(&["start", "end"]), distance(), scope()])),
        (3, filled("edge {} to {}{}", vec![text(&["start", "end"]), time(), scope()])),
        (8, filled("shift {}{}", vec![distance(), scope()])),
        (3, filled("shift to {}{}", vec![time(), scope()])),
        (
            5,
            filled("fade {} {}{}{}{}", vec![text(&["in", "out", "both"]), length(), shape(), fit(), scope()]),
        ),
        (2, filled("fade missing {}{}{}", vec![length(), fit(), scope()])),
        (2, filled("fade preset {}{}{}", vec![text(&["soft", "end", "sfot"]), fit(), scope()])),
        (5, filled("crossfade {}{}{}", vec![length(), shape(), scope()])),
        (3, filled("tail to {}{}", vec![time(), scope()])),
        (2, filled("tail to {} fade {}{}", vec![time(), length(), scope()])),
        (2, filled("trim to {}{}", vec![span(), scope()])),
        (2, filled("trim {} to {}{}", vec![text(&["start", "end"]), time(), scope()])),
        (3, filled("gain {}dB{}", vec![text(&["+1.5", "-3", "-40", "to 2", "to -144", "+30"]), scope()])),
        (4, filled("tone {}{}", vec![tone(), scope()])),
        (2, filled("pan {}{}", vec![text(&["-0.4", "1", "left", "centre", "right"]), scope()])),
        (2, filled("polarity {}{}", vec![text(&["invert", "normal"]), scope()])),
        (
            1,
            filled(
                "lane name {} on lane {}",
                vec![text(&["\"high third\"", "low", "\"a \\\"b\\\"; c\""]), lanes()],
            ),
        ),
        (2, filled("lane to {} on lane {}", vec![lanes(), lanes()])),
        (
            2,
            filled(
                "role {} on lane {}",
                vec![text(&["guide", "double", "harmony", "adlib", "backing"]), lanes()],
            ),
        ),
        (2, filled("mute{}{}", vec![text(&["", " off"]), scope()])),
        (2, filled("solo {}", vec![text(&["lane 2", "lane 1,3", "role double", "off", "here"])])),
        (2, filled("loop {}", vec![span()])),
        (1, text(&["loop here", "loop off"])),
        (
            2,
            filled(
                "note {} at {} on lane {}",
                vec![text(&["\"check the t\"", "\"\u{e9}\u{1f3a4} \\\\ \\\"q\\\"\""]), time(), lanes()],
            ),
        ),
        (1, filled("note clear{}", vec![scope()])),
        (5, text(&["undo", "undo", "undo 2", "undo 3"])),
        (4, text(&["redo", "redo", "redo 2"])),
        (3, text(&["mark first", "mark \"second try\"", "mark \"third\""])),
        (3, filled("goto {}", vec![edit_ref()])),
        (4, filled("bring lane {} from {}", vec![lanes(), edit_ref()])),
    ];
    Union::new_weighted(weighted).boxed()
}

/// A cursor, or none as in scripts.
pub fn cursor() -> BoxedStrategy<Option<Cursor<'static>>> {
    prop::option::of((1..=4u64, 0..240_000i64))
        .prop_map(|cursor| {
            cursor.map(|(lane, at)| Cursor { lane: LaneId(lane), at: Position(at), selected: &[] })
        })
        .boxed()
}

/// Runs one command. What resolves must be carried out: the draft and the store keep the same rules.
pub fn run_one(
    store: &mut Store,
    presets: &Presets,
    cursor: Option<Cursor>,
    line: &str,
) -> Result<Done, Diagnostic> {
    let commands = parse(line)?;
    let [command] = commands.as_slice() else { panic!("`{line}` is not one command") };
    let action = command.call.resolve(&Context {
        session: store.session(),
        cursor,
        presets,
        hearing: &tautline::command::Deaf,
    })?;
    Ok(carry_out(store, action, &command.text, TIME)
        .unwrap_or_else(|error| panic!("`{line}` was resolved, but the store refused it: {error}")))
}
