//! How quick and how thrifty the screen is, over a session of 64 lanes of 5 minutes. Figures to read, not to pass:
//! a shared machine is no stopwatch. Run with
//!
//! `cargo test --profile quick --test speed -- --ignored --nocapture`
//!
//! The takes (1.8 GB) are made in TAUTLINE_SPEED_FOLDER, or in the folder for temporary files, and stay there.

mod live;

use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use live::Start;
use tautline::media::{Peaks, Silent};

const LANES: usize = 64;
const SECONDS: usize = 300;
const RATE: usize = 48_000;

fn folder() -> PathBuf {
    std::env::var_os("TAUTLINE_SPEED_FOLDER")
        .map_or_else(|| std::env::temp_dir().join("tautline-speed"), PathBuf::from)
}

/// A made-up take: bursts of a gliding tone with noise between, other ones for each seed.
fn take(path: &Path, seed: u32) {
    let data = (SECONDS * RATE * 2) as u32;
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path).unwrap());
    out.write_all(b"RIFF").unwrap();
    out.write_all(&(36 + data).to_le_bytes()).unwrap();
    out.write_all(b"WAVEfmt \x10\0\0\0\x01\0\x01\0").unwrap();
    out.write_all(&(RATE as u32).to_le_bytes()).unwrap();
    out.write_all(&(RATE as u32 * 2).to_le_bytes()).unwrap();
    out.write_all(b"\x02\0\x10\0data").unwrap();
    out.write_all(&data.to_le_bytes()).unwrap();
    let mut noise = seed.wrapping_mul(2_654_435_761) | 1;
    let mut phase = 0.0f32;
    for n in 0..SECONDS * RATE {
        noise ^= noise << 13;
        noise ^= noise >> 17;
        noise ^= noise << 5;
        let beat = (n + seed as usize * 371) % (RATE / 2);
        let level = if beat < RATE / 3 {
            (beat as f32 / 900.0).min(1.0) * (1.0 - beat as f32 / (RATE as f32 / 3.0))
        } else {
            0.0
        };
        phase = (phase + 0.02 + level * 0.01) % std::f32::consts::TAU;
        let sample = level * 0.7 * phase.sin() + (noise as f32 / u32::MAX as f32 - 0.5) * 0.004;
        out.write_all(&((sample * 32_000.0) as i16).to_le_bytes()).unwrap();
    }
    out.flush().unwrap();
}

fn session() -> PathBuf {
    let folder = folder();
    let path = folder.join("wide.json");
    if path.exists() {
        return path;
    }
    let takes = folder.join("takes");
    std::fs::create_dir_all(&takes).unwrap();
    for lane in 0..LANES {
        take(&takes.join(format!("{lane:02}-take.wav")), lane as u32 + 1);
    }
    let run = |args: &[&str]| {
        let status = std::process::Command::new(env!("CARGO_BIN_EXE_tautline")).args(args).status().unwrap();
        assert!(status.success());
    };
    let (session, guide) = (path.display().to_string(), takes.join("00-take.wav").display().to_string());
    let others: Vec<String> =
        (1..LANES).map(|lane| takes.join(format!("{lane:02}-take.wav")).display().to_string()).collect();
    let mut args = vec!["new", &session, "--guide", &guide];
    args.extend(others.iter().map(String::as_str));
    run(&args);
    run(&[
        "run",
        &session,
        "-c",
        "cut at 10s,20.5s,31s,60s,120s,200s on all; shift +11ms on lane 2 at 21s; fade missing 5ms on all",
    ]);
    path
}

fn start<'a>(session: &Path, home: &'a Path, size: (u16, u16)) -> Start<'a> {
    Start::open(session, home).size(size.0, size.1)
}

/// Milliseconds from a key to the last byte of its frame, as far as the reader thread sees it.
fn key_to_frame(live: &mut live::Live, key: &[u8]) -> f64 {
    let before = live.sent();
    let begun = Instant::now();
    live.send(key);
    loop {
        if live.sent() > before && live.raw().ends_with(b"\x1b[?2026l") {
            return begun.elapsed().as_secs_f64() * 1000.0;
        }
        if begun.elapsed() > Duration::from_secs(1) {
            return f64::NAN;
        }
        std::thread::yield_now();
    }
}

#[test]
#[ignore = "makes 1.8 GB of takes; gives figures"]
fn figures() {
    let session = session();
    let folder = folder();
    let home = folder.join("home");
    std::fs::create_dir_all(&home).unwrap();

    let takes: Vec<PathBuf> =
        (0..LANES).map(|lane| folder.join(format!("takes/{lane:02}-take.wav"))).collect();
    let bytes: u64 = takes.iter().map(|path| std::fs::metadata(path).unwrap().len()).sum();
    let mut block = vec![0u8; 1 << 20];
    for pass in ["first", "second"] {
        let begun = Instant::now();
        for path in &takes {
            let mut file = File::open(path).unwrap();
            while file.read(&mut block).unwrap() > 0 {}
        }
        let reading = begun.elapsed().as_secs_f64();
        let begun = Instant::now();
        for path in &takes {
            Peaks::of_file(path, &Silent).unwrap();
        }
        let peaks = begun.elapsed().as_secs_f64();
        let mb = bytes as f64 / 1e6;
        println!(
            "{pass} pass: reading {:.0} MB/s, peaks {:.0} MB/s on one thread ({:.0} %)",
            mb / reading,
            mb / peaks,
            reading / peaks * 100.0
        );
    }

    // Fills the caches of peaks and of checked recordings.
    let live = start(&session, &home, (200, 60)).run();
    std::thread::sleep(Duration::from_secs(1));
    live.wait_ready();
    live.quit();
    for _ in 0..5 {
        let begun = Instant::now();
        let live = start(&session, &home, (200, 60)).run();
        while live.sent() < 1000 {
            std::thread::yield_now();
        }
        let first = begun.elapsed().as_secs_f64() * 1000.0;
        live.wait_ready();
        println!("first frame after {first:.0} ms; all sent {} bytes", live.sent());
        live.quit();
    }

    let mut live = start(&session, &home, (200, 60)).run();
    live.wait_ready();
    live.line("height 2; cursor to 21s; focus lane 2; zoom to 30s");
    let before = live.sent();
    live.keys("\x0c");
    println!("full redraw at 200x60 in 256 colours: {} bytes", live.sent() - before);
    let steps: Vec<usize> = (0..20).map(|_| live.keys("right")).collect();
    println!(
        "cursor step at 200x60: {} to {} bytes",
        steps.iter().min().unwrap(),
        steps.iter().max().unwrap()
    );
    let keys: [&[u8]; 8] = [b"\x1b[C", b"\x1b[D", b"\x1b[B", b"\x1b[A", b"=", b"-", b"h", b"g"];
    let mut times: Vec<f64> = Vec::new();
    for round in 0..400 {
        let time = key_to_frame(&mut live, keys[round % keys.len()]);
        if time.is_finite() {
            times.push(time);
        }
        std::thread::sleep(Duration::from_millis(15));
    }
    times.sort_by(f64::total_cmp);
    let at = |part: f64| times[((times.len() - 1) as f64 * part) as usize];
    println!(
        "key to frame at 200x60, {} keys: median {:.1} ms, p99 {:.1} ms, worst {:.1} ms",
        times.len(),
        at(0.5),
        at(0.99),
        at(1.0)
    );
    // What the last edits set going in the background comes to its end first.
    std::thread::sleep(Duration::from_secs(3));
    live.wait_ready();
    let before = live.sent();
    std::thread::sleep(Duration::from_secs(10));
    println!("idle for 10 s: {} bytes", live.sent() - before);
    live.quit();

    let mut live = start(&session, &home, (160, 45)).run();
    live.wait_ready();
    live.line("height 2; cursor to 10s; zoom to 8s; scroll cursor; follow off; loop off");
    let shown = live.text().matches("take").count();
    live.send(b" ");
    std::thread::sleep(Duration::from_secs(1));
    let before = live.sent();
    std::thread::sleep(Duration::from_secs(3));
    println!("playing at 160x45 with {shown} lanes: {:.1} kB/s", (live.sent() - before) as f64 / 3000.0);
    live.send(b" ");
    live.quit();
}
