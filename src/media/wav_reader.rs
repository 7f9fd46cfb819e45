//! Random access to the samples of a WAV file.

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use super::coding::decode;
use super::info::AudioInfo;
use super::riff::{Layout, layout};
use super::{MediaError, sniff};

/// Bytes read at a time: large enough to hide the call, small enough for 128 open lanes.
const BLOCK: usize = 64 * 1024;

/// Reads any stretch of a WAV, RF64 or BW64 file as planar `f32`. Memory is one block, whatever the length.
///
/// Not realtime-safe: it reads the disk.
#[derive(Debug)]
pub struct WavReader {
    file: File,
    path: PathBuf,
    layout: Layout,
    frame_bytes: usize,
    block: Vec<u8>,
    nonfinite: u64,
}

impl WavReader {
    /// Opens `path` and reads its header.
    ///
    /// # Errors
    /// The file is missing, unreadable, not WAV, damaged beyond reading, or of a kind that is not taken (more than two
    /// channels, compressed samples, a rate out of range).
    pub fn open(path: &Path) -> Result<WavReader, MediaError> {
        let file = sniff::open(path)?;
        sniff::expect_wave(&file, path)?;
        let layout = layout(&file, path)?;
        let bytes = layout.info.sample.bytes().unwrap_or(1) * layout.info.channels;
        let frame_bytes = usize::from(bytes);
        let block = vec![0; BLOCK / frame_bytes * frame_bytes];
        Ok(WavReader { file, path: path.to_path_buf(), layout, frame_bytes, block, nonfinite: 0 })
    }

    /// What the header says, corrected by what is there.
    #[must_use]
    pub fn info(&self) -> &AudioInfo {
        &self.layout.info
    }

    /// The file that is read.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Samples delivered so far that were NaN, infinite or too large for `f32`, and came out as 0.
    #[must_use]
    pub fn nonfinite(&self) -> u64 {
        self.nonfinite
    }

    /// Reads frames from `from_frame` on into `out`: one slice per channel, all of one length (of unequal slices
    /// the shortest counts). Integers come as int / 2^(bits-1). What lies beyond the end is filled with
    /// zeros. Returns how many frames came from the file. Does not allocate.
    ///
    /// # Errors
    /// The number of slices is not the number of channels, the disk fails, or the file has become shorter.
    pub fn read(&mut self, from_frame: u64, out: &mut [&mut [f32]]) -> Result<usize, MediaError> {
        let WavReader { file, path, layout, frame_bytes, block, nonfinite } = self;
        if out.len() != usize::from(layout.info.channels) {
            let why = format!("it has {} channels, not the {} asked for", layout.info.channels, out.len());
            return Err(MediaError::unsupported(path, why, "report this as a fault of the program"));
        }
        let wanted = out.iter().map(|plane| plane.len()).min().unwrap_or(0);
        let there = layout.info.frames.saturating_sub(from_frame).min(wanted as u64) as usize;
        let block_frames = block.len() / *frame_bytes;
        let mut done = 0;
        while done < there {
            let frames = (there - done).min(block_frames);
            let bytes = &mut block[..frames * *frame_bytes];
            let at = layout.data_start + (from_frame + done as u64) * *frame_bytes as u64;
            file.read_exact_at(bytes, at).map_err(|e| shrunk(path, e))?;
            *nonfinite += decode_into(layout, bytes, out, done, frames);
            done += frames;
        }
        out.iter_mut().for_each(|plane| plane[there..].fill(0.0));
        Ok(there)
    }

    /// Reads the whole file once, in order: every byte goes to `bytes`, every frame to `frames`.
    /// `bytes`, which also hears how far the reading has come, may return false to stop.
    pub(crate) fn sweep(
        &mut self,
        mut bytes: impl FnMut(&[u8], u64) -> bool,
        mut frames: impl FnMut(&[&[f32]]),
    ) -> Result<(), MediaError> {
        let WavReader { file, path, layout, block, nonfinite, .. } = self;
        let block_frames = block.len() / self.frame_bytes;
        let mut planes = vec![vec![0.0f32; block_frames]; usize::from(layout.info.channels)];
        let mut at = 0;
        // Blocks end where the samples begin and end, so that each holds whole frames or none.
        let borders = [layout.data_start, layout.data_end, layout.info.bytes];
        for (index, border) in borders.into_iter().enumerate() {
            while at < border {
                let length = (border - at).min(block.len() as u64) as usize;
                let piece = &mut block[..length];
                file.read_exact_at(piece, at).map_err(|e| shrunk(path, e))?;
                at += length as u64;
                if index == 1 {
                    let here = length / self.frame_bytes;
                    let mut slices: Vec<&mut [f32]> =
                        planes.iter_mut().map(|plane| &mut plane[..here]).collect();
                    *nonfinite += decode(layout.info.sample, piece, &mut slices);
                    let slices: Vec<&[f32]> = planes.iter().map(|plane| &plane[..here]).collect();
                    frames(&slices);
                }
                if !bytes(piece, at) {
                    return Err(MediaError::cancelled(path));
                }
            }
        }
        Ok(())
    }
}

fn decode_into(layout: &Layout, bytes: &[u8], out: &mut [&mut [f32]], at: usize, frames: usize) -> u64 {
    match out {
        [mono] => decode(layout.info.sample, bytes, &mut [&mut mono[at..at + frames]]),
        [left, right] => {
            decode(layout.info.sample, bytes, &mut [&mut left[at..at + frames], &mut right[at..at + frames]])
        }
        _ => 0,
    }
}

fn shrunk(path: &Path, error: io::Error) -> MediaError {
    match error.kind() {
        io::ErrorKind::UnexpectedEof => {
            MediaError::damaged(path, "it has become shorter while it was in use")
        }
        _ => MediaError::reading(path, error),
    }
}
