//! Working copies: every recording as plain WAV at the session's rate.

use std::path::{Path, PathBuf};

use super::decode::Decoder;
use super::hash::hash_with;
use super::info::{AudioInfo, Container, SampleKind, conformed_frames};
use super::resample::Resampler;
use super::riff::{check_channels, check_rate};
use super::sink::{OutputFormat, WavSpec};
use super::{MediaError, MediaErrorKind, Progress, Silent, WavReader, WavWriter};

/// Frames read from a WAV file at a time.
const BLOCK: usize = 16_384;

/// Gives a WAV file at `session_rate` with the samples of `path`, which stays untouched.
///
/// WAV and RF64 at that rate are their own working copies. Anything else becomes a 32-bit float WAV called
/// `cache_dir/<blake3>-<session_rate>.wav`; one that is there and whole is used again. Integer samples of up to 24 bits at
/// the session's rate come out exactly. Other rates are resampled, without delay, to exactly
/// [`conformed_frames`] frames. `blake3` is the file's hash as [`hash_file`](super::hash_file) gives it, `info` what
/// [`probe`](super::probe) or [`inspect`](super::inspect) said. `progress` counts frames. Memory does not depend on the
/// length. Not realtime-safe.
///
/// # Errors
/// The recording cannot be read, is not the one that was hashed, the copy cannot be written, or `progress` said stop; no
/// partial copy is left.
pub fn working_copy(
    path: &Path,
    blake3: &str,
    info: &AudioInfo,
    session_rate: u32,
    cache_dir: &Path,
    progress: &dyn Progress,
) -> Result<PathBuf, MediaError> {
    let is_wave = matches!(info.container, Container::Wav | Container::Rf64);
    if is_wave && info.rate == session_rate {
        return Ok(path.to_path_buf());
    }
    // The description may come from a session file, which is as hostile as any other.
    check_rate(session_rate, path)?;
    check_rate(info.rate, path)?;
    check_channels(info.channels, path)?;
    check_hash(path, blake3)?;
    let copy = cache_dir.join(format!("{blake3}-{session_rate}.wav"));
    let frames = conformed_frames(info.frames, info.rate, session_rate);
    if frames == 0 {
        return Err(MediaError::damaged(path, "it is shorter than one sample at the session's rate"));
    }
    if is_whole(&copy, session_rate, info.channels, frames) {
        return Ok(copy);
    }
    std::fs::create_dir_all(cache_dir).map_err(|e| MediaError::writing(cache_dir, e))?;
    let spec = WavSpec { channels: info.channels, rate: session_rate, format: OutputFormat::F32 };
    let mut maker = Maker {
        writer: WavWriter::create(&copy, spec, Some(frames))?,
        resampler: Resampler::new(path, info.rate, session_rate, usize::from(info.channels), info.frames)?,
        path,
        rate: info.rate,
        done: 0,
        total: info.frames,
        progress,
    };
    if is_wave {
        maker.copy_wave()?
    } else {
        maker.copy_decoded()?
    }
    maker.resampler.finish(&mut |planes| maker.writer.write(planes))?;
    // The name of the copy says which bytes it came from, so they must still be those.
    if hash_with(path, &Silent)? != blake3 {
        return Err(changed(path));
    }
    maker.writer.finish_synced()?;
    Ok(copy)
}

/// The hash becomes part of a file name and may come from a hostile session file.
fn check_hash(path: &Path, blake3: &str) -> Result<(), MediaError> {
    if blake3.len() == 64 && blake3.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f')) {
        return Ok(());
    }
    Err(MediaError::new(
        MediaErrorKind::Damaged,
        path,
        "its content hash is not 64 hexadecimal digits",
        "take the recording in again",
    ))
}

/// True if `copy` is a cached copy that can be used as it is.
fn is_whole(copy: &Path, rate: u32, channels: u16, frames: u64) -> bool {
    WavReader::open(copy).is_ok_and(|reader| {
        let info = reader.info();
        info.sample == SampleKind::F32
            && (info.rate, info.channels, info.frames) == (rate, channels, frames)
            && info.warnings.is_empty()
    })
}

fn changed(path: &Path) -> MediaError {
    MediaError::damaged(path, "it is not the recording that was taken in: it has changed since then")
}

struct Maker<'a> {
    writer: WavWriter,
    resampler: Resampler,
    path: &'a Path,
    rate: u32,
    done: u64,
    total: u64,
    progress: &'a dyn Progress,
}

impl Maker<'_> {
    fn copy_wave(&mut self) -> Result<(), MediaError> {
        let mut reader = WavReader::open(self.path)?;
        let channels = self.writer.channels();
        if (reader.info().rate, reader.info().channels) != (self.rate, channels) {
            return Err(changed(self.path));
        }
        let mut planes = vec![vec![0.0; BLOCK]; usize::from(channels)];
        while self.done < self.total {
            let frames = (self.total - self.done).min(BLOCK as u64) as usize;
            let mut slices: Vec<&mut [f32]> = planes.iter_mut().map(|plane| &mut plane[..frames]).collect();
            if reader.read(self.done, &mut slices)? < frames {
                return Err(changed(self.path));
            }
            let slices: Vec<&[f32]> = planes.iter().map(|plane| &plane[..frames]).collect();
            self.take(&slices)?;
        }
        Ok(())
    }

    fn copy_decoded(&mut self) -> Result<(), MediaError> {
        let mut decoder = Decoder::open(self.path)?;
        if (decoder.rate(), decoder.channels()) != (self.rate, self.writer.channels()) {
            return Err(changed(self.path));
        }
        while let Some(planes) = decoder.next()? {
            let slices: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
            self.take(&slices)?;
        }
        if self.done != self.total { Err(changed(self.path)) } else { Ok(()) }
    }

    fn take(&mut self, planes: &[&[f32]]) -> Result<(), MediaError> {
        let Maker { writer, resampler, .. } = self;
        resampler.push(planes, &mut |out| writer.write(out))?;
        self.done += planes.first().map_or(0, |plane| plane.len()) as u64;
        if self.done > self.total {
            return Err(changed(self.path));
        }
        if self.progress.advance(self.done, self.total) {
            Ok(())
        } else {
            Err(MediaError::cancelled(self.path))
        }
    }
}
