//! Guide lines: where words of the guide begin on the timeline, and by how much each lane is off.

use std::collections::HashMap;
use std::sync::Arc;

use super::app::{App, World};
use crate::listen::first_onsets::{offsets, on_lane};
use crate::song::{AssetId, EditId, LaneId, Position, Shift};

/// Farther apart than this, two starts are not of the same word (ms; our choice).
const REACH_MS: u64 = 180;

/// Starts of words in one recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Starts {
    /// Frames, in order.
    pub at: Arc<[u64]>,
    /// What found them.
    pub by: &'static str,
}

/// Guide lines of one state of the song.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Lines {
    /// Where the guide's words begin.
    pub guide: Vec<Position>,
    /// Per lane: the guide's start, and by how much the lane's is later (+) or earlier (-).
    pub offsets: HashMap<LaneId, Vec<(Position, Shift)>>,
    made_of: Option<(EditId, u64)>,
}

impl Lines {
    /// The offset of a lane's word whose guide line is nearest to `at`, if one is within half a second.
    #[must_use]
    pub fn near(&self, lane: LaneId, at: Position, rate: u32) -> Option<(Position, Shift)> {
        let all = self.offsets.get(&lane)?;
        let nearest = all.iter().min_by_key(|(line, _)| (*line - at).0.unsigned_abs())?;
        ((nearest.0 - at).0.unsigned_abs() <= u64::from(rate) / 2).then_some(*nearest)
    }

    /// How many of a lane's words there are, and how many of them are within `ms` of the guide.
    #[must_use]
    pub fn tight(&self, lane: LaneId, ms: f64, rate: u32) -> (usize, usize) {
        let all = self.offsets.get(&lane).map_or(&[][..], Vec::as_slice);
        (all.len(), all.iter().filter(|(_, by)| to_ms(*by, rate).abs() <= ms).count())
    }
}

/// A shift in ms.
#[must_use]
pub fn to_ms(by: Shift, rate: u32) -> f64 {
    by.0 as f64 * 1000.0 / f64::from(rate.max(1))
}

impl App {
    /// Makes the guide lines anew if the song or what is known of its recordings has changed.
    pub(super) fn refresh_lines(&mut self, world: &World) {
        let now = (world.session.history.head(), self.starts_seen);
        if self.lines.made_of == Some(now) {
            return;
        }
        let song = world.session.song();
        let starts = |asset: AssetId| self.starts.get(&asset).map(|starts| starts.at.to_vec());
        let mut lines = Lines { made_of: Some(now), ..Lines::default() };
        if let Some(guide) = song.guide() {
            lines.guide = on_lane(guide, starts);
            let reach = REACH_MS * u64::from(world.session.rate) / 1000;
            for lane in song.lanes.iter().filter(|lane| lane.id != guide.id) {
                lines.offsets.insert(lane.id, offsets(&lines.guide, &on_lane(lane, starts), reach));
            }
        }
        self.lines = lines;
    }
}
