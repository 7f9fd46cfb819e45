//! The model: plain data without input or output. Lanes, regions, fades, tone, units and ids, and the
//! [rules] that every state of a song keeps.
//!
//! All positions and lengths are whole samples at the session's rate; seconds exist only where text
//! is read or written. A [`Song`] is cheap to clone: lanes and regions are shared, so that thousands
//! of states of the edit graph can be kept side by side.
//!
//! Not here: how a song came to be (`edit`), how it sounds (`mix`), and where its files lie (`media`).

mod fade;
mod ids;
mod lane;
mod region;
mod role_guess;
pub mod rules;
mod tempo;
pub mod tone;
mod tone_words;
mod units;
mod words;

use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use fade::{Bend, Curve, Fade, FadePreset, FadeSide, PresetRamp};
pub use ids::{AssetId, EditId, LaneId, RegionId};
pub use lane::{Lane, Note, Pan, Polarity, Role};
pub use region::{Edges, Region};
pub use tempo::{Marker, Meter, Tempo, TempoMap};
pub use tone::Tone;
pub use tone_words::tone_words;
pub use units::{Db, Length, Linear, Position, Shift};
pub use words::{Hold, SungWord, SungWords};

/// A recording on disk, known by its path and by the hash of its bytes. It is never written to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Asset {
    /// The name by which regions refer to it.
    pub id: AssetId,
    /// Where the file lies; relative paths count from the session file's folder.
    pub path: String,
    /// BLAKE3 of the file's bytes, 64 hexadecimal digits.
    pub blake3: String,
    /// Length in sample frames at the file's own rate.
    pub frames: u64,
    /// Channels in the file: 1 or 2.
    pub channels: u16,
    /// The file's own rate in Hz.
    pub rate: u32,
    /// Size of the file in bytes, a quick first test for a changed file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bytes: Option<u64>,
    /// Start of the recording in samples of its own rate since midnight, from the file's `bext` chunk.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_reference: Option<u64>,
}

impl Asset {
    /// Length in frames once conformed to `session_rate`, rounded to the nearest frame.
    ///
    /// The number is part of the file format: regions may reach to it whatever resampler made the copy.
    #[must_use]
    pub fn frames_at(&self, session_rate: u32) -> u64 {
        crate::media::conformed_frames(self.frames, self.rate, session_rate)
    }
}

/// A stretch of the timeline, `start` included, `end` not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Span {
    /// First sample.
    pub start: Position,
    /// One past the last sample.
    pub end: Position,
}

impl Span {
    /// True if `at` lies inside.
    #[must_use]
    pub fn contains(self, at: Position) -> bool {
        self.start <= at && at < self.end
    }
}

/// One state of the stack: its lanes from top to bottom and the loop span.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Song {
    /// Lanes from top to bottom; lane number 1 is the first.
    pub lanes: Vec<Arc<Lane>>,
    /// What plays in a loop, if anything.
    #[serde(default, rename = "loop", skip_serializing_if = "Option::is_none")]
    pub loop_span: Option<Span>,
    /// The guide's words, if somebody has corrected them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub words: Option<Arc<SungWords>>,
}

impl Song {
    /// The lane called `id`.
    #[must_use]
    pub fn lane(&self, id: LaneId) -> Option<&Arc<Lane>> {
        self.lanes.iter().find(|lane| lane.id == id)
    }

    /// The number on the screen of the lane called `id`: 1 for the topmost.
    #[must_use]
    pub fn number(&self, id: LaneId) -> Option<usize> {
        self.lanes.iter().position(|lane| lane.id == id).map(|index| index + 1)
    }

    /// The lane that sets the timing, if there is one.
    #[must_use]
    pub fn guide(&self) -> Option<&Arc<Lane>> {
        self.lanes.iter().find(|lane| lane.role == Role::Guide)
    }

    /// From the first to one past the last sample that any lane sounds; `None` if no lane has a region.
    #[must_use]
    pub fn extent(&self) -> Option<Span> {
        let starts = self.lanes.iter().filter_map(|lane| lane.regions.first());
        let ends = self.lanes.iter().filter_map(|lane| lane.regions.last());
        let start = starts.map(|region| region.at).min()?;
        let end = ends.map(|region| region.end()).max()?;
        Some(Span { start, end })
    }
}
