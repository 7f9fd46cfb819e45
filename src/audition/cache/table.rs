//! The callback's table of blocks. Realtime-safe after [`BlockTable::new`]: looking a sample up is a search among the
//! takes and two steps into arrays; taking in a block is a move of its pointer.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use ringbuf::{HeapCons, HeapProd};

use super::{BLOCK, Block, BlockName, Delivery, TakeInfo};
use crate::audition::ends::{Pull, Push, give_back};
use crate::audition::source::Source;
use crate::audition::wire::Board;
use crate::mix::Samples;
use crate::song::AssetId;

/// Deliveries taken in at one callback, each a few dozen nanoseconds.
const MOST_DELIVERIES: usize = 256;

/// Blocks of all takes that are at hand.
pub struct BlockTable {
    takes: Vec<Slots>,
    deliveries: HeapCons<Delivery>,
    returns: HeapProd<(BlockName, Box<Block>)>,
    board: Option<Arc<Board>>,
    missing: u64,
}

pub(super) struct Slots {
    info: TakeInfo,
    blocks: Vec<Option<Box<Block>>>,
}

impl BlockTable {
    /// An empty table. `infos` are sorted by asset.
    pub(super) fn new(
        infos: &[TakeInfo],
        deliveries: HeapCons<Delivery>,
        returns: HeapProd<(BlockName, Box<Block>)>,
    ) -> BlockTable {
        BlockTable {
            takes: infos.iter().copied().map(Slots::new).collect(),
            deliveries,
            returns,
            board: None,
            missing: 0,
        }
    }

    /// Counts missing frames on the engine's board from now on.
    pub fn count_on(&mut self, board: Arc<Board>) {
        self.board = Some(board);
    }

    fn find(&self, asset: AssetId) -> Option<&Slots> {
        let index = self.takes.binary_search_by_key(&asset, |slots| slots.info.asset).ok()?;
        self.takes.get(index)
    }

    /// Frames that were asked for and not at hand, so far.
    #[must_use]
    pub fn missing(&self) -> u64 {
        self.missing
    }
}

/// Puts the blocks that have arrived into their places and gives those back that had to make room.
pub(super) fn take_in(
    takes: &mut [Slots],
    deliveries: &mut impl Pull<Delivery>,
    returns: &mut impl Push<(BlockName, Box<Block>)>,
) {
    for _ in 0..MOST_DELIVERIES {
        // Nothing is taken that could not be given back.
        if returns.room() == 0 {
            return;
        }
        let old = match deliveries.pull() {
            None => return,
            Some(Delivery::Evict(name)) => {
                slot(takes, name).and_then(Option::take).map(|block| (name, block))
            }
            Some(Delivery::Install(name, block)) => match slot(takes, name) {
                Some(slot) => slot.replace(block).map(|old| (name, old)),
                None => Some((name, block)),
            },
        };
        if let Some(old) = old {
            give_back(returns, old);
        }
    }
}

fn slot(takes: &mut [Slots], name: BlockName) -> Option<&mut Option<Box<Block>>> {
    takes.get_mut(name.take as usize)?.blocks.get_mut(name.number as usize)
}

impl Slots {
    pub(super) fn new(info: TakeInfo) -> Slots {
        Slots { info, blocks: (0..info.blocks()).map(|_| None).collect() }
    }

    /// The block at hand with a number.
    #[cfg(test)]
    pub(super) fn block(&self, number: usize) -> Option<&Block> {
        self.blocks.get(number)?.as_deref()
    }

    fn copy(&self, channel: u16, from: u64, out: &mut [f32]) -> u64 {
        let mut missing = 0;
        let mut done = 0;
        while done < out.len() {
            let at = from.saturating_add(done as u64);
            let (number, inside) = (at / BLOCK as u64, (at % BLOCK as u64) as usize);
            let frames = (BLOCK - inside).min(out.len() - done);
            let part = &mut out[done..done + frames];
            done += frames;
            let left = usize::try_from(self.info.frames.saturating_sub(at)).unwrap_or(usize::MAX);
            let slot = usize::try_from(number).ok().and_then(|number| self.blocks.get(number));
            match slot {
                // Behind the end of the take there is silence, which nobody misses.
                None => part.fill(0.0),
                Some(Some(block)) => {
                    if block.damaged {
                        missing += frames.min(left) as u64;
                    }
                    match block.channels.get(usize::from(channel)) {
                        Some(samples) => part.copy_from_slice(&samples[inside..inside + frames]),
                        None => part.fill(0.0),
                    }
                }
                Some(None) => {
                    part.fill(0.0);
                    missing += frames.min(left) as u64;
                }
            }
        }
        missing
    }
}

impl Samples for BlockTable {
    fn fill(&mut self, asset: AssetId, channel: u16, from: u64, out: &mut [f32]) {
        let missing = match self.find(asset) {
            Some(slots) => slots.copy(channel, from, out),
            None => {
                out.fill(0.0);
                out.len() as u64
            }
        };
        if missing > 0 {
            self.missing += missing;
            if let Some(board) = &self.board {
                board.missing.fetch_add(missing, Ordering::Relaxed);
            }
        }
    }
}

impl Source for BlockTable {
    fn begin(&mut self) {
        take_in(&mut self.takes, &mut self.deliveries, &mut self.returns);
    }

    fn has(&self, asset: AssetId, from: u64, frames: u64) -> bool {
        // An asset that the session does not know will never come: no use waiting for it.
        let Some(slots) = self.find(asset) else { return true };
        let end = from.saturating_add(frames).min(slots.info.frames);
        if from >= end {
            return true;
        }
        let range = (from / BLOCK as u64) as usize..((end - 1) / BLOCK as u64) as usize + 1;
        slots.blocks.get(range).is_none_or(|blocks| blocks.iter().all(Option::is_some))
    }
}
