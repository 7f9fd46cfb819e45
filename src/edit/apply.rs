//! Applying operations to a song.

use std::collections::BTreeSet;
use std::sync::Arc;

use thiserror::Error;

use super::op::{LaneValue, Op};
use crate::song::{Edges, Fade, Lane, LaneId, Length, Position, Region, RegionId, Song};

/// An operation that does not fit the song it is applied to: its history was damaged or changed by hand.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum OpError {
    /// The lane does not exist.
    #[error("there is no lane with id {0}")]
    NoLane(LaneId),
    /// The region does not exist.
    #[error("lane id {0} has no region {1}")]
    NoRegion(LaneId, RegionId),
    /// A region with this id exists already.
    #[error("lane id {0} has a region {1} already")]
    Exists(LaneId, RegionId),
    /// What the operation replaces is not what is there.
    #[error("region {1} on lane id {0} does not hold the {2} that the operation replaces")]
    Stale(LaneId, RegionId, &'static str),
    /// What the operation replaces on a lane, or of the loop, is not what is there.
    #[error("the {0} that the operation replaces is not what is there")]
    StaleValue(&'static str),
    /// A cut at or beyond an edge, or inside a fade.
    #[error("region {1} on lane id {0} cannot be cut at sample {at}", at = .2.0)]
    NoCut(LaneId, RegionId, Position),
    /// Two regions that do not flow into each other.
    #[error("regions {1} and {2} on lane id {0} do not flow into each other")]
    NoMerge(LaneId, RegionId, RegionId),
}

/// Above so many operations, new ids are compared all at once at the end instead of one by one.
const MANY: usize = 16;

/// Remembers where the last operation acted, so that a batch in lane order needs no search.
struct Hints {
    lane: usize,
    region: usize,
    check_each_id: bool,
}

/// Applies one operation. On an error the song may be half changed: apply to a clone, which is cheap.
///
/// # Errors
/// The operation does not fit the song.
pub fn apply(song: &mut Song, op: &Op) -> Result<(), OpError> {
    apply_all(song, std::slice::from_ref(op)).map(|_| ()).map_err(|(_, error)| error)
}

/// Applies a list of operations in order and gives the lanes that they touched.
///
/// Regions are put into order of their start once, at the end: while a batch runs, one region may
/// pass another that is about to move as well. On an error the song may be half changed: apply to a
/// clone, which is cheap.
///
/// # Errors
/// An operation does not fit the song; the index says which one.
pub fn apply_all(song: &mut Song, ops: &[Op]) -> Result<BTreeSet<LaneId>, (usize, OpError)> {
    let mut hints = Hints { lane: 0, region: 0, check_each_id: ops.len() <= MANY };
    let mut touched = BTreeSet::new();
    let mut last = None;
    for (index, op) in ops.iter().enumerate() {
        apply_one(song, op, &mut hints).map_err(|error| (index, error))?;
        if op.lane() != last {
            last = op.lane();
            touched.extend(last);
        }
    }
    for lane in &mut song.lanes {
        if !touched.contains(&lane.id) {
            continue;
        }
        if !hints.check_each_id {
            no_id_twice(lane).map_err(|error| (ops.len() - 1, error))?;
        }
        if !lane.regions.is_sorted_by_key(|region| region.at) {
            Arc::make_mut(lane).regions.sort_by_key(|region| region.at);
        }
    }
    Ok(touched)
}

fn apply_one(song: &mut Song, op: &Op, hints: &mut Hints) -> Result<(), OpError> {
    match op {
        Op::SetLoop { from, to } => {
            expect_value(song.loop_span == *from, "loop")?;
            song.loop_span = *to;
            Ok(())
        }
        Op::SetWords { from, to } => {
            expect_value(song.words == *from, "words")?;
            song.words.clone_from(to);
            Ok(())
        }
        Op::MoveLane { lane, from, to } => move_lane(song, *lane, *from, *to),
        Op::SetLane { lane, from, to } => set_lane(lane_mut(song, *lane, hints)?, from, to),
        Op::SetTone { lane, from, to } => {
            let lane = lane_mut(song, *lane, hints)?;
            expect_value(lane.tone == *from, "tone")?;
            lane.tone.clone_from(to);
            Ok(())
        }
        Op::Split { lane, region, at, new } => {
            split(lane_mut(song, *lane, hints)?, *region, *at, *new, hints)
        }
        Op::Merge { lane, region, at, new } => {
            merge(lane_mut(song, *lane, hints)?, *region, *at, *new, hints)
        }
        Op::Insert { lane, region } => insert(lane_mut(song, *lane, hints)?, region, hints),
        Op::Remove { lane, region } => {
            let target = lane_mut(song, *lane, hints)?;
            let index = find(target, region.id, hints)?;
            if target.regions[index] != *region {
                return Err(OpError::Stale(*lane, region.id, "state"));
            }
            target.regions.remove(index);
            Ok(())
        }
        Op::Move { lane, region, from, to } => {
            let region = region_mut(song, *lane, *region, hints)?;
            replace(*lane, region.id, "position", &mut region.at, from, to)
        }
        Op::SetFade { lane, region, side, from, to } => {
            let region = region_mut(song, *lane, *region, hints)?;
            replace(*lane, region.id, "fade", region.fade_mut(*side), from, to)
        }
        Op::SetGain { lane, region, from, to } => {
            let region = region_mut(song, *lane, *region, hints)?;
            replace(*lane, region.id, "gain", &mut region.gain_db, from, to)
        }
        Op::SetHighpass { lane, region, from, to } => {
            let region = region_mut(song, *lane, *region, hints)?;
            replace(*lane, region.id, "high-pass", &mut region.highpass_hz, from, to)
        }
        Op::SetEdges { lane, region, from, to } => {
            let region = region_mut(song, *lane, *region, hints)?;
            let mut edges: Edges = region.edges();
            replace(*lane, region.id, "edges", &mut edges, from, to)?;
            region.set_edges(edges);
            Ok(())
        }
    }
}

fn no_id_twice(lane: &Lane) -> Result<(), OpError> {
    let mut seen = std::collections::HashSet::with_capacity(lane.regions.len());
    match lane.regions.iter().find(|region| !seen.insert(region.id)) {
        Some(region) => Err(OpError::Exists(lane.id, region.id)),
        None => Ok(()),
    }
}

fn expect_value(holds: bool, what: &'static str) -> Result<(), OpError> {
    if holds { Ok(()) } else { Err(OpError::StaleValue(what)) }
}

fn replace<T: PartialEq + Clone>(
    lane: LaneId,
    region: RegionId,
    what: &'static str,
    slot: &mut T,
    from: &T,
    to: &T,
) -> Result<(), OpError> {
    if slot != from {
        return Err(OpError::Stale(lane, region, what));
    }
    *slot = to.clone();
    Ok(())
}

fn lane_mut<'a>(song: &'a mut Song, id: LaneId, hints: &mut Hints) -> Result<&'a mut Lane, OpError> {
    if song.lanes.get(hints.lane).is_none_or(|lane| lane.id != id) {
        hints.lane = song.lanes.iter().position(|lane| lane.id == id).ok_or(OpError::NoLane(id))?;
        hints.region = 0;
    }
    Ok(Arc::make_mut(&mut song.lanes[hints.lane]))
}

fn find(lane: &Lane, region: RegionId, hints: &mut Hints) -> Result<usize, OpError> {
    let index = lane.index_of(region, hints.region).ok_or(OpError::NoRegion(lane.id, region))?;
    hints.region = index;
    Ok(index)
}

fn region_mut<'a>(
    song: &'a mut Song,
    lane: LaneId,
    region: RegionId,
    hints: &mut Hints,
) -> Result<&'a mut Region, OpError> {
    let lane = lane_mut(song, lane, hints)?;
    let index = find(lane, region, hints)?;
    Ok(Arc::make_mut(&mut lane.regions[index]))
}

fn split(
    lane: &mut Lane,
    region: RegionId,
    at: Position,
    new: RegionId,
    hints: &mut Hints,
) -> Result<(), OpError> {
    let index = find(lane, region, hints)?;
    if hints.check_each_id && lane.index_of(new, index).is_some() {
        return Err(OpError::Exists(lane.id, new));
    }
    let whole = &lane.regions[index];
    let before = at.since(whole.at);
    let after = whole.end().since(at);
    let cuts_fade = before < whole.fade_in.length || after < whole.fade_out.length;
    if before == Length::ZERO || after == Length::ZERO || cuts_fade {
        return Err(OpError::NoCut(lane.id, region, at));
    }
    let later = Region {
        id: new,
        source_in: whole.source_in.saturating_add(before.0),
        length: after,
        at,
        fade_in: Fade::NONE,
        ..Region::clone(whole)
    };
    let earlier = Arc::make_mut(&mut lane.regions[index]);
    earlier.length = before;
    earlier.fade_out = Fade::NONE;
    lane.regions.insert(index + 1, Arc::new(later));
    Ok(())
}

fn merge(
    lane: &mut Lane,
    region: RegionId,
    at: Position,
    new: RegionId,
    hints: &mut Hints,
) -> Result<(), OpError> {
    let index = find(lane, region, hints)?;
    let later_index = lane.index_of(new, index).ok_or(OpError::NoRegion(lane.id, new))?;
    let (earlier, later) = (&lane.regions[index], &lane.regions[later_index]);
    let plain = earlier.fade_out == Fade::NONE && later.fade_in == Fade::NONE;
    if !plain || !earlier.sounds_like(later) || later.at != at || !earlier.flows_into(later) {
        return Err(OpError::NoMerge(lane.id, region, new));
    }
    let (length, fade_out) = (earlier.length + later.length, later.fade_out);
    let whole = Arc::make_mut(&mut lane.regions[index]);
    whole.length = length;
    whole.fade_out = fade_out;
    lane.regions.remove(later_index);
    Ok(())
}

fn insert(lane: &mut Lane, region: &Arc<Region>, hints: &mut Hints) -> Result<(), OpError> {
    if hints.check_each_id && lane.index_of(region.id, 0).is_some() {
        return Err(OpError::Exists(lane.id, region.id));
    }
    let index = lane.regions.partition_point(|other| other.at <= region.at);
    lane.regions.insert(index, Arc::clone(region));
    hints.region = index;
    Ok(())
}

fn move_lane(song: &mut Song, id: LaneId, from: usize, to: usize) -> Result<(), OpError> {
    let here = song.lanes.iter().position(|lane| lane.id == id).ok_or(OpError::NoLane(id))?;
    expect_value(here == from && to < song.lanes.len(), "row")?;
    let lane = song.lanes.remove(from);
    song.lanes.insert(to, lane);
    Ok(())
}

fn set_lane(lane: &mut Lane, from: &LaneValue, to: &LaneValue) -> Result<(), OpError> {
    fn swap<T: PartialEq + Clone>(slot: &mut T, from: &T, to: &T, what: &'static str) -> Result<(), OpError> {
        expect_value(slot == from, what)?;
        *slot = to.clone();
        Ok(())
    }
    match (from, to) {
        (LaneValue::Name(from), LaneValue::Name(to)) => swap(&mut lane.name, from, to, "name"),
        (LaneValue::Role(from), LaneValue::Role(to)) => swap(&mut lane.role, from, to, "role"),
        (LaneValue::GainDb(from), LaneValue::GainDb(to)) => swap(&mut lane.gain_db, from, to, "gain"),
        (LaneValue::Pan(from), LaneValue::Pan(to)) => swap(&mut lane.pan, from, to, "pan"),
        (LaneValue::Polarity(from), LaneValue::Polarity(to)) => {
            swap(&mut lane.polarity, from, to, "polarity")
        }
        (LaneValue::Mute(from), LaneValue::Mute(to)) => swap(&mut lane.mute, from, to, "mute"),
        (LaneValue::Solo(from), LaneValue::Solo(to)) => swap(&mut lane.solo, from, to, "solo"),
        (LaneValue::Notes(from), LaneValue::Notes(to)) => swap(&mut lane.notes, from, to, "notes"),
        (LaneValue::Holds(from), LaneValue::Holds(to)) => swap(&mut lane.holds, from, to, "held offsets"),
        _ => Err(OpError::StaleValue("kind of value")),
    }
}
