//! The block cache: samples of the takes in memory, within a budget.
//!
//! A [reader thread](Reader) decides which blocks are worth their place, reads them, and sends each whole over a ring;
//! the callback puts it into its [table](BlockTable), where looking a sample up is two steps into arrays. A block that has to
//! give way is asked for over the same ring and comes back over another one; the reader then fills the same memory again. So
//! every block has one owner at any time, nothing is shared, and the callback neither allocates nor frees.
//!
//! The sum of all blocks, wherever they are, never passes the budget.

#[cfg(test)]
mod interleavings;
mod plan;
mod reader;
mod table;

pub use reader::{Reader, ReaderHandle, TakeFile, Wish};
pub use table::BlockTable;

use std::sync::Arc;
use std::sync::atomic::AtomicU64;

use ringbuf::traits::Split;
use ringbuf::{HeapCons, HeapProd, HeapRb};

use super::AuditionError;
use crate::song::AssetId;

/// Frames of a block: short enough that the first sound of a hundred lanes is read in a few dozen milliseconds.
pub(super) const BLOCK: usize = 16_384;
/// Memory for blocks unless told otherwise: 1 GiB.
pub const DEFAULT_BUDGET: u64 = 1 << 30;
/// Deliveries that can wait for the callback.
const DELIVERIES: usize = 512;

/// Which block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct BlockName {
    /// Index of the take in the table.
    pub(super) take: u32,
    /// Number of the block in the take.
    pub(super) number: u32,
}

/// Samples of one block: one or two channels of [`BLOCK`] frames, zeros behind the end of the take.
#[derive(Debug)]
pub(super) struct Block {
    pub(super) channels: Vec<Vec<f32>>,
    /// It could not be read: silence, which counts as missing.
    pub(super) damaged: bool,
}

/// From the reader to the callback.
#[derive(Debug)]
pub(super) enum Delivery {
    Install(BlockName, Box<Block>),
    Evict(BlockName),
}

/// What is known of a take.
#[derive(Debug, Clone, Copy)]
pub(super) struct TakeInfo {
    pub(super) asset: AssetId,
    pub(super) channels: u16,
    pub(super) frames: u64,
}

impl TakeInfo {
    fn blocks(&self) -> u64 {
        self.frames.div_ceil(BLOCK as u64)
    }
}

/// The reader's ends of the rings.
pub(super) struct ReaderEnds {
    pub(super) deliveries: HeapProd<Delivery>,
    pub(super) returns: HeapCons<(BlockName, Box<Block>)>,
}

/// Opens the takes; gives the callback's table and what the reader thread needs. `budget` is in bytes.
///
/// # Errors
/// A take cannot be opened, or is not at `rate` Hz.
pub fn open(files: &[TakeFile], rate: u32, budget: u64) -> Result<(BlockTable, Reader), AuditionError> {
    let mut files: Vec<TakeFile> = files.to_vec();
    files.sort_by_key(|file| file.asset);
    files.dedup_by_key(|file| file.asset);
    let mut infos = Vec::new();
    for file in &files {
        infos.push(reader::inspect(file, rate)?);
    }
    let (delivery_in, delivery_out) = HeapRb::new(DELIVERIES).split();
    // All blocks that can have been asked for, and that were replaced.
    let (return_in, return_out): (HeapProd<(BlockName, Box<Block>)>, _) = HeapRb::new(DELIVERIES * 2).split();
    let damaged = Arc::new(AtomicU64::new(0));
    let table = BlockTable::new(&infos, delivery_out, return_in);
    let ends = ReaderEnds { deliveries: delivery_in, returns: return_out };
    Ok((table, Reader::new(files, infos, ends, budget, damaged)))
}
