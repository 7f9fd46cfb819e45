//! Speed (in time on one processor) and memory of listening, and of `trim gaps` once everything was heard.
//!
//!     cargo bench --profile quick --bench listen             1, 10 and 60 minutes of song on one core; then 60 lanes
#![allow(clippy::expect_used, reason = "a bench that cannot run says why and stops")]

use std::collections::HashMap;
use std::fs;
use std::hint::black_box;
use std::sync::Arc;
use std::time::Instant;

use tautline::command::{Context, Diagnostic, Hearing, Presets, parse};
use tautline::listen::{Heard, Source, listen};
use tautline::song::AssetId;

#[path = "../common/mod.rs"]
mod common;

use common::RATE;

/// A take made as it is read: sung words of 0.4 s with an s at their end, pauses now and then, a floor of -60 dBFS.
struct Made {
    frames: u64,
}

impl Made {
    fn sample(n: u64) -> f32 {
        let mut x = n.wrapping_mul(0x9E37_79B9_7F4A_7C15);
        x ^= x >> 29;
        x = x.wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let noise = (x >> 40) as f32 / 8_388_608.0 - 1.0;
        let word = n / 24_000;
        let within = n % 24_000;
        let phase = (n % 48_000) as f32 / 48_000.0 * 2.0 * std::f32::consts::PI;
        let voice = match (word % 8, within) {
            (6 | 7, _) => 0.0,
            (_, 0..14_000) => 0.1 * (200.0 * phase).sin() + 0.05 * (600.0 * phase).sin(),
            (_, 14_000..19_000) => 0.02 * noise,
            _ => 0.0,
        };
        voice + 0.0017 * noise
    }
}

impl Source for Made {
    fn rate(&self) -> u32 {
        RATE
    }

    fn frames(&self) -> u64 {
        self.frames
    }

    fn read(&mut self, from: u64, out: &mut [f32]) -> Result<(), String> {
        for (n, sample) in (from..).zip(out) {
            *sample = if n < self.frames { Made::sample(n) } else { 0.0 };
        }
        Ok(())
    }
}

mod rows;

fn main() {
    println!("seconds   listening   real time   without making the samples   phrases   most memory so far");
    for minutes in [1, 10, 60] {
        let frames = minutes * 60 * u64::from(RATE);
        let mut made = Made { frames };
        let start = cpu_s();
        let mut block = vec![0.0; 7680];
        for _ in 0..2 {
            (0..frames).step_by(7680).for_each(|from| made.read(from, &mut block).expect("no file"));
            black_box(&block);
        }
        let making = cpu_s() - start;
        let start = cpu_s();
        let heard = listen(&mut made).expect("no file");
        let took = cpu_s() - start;
        let seconds = (minutes * 60) as f64;
        println!(
            "{seconds:7}   {took:7.2} s {:9.0} x {:25.0} x {:13} {:15.0} MB",
            seconds / took,
            seconds / (took - making),
            heard.phrases.len(),
            rows::peak_mb().unwrap_or(0.0)
        );
        let what = format!("listening, {minutes} lane-minutes");
        rows::row(&what, seconds / took, "x real time on a core", rows::Goal::AtLeast(150.0), "");
    }
    trim(60, 60);
}

#[derive(Debug)]
struct Known(HashMap<AssetId, Arc<Heard>>);

impl Hearing for Known {
    fn heard(&self, asset: AssetId) -> Result<Arc<Heard>, Diagnostic> {
        Ok(Arc::clone(&self.0[&asset]))
    }

    fn samples(&self, _: AssetId, _: u64, out: &mut [f32]) -> Result<(), Diagnostic> {
        out.fill(0.0);
        Ok(())
    }
}

/// `trim gaps on all` over lanes whose results are there.
fn trim(lanes: u64, seconds: u64) {
    let frames = seconds * u64::from(RATE);
    let heard = Arc::new(listen(&mut Made { frames }).expect("no file"));
    let known = Known((1..=lanes).map(|id| (AssetId(id), Arc::clone(&heard))).collect());
    let session = common::session(lanes, frames);
    let presets = Presets::new();
    let context = Context { session: &session, cursor: None, presets: &presets, hearing: &known };
    let command = parse("trim gaps on all").expect("it reads");
    let best = (0..5)
        .map(|_| {
            let start = Instant::now();
            black_box(command[0].call.resolve(&context).expect("there are gaps"));
            start.elapsed().as_secs_f64() * 1000.0
        })
        .fold(f64::INFINITY, f64::min);
    println!(
        "trim gaps on all: {lanes} lanes of {seconds} s, {} phrases each: {best:.2} ms",
        heard.phrases.len()
    );
    rows::row("trim gaps on all, 60 lanes of 60 s, heard before", best, "ms", rows::Goal::AtMost(50.0), "");
}

/// Seconds that this thread has been on a processor: other jobs of the machine do not count.
fn cpu_s() -> f64 {
    let text = fs::read_to_string("/proc/self/schedstat").unwrap_or_default();
    text.split_whitespace().next().and_then(|ns| ns.parse::<f64>().ok()).unwrap_or(0.0) / 1e9
}
