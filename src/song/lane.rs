//! A lane: one row, a take being edited.

use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ids::{AssetId, LaneId, RegionId};
use super::region::Region;
use super::tone::Tone;
use super::units::{Db, Position};
use super::words::Hold;

/// What a take is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// The reference for the timing; at most one lane has this role.
    Guide,
    /// The same line sung again.
    #[default]
    Double,
    /// Another line sung with it.
    Harmony,
    /// Calls and fills around it.
    Adlib,
    /// The music that it was sung to; heard while working, left out of the stack's sum.
    Backing,
}

impl Role {
    /// All roles with the word that names each in commands and files.
    pub const ALL: [(Role, &'static str); 5] = [
        (Role::Guide, "guide"),
        (Role::Double, "double"),
        (Role::Harmony, "harmony"),
        (Role::Adlib, "adlib"),
        (Role::Backing, "backing"),
    ];

    /// The word that names this role in commands and files.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(role, _)| *role == self).map_or("double", |(_, word)| word)
    }
}

/// Where between left (-1) and right (1) a lane sounds.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Pan(#[schemars(range(min = -1.0, max = 1.0))] pub f64);

/// Whether a lane's samples change sign; 1 or -1 in files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(try_from = "i8", into = "i8")]
pub enum Polarity {
    /// As recorded.
    #[default]
    Normal,
    /// Every sample with the other sign.
    Inverted,
}

impl JsonSchema for Polarity {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Polarity".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "enum": [1, -1], "description": "1 as recorded, -1 with the other sign." })
    }
}

impl TryFrom<i8> for Polarity {
    type Error = String;

    fn try_from(value: i8) -> Result<Self, String> {
        match value {
            1 => Ok(Polarity::Normal),
            -1 => Ok(Polarity::Inverted),
            other => Err(format!("polarity is 1 or -1, not {other}")),
        }
    }
}

impl From<Polarity> for i8 {
    fn from(polarity: Polarity) -> i8 {
        match polarity {
            Polarity::Normal => 1,
            Polarity::Inverted => -1,
        }
    }
}

/// A remark pinned to a lane.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Note {
    /// Where it belongs, if it belongs anywhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<Position>,
    /// What it says.
    pub text: String,
}

/// One row: a take being edited.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Lane {
    /// Its name for life.
    pub id: LaneId,
    /// What it is called on the screen and in file names.
    pub name: String,
    /// What the take is for.
    pub role: Role,
    /// The take.
    pub asset: AssetId,
    /// Gain of the whole lane.
    pub gain_db: Db,
    /// Where it sounds.
    pub pan: Pan,
    /// Whether its samples change sign.
    pub polarity: Polarity,
    /// Left out of the stack.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub mute: bool,
    /// Heard alone, with the other lanes marked so.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub solo: bool,
    /// Settings of its processors, if it has any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tone: Option<Arc<Tone>>,
    /// Remarks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Note>,
    /// Offsets that its words are meant to have, in the order of the words.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub holds: Vec<Hold>,
    /// Its regions in order of their start.
    pub regions: Vec<Arc<Region>>,
}

impl Lane {
    /// Index of the region called `id`, looked for from index `hint` on and then from the start, so
    /// that a batch of operations in lane order finds each in one step.
    #[must_use]
    pub fn index_of(&self, id: RegionId, hint: usize) -> Option<usize> {
        let hint = hint.min(self.regions.len());
        let (before, after) = self.regions.split_at(hint);
        let is = |region: &Arc<Region>| region.id == id;
        after.iter().position(is).map(|index| index + hint).or_else(|| before.iter().position(is))
    }

    /// Index of the last region that begins at or before `at` and has not ended there.
    #[must_use]
    pub fn index_at(&self, at: Position) -> Option<usize> {
        let after = self.regions.partition_point(|region| region.at <= at);
        (0..after).rev().take(2).find(|&index| self.regions[index].contains(at))
    }

    /// Samples by which the region at `index` overlaps the next one; 0 if they do not touch.
    #[must_use]
    pub fn overlap_after(&self, index: usize) -> u64 {
        match (self.regions.get(index), self.regions.get(index + 1)) {
            (Some(left), Some(right)) => left.end().since(right.at).0,
            _ => 0,
        }
    }
}
