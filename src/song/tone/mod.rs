//! A lane's tone: the settings of its processors. Plain data; how they sound stands in `sound`.
//!
//! Every number has a [`Limit`]: the range that files and commands must keep. Frequencies are further held below
//! 0.45 of the session's rate where they are rendered, so that a setting made at 96 kHz still means something at 44.1.

mod dynamics;
mod equaliser;
pub mod limits;
mod numbered;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::units::Db;
pub use dynamics::{Compress, Deess, DeessShape, Detector};
pub use equaliser::{BANDS, Band, BandShape, HighPass, Slope, octaves_of_q, q_of_octaves};

/// The range of a number, with its name and unit for messages.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// What the number is.
    pub what: &'static str,
    /// Smallest value.
    pub low: f64,
    /// Largest value.
    pub high: f64,
    /// Unit as it is written after a value; may be empty.
    pub unit: &'static str,
}

impl Limit {
    /// True if `value` is a number within the range.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
}

/// A stage of the chain, whose place can be chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Stage {
    /// High-pass and equaliser bands.
    Eq,
    /// De-esser.
    Deess,
    /// Compressor.
    Compress,
    /// Drive.
    Drive,
}

impl Stage {
    /// All stages with the word that names each, in the order in which they stand unless told.
    pub const ALL: [(Stage, &'static str); 4] =
        [(Stage::Eq, "eq"), (Stage::Deess, "deess"), (Stage::Compress, "compress"), (Stage::Drive, "drive")];

    /// The order unless told.
    pub const ORDER: [Stage; 4] = [Stage::Eq, Stage::Deess, Stage::Compress, Stage::Drive];
}

/// A lane's tone: high-pass, equaliser, de-esser, compressor, drive, gain. What is absent does nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Tone {
    /// True to leave the whole tone out for now.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub bypass: bool,
    /// Stages that are left out for now, in the order of [`Stage::ALL`].
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub skip: Vec<Stage>,
    /// The stages in the order in which the sound passes them.
    #[serde(skip_serializing_if = "is_usual_order")]
    pub order: [Stage; 4],
    /// High-pass, the first part of the equaliser.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub highpass: Option<HighPass>,
    /// Equaliser bands.
    #[serde(with = "numbered", skip_serializing_if = "no_bands")]
    #[schemars(with = "std::collections::BTreeMap<String, Band>")]
    pub bands: [Option<Band>; BANDS],
    /// De-esser.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deess: Option<Deess>,
    /// Compressor.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compress: Option<Compress>,
    /// Harmonic warmth in dB: the gain into the bend of the curve.
    #[serde(skip_serializing_if = "is_zero")]
    pub drive_db: Db,
    /// Gain after all of it.
    #[serde(skip_serializing_if = "is_zero")]
    pub gain_db: Db,
}

impl Default for Tone {
    fn default() -> Tone {
        Tone {
            bypass: false,
            skip: Vec::new(),
            order: Stage::ORDER,
            highpass: None,
            bands: [None; BANDS],
            deess: None,
            compress: None,
            drive_db: Db(0.0),
            gain_db: Db(0.0),
        }
    }
}

/// A tone with a name, to be used again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TonePreset {
    /// What it is for, in a sentence.
    #[serde(default)]
    pub about: String,
    /// What it sets.
    pub set: Tone,
}

fn is_usual_order(order: &[Stage; 4]) -> bool {
    *order == Stage::ORDER
}

fn no_bands(bands: &[Option<Band>; BANDS]) -> bool {
    bands.iter().all(Option::is_none)
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands references to it")]
fn is_zero(gain: &Db) -> bool {
    gain.0 == 0.0
}

impl Tone {
    /// True if `stage` is set and not left out, so that it may change the sound.
    #[must_use]
    pub fn acts(&self, stage: Stage) -> bool {
        let set = match stage {
            Stage::Eq => self.highpass.is_some() || !no_bands(&self.bands),
            Stage::Deess => self.deess.is_some(),
            Stage::Compress => self.compress.is_some(),
            Stage::Drive => self.drive_db.0 != 0.0,
        };
        set && !self.bypass && !self.skip.contains(&stage)
    }

    /// True if nothing of it may change the sound: the lane is rendered as if it had no tone, bit for bit.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        let gain = self.gain_db.0 != 0.0 && !self.bypass;
        !gain && !Stage::ORDER.into_iter().any(|stage| self.acts(stage))
    }

    /// The first number that is out of its range, with the range.
    #[must_use]
    pub fn out_of_range(&self) -> Option<(Limit, f64)> {
        self.numbers().into_iter().find(|(limit, value)| !limit.holds(*value))
    }

    /// True if every stage stands in the order exactly once and none is skipped twice.
    #[must_use]
    pub fn is_ordered(&self) -> bool {
        let in_order = Stage::ORDER.iter().all(|stage| self.order.contains(stage));
        in_order && self.skip.is_sorted_by(|a, b| a < b)
    }

    fn numbers(&self) -> Vec<(Limit, f64)> {
        let mut numbers = vec![(limits::DRIVE, self.drive_db.0), (limits::GAIN, self.gain_db.0)];
        numbers.extend(self.highpass.map(|high| (limits::HIGH_PASS, high.frequency_hz)));
        for band in self.bands.iter().flatten() {
            numbers.extend([
                (limits::BAND_FREQUENCY, band.frequency_hz),
                (limits::BAND_GAIN, band.gain_db.0),
                (limits::Q, band.q),
            ]);
        }
        if let Some(deess) = self.deess {
            numbers.extend([
                (limits::DEESS_FREQUENCY, deess.frequency_hz),
                (limits::DEESS_WIDTH, deess.width_octaves),
                (limits::DEESS_THRESHOLD, deess.threshold_db.0),
                (limits::DEESS_MOST, deess.most_db.0),
                (limits::ATTACK, deess.attack_ms),
                (limits::RELEASE, deess.release_ms),
            ]);
        }
        if let Some(compress) = self.compress {
            numbers.extend([
                (limits::COMPRESS_THRESHOLD, compress.threshold_db.0),
                (limits::RATIO, compress.ratio),
                (limits::ATTACK, compress.attack_ms),
                (limits::RELEASE, compress.release_ms),
                (limits::KNEE, compress.knee_db.0),
                (limits::MAKEUP, compress.makeup_db.0),
                (limits::MIX, compress.mix),
            ]);
            numbers.extend(compress.detector_highpass_hz.map(|hz| (limits::DETECTOR_HIGH_PASS, hz)));
        }
        numbers
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_tone_is_written_as_nothing_and_does_nothing() {
        assert_eq!(serde_json::to_string(&Tone::default()).unwrap(), "{}");
        assert_eq!(serde_json::from_str::<Tone>("{}").unwrap(), Tone::default());
        assert!(Tone::default().is_idle() && Tone::default().is_ordered());
    }

    #[test]
    fn numbers_out_of_range_and_odd_orders_are_found() {
        let mut tone = Tone { compress: Some(Compress::default()), ..Tone::default() };
        assert_eq!(tone.out_of_range(), None);
        for (ratio, bad) in [(0.5, true), (f64::NAN, true), (100.0, false)] {
            tone.compress = Some(Compress { ratio, ..Compress::default() });
            assert_eq!(tone.out_of_range().is_some(), bad, "{ratio}");
        }
        tone.order[0] = Stage::Drive;
        assert!(!tone.is_ordered());
    }
}
