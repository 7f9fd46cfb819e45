//! Loudness against the signals of EBU Tech 3341 and Tech 3342, and what is made of it.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]

mod toning;

use std::f64::consts::PI;

use tautline::listen::loudness::PowerTrack;
use tautline::song::tone::Deess;
use tautline::song::{Db, Tone};
use tautline::sound::loudness::{k_weighting, loudness, matched_gain_db};
use toning::{band_noise, process, vowel, whole_chain};

const RATE: u32 = 48_000;

/// A 1 kHz sine in steps of (peak dBFS, seconds), its very ends faded over 10 ms so that switching on does not overshoot.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn steps(steps: &[(f64, f64)]) -> Vec<f32> {
    let mut out = Vec::new();
    for (level, seconds) in steps {
        let amplitude = 10f64.powf(level / 20.0);
        for _ in 0..(seconds * f64::from(RATE)).round() as usize {
            let n = out.len() as f64;
            out.push((amplitude * (2.0 * PI * 1000.0 * n / f64::from(RATE)).sin()) as f32);
        }
    }
    let last = out.len() - 1;
    for n in 0..480 {
        out[n] *= n as f32 / 480.0;
        out[last - n] *= n as f32 / 480.0;
    }
    out
}

#[test]
fn integrated_loudness_meets_ebu_tech_3341_cases_1_to_6() {
    // EBU Tech 3341, minimum requirements: I = −23.0 (case 2: −33.0) within 0.1 LU. Stereo 1 kHz sine, levels in peak dBFS.
    let cases: [(&[(f64, f64)], f64); 5] = [
        (&[(-23.0, 20.0)], -23.0),
        (&[(-33.0, 20.0)], -33.0),
        (&[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
        (&[(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
        (&[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
    ];
    for (case, (levels, expected)) in cases.into_iter().enumerate() {
        let signal = steps(levels);
        let found = loudness(&[&signal, &signal], RATE);
        let integrated = found.integrated_lufs.unwrap();
        assert!((integrated - expected).abs() < 0.1, "case {}: {integrated}", case + 1);
        if case < 2 {
            assert!((found.momentary_lufs.unwrap() - expected).abs() < 0.1, "momentary, case {}", case + 1);
            assert!((found.short_term_lufs.unwrap() - expected).abs() < 0.1, "short-term, case {}", case + 1);
        }
    }
}

#[test]
fn short_bursts_meet_cases_9_and_12() {
    // EBU Tech 3341: case 9, S = −23.0 constant after 3 s; case 12, M = −23.0 constant after 1 s; within 0.1 LU. The highest
    // value is what is kept here: it must not stand above either.
    let signal = steps(&[(-20.0, 1.34), (-30.0, 1.66)].repeat(5));
    let found = loudness(&[&signal, &signal], RATE);
    assert!((found.short_term_lufs.unwrap() + 23.0).abs() < 0.1, "{found:?}");
    let signal = steps(&[(-20.0, 0.18), (-30.0, 0.22)].repeat(25));
    let found = loudness(&[&signal, &signal], RATE);
    assert!((found.momentary_lufs.unwrap() + 23.0).abs() < 0.1, "{found:?}");
}

#[test]
#[expect(clippy::cast_possible_truncation)]
fn true_peaks_meet_cases_15_to_19() {
    // EBU Tech 3341: sines at fractions of the rate, phases in degrees, amplitudes; +0.2/−0.4 dB.
    for (divisor, phase, amplitude, expected) in [
        (4.0, 0.0, 0.5, -6.0),
        (4.0, 45.0, 0.5, -6.0),
        (6.0, 60.0, 0.5, -6.0),
        (8.0, 67.5, 0.5, -6.0),
        (4.0, 45.0, 1.41, 3.0),
    ] {
        let signal: Vec<f32> = (0..48_000)
            .map(|n: usize| {
                let fade = (n.min(47_999 - n) as f64 / 960.0).min(1.0);
                (fade * amplitude * (2.0 * PI * n as f64 / divisor + f64::to_radians(phase)).sin()) as f32
            })
            .collect();
        let found = loudness(&[&signal, &signal], RATE).true_peak_db.unwrap();
        assert!(found < expected + 0.2 && found > expected - 0.4, "1/{divisor} at {phase}: {found}");
    }
}

#[test]
fn the_loudness_range_meets_ebu_tech_3342_cases_1_to_4() {
    // EBU Tech 3342, within 1 LU.
    let cases: [(&[(f64, f64)], f64); 4] = [
        (&[(-20.0, 20.0), (-30.0, 20.0)], 10.0),
        (&[(-20.0, 20.0), (-15.0, 20.0)], 5.0),
        (&[(-40.0, 20.0), (-20.0, 20.0)], 20.0),
        (&[(-50.0, 20.0), (-35.0, 20.0), (-20.0, 20.0), (-35.0, 20.0), (-50.0, 20.0)], 15.0),
    ];
    for (levels, expected) in cases {
        let signal = steps(levels);
        let range = loudness(&[&signal, &signal], RATE).range_lu.unwrap();
        assert!((range - expected).abs() < 1.0, "{range} against {expected}");
    }
}

#[test]
fn the_weighting_has_the_standards_coefficients() {
    // ITU-R BS.1770, Annex 1, Tables 1 and 2, 48 kHz.
    let [shelf, high_pass] = k_weighting(48_000.0);
    let table = [1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585];
    for (ours, standard) in shelf.factors().iter().zip(table) {
        assert!((ours - standard).abs() < 1e-11, "{ours} against {standard}");
    }
    for (ours, standard) in
        high_pass.factors().iter().zip([1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621])
    {
        assert!((ours - standard).abs() < 1e-11, "{ours} against {standard}");
    }
    // Combined magnitude at 48 kHz computed with numpy from the same tables.
    for (hz, db) in [(50.0, -3.9341), (200.0, -0.2649), (997.0, 0.6910), (4000.0, 3.9680), (16_000.0, 4.0431)]
    {
        let ours: f64 = [shelf, high_pass].iter().map(|filter| filter.gain_db(hz, 48_000.0)).sum();
        assert!((ours - db).abs() < 1e-3, "{hz}: {ours}");
    }
}

#[test]
fn the_track_of_a_lane_agrees_with_the_meter() {
    // One channel of a 997 Hz sine at full scale is −3.01 LKFS: ITU-R BS.1770.
    let sine = toning::sine(997.0, 0.0, 96_000, RATE);
    let mut track = PowerTrack::new(RATE);
    sine.chunks(1000).for_each(|part| track.add(part));
    let ours = track.loudness(&[(9600, 96_000)]).unwrap();
    assert!((ours + 3.0103).abs() < 0.02, "{ours}");
    assert!((track.gated().unwrap() - loudness(&[&sine], RATE).integrated_lufs.unwrap()).abs() < 0.05);
    assert_eq!(track.loudness(&[(0, 100)]), None, "too short to say");
    let mut silent = PowerTrack::new(RATE);
    silent.add(&vec![0.0; 96_000]);
    assert_eq!((silent.loudness(&[(0, 96_000)]), silent.gated()), (None, None));
}

#[test]
fn before_and_after_are_matched_within_0_2_lu() {
    let mut song = Vec::new();
    for part in 0..8u32 {
        song.extend(vowel(180.0 + 20.0 * f64::from(part), -12.0 - 3.0 * f64::from(part % 4), 40_000, RATE));
        song.extend(band_noise(5500.0, 9500.0, -26.0, 7000, RATE, part + 1));
        song.extend(vec![0.0; 9000]);
    }
    let tones = [
        whole_chain(),
        Tone {
            deess: Some(Deess { threshold_db: Db(-50.0), most_db: Db(12.0), ..Deess::default() }),
            ..Tone::default()
        },
        Tone { gain_db: Db(-18.0), ..Tone::default() },
        Tone { drive_db: Db(12.0), ..toning::whole_equaliser() },
    ];
    for tone in tones {
        let after = process(&tone, RATE, &[&song], &[128]).remove(0);
        let gain = matched_gain_db(&loudness(&[&after], RATE), &loudness(&[&song], RATE)).unwrap();
        #[expect(clippy::cast_possible_truncation)]
        let factor = Db(gain).to_linear().0 as f32;
        let matched: Vec<f32> = after.iter().map(|sample| sample * factor).collect();
        let level = |samples: &[f32]| loudness(&[samples], RATE).integrated_lufs.unwrap();
        let apart = level(&matched) - level(&song);
        assert!(apart.abs() < 0.2, "{apart} LU apart after {gain} dB");
    }
    let silence = loudness(&[&[0.0f32; 48_000]], RATE);
    assert_eq!(matched_gain_db(&loudness(&[&song], RATE), &silence), None);
}
