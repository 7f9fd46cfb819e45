//! Speed and memory of matching: a double of some length against its guide, made from the demo repeated.
//!
//!     cargo bench --profile quick --bench timing            3 minutes
//!     cargo bench --profile quick --bench timing -- 60 600  1 and 10 minutes
#![allow(clippy::expect_used, reason = "a bench that cannot run says why and stops")]

use std::path::Path;
use std::time::Instant;

use tautline::listen::Slice;
use tautline::listen::timing::{Listened, match_words};
use tautline::media::{Silent, WavReader, describe, working_copy};

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
}

fn measure(guide: &[f32], lane: &[f32], seconds: usize) {
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
        "{seconds:7}   {words:5}   {first:12.3} s   {second:11.3} s   {third:5.3} s   {all:9.3} s   {} MB (samples of both takes: {} MB)",
        most_memory_kb() / 1024,
        2 * guide.len() * 4 / 1_000_000
    );
}

fn repeated(take: &[f32], seconds: usize) -> Vec<f32> {
    take.iter().copied().cycle().take(seconds * RATE as usize).collect()
}

fn take(name: &str) -> Vec<f32> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("demo/{name}.flac"));
    let cache = tempfile::tempdir().expect("a folder to work in");
    let info = describe(&path, RATE, 1, FRAMES).expect("the demo is there");
    let wav = working_copy(&path, &format!("{:064x}", name.len()), &info, RATE, cache.path(), &Silent)
        .expect("a copy");
    let mut samples = vec![0.0; FRAMES as usize];
    WavReader::open(&wav).expect("the copy").read(0, &mut [samples.as_mut_slice()]).expect("samples");
    samples
}

fn most_memory_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM")).unwrap_or("");
    line.split_whitespace().nth(1).and_then(|kb| kb.parse().ok()).unwrap_or(0)
}
