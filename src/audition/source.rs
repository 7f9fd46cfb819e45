//! Where the callback gets samples from.

use crate::mix::Samples;
use crate::song::AssetId;

/// Samples that are at hand, or not, without ever waiting for them. Realtime-safe in every method.
pub trait Source: Samples + Send {
    /// Called once at the start of each callback, to take in what has arrived since.
    fn begin(&mut self) {}

    /// True if the frames `from..from + frames` of `asset` are at hand. Frames that do not exist are.
    fn has(&self, asset: AssetId, from: u64, frames: u64) -> bool {
        let _ = (asset, from, frames);
        true
    }
}
