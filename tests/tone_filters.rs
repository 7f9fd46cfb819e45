//! High-pass and equaliser against an independent design and against published digits.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]

mod toning;

use serde::Deserialize;
use tautline::song::tone::{Band, BandShape, HighPass, Slope};
use tautline::song::{Db, Tone};
use tautline::sound::bank::{band_filter, eq_response_db, sections};
use tautline::sound::biquad::Biquad;
use toning::{process, spectrum_db};

#[derive(Deserialize)]
struct Tables {
    filters: Vec<Filter>,
    steep_high_pass: Vec<Steep>,
}

#[derive(Deserialize)]
struct Filter {
    kind: String,
    hz: f64,
    q: f64,
    gain_db: f64,
    rate: u32,
    coefficients: [f64; 5],
    frequencies: Vec<f64>,
    db: Vec<f64>,
}

#[derive(Deserialize)]
struct Steep {
    hz: f64,
    rate: u32,
    frequencies: Vec<f64>,
    db: Vec<f64>,
}

/// Computed by `reference/tone_reference.py` with scipy's bilinear and butter.
fn tables() -> Tables {
    serde_json::from_str(include_str!("reference/tone_reference.json")).unwrap()
}

fn tone_of(filter: &Filter) -> Tone {
    let mut tone = Tone::default();
    if filter.kind == "high-pass" {
        tone.highpass = Some(HighPass { frequency_hz: filter.hz, slope: Slope::Twelve });
    } else {
        let shape = BandShape::ALL.iter().find(|(_, word)| *word == filter.kind).unwrap().0;
        let (frequency_hz, gain_db, q) = (filter.hz, Db(filter.gain_db), filter.q);
        tone.bands[2] = Some(Band { shape, frequency_hz, gain_db, q });
    }
    tone
}

#[test]
fn coefficients_are_those_of_an_independent_design_to_1e_10() {
    for filter in tables().filters {
        let tone = tone_of(&filter);
        let ours = match tone.bands[2] {
            Some(band) => band_filter(&band, f64::from(filter.rate)),
            None => sections(&tone, None, f64::from(filter.rate))[0],
        };
        for (ours, theirs) in ours.factors().iter().zip(filter.coefficients) {
            let name = format!("{} {} Hz at {}", filter.kind, filter.hz, filter.rate);
            assert!((ours - theirs).abs() < 1e-10, "{name}: {ours} against {theirs}");
        }
    }
}

#[test]
fn published_coefficients_are_met_to_1e_10() {
    // Rows A, B, C, D, E, F, G of a table computed from the cookbook's formulas at 48 kHz with numpy: RBJ, "Audio EQ
    // Cookbook", W3C Group Note, 2021.
    let half = std::f64::consts::FRAC_1_SQRT_2;
    let rows = [
        (
            Biquad::high_pass(100.0, half, 48e3),
            [0.990786697940, -1.981573395881, 0.990786697940, -1.981488509145, 0.981658282617],
        ),
        (
            Biquad::low_shelf(100.0, -3.0, half, 48e3),
            [0.998400883038, -1.979848660560, 0.981590504910, -1.979819220357, 0.980020828151],
        ),
        (
            Biquad::bell(1000.0, 6.0, 1.0, 48e3),
            [1.043953086990, -1.895320723937, 0.867722284760, -1.895320723937, 0.911675371750],
        ),
        (
            Biquad::bell(300.0, -4.0, 1.4, 48e3),
            [0.993598709065, -1.963793484655, 0.971709957348, -1.963793484655, 0.965308666412],
        ),
        (
            Biquad::bell(7500.0, -6.0, 2.0, 48e3),
            [0.886781588443, -0.858938503575, 0.659266872265, -0.858938503575, 0.546048460708],
        ),
        (
            Biquad::high_shelf(7500.0, 3.0, half, 48e3),
            [1.262464524408, -0.991827497835, 0.357114923078, -0.610491294300, 0.238243243951],
        ),
        (
            Biquad::band_pass(7500.0, 2.0, 48e3),
            [0.172094554871, 0.0, -0.172094554871, -0.919919242137, 0.655810890258],
        ),
    ];
    for (filter, digits) in rows {
        for (ours, published) in filter.factors().iter().zip(digits) {
            assert!((ours - published).abs() < 1e-10, "{ours} against {published}");
        }
    }
}

#[test]
fn what_is_rendered_has_the_magnitudes_of_the_reference_to_0_01_db() {
    for filter in tables().filters {
        let tone = tone_of(&filter);
        let drawn = eq_response_db(&tone, filter.rate, &filter.frequencies);
        let rendered = impulse_db(&tone, filter.rate, &filter.frequencies);
        for (index, theirs) in filter.db.iter().enumerate().filter(|(_, db)| **db > -70.0) {
            let name =
                format!("{} {} Hz at {}: {}", filter.kind, filter.hz, filter.rate, filter.frequencies[index]);
            assert!((drawn[index] - theirs).abs() < 0.001, "{name}: drawn {} against {theirs}", drawn[index]);
            assert!((rendered[index] - theirs).abs() < 0.01, "{name}: {} against {theirs}", rendered[index]);
        }
    }
    for steep in tables().steep_high_pass {
        let highpass = Some(HighPass { frequency_hz: steep.hz, slope: Slope::TwentyFour });
        let rendered = impulse_db(&Tone { highpass, ..Tone::default() }, steep.rate, &steep.frequencies);
        for (ours, theirs) in rendered.iter().zip(&steep.db) {
            assert!((ours - theirs).abs() < 0.01, "24 dB per octave: {ours} against {theirs}");
        }
    }
}

/// Magnitudes of the impulse response that the processors give.
fn impulse_db(tone: &Tone, rate: u32, frequencies: &[f64]) -> Vec<f64> {
    let mut impulse = vec![0.0f32; rate as usize * 2];
    impulse[0] = 1.0;
    let response = process(tone, rate, &[&impulse], &[128]).remove(0);
    frequencies.iter().map(|hz| spectrum_db(&response, *hz, rate)).collect()
}

#[test]
fn five_bands_and_both_sections_add_up_in_db() {
    let tone = toning::whole_equaliser();
    let frequencies = [50.0, 300.0, 1000.0, 7500.0, 16_000.0];
    let parts: Vec<f64> = sections(&tone, None, 48_000.0).iter().fold(vec![0.0; 5], |sums, section| {
        sums.iter().zip(frequencies).map(|(sum, hz)| sum + section.gain_db(hz, 48_000.0)).collect()
    });
    for (ours, sum) in impulse_db(&tone, 48_000, &frequencies).iter().zip(parts) {
        assert!((ours - sum).abs() < 0.01, "{ours} against {sum}");
    }
}

#[test]
fn a_peak_and_its_mirror_image_leave_nothing() {
    let bell = |gain| Some(Band { shape: BandShape::Bell, frequency_hz: 2000.0, gain_db: Db(gain), q: 3.0 });
    let tone = Tone { bands: [bell(9.0), bell(-9.0), None, None], ..Tone::default() };
    for db in impulse_db(&tone, 48_000, &[100.0, 1000.0, 2000.0, 5000.0]) {
        assert!(db.abs() < 0.001, "{db}");
    }
}

#[test]
fn frequencies_beyond_the_rate_are_held_within_it_and_stay_stable() {
    let band = |shape| Some(Band { shape, frequency_hz: 40_000.0, gain_db: Db(24.0), q: 30.0 });
    let tone = Tone {
        bands: [
            band(BandShape::Bell),
            band(BandShape::HighShelf),
            band(BandShape::BandPass),
            band(BandShape::LowShelf),
        ],
        ..Tone::default()
    };
    for rate in [8000, 22_050, 44_100] {
        let noise = toning::noise(rate as usize, 5);
        let out = process(&tone, rate, &[&noise], &[64]).remove(0);
        assert!(out.iter().all(|sample| sample.is_finite() && sample.abs() < 1e6), "at {rate} Hz");
    }
}
