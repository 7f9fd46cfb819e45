//! Speed and memory of matching: a double of some length against its guide, made from the demo repeated; then a standard
//! reference in the same run: its time over a minute at the same hop beside ours, and scores of both on the same stacks.
//!
//!     cargo bench --profile quick --bench timing            3 minutes
//!     cargo bench --profile quick --bench timing -- 60 600  1 and 10 minutes
//!
//! The reference (`tests/reference/timing_reference.py`, MFCC and dynamic time warping) needs a Python with librosa 0.11, named in
//! `TAUTLINE_PYTHON`; it keeps the whole matrix of costs in memory, 10 GB for 3 minutes at 5 ms, so that it is timed over one.
#![allow(clippy::expect_used, reason = "a bench that cannot run says why and stops")]

use std::ffi::OsString;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use tautline::listen::Slice;
use tautline::listen::timing::{Listened, match_words};
use tautline::media::{Silent, WavReader, describe, hash_file, working_copy};

mod rows;

const RATE: u32 = 48_000;
const FRAMES: u64 = 960_000;
const ROUNDS: usize = 3;

fn main() {
    let lengths: Vec<usize> = std::env::args().filter_map(|argument| argument.parse().ok()).collect();
    let lengths = if lengths.is_empty() { vec![180] } else { lengths };
    let (guide, lane) = (take("lead"), take("double-1"));
    println!("seconds   words   guide listened   lane listened   matched   lane in all   most memory so far");
    for seconds in lengths {
        measure(&repeated(&guide, seconds), &repeated(&lane, seconds), seconds);
    }
    let (guide, lane) = (repeated(&guide, COMPARED_S), repeated(&lane, COMPARED_S));
    compare(&guide, &lane, measure(&guide, &lane, COMPARED_S));
}

/// Length that the reference is timed over, in seconds.
const COMPARED_S: usize = 60;

/// The reference on the same samples, and both on the committed stacks.
fn compare(guide: &[f32], lane: &[f32], ours: f64) {
    let folder = tempfile::tempdir().expect("a folder to work in");
    let files = [("guide.wav", guide), ("lane.wav", lane)].map(|(name, samples)| {
        let path = folder.path().join(name);
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: RATE,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut writer = hound::WavWriter::create(&path, spec).expect("a file");
        samples.iter().for_each(|sample| writer.write_sample(*sample).expect("room for it"));
        writer.finalize().expect("room for it");
        path
    });
    let Some(said) = reference(&["--speed".into(), files[0].clone().into(), files[1].clone().into()]) else {
        println!("no reference: set TAUTLINE_PYTHON to a Python with librosa");
        return;
    };
    let theirs: f64 = said.trim().parse().expect("seconds");
    let beside = format!("{theirs:.2} s for the reference in the same run");
    let what =
        format!("{COMPARED_S} s heard and matched, against MFCC and dynamic time warping at the same hop");
    rows::row(&what, theirs / ours, "times", rows::Goal::AtLeast(5.0), &beside);
    println!(
        "{COMPARED_S} s at a hop of 5 ms: both takes heard and matched in {ours:.3} s, the reference {theirs:.3} s: {:.1} times faster",
        theirs / ours
    );
    let held = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/timing/held");
    let mut stacks: Vec<OsString> = std::fs::read_dir(held)
        .expect("the fixtures")
        .map(|entry| entry.expect("the fixtures").path().into())
        .collect();
    stacks.sort();
    let mut arguments = vec!["--tautline".into(), env!("CARGO_BIN_EXE_tautline").into()];
    arguments.extend(stacks);
    print!("{}", reference(&arguments).unwrap_or_default());
}

/// What the reference says, on one core.
fn reference(arguments: &[OsString]) -> Option<String> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/timing_reference.py");
    let python = std::env::var_os("TAUTLINE_PYTHON").unwrap_or_else(|| "python3".into());
    let mut command = Command::new(python);
    for threads in ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS", "MKL_NUM_THREADS"] {
        command.env(threads, "1");
    }
    let output = command.arg(script).args(arguments).output().ok()?;
    output.status.success().then(|| String::from_utf8_lossy(&output.stdout).into_owned())
}

/// Prints a line; gives the time for both takes heard and matched, in seconds.
fn measure(guide: &[f32], lane: &[f32], seconds: usize) -> f64 {
    let mut best = [f64::INFINITY; 3];
    let mut words = 0;
    for _ in 0..ROUNDS {
        let listen = |samples: &[f32]| {
            let start = Instant::now();
            let listened =
                Listened::to(&mut Slice { rate: RATE, samples }).expect("samples in memory can be read");
            (listened, start.elapsed().as_secs_f64())
        };
        let ((one, first), (other, second)) = (listen(guide), listen(lane));
        let found = one.words();
        let start = Instant::now();
        let matches = match_words(&one, &found, &other);
        let third = start.elapsed().as_secs_f64();
        words = matches.words.len();
        for (best, now) in best.iter_mut().zip([first, second, third]) {
            *best = best.min(now);
        }
    }
    let [first, second, third] = best;
    let all = second + third;
    println!(
        "{seconds:7}   {words:5}   {first:12.3} s   {second:11.3} s   {third:5.3} s   {all:9.3} s   {:.0} MB (samples of both takes: {} MB)",
        rows::peak_mb().unwrap_or(0.0),
        2 * guide.len() * 4 / 1_000_000
    );
    let what = format!("a double of {seconds} s heard and matched, one core");
    rows::row(&what, all, "s", if seconds == 180 { rows::Goal::AtMost(1.5) } else { rows::Goal::Open }, "");
    first + all
}

fn repeated(take: &[f32], seconds: usize) -> Vec<f32> {
    take.iter().copied().cycle().take(seconds * RATE as usize).collect()
}

fn take(name: &str) -> Vec<f32> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("demo/{name}.flac"));
    let cache = tempfile::tempdir().expect("a folder to work in");
    let info = describe(&path, RATE, 1, FRAMES).expect("the demo is there");
    let wav = working_copy(
        &path,
        &hash_file(&path).expect("the demo is there"),
        &info,
        RATE,
        cache.path(),
        &Silent,
    )
    .expect("a copy");
    let mut samples = vec![0.0; FRAMES as usize];
    WavReader::open(&wav).expect("the copy").read(0, &mut [samples.as_mut_slice()]).expect("samples");
    samples
}
