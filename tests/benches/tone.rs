//! Speed of the tone: live, as part of the callback's deadline, and in the bounce, beside a reference.
//!
//!     cargo bench --profile quick --bench tone
//!     TONE_BENCH_REFERENCE='COMMAND {in} {out}' cargo bench --profile quick --bench tone -- 32 180
//!
//! The reference is any command that sends one file through an equivalent chain: high-pass 90 Hz, low shelf 200 Hz −2 dB,
//! bells 300 Hz −4 dB and 3 kHz +2 dB, high shelf 10 kHz +2 dB, de-esser, compressor 4:1; 24 bit in and out. It is run
//! once for each lane, two at a time, on the same files in the same run; it need not sum the stack, the bounce does.
//! Both take turns; the best of each counts. TONE_BENCH_DIR chooses the folder, such as /dev/shm.
#![allow(clippy::expect_used, reason = "a bench that cannot run says why and stops")]

use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

use tautline::handoff::{AssetFile, BounceRequest, bounce};
use tautline::media::{OutputFormat, Silent, WavSpec, create_sink};
use tautline::mix::{Plan, ToneStage};
use tautline::song::{AssetId, Db, Lane, Role, Song, Tone};
use tautline::sound::bank::Blocks;

mod chain;
#[path = "../common/mod.rs"]
mod common;
mod rows;

use chain::whole_chain;
use common::RATE;

const ROUNDS: usize = 3;
const FRAMES: usize = 128;

fn main() {
    let numbers: Vec<u64> = std::env::args().filter_map(|argument| argument.parse().ok()).collect();
    let (lanes, seconds) = match numbers[..] {
        [lanes, seconds] => (lanes, seconds),
        _ => (32, 180),
    };
    let all = whole_chain();
    println!("live: 64 lanes in blocks of {FRAMES} frames at 48 kHz on one core, best of 400");
    live("whole chain", &all);
    live("equaliser", &Tone { deess: None, compress: None, ..all.clone() });
    live("de-esser", &Tone { deess: all.deess, ..Tone::default() });
    live("compressor", &Tone { compress: all.compress, ..Tone::default() });
    live("drive", &Tone { drive_db: Db(3.0), ..Tone::default() });
    live("gain alone", &Tone { gain_db: Db(3.0), ..Tone::default() });
    offline(lanes, seconds);
}

struct Lanes(Vec<Vec<f32>>);

impl Blocks for Lanes {
    fn block(&mut self, row: usize, _channel: usize) -> &mut [f32] {
        self.0.get_mut(row).map(Vec::as_mut_slice).unwrap_or_default()
    }
}

fn live(name: &str, tone: &Tone) {
    let song = make_song(64, u64::from(RATE), Some(tone));
    let mut stage = ToneStage::new(&Plan::compile(&song, RATE, &|_| Some(1)));
    let mut random = Noise(1);
    let mut source = vec![vec![0.0; FRAMES]; 64];
    source.iter_mut().flatten().for_each(|sample| *sample = random.next());
    let (mut best, mut at) = (f64::INFINITY, 0);
    for _ in 0..400 {
        let mut lanes = Lanes(source.clone());
        let begin = Instant::now();
        stage.process(at, FRAMES, &mut lanes);
        best = best.min(begin.elapsed().as_secs_f64());
        black_box(&lanes.0);
        at += i64::try_from(FRAMES).expect("a small number");
    }
    let deadline = FRAMES as f64 / f64::from(RATE);
    if name == "whole chain" {
        let what = "64 lanes through the whole chain, blocks of 128 frames, one core";
        rows::row(what, 100.0 * best / deadline, "% of the deadline", rows::Goal::AtMost(50.0), "");
    }
    let per_sample = best * 1e9 / (64 * FRAMES) as f64;
    println!(
        "{name:12} {:7.1} µs  {:5.2} % of the deadline  {per_sample:5.2} ns per sample",
        best * 1e6,
        100.0 * best / deadline
    );
}

fn offline(lanes: u64, seconds: u64) {
    let place = std::env::var_os("TONE_BENCH_DIR").map_or_else(std::env::temp_dir, PathBuf::from);
    let folder = tempfile::tempdir_in(place).expect("a folder to work in");
    let frames = seconds * u64::from(RATE);
    let assets: Vec<AssetFile> = (1..=lanes).map(|id| make_take(folder.path(), id, frames)).collect();
    let toned = make_song(lanes, frames, Some(&whole_chain()));
    let plain = make_song(lanes, frames, None);
    let reference = std::env::var("TONE_BENCH_REFERENCE").ok();
    let (mut ours, mut untouched, mut theirs) = (f64::INFINITY, f64::INFINITY, f64::INFINITY);
    let out = folder.path().join("out");
    for _ in 0..ROUNDS {
        untouched = untouched.min(seconds_of(|| run_bounce(&plain, &assets, &out)));
        ours = ours.min(seconds_of(|| run_bounce(&toned, &assets, &out)));
        if let Some(command) = &reference {
            theirs = theirs.min(seconds_of(|| run_reference(command, &assets, &out)));
        }
    }
    let samples = (lanes * frames) as f64;
    println!("\nbounce: {lanes} lanes of {seconds} s, 48 kHz, 24 bit, best of {ROUNDS}");
    let row = |name: &str, time: f64| {
        let speed = samples / f64::from(RATE) / time;
        println!(
            "{name:24} {time:7.2} s  {:6.2} ns per sample  {speed:8.0} times real time",
            time * 1e9 / samples
        );
    };
    row("bounce without tone", untouched);
    row("bounce, whole chain", ours);
    let what = format!("bounce of {lanes} lanes of {seconds} s");
    rows::row(&what, untouched, "s", rows::Goal::Open, "");
    rows::row(&format!("{what} through the whole chain"), ours, "s", rows::Goal::Open, "");
    if reference.is_some() {
        let beside = format!("{theirs:.2} s for a media tool's filter graph in the same run");
        rows::row("throughput of the whole chain", theirs / ours, "times", rows::Goal::AtLeast(8.0), &beside);
        row("reference filter graph", theirs);
        println!("the bounce has {:.1} times the throughput of the reference", theirs / ours);
    }
}

fn seconds_of(work: impl FnOnce()) -> f64 {
    let begin = Instant::now();
    work();
    begin.elapsed().as_secs_f64()
}

/// Noise that swells and ebbs, so that the dynamics have something to do.
struct Noise(u32);

impl Noise {
    fn next(&mut self) -> f32 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        ((self.0 >> 8) as f32 / 8_388_608.0 - 1.0) * 0.5
    }
}

fn make_take(folder: &Path, id: u64, frames: u64) -> AssetFile {
    let path = folder.join(format!("take-{id}.wav"));
    let spec = WavSpec { channels: 1, rate: RATE, format: OutputFormat::I24 };
    let mut sink = create_sink(&path, spec).expect("room for the takes");
    let mut random = Noise(u32::try_from(id).expect("few lanes"));
    let mut block = vec![0.0; 48_000];
    for second in 0..frames / 48_000 {
        let level = 0.25 + 0.2 * (second as f32).sin();
        block.iter_mut().for_each(|sample| *sample = level * random.next());
        sink.write(&[&block]).expect("room for the takes");
    }
    sink.finish().expect("room for the takes");
    AssetFile { id: AssetId(id), path, channels: 1 }
}

fn make_song(lanes: u64, frames: u64, tone: Option<&Tone>) -> Song {
    let tone = tone.map(|tone| Arc::new(tone.clone()));
    let lane =
        |id: u64| Arc::new(Lane { role: Role::Double, tone: tone.clone(), ..common::lane(id, frames) });
    Song { lanes: (1..=lanes).map(lane).collect(), ..Song::default() }
}

fn run_bounce(song: &Song, assets: &[AssetFile], out: &Path) {
    let request = BounceRequest {
        song,
        rate: RATE,
        title: "bench",
        assets,
        folder: out,
        format: OutputFormat::I24,
        overwrite: true,
        options: tautline::handoff::BounceOptions::default(),
    };
    black_box(bounce(&request, &Silent).expect("the bounce to work"));
}

/// One run of the command for each take, two at a time.
fn run_reference(command: &str, assets: &[AssetFile], out: &Path) {
    let next = std::sync::atomic::AtomicUsize::new(0);
    let work = || {
        while let Some(asset) = assets.get(next.fetch_add(1, std::sync::atomic::Ordering::Relaxed)) {
            let to = out.join(asset.path.file_name().expect("a file name"));
            let line = command
                .replace("{in}", &asset.path.to_string_lossy())
                .replace("{out}", &to.to_string_lossy());
            let done = Command::new("sh").args(["-c", &line]).status().expect("a shell");
            assert!(done.success(), "the reference failed: {line}");
        }
    };
    std::thread::scope(|scope| {
        scope.spawn(work);
        scope.spawn(work);
    });
}
