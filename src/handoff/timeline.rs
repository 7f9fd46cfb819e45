//! The timeline: which stretch of which recording stands where, for programs that want the edits themselves.
//!
//! Both forms count in samples at the session's rate from the start of the bounced files, so that a clip of the timeline and
//! a bounced file lie over each other.

use std::collections::BTreeMap;

use super::facts::{LaneFacts, SourceFact};
use crate::song::{Asset, AssetId, EditId, Lane, Marker, Position, Region, Song};

/// What a timeline is written from.
#[derive(Debug, Clone, Copy)]
pub struct Timeline<'a> {
    /// The state.
    pub song: &'a Song,
    /// Rate of the session in Hz.
    pub rate: u32,
    /// The song's title.
    pub title: &'a str,
    /// The recordings.
    pub assets: &'a [Asset],
    /// Where they lie.
    pub sources: &'a [SourceFact],
    /// Where the bounced files begin; nothing of the timeline is earlier unless a region is.
    pub start: Position,
    /// Where the song's position 0 lies, in samples since midnight, if that is known.
    pub origin: Option<u64>,
    /// Names of places.
    pub markers: &'a [Marker],
    /// Names of edits.
    pub marks: &'a BTreeMap<String, EditId>,
    /// The edit that is shown.
    pub head: EditId,
    /// What else is known about the lanes, from top to bottom; may be shorter than there are lanes.
    pub facts: &'a [LaneFacts],
}

/// A stretch of a lane on the timeline.
#[derive(Debug, Clone, Copy)]
pub(super) struct Placed<'a> {
    pub region: &'a Region,
    /// Samples of it that sound before the next region begins, the overlap left out.
    pub alone: u64,
    /// Samples by which the next region overlaps it.
    pub overlap: u64,
}

impl Timeline<'_> {
    /// Where the timeline begins: with the bounced files, or with the first region if that is earlier.
    pub(super) fn zero(&self) -> Position {
        self.song.extent().map_or(self.start, |extent| self.start.min(extent.start))
    }

    pub(super) fn asset(&self, id: AssetId) -> Option<&Asset> {
        self.assets.iter().find(|asset| asset.id == id)
    }

    /// Where a recording lies.
    pub(super) fn path(&self, id: AssetId) -> &str {
        let source = self.sources.iter().find(|source| source.id == id);
        source
            .map(|source| source.path.as_str())
            .or(self.asset(id).map(|asset| asset.path.as_str()))
            .unwrap_or("")
    }

    pub(super) fn facts(&self, index: usize) -> Option<&LaneFacts> {
        self.facts.get(index)
    }
}

/// A lane's regions with what the next one does to each.
pub(super) fn placed(lane: &Lane) -> impl Iterator<Item = Placed<'_>> {
    lane.regions.iter().enumerate().map(|(index, region)| {
        let overlap = lane.overlap_after(index).min(region.length.0);
        Placed { region, alone: region.length.0 - overlap, overlap }
    })
}
