//! What `tone find` measures, on sounds whose truth is known.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]

mod toning;

use std::path::Path;

use tautline::listen::tone_find::{find_esses, find_mud, find_rumble, spectra};
use tautline::song::tone::{Band, BandShape, Deess};
use tautline::song::{Db, Tone};
use toning::{band_noise, process, rms_db, sine, vowel};

const RATE: u32 = 48_000;

/// Vowels with an ess of noise between two frequencies after each.
fn words(low_hz: f64, high_hz: f64, rate: u32) -> Vec<f32> {
    let mut song = Vec::new();
    for word in 0..6u32 {
        let frames = rate as usize / 3;
        song.extend(vowel(170.0 + 25.0 * f64::from(word), -15.0, frames, rate));
        song.extend(band_noise(low_hz, high_hz, -25.0, rate as usize * 17 / 100, rate, word + 1));
        song.extend(vec![0.0; rate as usize / 20]);
    }
    song
}

#[test]
fn bands_of_noise_are_found_within_ten_percent() {
    // Spectral peaks of English fricatives, women's s highest: Jongman, Wayland, Wong, JASA 108 (2000) 1252.
    for rate in [44_100, 48_000, 96_000] {
        for centre in [3800.0, 5500.0, 6800.0, 8000.0] {
            for octaves in [0.35f64, 0.7] {
                let half = 2f64.powf(octaves / 2.0);
                let found = find_esses(&words(centre / half, centre * half, rate), rate).unwrap();
                let off = found.frequency_hz / centre - 1.0;
                assert!(off.abs() < 0.10, "{centre} Hz, {octaves} octaves at {rate}: {}", found.frequency_hz);
                assert!(found.width_octaves <= octaves + 0.6, "{centre}: {found:?}");
                assert!(
                    found.vowel_db + 3.0 < found.threshold_db && found.threshold_db < found.ess_db,
                    "{found:?}"
                );
            }
        }
    }
}

#[test]
fn what_is_proposed_takes_esses_down_and_leaves_vowels() {
    let song = words(5200.0, 9200.0, RATE);
    let found = find_esses(&song, RATE).unwrap();
    let deess = Deess {
        frequency_hz: found.frequency_hz,
        width_octaves: found.width_octaves,
        threshold_db: Db(found.threshold_db),
        most_db: Db(8.0),
        ..Deess::default()
    };
    let out = process(&Tone { deess: Some(deess), ..Tone::default() }, RATE, &[&song], &[128]).remove(0);
    let change = |range: std::ops::Range<usize>| rms_db(&out[range.clone()]) - rms_db(&song[range]);
    let vowels = change(4000..15_000);
    let esses = change(17_500..23_500);
    assert!(vowels.abs() < 0.2, "a vowel changed by {vowels}");
    assert!(esses < -1.5, "an ess changed by {esses}");
}

#[test]
fn a_recorded_ess_is_found_within_ten_percent() {
    // tests/human/SOURCE.md tells whose voice this is. The centre was measured with scipy on stretches found by eye:
    // reference/tone_reference.py.
    let tables: serde_json::Value =
        serde_json::from_str(include_str!("reference/tone_reference.json")).unwrap();
    let centre = tables["recorded_ess"]["centre_hz"].as_f64().unwrap();
    let (samples, rate) = decode(&Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/human/reader-2.flac"));
    let found = find_esses(&samples, rate).unwrap();
    assert!((found.frequency_hz / centre - 1.0).abs() < 0.10, "{} against {centre}", found.frequency_hz);
    // The frames that were taken for esses are those that were found by eye, for the most part.
    let found = spectra(&samples, rate);
    let second = |frame: usize| (frame * found.hop + found.hop) as f64 / f64::from(rate);
    let inside = |frame: usize| {
        tables["recorded_ess"]["esses_s"].as_array().unwrap().iter().any(|span| {
            (span[0].as_f64().unwrap() - 0.03..span[1].as_f64().unwrap() + 0.03).contains(&second(frame))
        })
    };
    let hits = (0..found.ess_frames.len()).filter(|frame| found.ess_frames[*frame]);
    let (within, all) =
        hits.fold((0, 0), |(within, all), frame| (within + usize::from(inside(frame)), all + 1));
    assert!(within * 10 >= all * 6, "{within} of {all} frames");
}

fn decode(path: &Path) -> (Vec<f32>, u32) {
    use tautline::media::{Silent, WavReader, hash_file, probe, working_copy};
    let cache = tempfile::tempdir().unwrap();
    let info = probe(path).unwrap();
    let copy =
        working_copy(path, &hash_file(path).unwrap(), &info, info.rate, cache.path(), &Silent).unwrap();
    let mut reader = WavReader::open(&copy).unwrap();
    let mut samples = vec![0.0f32; usize::try_from(info.frames).unwrap()];
    reader.read(0, &mut [samples.as_mut_slice()]).unwrap();
    (samples, info.rate)
}

#[test]
fn too_little_to_go_by_is_said_so() {
    assert_eq!(find_esses(&vowel(200.0, -12.0, 48_000, RATE), RATE), None);
    assert_eq!(find_esses(&[], RATE), None);
    assert_eq!(find_esses(&[0.0; 48_000], RATE), None);
    assert_eq!(find_rumble(&band_noise(5000.0, 9000.0, -20.0, 48_000, RATE, 1), RATE), None);
    assert_eq!(find_mud(&[0.5; 100], 8000), None);
}

#[test]
fn a_muddy_band_is_found_where_it_was_put_and_none_where_none_is() {
    // A voice whose spectrum falls evenly, thick with harmonics: nothing stands out of it.
    let mut even = vowel(55.0, -20.0, 96_000, RATE);
    even.iter_mut().zip(toning::noise(96_000, 3)).for_each(|(sample, noise)| *sample += 0.0005 * noise);
    assert!(find_mud(&even, RATE).is_none_or(|found| found.excess_db < 3.0), "{:?}", find_mud(&even, RATE));
    for hz in [220.0, 300.0, 380.0] {
        let bump = Tone {
            bands: [
                Some(Band { shape: BandShape::Bell, frequency_hz: hz, gain_db: Db(9.0), q: 2.0 }),
                None,
                None,
                None,
            ],
            ..Tone::default()
        };
        let muddy = process(&bump, RATE, &[&even], &[128]).remove(0);
        let found = find_mud(&muddy, RATE).unwrap();
        assert!((found.frequency_hz / hz).log2().abs() < 0.2, "{hz}: {found:?}");
        assert!(found.excess_db > 3.0, "{found:?}");
    }
}

#[test]
fn a_high_pass_is_proposed_below_the_voice_and_steeper_where_it_rumbles() {
    for lowest in [110.0, 150.0, 220.0] {
        let voice = vowel(lowest, -18.0, 96_000, RATE);
        let calm = find_rumble(&voice, RATE).unwrap();
        assert!((0.5..0.95).contains(&(calm.frequency_hz / lowest)), "{lowest}: {calm:?}");
        assert!(!calm.steep, "{calm:?}");
        let hum = sine(30.0, -24.0, 96_000, RATE);
        let rumbling: Vec<f32> = voice.iter().zip(&hum).map(|(a, b)| a + b).collect();
        let found = find_rumble(&rumbling, RATE).unwrap();
        assert!((found.frequency_hz / lowest) < 0.95 && found.frequency_hz > 30.0, "{lowest}: {found:?}");
        assert!(found.steep && found.rumble_db > calm.rumble_db + 10.0, "{found:?} after {calm:?}");
    }
}
