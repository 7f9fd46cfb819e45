//! Samples for the kernel straight from working copies on disk.

use crate::media::{MediaError, WavReader};
use crate::mix::Samples;
use crate::song::AssetId;

/// Reads what the kernel asks for from the files of one lane. Every lane has its own, so that lanes are
/// rendered side by side without waiting for each other. Not realtime-safe.
#[derive(Debug, Default)]
pub struct FileSamples {
    open: Vec<(AssetId, WavReader)>,
    /// The last stretch that was read of a stereo file, since the kernel asks for one channel after the other.
    last: Option<(AssetId, u64)>,
    left: Vec<f32>,
    right: Vec<f32>,
    failure: Option<MediaError>,
}

impl FileSamples {
    /// Adds a recording.
    pub fn add(&mut self, asset: AssetId, reader: WavReader) {
        self.open.push((asset, reader));
    }

    /// True if `asset` was added.
    pub fn has(&self, asset: AssetId) -> bool {
        self.open.iter().any(|(id, _)| *id == asset)
    }

    /// What went wrong since the last call, if anything: silence stands in its place.
    pub fn take_failure(&mut self) -> Option<MediaError> {
        self.failure.take()
    }

    fn read(&mut self, asset: AssetId, channel: u16, from: u64, out: &mut [f32]) -> Result<(), MediaError> {
        let FileSamples { open, last, left, right, .. } = self;
        let Some((_, reader)) = open.iter_mut().find(|(id, _)| *id == asset) else {
            out.fill(0.0);
            return Ok(());
        };
        if reader.info().channels == 1 {
            return reader.read(from, &mut [out]).map(drop);
        }
        if *last != Some((asset, from)) || left.len() != out.len() {
            *last = None;
            left.resize(out.len(), 0.0);
            right.resize(out.len(), 0.0);
            reader.read(from, &mut [left.as_mut_slice(), right.as_mut_slice()])?;
            *last = Some((asset, from));
        }
        out.copy_from_slice(if channel == 0 { left } else { right });
        Ok(())
    }
}

impl Samples for FileSamples {
    fn fill(&mut self, asset: AssetId, channel: u16, from: u64, out: &mut [f32]) {
        if let Err(error) = self.read(asset, channel, from, out) {
            out.fill(0.0);
            self.failure.get_or_insert(error);
        }
    }
}
