//! Operations: the smallest changes, each carrying the exact numbers it sets and those it replaces.

use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::song::{
    Db, Edges, Fade, FadeSide, Hold, LaneId, Note, Pan, Polarity, Position, Region, RegionId, Role, Span,
    SungWords, Tone,
};

/// One smallest change to a song.
///
/// What an operation replaces is part of it, so that it can be taken back without looking anywhere
/// else and so that a damaged history is noticed when it is replayed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Op {
    /// Cuts a region in two at a position; the later part gets the id `new`. Both edges are hard.
    Split {
        /// The lane.
        lane: LaneId,
        /// The region to cut; it keeps the part before `at`.
        region: RegionId,
        /// Where, on the timeline.
        at: Position,
        /// Id of the part from `at` on.
        new: RegionId,
    },
    /// Takes a [`Op::Split`] back: joins two regions that flow into each other without fades.
    Merge {
        /// The lane.
        lane: LaneId,
        /// The earlier region, which remains.
        region: RegionId,
        /// Where the two meet.
        at: Position,
        /// The later region, which goes.
        new: RegionId,
    },
    /// Slides a region.
    Move {
        /// The lane.
        lane: LaneId,
        /// The region.
        region: RegionId,
        /// Where it was.
        from: Position,
        /// Where it goes.
        to: Position,
    },
    /// Sets where a region begins and ends.
    SetEdges {
        /// The lane.
        lane: LaneId,
        /// The region.
        region: RegionId,
        /// The edges before.
        from: Edges,
        /// The edges after.
        to: Edges,
    },
    /// Puts a region on a lane.
    Insert {
        /// The lane.
        lane: LaneId,
        /// The region, whole.
        region: Arc<Region>,
    },
    /// Takes a region off a lane.
    Remove {
        /// The lane.
        lane: LaneId,
        /// The region as it stood.
        region: Arc<Region>,
    },
    /// Sets one fade of a region.
    SetFade {
        /// The lane.
        lane: LaneId,
        /// The region.
        region: RegionId,
        /// Which edge.
        side: FadeSide,
        /// The fade before.
        from: Fade,
        /// The fade after.
        to: Fade,
    },
    /// Sets a region's gain.
    SetGain {
        /// The lane.
        lane: LaneId,
        /// The region.
        region: RegionId,
        /// The gain before, in dB.
        from: Db,
        /// The gain after, in dB.
        to: Db,
    },
    /// Sets a region's high-pass.
    SetHighpass {
        /// The lane.
        lane: LaneId,
        /// The region.
        region: RegionId,
        /// The frequency before, in Hz; null is no high-pass.
        from: Option<f64>,
        /// The frequency after, in Hz.
        to: Option<f64>,
    },
    /// Sets one value of a lane; `from` and `to` are of one kind.
    SetLane {
        /// The lane.
        lane: LaneId,
        /// The value before.
        from: LaneValue,
        /// The value after.
        to: LaneValue,
    },
    /// Sets a lane's tone, whole; null is no tone.
    SetTone {
        /// The lane.
        lane: LaneId,
        /// The tone before.
        from: Option<Arc<Tone>>,
        /// The tone after.
        to: Option<Arc<Tone>>,
    },
    /// Moves a lane to another row; rows count from 0.
    MoveLane {
        /// The lane.
        lane: LaneId,
        /// The row before.
        from: usize,
        /// The row after.
        to: usize,
    },
    /// Sets the loop span.
    SetLoop {
        /// The span before.
        from: Option<Span>,
        /// The span after.
        to: Option<Span>,
    },
    /// Sets the guide's words.
    SetWords {
        /// The words before; none if listening finds them.
        from: Option<Arc<SungWords>>,
        /// The words after.
        to: Option<Arc<SungWords>>,
    },
}

/// One value of a lane.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum LaneValue {
    /// What it is called.
    Name(String),
    /// What the take is for.
    Role(Role),
    /// Gain of the whole lane, in dB.
    GainDb(Db),
    /// Where it sounds.
    Pan(Pan),
    /// Whether its samples change sign.
    Polarity(Polarity),
    /// Left out of the stack.
    Mute(bool),
    /// Heard alone.
    Solo(bool),
    /// All its remarks.
    Notes(Vec<Note>),
    /// All offsets that its words are meant to have.
    Holds(Vec<Hold>),
}

impl Op {
    /// The operation that takes this one back.
    #[must_use]
    pub fn inverse(&self) -> Op {
        match self.clone() {
            Op::Split { lane, region, at, new } => Op::Merge { lane, region, at, new },
            Op::Merge { lane, region, at, new } => Op::Split { lane, region, at, new },
            Op::Move { lane, region, from, to } => Op::Move { lane, region, from: to, to: from },
            Op::SetEdges { lane, region, from, to } => Op::SetEdges { lane, region, from: to, to: from },
            Op::Insert { lane, region } => Op::Remove { lane, region },
            Op::Remove { lane, region } => Op::Insert { lane, region },
            Op::SetFade { lane, region, side, from, to } => {
                Op::SetFade { lane, region, side, from: to, to: from }
            }
            Op::SetGain { lane, region, from, to } => Op::SetGain { lane, region, from: to, to: from },
            Op::SetHighpass { lane, region, from, to } => {
                Op::SetHighpass { lane, region, from: to, to: from }
            }
            Op::SetLane { lane, from, to } => Op::SetLane { lane, from: to, to: from },
            Op::SetTone { lane, from, to } => Op::SetTone { lane, from: to, to: from },
            Op::MoveLane { lane, from, to } => Op::MoveLane { lane, from: to, to: from },
            Op::SetLoop { from, to } => Op::SetLoop { from: to, to: from },
            Op::SetWords { from, to } => Op::SetWords { from: to, to: from },
        }
    }

    /// The lane that it changes; `None` for the loop and the words.
    #[must_use]
    pub fn lane(&self) -> Option<LaneId> {
        match self {
            Op::Split { lane, .. }
            | Op::Merge { lane, .. }
            | Op::Move { lane, .. }
            | Op::SetEdges { lane, .. }
            | Op::Insert { lane, .. }
            | Op::Remove { lane, .. }
            | Op::SetFade { lane, .. }
            | Op::SetGain { lane, .. }
            | Op::SetHighpass { lane, .. }
            | Op::SetLane { lane, .. }
            | Op::SetTone { lane, .. }
            | Op::MoveLane { lane, .. } => Some(*lane),
            Op::SetLoop { .. } | Op::SetWords { .. } => None,
        }
    }

    /// The largest region id that it mentions, 0 if none.
    #[must_use]
    pub fn largest_region(&self) -> u64 {
        match self {
            Op::Split { new, .. } | Op::Merge { new, .. } => new.0,
            Op::Insert { region, .. } | Op::Remove { region, .. } => region.id.0,
            _ => 0,
        }
    }
}

/// The operations that take a list of operations back, in the order in which to apply them.
#[must_use]
pub fn inverse_all(ops: &[Op]) -> Vec<Op> {
    ops.iter().rev().map(Op::inverse).collect()
}
