//! Lanes through their tone: those that share processors are rendered, processed and written one after the other while
//! their samples are still near, the others each for itself.

use std::ops::Range;

use super::BounceError;
use super::lane_writer::{LaneWriter, Signal};
use super::outlet::PIECE;
use crate::mix::ToneGroup;
use crate::song::{Length, Position};
use crate::sound::bank::Blocks;

/// A lane of a [`Hand`].
pub(super) struct Dealt<'a> {
    row: usize,
    pub(super) writer: &'a mut LaneWriter,
    pub(super) signal: &'a mut Signal,
}

/// The lanes of one group, or one lane without processors.
pub(super) struct Hand<'a> {
    group: Option<&'a mut ToneGroup>,
    pub(super) lanes: Vec<Dealt<'a>>,
}

/// Deals all lanes out, those with processors first since they take longest. `writers` and `signals` are in rows of the plan.
pub(super) fn deal<'a>(
    groups: &'a mut [ToneGroup],
    writers: &'a mut [LaneWriter],
    signals: &'a mut [Signal],
) -> Vec<Hand<'a>> {
    let pairs = writers.iter_mut().zip(signals).enumerate();
    let mut lanes: Vec<Option<Dealt>> =
        pairs.map(|(row, (writer, signal))| Some(Dealt { row, writer, signal })).collect();
    let mut hands = Vec::new();
    for group in groups {
        let own = group.rows().into_iter().filter_map(|row| lanes.get_mut(row)?.take()).collect();
        hands.push(Hand { group: Some(group), lanes: own });
    }
    hands.extend(lanes.into_iter().flatten().map(|lane| Hand { group: None, lanes: vec![lane] }));
    hands
}

impl Hand<'_> {
    /// True if its lanes have processors.
    pub(super) fn processes(&self) -> bool {
        self.group.is_some()
    }

    /// Sends a part of the lanes' blocks, whose first frame lies at `at`, through their processors.
    pub(super) fn process(&mut self, at: Position, part: Range<usize>) {
        if let Some(group) = &mut self.group {
            group.process(at.0, part.len(), &mut Signals { lanes: &mut self.lanes, part });
        }
    }

    /// Renders, processes and writes `frames` frames of its lanes, piece by piece: those of eight lanes too stay in a core's own
    /// cache meanwhile.
    pub(super) fn step(&mut self, at: Position, frames: usize) -> Result<(), BounceError> {
        for first in (0..frames).step_by(PIECE) {
            let part = first..frames.min(first + PIECE);
            let at = at + Length(first as u64);
            for lane in &mut self.lanes {
                lane.writer.render(lane.signal, at, part.clone())?;
            }
            self.process(at, part.clone());
            for lane in &mut self.lanes {
                lane.writer.write(lane.signal, part.clone())?;
            }
        }
        Ok(())
    }
}

/// The signals of a hand by their rows.
struct Signals<'a, 'b> {
    lanes: &'a mut [Dealt<'b>],
    part: Range<usize>,
}

impl Blocks for Signals<'_, '_> {
    fn block(&mut self, row: usize, channel: usize) -> &mut [f32] {
        let lane = self.lanes.iter_mut().find(|lane| lane.row == row);
        let block = lane.and_then(|lane| lane.signal.block.get_mut(channel));
        block.and_then(|block| block.get_mut(self.part.clone())).unwrap_or_default()
    }
}
