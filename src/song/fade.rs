//! Fades as data. How loud each sample of a fade is stands in `sound::fade_law`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::units::Length;

/// The law by which a fade rises.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Curve {
    /// The gain itself rises in a straight line. Two of them across a joint add up to one.
    #[default]
    Linear,
    /// A quarter of a sine. Two of them across a joint keep the power of unlike sounds.
    EqualPower,
    /// Half a cosine, soft at both ends. Two of them across a joint add up to one.
    RaisedCosine,
    /// A straight line in decibels: a decay as rooms and voices have it.
    Exponential,
    /// The root of the linear law. Two of them across a joint keep the power of unlike sounds.
    SquareRoot,
}

impl Curve {
    /// All curves with the word that names each in commands and files.
    pub const ALL: [(Curve, &'static str); 5] = [
        (Curve::Linear, "linear"),
        (Curve::EqualPower, "equal-power"),
        (Curve::RaisedCosine, "raised-cosine"),
        (Curve::Exponential, "exponential"),
        (Curve::SquareRoot, "square-root"),
    ];

    /// The word that names this curve in commands and files.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(curve, _)| *curve == self).map_or("linear", |(_, word)| word)
    }
}

/// How far a fade is bowed, from -1 (opens late) over 0 (as its law says) to 1 (opens early).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Bend(#[schemars(range(min = -1.0, max = 1.0))] pub f64);

/// A gain ramp at a region's edge. A fade of length 0 is no fade.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Fade {
    /// Samples from silence to full level.
    pub length: Length,
    /// The law.
    pub curve: Curve,
    /// How far the law is bowed.
    pub bend: Bend,
}

impl Fade {
    /// No fade: the edge is hard.
    pub const NONE: Fade = Fade { length: Length(0), curve: Curve::Linear, bend: Bend(0.0) };
}

/// Which edge of a region a fade belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FadeSide {
    /// At the start.
    In,
    /// At the end.
    Out,
}

/// A fade with a name, from `shared/` or from the user's folder. Its length is in ms, since a preset
/// serves sessions of any rate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FadePreset {
    /// What it is for, in a few words.
    #[serde(default)]
    pub about: String,
    /// What happens at the start of a region; absent leaves that edge alone.
    #[serde(default, rename = "in")]
    pub fade_in: Option<PresetRamp>,
    /// What happens at the end of a region; absent leaves that edge alone.
    #[serde(default, rename = "out")]
    pub fade_out: Option<PresetRamp>,
}

/// One edge of a [`FadePreset`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PresetRamp {
    /// Length in milliseconds, 0 to 60 000.
    pub ms: f64,
    /// The law.
    #[serde(default)]
    pub curve: Curve,
    /// How far the law is bowed.
    #[serde(default)]
    pub bend: Bend,
}
