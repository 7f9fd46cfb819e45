//! Lanes through their tone, groups of lanes side by side.

use rayon::prelude::*;

use super::bounce::Signal;
use crate::mix::ToneGroup;
use crate::song::Position;
use crate::sound::bank::Blocks;

/// Sends the signals of a chunk, one for each row of the plan, through the processors of their lanes.
pub(super) fn apply(groups: &mut [ToneGroup], signals: &mut [Signal], at: Position, frames: usize) {
    if groups.is_empty() {
        return;
    }
    // Each signal belongs to one group at most: they are dealt out.
    let mut signals: Vec<Option<&mut Signal>> = signals.iter_mut().map(Some).collect();
    let mut deal = |group: &ToneGroup| -> Vec<(usize, &mut Signal)> {
        group.rows().into_iter().filter_map(|row| Some((row, signals.get_mut(row)?.take()?))).collect()
    };
    let hands: Vec<_> = groups.iter_mut().map(|group| (deal(group), group)).collect();
    hands.into_par_iter().for_each(|(signals, group)| {
        group.process(at.0, frames, &mut Hand { signals, frames });
    });
}

/// The signals of one group by their rows.
struct Hand<'a> {
    signals: Vec<(usize, &'a mut Signal)>,
    frames: usize,
}

impl Blocks for Hand<'_> {
    fn block(&mut self, row: usize, channel: usize) -> &mut [f32] {
        let signal = self.signals.iter_mut().find(|(own, _)| *own == row);
        let block = signal.and_then(|(_, signal)| signal.block.get_mut(channel));
        block.and_then(|block| block.get_mut(..self.frames)).unwrap_or_default()
    }
}
