//! Recordings of a human reader (`tests/human/SOURCE.md`) through the real program: taken in, cut in the pauses, slid,
//! faded, crossed, bounced; every sample of the result is held against arithmetic on the source.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic is the report of a test")]

#[path = "common/decoded.rs"]
mod decoded;
mod program;

use std::fs;
use std::path::{Path, PathBuf};

use decoded::decoded;
use program::{Desk, read_wav};
use serde_json::Value;

/// Frames and peaks as `tests/human/SOURCE.md` gives them, which were measured when the files were packed.
const READERS: [(&str, usize, f64); 4] = [
    ("reader-1.flac", 47_840, -10.5),
    ("reader-2.flac", 84_800, -6.0),
    ("reader-3.flac", 96_800, -4.7),
    ("reader-4.flac", 52_640, -9.1),
];

fn desk(rate: &str) -> Desk {
    let desk = Desk::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/human");
    for (name, ..) in READERS {
        fs::copy(folder.join(name), desk.path(name)).unwrap();
    }
    let takes = READERS.map(|(name, ..)| name);
    desk.tautline(&[&["new", "song.json", "--rate", rate, "--guide"][..], &takes].concat()).ends(0);
    desk
}

/// Paths of the bounced lanes, as 32-bit floats.
fn bounced(desk: &Desk, format: &str) -> (Value, Vec<PathBuf>) {
    let document =
        desk.tautline(&["bounce", "song.json", "--to", format, "--format", format, "--json"]).ends(0).json();
    let files = document["files"].as_array().unwrap();
    let paths = files.iter().map(|file| desk.path(file["path"].as_str().unwrap())).collect();
    (document, paths)
}

/// The middle of the quietest 60 ms between `from` and `to`, in samples.
fn pause(samples: &[f32], rate: usize, from: usize, to: usize) -> usize {
    let window = rate * 60 / 1000;
    let power = |at: usize| samples[at..at + window].iter().map(|x| f64::from(*x).powi(2)).sum::<f64>();
    let quietest =
        (from..to - window).step_by(rate / 1000).min_by(|a, b| power(*a).total_cmp(&power(*b))).unwrap();
    quietest + window / 2
}

#[test]
fn an_untouched_lane_bounces_to_the_very_samples_that_were_recorded() {
    let desk = desk("16000");
    let (document, paths) = bounced(&desk, "i16");
    let (_, exact) = bounced(&desk, "f32");
    assert_eq!((&document["rate"], &document["length"]), (&16_000.into(), &96_800.into()));
    for ((name, frames, peak), (path, float)) in READERS.iter().zip(paths.iter().zip(&exact)) {
        let (rate, recorded) = decoded(&desk.path(name));
        let [recorded] = &recorded[..] else { panic!("{name} is not mono") };
        assert_eq!((rate, recorded.len()), (16_000, *frames));
        let mut reader = hound::WavReader::open(path).unwrap();
        let samples: Vec<i16> = reader.samples::<i16>().map(Result::unwrap).collect();
        assert_eq!(samples.len(), 96_800, "all files are as long as the longest");
        // 16-bit PCM is recorded / 2^15; floats hold that exactly.
        assert!(
            samples.iter().zip(recorded).all(|(a, b)| f32::from(*a) == b * 32_768.0),
            "{name} as 16 bits"
        );
        let (_, float) = read_wav(float);
        assert!(float[..*frames] == recorded[..], "{name} as floats");
        assert!(samples[*frames..].iter().all(|x| *x == 0) && float[*frames..].iter().all(|x| *x == 0.0));
        let lane = document["files"]
            .as_array()
            .unwrap()
            .iter()
            .find(|file| file["name"].as_str().is_some_and(|lane| name.starts_with(lane)));
        assert!((lane.unwrap()["peak_db"].as_f64().unwrap() - peak).abs() < 0.06, "{name}");
    }
    // The stack: each mono lane in the middle counts cos(pi/4) on either side.
    let (_, stack) = read_wav(exact.last().unwrap());
    let lanes: Vec<Vec<f32>> = exact[..4].iter().map(|path| read_wav(path).1).collect();
    for (frame, sides) in stack.chunks(2).enumerate() {
        let sum: f64 =
            lanes.iter().map(|lane| f64::from(lane[frame])).sum::<f64>() * std::f64::consts::FRAC_1_SQRT_2;
        assert!((f64::from(sides[0]) - sum).abs() < 1e-6 && sides[0] == sides[1], "frame {frame}");
    }
}

#[test]
fn cuts_in_pauses_slides_fades_and_crossfades_are_exact_on_real_speech() {
    let desk = desk("48000");
    let session: Value = serde_json::from_slice(&fs::read(desk.path("song.json")).unwrap()).unwrap();
    // A first bounce makes the working copies, which are the sources from here on.
    bounced(&desk, "i16");
    let source: Vec<Vec<f32>> = (0..4)
        .map(|asset| {
            let hash = session["assets"][asset]["blake3"].as_str().unwrap();
            let (spec, samples) =
                read_wav(&desk.home().join(format!("cache/tautline/conformed/{hash}-48000.wav")));
            assert_eq!((spec.sample_rate, spec.channels), (48_000, 1));
            assert_eq!(samples.len(), READERS[asset].1 * 3, "three samples for each of the 16 kHz file");
            samples
        })
        .collect();

    // Lane 2: cut in two pauses; the middle part 20 ms later and 6 dB down; a gap before it, a crossfade after it.
    let [first, second] =
        [(40_000, 110_000), (130_000, 230_000)].map(|(a, b)| pause(&source[1], 48_000, a, b));
    desk.run(&format!(
        "cut at {first}smp,{second}smp on lane 2; shift +960smp on lane 2 at {first}smp; gain -6dB on lane 2 at {}smp; \
         fade in 480smp curve linear on lane 2 at {}smp; fade out 480smp curve raised-cosine on lane 2 at 100smp",
        first + 960,
        first + 960
    ))
    .ends(0);
    // Lane 3: a cut with a crossfade of 10 ms across it, nothing slid.
    let third = pause(&source[2], 48_000, 60_000, 220_000);
    desk.run(&format!("cut at {third}smp on lane 3; crossfade 480smp curve raised-cosine on lane 3")).ends(0);
    // Lane 4: early by 15 ms, so that the bounce begins before the origin, and upside down.
    desk.run("shift -720smp on lane 4; polarity invert on lane 4").ends(0);

    let shown = desk.show();
    let (document, paths) = bounced(&desk, "f32");
    assert_eq!((&document["start"], &document["length"]), (&(-720).into(), &(96_800 * 3 + 720).into()));
    let out: Vec<Vec<f32>> = paths[..4].iter().map(|path| read_wav(path).1).collect();
    assert!(out.iter().all(|lane| lane.len() == 96_800 * 3 + 720));

    // The guide is as it was.
    let origin = 720;
    assert!(out[0][..origin].iter().all(|x| *x == 0.0));
    assert!(out[0][origin..origin + source[0].len()] == source[0][..]);

    let lane = &out[1][origin..];
    let near =
        |a: f32, b: f64, what: &str, n: usize| assert!((f64::from(a) - b).abs() < 1e-7, "{what}, sample {n}");
    assert!(lane[..first - 480] == source[1][..first - 480], "before the fade-out");
    for n in 0..480 {
        // Raised cosine, mirrored: u = (479 - n + 0.5) / 480, gain (1 - cos(pi u)) / 2.
        let u = (479.5 - n as f64) / 480.0;
        let gain = (1.0 - (std::f64::consts::PI * u).cos()) / 2.0;
        near(lane[first - 480 + n], f64::from(source[1][first - 480 + n]) * gain, "fade-out", n);
        let gain = (n as f64 + 0.5) / 480.0 * 10f64.powf(-0.3);
        near(lane[first + 960 + n], f64::from(source[1][first + n]) * gain, "fade-in", n);
    }
    assert!(lane[first..first + 960].iter().all(|x| *x == 0.0), "the gap is not silent");
    for n in first + 480..second - 960 {
        // One rounding of the gain and one of the product, 2^-24 each, as a share of the sample.
        let (found, wanted) = (f64::from(lane[n + 960]), f64::from(source[1][n]) * 10f64.powf(-0.3));
        assert!(
            (found - wanted).abs() <= wanted.abs() * 1.3e-7,
            "the slid part, sample {n}: {found}, not {wanted}"
        );
    }
    // Where the slid part reaches over the one after it there is a crossfade of equal power, 960 samples long.
    for n in 0..960 {
        let u = (n as f64 + 0.5) / 960.0 * std::f64::consts::FRAC_PI_2;
        let old = f64::from(source[1][second - 960 + n]) * 10f64.powf(-0.3) * u.cos();
        near(lane[second + n], old + f64::from(source[1][second + n]) * u.sin(), "crossfade", n);
    }
    assert!(lane[second + 960..source[1].len()] == source[1][second + 960..], "after the crossfade");

    // A raised-cosine crossfade of a sound with itself adds up to the sound: gains u and 1 - u.
    let lane = &out[2][origin..];
    for (n, (a, b)) in lane.iter().zip(&source[2]).enumerate() {
        let exact = n + 240 < third || n >= third + 240;
        assert!(if exact { a == b } else { (a - b).abs() <= 6e-8 }, "lane 3, sample {n}: {a} and {b}");
    }
    assert!(
        out[3][..source[3].len()].iter().zip(&source[3]).all(|(a, b)| *a == -b),
        "lane 4 is early and inverted"
    );

    // What is shown is what was rendered.
    let regions = shown["lanes"][1]["regions"].as_array().unwrap();
    let at: Vec<_> = regions.iter().map(|region| region["at"].as_u64().unwrap()).collect();
    assert_eq!(at, [0, first as u64 + 960, second as u64]);
    for lane in &mut document["files"].as_array().unwrap().iter().zip(&out) {
        let peak = 20.0 * f64::from(lane.1.iter().fold(0f32, |peak, x| peak.max(x.abs()))).log10();
        assert!((peak - lane.0["peak_db"].as_f64().unwrap()).abs() < 1e-4);
    }
}

#[test]
fn pauses_are_cut_without_a_finding_once_every_edge_has_its_fade() {
    let desk = desk("48000");
    for (lane, (name, frames, _)) in READERS.iter().enumerate() {
        let (_, samples) = decoded(&desk.path(name));
        let at = pause(&samples[0], 16_000, frames / 4, frames * 3 / 4) * 3;
        desk.run(&format!("cut at {at}smp on lane {0}; shift +7ms on lane {0} at {at}smp..end", lane + 1))
            .ends(0);
    }
    let codes = |code: i32| {
        let found = desk.tautline(&["check", "song.json", "--json"]).ends(code).json();
        let findings = found["findings"].as_array().unwrap().clone();
        findings.iter().map(|finding| finding["code"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let before = codes(0);
    assert!(before.iter().any(|code| code == "edit-without-fade" || code == "edge-in-sound"), "{before:?}");
    desk.run("fade missing 5ms on all").ends(0);
    let after = codes(0);
    assert!(after.iter().all(|code| code != "edit-without-fade"), "{after:?}");
    assert_eq!(after.iter().filter(|code| *code == "rate-at-odds").count(), 4, "{after:?}");
}
