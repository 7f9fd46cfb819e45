//! Speed and memory of the bounce, beside a plain loop that reads the same bytes, sums them as f32 and writes the
//! same bytes back. Both in one run, on the same files, taking turns; the best of each counts.
//!
//!     cargo bench --profile quick --bench bounce                     tables for 4, 16 and 64 lanes of a minute
//!     cargo bench --profile quick --bench bounce -- 64 300           64 lanes of 5 minutes
//!     BOUNCE_BENCH_DIR=/dev/shm cargo bench …                        without a disk in the way
#![allow(clippy::expect_used, reason = "a bench that cannot run says why and stops")]

use std::fs::{self, File};
use std::hint::black_box;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use tautline::handoff::{AssetFile, BounceOptions, BounceRequest, bounce};
use tautline::media::{OutputFormat, Silent, WavSpec, create_sink};
use tautline::song::{AssetId, Bend, Curve, Db, Fade, Lane, Length, Position, Region, RegionId, Role, Song};

#[path = "../common/mod.rs"]
mod common;
mod rows;

use common::RATE;

const ROUNDS: usize = 3;

fn main() {
    let numbers: Vec<u64> = std::env::args().filter_map(|argument| argument.parse().ok()).collect();
    let cases = match numbers[..] {
        [lanes, seconds] => vec![(lanes, seconds)],
        _ => vec![(4, 60), (16, 60), (64, 60)],
    };
    println!("48 kHz, 24 bit, mono; a region every 2 s with fades or a crossfade; best of {ROUNDS}");
    println!("lanes  seconds   plain loop       bounce            bounce of plain   most memory so far");
    cases.into_iter().for_each(|(lanes, seconds)| measure(lanes, seconds));
}

fn measure(lanes: u64, seconds: u64) {
    let place = std::env::var_os("BOUNCE_BENCH_DIR").map_or_else(std::env::temp_dir, PathBuf::from);
    let folder = tempfile::tempdir_in(place).expect("a folder to work in");
    let frames = seconds * u64::from(RATE);
    let assets: Vec<AssetFile> = (1..=lanes).map(|id| make_take(folder.path(), id, frames)).collect();
    let song = make_song(lanes, frames);
    let (mut plain, mut ours) = (f64::INFINITY, f64::INFINITY);
    for _ in 0..ROUNDS {
        let out = folder.path().join("out");
        ours = ours.min(seconds_of(|| run_bounce(&song, &assets, &out)));
        fs::remove_dir_all(&out).expect("the bounce made the folder");
        plain = plain.min(seconds_of(|| plain_loop(&assets, &out)));
        fs::remove_dir_all(&out).expect("the loop made the folder");
    }
    let megabytes = (lanes * frames * 3) as f64 / 1e6;
    println!(
        "{lanes:5}  {seconds:7}   {plain:6.2} s {:5.0} MB/s {ours:6.2} s {:5.0} MB/s   {:6.0} %   {:13.0} MB",
        megabytes / plain,
        megabytes / ours,
        100.0 * plain / ours,
        rows::peak_mb().unwrap_or(0.0)
    );
    rows::row(
        &format!("bounce, {lanes} lanes of {seconds} s, against a plain loop"),
        plain / ours,
        "x",
        rows::Goal::AtLeast(0.5),
        "reading, summing as f32 and writing the same bytes",
    );
}

fn seconds_of(work: impl FnOnce()) -> f64 {
    let begin = Instant::now();
    work();
    begin.elapsed().as_secs_f64()
}

fn make_take(folder: &Path, id: u64, frames: u64) -> AssetFile {
    let path = folder.join(format!("take-{id}.wav"));
    let spec = WavSpec { channels: 1, rate: RATE, format: OutputFormat::I24 };
    let mut sink = create_sink(&path, spec).expect("room for the takes");
    let mut x = u32::try_from(id).expect("few lanes");
    let mut block = vec![0.0; 48_000];
    for _ in 0..frames / 48_000 {
        for sample in &mut block {
            x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *sample = (x >> 8) as f32 / 16_777_216.0 - 0.5;
        }
        sink.write(&[&block]).expect("room for the takes");
    }
    sink.finish().expect("room for the takes");
    AssetFile { id: AssetId(id), path, channels: 1 }
}

/// Regions of 2 s; each second pair is joined by a crossfade of 15 ms, the others by a fade-out of 40 ms and a fade-in
/// of 5 ms.
fn make_song(lanes: u64, frames: u64) -> Song {
    let fade = |ms: u64, curve| Fade { length: Length(ms * 48), curve, bend: Bend(0.3) };
    let lane = |id: u64| {
        let region = |index: u64| {
            let crosses_in = index % 2 == 1;
            let crosses_out = index.is_multiple_of(2) && (index + 1) * 96_000 < frames;
            let (at, overlap) = (index * 96_000, if crosses_out { 720 } else { 0 });
            Arc::new(Region {
                id: RegionId(id * 100_000 + index),
                asset: AssetId(id),
                source_in: at,
                length: Length((96_000 + overlap).min(frames - at)),
                at: Position(i64::try_from(at).expect("short songs")),
                gain_db: Db(if index.is_multiple_of(3) { -1.5 } else { 0.0 }),
                highpass_hz: None,
                fade_in: if crosses_in { fade(15, Curve::EqualPower) } else { fade(5, Curve::Linear) },
                fade_out: if crosses_out {
                    fade(15, Curve::EqualPower)
                } else {
                    fade(40, Curve::Exponential)
                },
            })
        };
        Arc::new(Lane {
            role: Role::Double,
            gain_db: Db(-3.0),
            regions: (0..frames / 96_000).map(region).collect(),
            ..common::lane(id, frames)
        })
    };
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
        overwrite: false,
        options: BounceOptions::default(),
    };
    black_box(bounce(&request, &Silent).expect("the bounce to work"));
}

/// What anybody would write: read a piece of each file, add it to a sum, write the piece back.
fn plain_loop(assets: &[AssetFile], out: &Path) {
    const FRAMES: usize = 16_384;
    fs::create_dir(out).expect("a new folder");
    let open = |asset: &AssetFile| {
        let name = asset.path.file_name().expect("a file name");
        let to = BufWriter::new(File::create(out.join(name)).expect("a new file"));
        (File::open(&asset.path).expect("the take"), to)
    };
    let mut files: Vec<(File, BufWriter<File>)> = assets.iter().map(open).collect();
    let mut bytes = vec![0u8; FRAMES * 3];
    let mut sum = vec![0.0f32; FRAMES];
    loop {
        let mut most = 0;
        sum.fill(0.0);
        for (from, to) in &mut files {
            let count = read_full(from, &mut bytes);
            most = most.max(count);
            for (sum, sample) in sum.iter_mut().zip(bytes[..count].chunks_exact(3)) {
                *sum += i32::from_le_bytes([0, sample[0], sample[1], sample[2]]) as f32 / 2_147_483_648.0;
            }
            to.write_all(&bytes[..count]).expect("room for the copy");
        }
        black_box(&sum);
        if most == 0 {
            break;
        }
    }
    files.iter_mut().for_each(|(_, to)| to.flush().expect("room for the copy"));
}

fn read_full(from: &mut File, bytes: &mut [u8]) -> usize {
    let mut count = 0;
    while count < bytes.len() {
        match from.read(&mut bytes[count..]).expect("the take to be readable") {
            0 => break,
            more => count += more,
        }
    }
    count
}
