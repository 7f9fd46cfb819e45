//! How fast a pre-roll is rendered beside what sounds: so that no callback has much more to do than another.
//!
//! A frame of a lane in a fade costs several others, for its gains are computed; and where one lane is cut and
//! faded, the others of a stack mostly are too. So work is counted in frames of a lane, those in a fade several times,
//! and each frame that is heard pays for so much of it.

use super::listening::Scene;
use crate::mix::Segment;
use crate::song::{Length, Position};

/// What a frame of a lane in a fade costs in frames of a lane that is in none.
const FADE: u64 = 6;
/// Frames that are rendered at once; paid for as a whole.
pub(super) const BLOCK: u64 = 128;

/// Work for every frame that is heard, at 48 kHz: some third of a core.
const WORK: u64 = 768;
/// The same in frames of all lanes, none in a fade: at least so many, or a jump would wait for ever; at most so many.
const LEAST: u64 = 3;
const MOST: u64 = 64;

/// Work for each frame that is heard, with so many lanes.
pub(super) fn work(scene: &Scene, lanes: usize) -> u64 {
    let lanes = lanes.max(1) as u64;
    (WORK * 48_000 / u64::from(scene.plan().rate().max(1))).clamp(LEAST * lanes, MOST * lanes)
}

/// The work of `frames` frames from `at` on, of the lanes in those rows. Realtime-safe.
pub(super) fn cost(scene: &Scene, rows: &[usize], at: Position, frames: u64) -> u64 {
    let end = at + Length(frames);
    let lanes = rows.iter().filter_map(|row| scene.plan().lanes().get(*row));
    let faded = lanes.map(|lane| {
        let first = lane.segments.partition_point(|segment| segment.end <= at);
        let here = lane.segments.iter().skip(first).take_while(|segment| segment.at < end);
        here.map(|segment| in_fades(segment, at, end)).sum::<u64>()
    });
    rows.len() as u64 * frames + FADE * faded.sum::<u64>()
}

/// Frames between `from` and `to` that lie in a fade of the segment.
fn in_fades(segment: &Segment, from: Position, to: Position) -> u64 {
    let shared = |start: Position, end: Position| {
        let (start, end) = (start.max(from), end.min(to));
        if start < end { end.since(start).0 } else { 0 }
    };
    let (rise, fall) = (Length(segment.fade_in.length()), Length(segment.fade_out.length()));
    shared(segment.at, segment.at + rise) + shared(segment.end - fall, segment.end)
}

/// What has been paid and not been used yet.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Purse(u64);

impl Purse {
    /// Enough for anything.
    pub(super) const FULL: Purse = Purse(u64::MAX);

    /// Pays for `frames` frames that were heard. Realtime-safe.
    pub(super) fn pay(&mut self, frames: u64, each: u64) {
        self.0 = self.0.saturating_add(frames.saturating_mul(each));
    }

    /// Takes the cost out if there is as much in it. Realtime-safe.
    pub(super) fn take(&mut self, cost: u64) -> bool {
        let left = self.0.checked_sub(cost);
        self.0 = left.unwrap_or(self.0);
        left.is_some()
    }
}
