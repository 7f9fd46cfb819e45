//! The demo stack, whose truth is known to the sample, and a human reader.

use serde_json::Value;
use tautline::listen::{Heard, Slice, SoundKind, listen};

use crate::material::{RATE, above_100_hz, desk, energy, read, root};

fn hear(path: &str) -> (Vec<f32>, Heard) {
    let sound = read(&root().join(path));
    let heard = listen(&mut Slice { rate: RATE, samples: &sound }).unwrap();
    (sound, heard)
}

fn seconds(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap()
}

fn truth() -> Value {
    serde_json::from_slice(&std::fs::read(root().join("demo/truth.json")).unwrap()).unwrap()
}

#[test]
fn breaths_phrases_and_floor_of_the_demo_are_found() {
    for (name, take) in truth()["takes"].as_object().unwrap() {
        let (_, heard) = hear(&format!("demo/{name}.flac"));
        let s = |frame: u64| frame as f64 / f64::from(RATE);
        assert!((f64::from(heard.floor_db) - seconds(take, "floor_db")).abs() < 2.0, "{name} {}", heard.floor_db);
        let breaths: Vec<_> = heard.of(SoundKind::Breath).collect();
        let planned = take["breaths"].as_array().unwrap();
        assert_eq!(breaths.len(), planned.len(), "{name}");
        for (breath, planned) in breaths.iter().zip(planned) {
            // A breath swells and dies: what counts is that most of it is named.
            let (from, to) = (seconds(planned, "start_s"), seconds(planned, "end_s"));
            let shared = s(breath.end).min(to) - s(breath.start).max(from);
            assert!(shared > 0.85 * (to - from), "{name} {planned} {breath:?}");
        }
        for word in take["words"].as_array().unwrap() {
            let (from, to) = (seconds(word, "heard_start_s"), seconds(word, "heard_end_s"));
            let inside = heard.phrases.iter().any(|phrase| {
                // A soft last release may lie under the floor; 10 ms of it are nobody's word.
                s(phrase.start) <= from + 0.002 && s(phrase.end) >= to - 0.05
            });
            assert!(inside, "{name} {}", word["word"]);
            for phone in word["phones"].as_array().unwrap().iter().filter(|phone| phone["phone"] == "s") {
                let middle = (seconds(phone, "start_s") + seconds(phone, "end_s")) / 2.0 * f64::from(RATE);
                let at = heard.sound_at(middle as u64).unwrap();
                assert_eq!(at.kind, SoundKind::Sibilant, "{name} {} {at:?}", word["word"]);
                assert!((5000.0..9500.0).contains(&at.centre_hz), "{name} {} {at:?}", word["word"]);
            }
        }
    }
}

/// "pocketsphinx-testdata" of Debian (BSD-2-Clause; from a LibriVox recording in the public domain), see
/// tests/human/SOURCE.md.
#[test]
fn a_human_readers_dead_space_goes_and_no_word_does() {
    for index in 1..=4 {
        let (sound, heard) = hear(&format!("tests/human/reader-{index}.flac"));
        let mut desk = desk(vec![sound.clone()]);
        desk.run("trim gaps on all").unwrap();
        let out = desk.render(1, None, sound.len());
        // Rumble of the room is no word.
        let kept = energy(&above_100_hz(&out)) / energy(&above_100_hz(&sound));
        assert!(kept > 0.9995, "reader {index}: {kept}");
        let sounding: u64 = desk.lane(1).regions.iter().map(|region| region.length.0).sum();
        let removed = sound.len() as u64 - sounding;
        assert!(removed >= RATE as u64 / 4, "reader {index}: {removed} samples");
        assert!(heard.of(SoundKind::Sibilant).count() >= 1 || index != 2, "reader {index}");
        println!(
            "reader {index}: voice {:.0} dBFS, floor {:.0} dBFS, removed {:.0} ms of {:.0} ms, energy kept {:.4} %",
            heard.voice_db,
            heard.floor_db,
            removed as f64 / 48.0,
            sound.len() as f64 / 48.0,
            100.0 * kept
        );
    }
}
