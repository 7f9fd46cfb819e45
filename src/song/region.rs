//! A region: a span of an asset placed on a lane.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::fade::{Fade, FadeSide};
use super::ids::{AssetId, RegionId};
use super::units::{Db, Length, Position};

/// A span of an asset placed on a lane, with its gain and its two fades.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Region {
    /// Its name for life.
    pub id: RegionId,
    /// Which recording it shows.
    pub asset: AssetId,
    /// First frame of the asset (conformed to the session's rate) that sounds.
    pub source_in: u64,
    /// How many frames sound.
    pub length: Length,
    /// Where on the timeline the first of them sounds.
    pub at: Position,
    /// Gain of this region alone.
    pub gain_db: Db,
    /// What lies below this frequency (Hz) is taken away, without delay; none unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub highpass_hz: Option<f64>,
    /// The ramp at its start.
    pub fade_in: Fade,
    /// The ramp at its end.
    pub fade_out: Fade,
}

/// Where a region begins and ends, in its asset and on the timeline.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Edges {
    /// First frame of the asset that sounds.
    pub source_in: u64,
    /// How many frames sound.
    pub length: Length,
    /// Where on the timeline the first of them sounds.
    pub at: Position,
}

impl Region {
    /// One past its last sample on the timeline.
    #[must_use]
    pub fn end(&self) -> Position {
        self.at + self.length
    }

    /// One past the last frame of the asset that sounds.
    #[must_use]
    pub fn source_end(&self) -> u64 {
        self.source_in.saturating_add(self.length.0)
    }

    /// Where the asset's frame 0 would lie on the timeline. Regions that share it were never slid apart.
    #[must_use]
    pub fn source_origin(&self) -> Position {
        Position(self.at.0.saturating_sub_unsigned(self.source_in))
    }

    /// True if `at` lies between its edges.
    #[must_use]
    pub fn contains(&self, at: Position) -> bool {
        self.at <= at && at < self.end()
    }

    /// Where it begins and ends.
    #[must_use]
    pub fn edges(&self) -> Edges {
        Edges { source_in: self.source_in, length: self.length, at: self.at }
    }

    /// Sets where it begins and ends.
    pub fn set_edges(&mut self, edges: Edges) {
        self.source_in = edges.source_in;
        self.length = edges.length;
        self.at = edges.at;
    }

    /// The fade on one side.
    #[must_use]
    pub fn fade(&self, side: FadeSide) -> Fade {
        match side {
            FadeSide::In => self.fade_in,
            FadeSide::Out => self.fade_out,
        }
    }

    /// The fade on one side, to be changed.
    pub fn fade_mut(&mut self, side: FadeSide) -> &mut Fade {
        match side {
            FadeSide::In => &mut self.fade_in,
            FadeSide::Out => &mut self.fade_out,
        }
    }

    /// True if `next` goes on where this one stops, in the recording as on the timeline.
    #[must_use]
    pub fn flows_into(&self, next: &Region) -> bool {
        self.asset == next.asset && self.end() == next.at && self.source_end() == next.source_in
    }

    /// True if both shape their sound alike, fades aside, so that they can become one where they flow into each other.
    #[must_use]
    pub fn sounds_like(&self, other: &Region) -> bool {
        self.gain_db == other.gain_db && self.highpass_hz == other.highpass_hz
    }

    /// The part of it from one position to another, both within its edges; fades as they are.
    #[must_use]
    pub fn between(&self, from: Position, to: Position) -> Region {
        let source_in = self.source_in.saturating_add(from.since(self.at).0);
        Region { source_in, length: to.since(from), at: from, ..self.clone() }
    }
}
