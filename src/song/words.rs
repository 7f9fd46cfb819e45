//! Words of the guide as somebody has corrected them. As long as nobody has, listening finds them anew.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ids::AssetId;
use super::units::Shift;

/// One word of the guide, in frames of its recording at the session's rate.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SungWord {
    /// Where its first consonant (or its vowel) begins.
    pub onset: u64,
    /// Where its vowel begins.
    pub vowel: u64,
    /// Where its sound has ended.
    pub end: u64,
    /// What is sung.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
}

/// All words of one recording, in order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SungWords {
    /// The recording.
    pub asset: AssetId,
    /// Its words; onsets rise.
    pub words: Vec<SungWord>,
}

/// An offset that a lane's word is meant to have, so that looseness that was sung on purpose stays.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Hold {
    /// Which word: its onset in the guide's recording, in frames at the session's rate.
    pub word: u64,
    /// By how much the lane's word is to be later than the guide's; negative is earlier.
    pub by: Shift,
}
