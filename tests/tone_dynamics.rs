//! Compressor and de-esser against published curves and times.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]

mod toning;

use tautline::song::tone::{Compress, Deess, DeessShape, Detector, Stage};
use tautline::song::{Db, Tone};
use tautline::sound::bank::{compress_curve, deess_curve, deess_response_db};
use toning::{band_noise, bank, bits, noise, process, rms_db, run, sine, spectrum_db, vowel};

const RATE: u32 = 48_000;

/// Output levels for input levels of the gain computer of Giannoulis, Massberg, Reiss, "Digital Dynamic Range Compressor
/// Design — A Tutorial and Analysis", J. Audio Eng. Soc. 60(6), 2012, computed with numpy: threshold, ratio, knee, levels.
const INPUTS: [f64; 14] =
    [-30.0, -26.0, -23.0, -22.0, -21.0, -20.0, -19.0, -18.0, -17.0, -14.0, -12.0, -10.0, -6.0, 0.0];
const CURVES: [(f64, f64, f64, [f64; 14]); 3] = [
    (
        -20.0,
        4.0,
        0.0,
        [-30.0, -26.0, -23.0, -22.0, -21.0, -20.0, -19.75, -19.5, -19.25, -18.5, -18.0, -17.5, -16.5, -15.0],
    ),
    (
        -20.0,
        4.0,
        6.0,
        [
            -30.0, -26.0, -23.0, -22.0625, -21.25, -20.5625, -20.0, -19.5625, -19.25, -18.5, -18.0, -17.5,
            -16.5, -15.0,
        ],
    ),
    (
        -18.0,
        3.0,
        12.0,
        [
            -30.0, -26.0, -23.027778, -22.111111, -21.25, -20.444444, -19.694444, -19.0, -18.361111,
            -16.777778, -16.0, -15.333333, -14.0, -12.0,
        ],
    ),
];

fn compressor(threshold: f64, ratio: f64, knee: f64) -> Compress {
    Compress { threshold_db: Db(threshold), ratio, knee_db: Db(knee), ..Compress::default() }
}

fn with(compress: Compress) -> Tone {
    Tone { compress: Some(compress), ..Tone::default() }
}

#[test]
fn the_static_curve_is_the_published_one() {
    for (threshold, ratio, knee, outputs) in CURVES {
        let compress = compressor(threshold, ratio, knee);
        for (index, drawn) in compress_curve(&compress, &INPUTS).into_iter().enumerate() {
            assert!((drawn - outputs[index]).abs() < 1e-6, "drawn at {}: {drawn}", INPUTS[index]);
        }
        for (level, expected) in INPUTS.iter().zip(outputs) {
            // A constant: what the detector sees is the level itself, and nothing ripples.
            let constant = vec![10f32.powf(*level as f32 / 20.0); 48_000];
            let out = process(&with(compress), RATE, &[&constant], &[128]).remove(0);
            let settled = 20.0 * f64::from(out[47_999]).log10();
            assert!((settled - expected).abs() < 0.001, "constant {level}: {settled} against {expected}");
        }
    }
}

#[test]
fn a_settled_sine_meets_the_curve_to_0_05_db() {
    let (threshold, ratio, knee, outputs) = CURVES[1];
    for detector in [Detector::Peak, Detector::Rms] {
        // A long release: what the peak detector forgets between two crests of the sine stays below a hundredth of a dB.
        let compress = Compress { detector, release_ms: 500.0, ..compressor(threshold, ratio, knee) };
        for (level, expected) in INPUTS.iter().zip(outputs) {
            let input = sine(1000.0, *level, 3 * 48_000, RATE);
            let out = process(&with(compress), RATE, &[&input], &[128]).remove(0);
            let settled = rms_db(&out[120_000..]) + 3.0103;
            assert!((settled - expected).abs() < 0.05, "{detector:?} {level}: {settled} against {expected}");
        }
    }
}

/// Gain reduction in dB of each sample when a constant jumps from −20 dBFS to full scale for a second and back. 2:1 above
/// −20 dBFS without a knee: 10 dB are wanted at full scale, none before and after.
fn step(attack_ms: f64, release_ms: f64) -> Vec<f64> {
    let compress = Compress { attack_ms, release_ms, ..compressor(-20.0, 2.0, 0.0) };
    let mut input = vec![0.1f32; 4800];
    input.extend(vec![1.0f32; 48_000]);
    input.extend(vec![0.1f32; 48_000]);
    let out = process(&with(compress), RATE, &[&input], &[100]).remove(0);
    input.iter().zip(&out).map(|(input, out)| -20.0 * f64::from(out / input).log10()).collect()
}

#[test]
fn attack_and_release_take_the_published_times() {
    // Step of 10 dB, attack 5 ms, release 100 ms at 48 kHz: the paper's smoothing computed with numpy. After 1, 2, 3 and 5
    // times the attack; then, in the decoupled form, so many ms after the step's end.
    let reduction = step(5.0, 100.0);
    for (samples, expected) in
        [(240, 6.321_205_588), (480, 8.646_647_168), (720, 9.502_129_316), (1200, 9.932_620_530)]
    {
        let found = reduction[4800 + samples - 1];
        assert!((found / expected - 1.0).abs() < 0.001, "attack after {samples}: {found} against {expected}");
    }
    let release = [
        (5, 9.818_681),
        (10, 9.452_532),
        (50, 6.383_845),
        (100, 3.872_012),
        (200, 1.424_434),
        (300, 0.524_020),
    ];
    for (ms, expected) in release {
        let found = reduction[52_800 + ms * 48 - 1];
        assert!((found / expected - 1.0).abs() < 0.005, "release after {ms} ms: {found} against {expected}");
    }
}

#[test]
fn make_up_and_mix_do_what_they_say() {
    let input = sine(1000.0, -10.0, 48_000, RATE);
    let level =
        |compress: Compress| rms_db(&process(&with(compress), RATE, &[&input], &[128])[0][24_000..]) + 3.0103;
    let plain = Compress { release_ms: 500.0, ..compressor(-20.0, 4.0, 0.0) };
    assert!((level(Compress { makeup_db: Db(5.0), ..plain }) - level(plain) - 5.0).abs() < 0.001);
    assert_eq!(
        bits(&process(&with(Compress { mix: 0.0, ..plain }), RATE, &[&input], &[128])),
        bits(std::slice::from_ref(&input))
    );
    let half = 20.0 * (0.5 * 10f64.powf(-10.0 / 20.0) + 0.5 * 10f64.powf(level(plain) / 20.0)).log10();
    assert!((level(Compress { mix: 0.5, ..plain }) - half).abs() < 0.01);
}

#[test]
fn the_detectors_high_pass_keeps_low_notes_from_pumping() {
    let low = sine(50.0, -6.0, 48_000, RATE);
    let deaf = Compress { detector_highpass_hz: Some(400.0), ..compressor(-20.0, 4.0, 0.0) };
    let loss = |compress| {
        rms_db(&low[24_000..]) - rms_db(&process(&with(compress), RATE, &[&low], &[128])[0][24_000..])
    };
    assert!(loss(compressor(-20.0, 4.0, 0.0)) > 8.0);
    assert!(loss(deaf) < 0.1);
}

#[test]
fn both_sides_of_a_stereo_lane_get_one_gain() {
    let (loud, soft) = (sine(1000.0, -3.0, 24_000, RATE), sine(700.0, -40.0, 24_000, RATE));
    let out = process(&with(compressor(-20.0, 4.0, 0.0)), RATE, &[&loud, &soft], &[128]);
    let gain = |before: &[f32], after: &[f32]| rms_db(&after[12_000..]) - rms_db(&before[12_000..]);
    let (left, right) = (gain(&loud, &out[0]), gain(&soft, &out[1]));
    assert!(left < -10.0 && (left - right).abs() < 0.1, "{left} and {right}");
}

fn deess(deess: Deess) -> Tone {
    Tone { deess: Some(deess), ..Tone::default() }
}

/// Vowel, ess, vowel, pause, ess, vowel: samples, and for each part whether it is an ess.
fn song_of_esses() -> (Vec<f32>, Vec<(std::ops::Range<usize>, bool)>) {
    let (mut song, mut parts) = (Vec::new(), Vec::new());
    let plan = [
        (24_000, Some(false)),
        (8600, Some(true)),
        (24_000, Some(false)),
        (12_000, None),
        (8600, Some(true)),
        (24_000, Some(false)),
    ];
    for (index, (frames, kind)) in plan.into_iter().enumerate() {
        let from = song.len();
        match kind {
            Some(true) => song.extend(band_noise(5500.0, 9500.0, -24.0, frames, RATE, index as u32 + 1)),
            Some(false) => song.extend(vowel(220.0, -14.0, frames, RATE)),
            None => song.extend(vec![0.0; frames]),
        }
        if let Some(ess) = kind {
            parts.push((from..song.len(), ess));
        }
    }
    (song, parts)
}

#[test]
fn esses_come_down_and_vowels_stay() {
    let (song, parts) = song_of_esses();
    for (shape, relative, threshold) in [
        (DeessShape::Bell, false, -38.0),
        (DeessShape::Shelf, false, -38.0),
        (DeessShape::Bell, true, -22.0),
        (DeessShape::Shelf, true, -22.0),
    ] {
        let frequency_hz = if shape == DeessShape::Bell { 7500.0 } else { 5500.0 };
        let setting =
            Deess { shape, relative, frequency_hz, threshold_db: Db(threshold), ..Deess::default() };
        let out = process(&deess(setting), RATE, &[&song], &[128]).remove(0);
        for (range, ess) in &parts {
            // The first 10 ms of an ess belong to the attack; of a vowel, to the release.
            let inner = range.start + 4800.min(range.len() / 4)..range.end - 480;
            let change = rms_db(&out[inner.clone()]) - rms_db(&song[inner]);
            if *ess {
                assert!(
                    (-6.1..-1.5).contains(&change),
                    "{shape:?}, relative {relative}: an ess changed by {change}"
                );
            } else {
                assert!(change.abs() < 0.2, "{shape:?}, relative {relative}: a vowel changed by {change}");
            }
        }
    }
}

#[test]
fn a_relative_threshold_follows_the_voice_and_a_fixed_one_does_not() {
    let (song, parts) = song_of_esses();
    let softer: Vec<f32> = song.iter().map(|sample| sample * 0.1).collect();
    let ess = &parts[1].0;
    let inner = ess.start + 2400..ess.end - 480;
    let change = |input: &[f32], relative, threshold| {
        let setting = Deess { relative, threshold_db: Db(threshold), ..Deess::default() };
        let out = process(&deess(setting), RATE, &[input], &[128]).remove(0);
        rms_db(&out[inner.clone()]) - rms_db(&input[inner.clone()])
    };
    assert!((change(&song, true, -22.0) - change(&softer, true, -22.0)).abs() < 0.3);
    assert!(change(&song, false, -38.0) < -2.0 && change(&softer, false, -38.0) > -0.1);
}

#[test]
fn the_reduction_never_passes_its_cap() {
    for (most, frequency_hz, shape) in
        [(3.0, 7500.0, DeessShape::Bell), (8.0, 6000.0, DeessShape::Bell), (6.0, 5000.0, DeessShape::Shelf)]
    {
        let setting = Deess {
            shape,
            frequency_hz,
            most_db: Db(most),
            threshold_db: Db(-60.0),
            attack_ms: 0.05,
            ..Deess::default()
        };
        // As it is felt: a sine where the filter takes most, loud enough for the cap.
        let probe = if shape == DeessShape::Bell { frequency_hz } else { 18_000.0 };
        let input = sine(probe, -6.0, 48_000, RATE);
        let out = process(&deess(setting), RATE, &[&input], &[128]).remove(0);
        let settled = rms_db(&input[24_000..]) - rms_db(&out[24_000..]);
        assert!(settled < most + 0.1 && settled > most - 0.2, "{shape:?}: {settled} for a cap of {most}");
        // As it is told, at any moment of a rough signal.
        let rough = noise(48_000, 7);
        let mut bank = bank(&deess(setting), RATE, 1);
        let mut at = 0;
        for part in rough.chunks(64) {
            run(&mut bank, at, &[part], &[64]);
            at += 64;
            let taken = bank.reduction(1).unwrap().deess_db;
            assert!(taken < most + 0.1, "{taken} for a cap of {most}");
        }
        // As it is drawn: nowhere more than the cap, nowhere a rise.
        let frequencies: Vec<f64> = (1..220).map(|k| f64::from(k) * 100.0).collect();
        for db in deess_response_db(&setting, most, RATE, &frequencies) {
            assert!(db < 0.01 && db > -most - 0.01, "{shape:?}: {db}");
        }
    }
}

#[test]
fn the_drawn_curve_of_the_de_esser_is_what_a_sine_meets() {
    let setting = Deess { threshold_db: Db(-30.0), most_db: Db(6.0), release_ms: 300.0, ..Deess::default() };
    let levels = [-40.0, -31.0, -28.0, -26.0, -20.0, -10.0];
    for (level, drawn) in levels.iter().zip(deess_curve(&setting, 0.0, &levels)) {
        let input = sine(7500.0, *level, 96_000, RATE);
        let out = process(&deess(setting), RATE, &[&input], &[128]).remove(0);
        let settled = rms_db(&out[48_000..]) + 3.0103;
        assert!((settled - drawn).abs() < 0.05, "{level}: {settled} against {drawn}");
    }
}

#[test]
fn what_is_off_leaves_every_bit_as_it_is() {
    let mut odd = noise(4000, 3);
    odd[17] = -0.0;
    odd[18] = f32::MIN_POSITIVE / 4.0;
    let whole = toning::whole_chain();
    let tones = [
        Tone::default(),
        Tone { bypass: true, ..whole.clone() },
        Tone {
            skip: vec![Stage::Eq, Stage::Deess, Stage::Compress, Stage::Drive],
            gain_db: Db(0.0),
            ..whole.clone()
        },
    ];
    for tone in tones {
        assert!(tone.is_idle());
        assert_eq!(bits(&process(&tone, RATE, &[&odd], &[128])), bits(&[odd.clone()]));
    }
    // Dynamics that have nothing to do yet leave every sample that is not denormal as it is, too.
    let quiet: Vec<f32> = noise(4000, 4).iter().map(|sample| sample * 1e-4).collect();
    let waiting =
        Tone { deess: Some(Deess::default()), compress: Some(Compress::default()), ..Tone::default() };
    assert_eq!(bits(&process(&waiting, RATE, &[&quiet], &[128])), bits(std::slice::from_ref(&quiet)));
}

#[test]
fn drive_adds_harmonics_and_no_aliases() {
    for (hz, amount) in [(997.0, 3.0), (3001.0, 12.0), (5003.0, 12.0), (7001.0, 6.0), (9001.0, 12.0)] {
        let input = sine(hz, -3.0, 3 * 48_000, RATE);
        let out =
            process(&Tone { drive_db: Db(amount), ..Tone::default() }, RATE, &[&input], &[128]).remove(0);
        // A second of it: every whole frequency in Hz has its own bin.
        let part = &out[96_000..144_000];
        let own = spectrum_db(part, hz, RATE);
        if hz * 3.0 < 20_000.0 {
            assert!(spectrum_db(part, hz * 3.0, RATE) - own > -70.0, "{hz}: no third harmonic");
        }
        // Where odd harmonics up to the 99th would fall if they folded back.
        for order in (3..100).step_by(2).map(f64::from) {
            let folded = {
                let wrapped = (order * hz) % 48_000.0;
                if wrapped > 24_000.0 { 48_000.0 - wrapped } else { wrapped }
            };
            let harmonic = order * hz < 24_000.0 || folded % hz < 1.0;
            // What folds between the end of the pass band and half the rate nobody hears.
            if !harmonic && folded < 23_000.0 {
                let alias = spectrum_db(part, folded, RATE) - own;
                assert!(
                    alias < -80.0,
                    "{hz} Hz, {amount} dB: harmonic {order} folds to {folded} Hz at {alias} dB"
                );
            }
        }
    }
}

#[test]
fn drive_leaves_soft_sounds_as_loud_as_they_are() {
    let input = sine(1000.0, -50.0, 24_000, RATE);
    let out = process(&Tone { drive_db: Db(12.0), ..Tone::default() }, RATE, &[&input], &[128]).remove(0);
    assert!((rms_db(&out[4800..]) - rms_db(&input[4800..])).abs() < 0.01);
}
