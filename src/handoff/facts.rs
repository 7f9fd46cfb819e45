//! What other rooms know about the lanes, as plain data: the pages and lists show it where it is given.

use super::manifest::{Listed, Sums};
use crate::song::{AssetId, Position};

/// What is known about one lane beyond its regions. Everything may be left out.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LaneFacts {
    /// Its words as they stand, matched with the guide's.
    pub words: Vec<WordFact>,
    /// Offsets of its words in ms before anything was edited.
    pub offsets_before_ms: Vec<f64>,
    /// Its tone settings, one processor a line; `None` if nothing is known about them.
    pub tone: Option<Vec<String>>,
}

/// One word of a lane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WordFact {
    /// Where it begins.
    pub at: Position,
    /// Where it ends, if that was found.
    pub end: Option<Position>,
    /// Lane onset minus guide onset in ms: minus is early.
    pub offset_ms: f64,
    /// Lane ending minus guide ending in ms, if both were found.
    pub end_offset_ms: Option<f64>,
}

/// A recording on the pages and lists.
#[derive(Debug, Clone, PartialEq)]
pub struct SourceFact {
    /// The asset.
    pub id: AssetId,
    /// Where it lies, as the timeline names it: a path relative to the hand-off's folder, or an absolute one.
    pub path: String,
    /// BLAKE3 of its bytes.
    pub blake3: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// Its size in bytes.
    pub bytes: u64,
}

impl SourceFact {
    /// As the manifest lists it.
    #[must_use]
    pub fn listed(&self) -> Listed {
        let sums = Sums { bytes: self.bytes, blake3: self.blake3.clone(), sha256: self.sha256.clone() };
        Listed { path: self.path.clone(), sums }
    }
}
