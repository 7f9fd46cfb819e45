//! `bounce`: files of one start and one length, that others can read.

use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};

use crate::decoded::decoded;
use crate::program::{Desk, RATE, Said, noise, read_wav};

/// The desk's session with an early start, a pan, a mute and a lane of two channels.
fn busy() -> Desk {
    let desk = Desk::new();
    desk.take("lead.wav", RATE, 1, 96_000);
    desk.take("double-1.wav", RATE, 1, 90_000);
    desk.take("double-2.wav", RATE, 2, 48_000);
    desk.take("harm.wav", RATE, 1, 50_001);
    desk.take("backing.wav", RATE, 2, 120_000);
    let files = ["lead.wav", "double-1.wav", "double-2.wav", "harm.wav", "backing.wav"];
    desk.tautline(&[&["new", "song.json", "--title", "Lantern Row"][..], &files].concat()).ends(0);
    desk.run(
        "shift -250ms on lane 2; pan -0.5 on lane 2; gain -6dB on lane 2; shift +100ms on lane 3; mute on lane 4; \
         cut at 1s on lane 1; shift +20ms on lane 1 at 1.5s; fade missing 5ms on all",
    )
    .ends(0);
    desk
}

/// 250 ms before the origin to the end of the backing.
const LENGTH: u64 = 12_000 + 120_000;

#[test]
fn one_file_per_lane_from_one_start_with_one_length_in_24_bits() {
    let desk = busy();
    let said = desk.tautline(&["bounce", "song.json", "--to", "out", "--json"]).ends(0);
    assert_eq!(said.err, "");
    let document = said.json();
    assert_eq!(
        (&document["rate"], &document["start"], &document["length"]),
        (&json!(48_000), &json!(-12_000), &json!(LENGTH))
    );
    let files = document["files"].as_array().unwrap();
    let lanes: Vec<_> = files
        .iter()
        .map(|file| json!([file["kind"], file["lane"], file["channels"], file["muted"]]))
        .collect();
    assert_eq!(
        json!(lanes),
        json!([
            ["lane", 1, 1, false],
            ["lane", 2, 2, false],
            ["lane", 3, 2, false],
            ["lane", 4, 1, true],
            ["lane", 5, 2, false],
            ["stack", null, 2, false],
        ])
    );
    for file in files {
        let (spec, samples) = read_wav(&desk.path(file["path"].as_str().unwrap()));
        assert_eq!((spec.bits_per_sample, spec.sample_format), (24, hound::SampleFormat::Int));
        assert_eq!((spec.sample_rate, json!(spec.channels)), (RATE, file["channels"].clone()));
        assert_eq!(samples.len() as u64, LENGTH * u64::from(spec.channels));
        let peak = 20.0 * f64::from(samples.iter().fold(0f32, |peak, x| peak.max(x.abs()))).log10();
        assert!((peak - file["peak_db"].as_f64().unwrap()).abs() < 0.001, "{file}");
    }
    assert_eq!(std::fs::read_dir(desk.path("out")).unwrap().count(), 7, "six sound files and the manifest");
}

/// Bounces to a folder of the format's name.
fn undithered(desk: &Desk, format: &str) -> Said {
    let args = ["bounce", "song.json", "--to", format, "--format", format, "--dither", "off", "--json"];
    desk.tautline(&args).ends(0)
}

#[test]
fn every_format_reads_back_as_the_same_sound() {
    let desk = busy();
    let bounce = |format: &str| -> Vec<(u32, Vec<Vec<f32>>)> {
        let document = undithered(&desk, format).json();
        let read = |file: &Value| {
            let path = desk.path(file["path"].as_str().unwrap());
            assert_eq!(path.extension().unwrap(), if format == "flac" { "flac" } else { "wav" });
            decoded(&path)
        };
        document["files"].as_array().unwrap().iter().map(read).collect()
    };
    let exact = bounce("f32");
    for (format, bits) in [("i16", 16), ("i24", 24), ("flac", 24)] {
        // Half a step of rounding, and what 1 - 2^(1-bits) cannot hold.
        let step = 2f32.powi(1 - bits);
        for ((rate, samples), (_, original)) in bounce(format).iter().zip(&exact) {
            let lengths = |planes: &[Vec<f32>]| planes.iter().map(Vec::len).collect::<Vec<_>>();
            assert_eq!((*rate, lengths(samples)), (RATE, lengths(original)), "{format}");
            let pairs = samples.iter().flatten().zip(original.iter().flatten());
            let worst = pairs.map(|(a, b)| (a - b).abs()).fold(0f32, f32::max);
            assert!(worst <= step * 0.501, "{format}: off by {} steps", worst / step);
            assert!(worst > 0.0, "{format} cannot hold floats exactly");
        }
    }
}

#[test]
fn the_sound_is_the_takes_own_where_nothing_was_done_to_it() {
    let desk = busy();
    desk.tautline(&["bounce", "song.json", "--to", "out", "--format", "f32"]).ends(0);
    let (_, lead) = read_wav(&desk.path("out/Lantern-Row_01_guide_lead_48k.wav"));
    let source: Vec<f32> =
        noise(96_000, "lead.wav").iter().map(|x| (f64::from(*x) / 8_388_608.0) as f32).collect();
    assert!(lead[..12_000].iter().all(|x| *x == 0.0), "before the origin there is silence");
    assert!(
        lead[12_240..12_000 + 47_760] == source[240..47_760],
        "the first piece is changed between its fades"
    );
    // The second piece was slid by 20 ms, 960 samples; its fades are 240 samples long.
    let at = 12_000 + 48_000 + 960;
    assert!(lead[12_000 + 48_000..at].iter().all(|x| *x == 0.0), "the gap between the pieces is silent");
    assert!(lead[at + 240..at + 48_000 - 240] == source[48_240..95_760], "the second piece is changed");
    // A linear fade-in of N samples has the gain (n + 0.5) / N at its sample n.
    let fade = &desk.show()["lanes"][0]["regions"][1]["fade_in"];
    assert_eq!((&fade["length"], &fade["curve"]), (&json!(240), &json!("linear")));
    for n in 0..240 {
        let wanted = f64::from(source[48_000 + n]) * (n as f64 + 0.5) / 240.0;
        assert!((f64::from(lead[at + n]) - wanted).abs() < 1e-8, "sample {n} of the fade");
    }
}

#[test]
fn nothing_is_written_over_unless_told_and_recordings_never() {
    let desk = busy();
    let bounce =
        |to: &str, more: &[&str]| desk.tautline(&[&["bounce", "song.json", "--to", to][..], more].concat());
    bounce("out", &[]).ends(0);
    let before = desk.files();
    bounce("out", &[])
        .ends(4)
        .complains(&["Lantern-Row_01_guide_lead_48k.wav and 5 more files exist already", "--overwrite"]);
    // One file in the way is enough, and nothing new appears beside it.
    desk.put("Lantern-Row_stack_48k.wav", "mine");
    bounce(".", &[]).ends(4).complains(&["Lantern-Row_stack_48k.wav exists"]);
    std::fs::remove_file(desk.path("Lantern-Row_stack_48k.wav")).unwrap();
    bounce("lead.wav", &[]).ends(4).complains(&["lead.wav", "it is a file, not a folder"]);
    assert_eq!(desk.files(), before);
    desk.run("gain -1dB on lane 1").ends(0);
    bounce("out", &["--overwrite"]).ends(0);
    assert_eq!(desk.files().len(), before.len());

    // A bounced stack that becomes a take of a session with the same title would be its own target.
    desk.tautline(&[
        "new",
        "b.json",
        "--title",
        "Lantern Row",
        "--guide",
        "lead.wav",
        "out/Lantern-Row_stack_48k.wav",
    ])
    .ends(0);
    let before = desk.files();
    desk.tautline(&["bounce", "b.json", "--to", "out", "--overwrite"])
        .ends(4)
        .complains(&["Lantern-Row_stack_48k.wav is a recording of this session"]);
    assert_eq!(desk.files(), before);
}

#[test]
fn a_state_of_the_past_can_be_bounced_and_a_song_without_regions_cannot() {
    let desk = Desk::with_session();
    desk.run("mark \"whole\"; remove on lane 1; remove on lane 2; remove on lane 3").ends(0);
    desk.tautline(&["bounce", "song.json", "--to", "a"]).ends(1).complains(&["nothing to bounce"]);
    assert!(!desk.path("a").exists());
    let document =
        desk.tautline(&["bounce", "song.json", "--to", "b", "--at", "whole", "--json"]).ends(0).json();
    assert_eq!(document["length"], 144_000);
    desk.tautline(&["bounce", "song.json", "--to", "c", "--at", "hole"]).ends(1).complains(&["\"whole\""]);
}

#[test]
fn a_reader_of_another_make_opens_every_file_and_the_lanes_add_up_to_the_stack() {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/read_back.py");
    // Debian's own interpreter has the packages that CI installs; another one on the path may be a bare one.
    let has = |python: &&str| {
        let found = Command::new(python).args(["-c", "import numpy, soundfile"]).output();
        found.is_ok_and(|found| found.status.success())
    };
    let Some(python) = ["python3", "/usr/bin/python3"].into_iter().find(has) else {
        assert!(
            std::env::var_os("TAUTLINE_REQUIRE_PYTHON").is_none(),
            "python3 with numpy and soundfile is required here; install python3-numpy and python3-soundfile"
        );
        eprintln!(
            "\nSKIPPED, NOT TESTED: python3 with numpy and soundfile is missing; no foreign reader looked at a bounce\n"
        );
        return;
    };
    let desk = busy();
    for format in ["i16", "i24", "f32", "flac"] {
        let report = undithered(&desk, format).out;
        let report = desk.put(format!("{format}.json"), report);
        let read = Command::new(python).arg(&script).arg(desk.path(format)).arg(report).output().unwrap();
        let text = String::from_utf8_lossy(&read.stdout);
        assert!(read.status.success(), "{format}: {text}{}", String::from_utf8_lossy(&read.stderr));
        assert!(text.contains("6 files, 132000 frames at 48000 Hz"), "{text}");
    }
    // It must be able to say no.
    let report = desk.path("f32.json");
    std::fs::copy(
        desk.path("f32/Lantern-Row_01_guide_lead_48k.wav"),
        desk.path("f32/Lantern-Row_04_harmony_harm_48k.wav"),
    )
    .unwrap();
    let changed = std::fs::read_to_string(&report).unwrap().replace("\"muted\": true", "\"muted\": false");
    std::fs::write(&report, changed).unwrap();
    let read = Command::new(python).arg(&script).arg(desk.path("f32")).arg(report).output().unwrap();
    assert!(!read.status.success(), "a lane too many in the sum was not noticed");
}
