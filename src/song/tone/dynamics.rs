//! What acts on the level: de-esser and compressor.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::song::units::Db;

/// What of the spectrum the de-esser moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DeessShape {
    /// What lies around its frequency.
    #[default]
    Bell,
    /// What lies above its frequency.
    Shelf,
}

/// Turns down harsh s, z and sh while they last.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Deess {
    /// What it moves.
    #[serde(default)]
    pub shape: DeessShape,
    /// In Hz.
    pub frequency_hz: f64,
    /// Octaves between the edges of the bell; a shelf has none.
    pub width_octaves: f64,
    /// Level of the band above which it acts: in dBFS (a full-scale sine is 0), or with `relative` in dB over the
    /// voice's own running level below the band.
    pub threshold_db: Db,
    /// Whether the threshold follows the voice's own level.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub relative: bool,
    /// Largest reduction in dB, never passed.
    pub most_db: Db,
    /// Time to 63 % of a reduction, in ms.
    pub attack_ms: f64,
    /// Time in which 63 % of a reduction go back, in ms.
    pub release_ms: f64,
}

impl Default for Deess {
    /// 7.5 kHz, one octave, at most 6 dB (common practice, no source).
    fn default() -> Deess {
        Deess {
            shape: DeessShape::Bell,
            frequency_hz: 7500.0,
            width_octaves: 1.0,
            threshold_db: Db(-30.0),
            relative: false,
            most_db: Db(6.0),
            attack_ms: 1.0,
            release_ms: 40.0,
        }
    }
}

/// What a compressor's level is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Detector {
    /// Every sample's magnitude.
    #[default]
    Peak,
    /// The root of the mean square over some 10 ms, 0 dB for a full-scale sine.
    Rms,
}

/// Makes loud and soft more alike.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Compress {
    /// Level above which it acts, in dBFS.
    pub threshold_db: Db,
    /// dB in for one dB out, above the threshold.
    pub ratio: f64,
    /// Time to 63 % of a reduction, in ms.
    pub attack_ms: f64,
    /// Time in which 63 % of a reduction go back, in ms.
    pub release_ms: f64,
    /// Width in dB of the bend around the threshold.
    pub knee_db: Db,
    /// Gain after it, set by hand.
    pub makeup_db: Db,
    /// What its level is.
    #[serde(default)]
    pub detector: Detector,
    /// High-pass in its detector in Hz, so that low notes do not pump.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub detector_highpass_hz: Option<f64>,
    /// Part of the compressed signal: 1 is all, 0 none.
    pub mix: f64,
}

impl Default for Compress {
    /// 4:1, quick attack, moderate release (common practice, no source).
    fn default() -> Compress {
        Compress {
            threshold_db: Db(-20.0),
            ratio: 4.0,
            attack_ms: 5.0,
            release_ms: 60.0,
            knee_db: Db(6.0),
            makeup_db: Db(0.0),
            detector: Detector::Peak,
            detector_highpass_hz: None,
            mix: 1.0,
        }
    }
}
