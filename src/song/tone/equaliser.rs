//! The equaliser: the high-pass and the bands.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::song::units::Db;

/// Bands of the equaliser.
pub const BANDS: usize = 4;

/// Steepness of the high-pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub enum Slope {
    /// 12 dB per octave.
    #[default]
    #[serde(rename = "12")]
    Twelve,
    /// 24 dB per octave.
    #[serde(rename = "24")]
    TwentyFour,
}

/// Takes away what lies below the voice: a Butterworth high-pass, −3 dB at its frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HighPass {
    /// In Hz.
    pub frequency_hz: f64,
    /// In dB per octave.
    #[serde(default)]
    pub slope: Slope,
}

/// Shapes of an equaliser band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BandShape {
    /// A bell: its gain at the frequency, nothing far away.
    Bell,
    /// Its gain below the frequency, half of it (in dB) at the frequency.
    LowShelf,
    /// Its gain above the frequency, half of it (in dB) at the frequency.
    HighShelf,
    /// Only what lies around the frequency passes: for searching.
    BandPass,
}

impl BandShape {
    /// All shapes with the word that names each.
    pub const ALL: [(BandShape, &'static str); 4] = [
        (BandShape::Bell, "bell"),
        (BandShape::LowShelf, "low-shelf"),
        (BandShape::HighShelf, "high-shelf"),
        (BandShape::BandPass, "band-pass"),
    ];
}

/// One band of the equaliser.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// Its shape.
    pub shape: BandShape,
    /// In Hz.
    pub frequency_hz: f64,
    /// In dB; a band-pass has none.
    pub gain_db: Db,
    /// Q; see [`q_of_octaves`].
    pub q: f64,
}

/// Q of an analogue bell that is `octaves` wide: 1 / (2·sinh(octaves·ln 2 / 2)).
#[must_use]
pub fn q_of_octaves(octaves: f64) -> f64 {
    0.5 / (octaves * std::f64::consts::LN_2 / 2.0).sinh()
}

/// Octaves between the two half-gain points of an analogue bell of this Q; the way back from [`q_of_octaves`].
#[must_use]
pub fn octaves_of_q(q: f64) -> f64 {
    2.0 / std::f64::consts::LN_2 * (0.5 / q).asinh()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn octaves_and_q_agree_with_the_table() {
        // BW = 2/ln 2 · asinh(1/2Q): RBJ, Audio EQ Cookbook (W3C Group Note, 2021); values computed with numpy.
        for (q, octaves) in [(0.5, 2.543_107), (1.0, 1.388_484), (2.0, 0.714_037), (4.0, 0.359_741)] {
            assert!((octaves_of_q(q) - octaves).abs() < 1e-6);
            assert!((q_of_octaves(octaves) - q).abs() < 1e-5);
        }
    }
}
