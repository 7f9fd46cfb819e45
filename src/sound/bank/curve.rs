//! What the settings do, as curves to be drawn: gain over frequency, output over input. Not for the realtime callback.

use super::{compress, deess, eq};
use crate::song::Tone;
use crate::song::tone::{Compress, Deess};
use crate::sound::biquad::Biquad;

/// Gain in dB of high-pass and equaliser bands together at each frequency in Hz, at `rate` Hz.
#[must_use]
pub fn eq_response_db(tone: &Tone, rate: u32, frequencies_hz: &[f64]) -> Vec<f64> {
    let rate = f64::from(rate);
    let sections = eq::sections(tone, None, rate);
    let gain = |hz: &f64| sections.iter().map(|section: &Biquad| section.gain_db(*hz, rate)).sum();
    frequencies_hz.iter().map(gain).collect()
}

/// Gain in dB of the de-esser at each frequency in Hz while it takes `reduction_db` away at its centre.
#[must_use]
pub fn deess_response_db(deess: &Deess, reduction_db: f64, rate: u32, frequencies_hz: &[f64]) -> Vec<f64> {
    let gain = |hz: &f64| {
        let (re, im) = deess::response(deess, reduction_db, *hz, f64::from(rate));
        10.0 * (re * re + im * im).max(1e-40).log10()
    };
    frequencies_hz.iter().map(gain).collect()
}

/// Level in dBFS of the de-esser's band after it, for levels before it, once settled. A threshold that follows the voice
/// stands `voice_db` higher; leave it 0 for a fixed one.
#[must_use]
pub fn deess_curve(deess: &Deess, voice_db: f64, levels_db: &[f64]) -> Vec<f64> {
    let threshold = deess.threshold_db.0 + if deess.relative { voice_db } else { 0.0 };
    levels_db.iter().map(|level| level - deess::static_reduction_db(deess, *level, threshold)).collect()
}

/// Level in dBFS after the compressor for levels before it, once settled, make-up and mix included.
#[must_use]
pub fn compress_curve(compress: &Compress, levels_db: &[f64]) -> Vec<f64> {
    let out = |level: &f64| {
        let reduced = compress.makeup_db.0 - compress::static_reduction_db(compress, *level);
        let gain = 1.0 + compress.mix * (10f64.powf(reduced / 20.0) - 1.0);
        level + 20.0 * gain.max(1e-20).log10()
    };
    levels_db.iter().map(out).collect()
}
