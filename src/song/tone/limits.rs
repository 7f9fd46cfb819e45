//! The ranges of all numbers of a tone. What is common practice has no other source.

use super::Limit;

const fn limit(what: &'static str, low: f64, high: f64, unit: &'static str) -> Limit {
    Limit { what, low, high, unit }
}

/// High-pass.
pub const HIGH_PASS: Limit = limit("high-pass frequency", 10.0, 2000.0, "Hz");
/// Frequency of an equaliser band.
pub const BAND_FREQUENCY: Limit = limit("band frequency", 10.0, 40_000.0, "Hz");
/// Gain of an equaliser band.
pub const BAND_GAIN: Limit = limit("band gain", -24.0, 24.0, "dB");
/// Q of an equaliser band.
pub const Q: Limit = limit("q", 0.1, 30.0, "");
/// Frequency of the de-esser.
pub const DEESS_FREQUENCY: Limit = limit("de-esser frequency", 1000.0, 20_000.0, "Hz");
/// Width of the de-esser's bell.
pub const DEESS_WIDTH: Limit = limit("de-esser width", 0.1, 4.0, "oct");
/// Threshold of the de-esser, in dBFS of a sine or in dB over the voice's own level.
pub const DEESS_THRESHOLD: Limit = limit("de-esser threshold", -80.0, 12.0, "dB");
/// Largest reduction of the de-esser.
pub const DEESS_MOST: Limit = limit("largest reduction", 0.0, 24.0, "dB");
/// Threshold of the compressor.
pub const COMPRESS_THRESHOLD: Limit = limit("compressor threshold", -80.0, 0.0, "dB");
/// Ratio of the compressor.
pub const RATIO: Limit = limit("ratio", 1.0, 100.0, "");
/// Width of the compressor's knee.
pub const KNEE: Limit = limit("knee", 0.0, 24.0, "dB");
/// Make-up gain.
pub const MAKEUP: Limit = limit("make-up gain", -24.0, 24.0, "dB");
/// High-pass in the compressor's detector.
pub const DETECTOR_HIGH_PASS: Limit = limit("detector high-pass", 10.0, 2000.0, "Hz");
/// Part of the compressed signal in the mix.
pub const MIX: Limit = limit("mix", 0.0, 1.0, "");
/// Any attack.
pub const ATTACK: Limit = limit("attack", 0.05, 500.0, "ms");
/// Any release.
pub const RELEASE: Limit = limit("release", 1.0, 5000.0, "ms");
/// Drive.
pub const DRIVE: Limit = limit("drive", 0.0, 12.0, "dB");
/// Output gain.
pub const GAIN: Limit = limit("tone gain", -24.0, 24.0, "dB");
