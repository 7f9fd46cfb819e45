//! Which blocks are worth their place, in order.

use std::collections::HashSet;
use std::sync::Arc;

use super::{BLOCK, BlockName, TakeInfo};
use crate::mix::Plan;
use crate::song::{LaneId, Length, Position, Span};

/// What the reader is asked to keep at hand.
#[derive(Debug, Clone, Default)]
pub(super) struct Needs {
    /// What is heard, and what may be heard at the next key: the first is the most important.
    pub(super) plans: Vec<(Arc<Plan>, HashSet<LaneId>)>,
    /// The play head first, then where it may go next.
    pub(super) places: Vec<Position>,
    pub(super) looped: Option<Span>,
    pub(super) rate: u32,
    /// Frames before the start of a loop that its seam needs.
    pub(super) seam: u64,
    /// Frames before any place that processors need.
    pub(super) preroll: u64,
}

/// The blocks in order of their worth, at most `most`: what is needed soon by what is heard; the same of every other lane,
/// so that a solo has no gap; the loop; what comes later; the rest of the song.
pub(super) fn wanted(needs: &Needs, takes: &[TakeInfo], most: usize) -> Vec<BlockName> {
    let mut list = List {
        takes,
        seen: takes.iter().map(|take| vec![false; take.blocks() as usize]).collect(),
        found: Vec::new(),
        most,
    };
    let second = Length(u64::from(needs.rate));
    let after = |at: Position, length: Length| Span { start: at - Length(needs.preroll), end: at + length };
    let before_loop = Length(needs.seam.max(needs.preroll));
    let places = || needs.places.iter().copied();
    for place in places() {
        list.add(needs, after(place, second), true);
    }
    if let Some(span) = needs.looped {
        list.add(needs, Span { start: span.start - before_loop, end: span.start + second }, true);
    }
    for place in places() {
        list.add(needs, after(place, second), false);
    }
    if let Some(span) = needs.looped {
        list.add(needs, Span { start: span.start - before_loop, end: span.end }, true);
        list.add(needs, Span { start: span.start - before_loop, end: span.end }, false);
    }
    for place in places().take(1) {
        list.add(needs, after(place, Length(second.0 * 10)), true);
        list.add(needs, after(place, Length(second.0 * 10)), false);
        list.add(needs, Span { start: place, end: Position(i64::MAX) }, false);
    }
    list.add(needs, Span { start: Position(i64::MIN), end: Position(i64::MAX) }, false);
    list.found
}

struct List<'a> {
    takes: &'a [TakeInfo],
    seen: Vec<Vec<bool>>,
    found: Vec<BlockName>,
    most: usize,
}

impl List<'_> {
    /// Adds the blocks of a span of the timeline, second by second through all lanes, so that all come equally far.
    fn add(&mut self, needs: &Needs, span: Span, only_heard: bool) {
        for (plan, heard) in &needs.plans {
            let Some(extent) = plan.extent() else { continue };
            let (mut at, end) = (span.start.max(extent.start), span.end.min(extent.end));
            while at < end && self.found.len() < self.most {
                let next = (at + Length(BLOCK as u64)).min(end);
                for lane in plan.lanes().iter().filter(|lane| !only_heard || heard.contains(&lane.id)) {
                    let first = lane.segments.partition_point(|segment| segment.end <= at);
                    for segment in lane.segments.iter().skip(first).take_while(|segment| segment.at < next) {
                        let (from, to) = segment.frames(at.max(segment.at), next.min(segment.end));
                        self.take(segment.asset, from, to);
                    }
                }
                at = next;
            }
        }
    }

    fn take(&mut self, asset: crate::song::AssetId, from: u64, to: u64) {
        let Ok(index) = self.takes.binary_search_by_key(&asset, |take| take.asset) else { return };
        let Some(seen) = self.seen.get_mut(index) else { return };
        let to = to.min(self.takes.get(index).map_or(0, |take| take.frames));
        if from >= to {
            return;
        }
        for number in from / BLOCK as u64..=(to - 1) / BLOCK as u64 {
            let (Ok(take), Ok(short)) = (u32::try_from(index), u32::try_from(number)) else { return };
            if let Some(seen) = seen.get_mut(short as usize)
                && !*seen
                && self.found.len() < self.most
            {
                *seen = true;
                self.found.push(BlockName { take, number: short });
            }
        }
    }
}
