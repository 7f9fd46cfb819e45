//! A lane's tone: the settings of its processors. Plain data; how they sound stands in `sound`.
//!
//! Every number has a [`Limit`]: the range that files and commands must keep. Frequencies are further held below
//! 0.45 of the session's rate where they are rendered, so that a setting made at 96 kHz still means something at 44.1.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::units::Db;

/// Bands of the equaliser.
pub const BANDS: usize = 4;

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

/// The ranges of all numbers of a tone. What is common practice has no other source.
pub mod limits {
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
}

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

/// Bands in files: those that are set, under their numbers from 1.
mod numbered {
    use std::collections::BTreeMap;

    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::{BANDS, Band};

    pub fn serialize<S: Serializer>(bands: &[Option<Band>; BANDS], serializer: S) -> Result<S::Ok, S::Error> {
        let numbered: BTreeMap<String, Band> = (1..)
            .zip(bands)
            .filter_map(|(number, band): (usize, _)| band.map(|band| (number.to_string(), band)))
            .collect();
        numbered.serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<[Option<Band>; BANDS], D::Error> {
        let mut bands = [None; BANDS];
        for (number, band) in BTreeMap::<String, Band>::deserialize(deserializer)? {
            let index = number.parse().ok().filter(|number| (1..=BANDS).contains(number));
            match index {
                Some(index) => bands[index - 1] = Some(band),
                None => {
                    return Err(D::Error::custom(format!(
                        "bands have the numbers 1 to {BANDS}, not {number}"
                    )));
                }
            }
        }
        Ok(bands)
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

    #[test]
    fn octaves_and_q_agree_with_the_table() {
        // BW = 2/ln 2 · asinh(1/2Q): RBJ, Audio EQ Cookbook (W3C Group Note, 2021); values computed with numpy.
        for (q, octaves) in [(0.5, 2.543_107), (1.0, 1.388_484), (2.0, 0.714_037), (4.0, 0.359_741)] {
            assert!((octaves_of_q(q) - octaves).abs() < 1e-6);
            assert!((q_of_octaves(octaves) - q).abs() < 1e-5);
        }
    }
}
