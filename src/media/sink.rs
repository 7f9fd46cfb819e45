//! What every output file has in common.

use std::fs::{File, Permissions};
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use tempfile::NamedTempFile;

use super::bext::{Bext, BextLoudness};
use super::info::{MAX_CHANNELS, MAX_RATE, MIN_RATE};
use super::{FlacWriter, MediaError, MediaErrorKind, WavWriter};

/// How samples are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum OutputFormat {
    /// WAV, 16-bit integer.
    I16,
    /// WAV, 24-bit integer.
    I24,
    /// WAV, 32-bit integer.
    I32,
    /// WAV, 32-bit float.
    F32,
    /// FLAC, 16 bits.
    Flac16,
    /// FLAC, 24 bits.
    Flac24,
}

impl OutputFormat {
    /// Bits per sample.
    #[must_use]
    pub fn bits(self) -> u16 {
        match self {
            OutputFormat::I16 | OutputFormat::Flac16 => 16,
            OutputFormat::I24 | OutputFormat::Flac24 => 24,
            OutputFormat::I32 | OutputFormat::F32 => 32,
        }
    }

    /// Bytes per sample before any packing.
    #[must_use]
    pub fn bytes(self) -> usize {
        usize::from(self.bits() / 8)
    }

    /// Ending of a file's name, without the dot.
    #[must_use]
    pub fn extension(self) -> &'static str {
        if self.is_flac() { "flac" } else { "wav" }
    }

    /// True for the FLAC formats.
    #[must_use]
    pub fn is_flac(self) -> bool {
        matches!(self, OutputFormat::Flac16 | OutputFormat::Flac24)
    }
}

/// What an output file is to hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WavSpec {
    /// Channels: 1 or 2.
    pub channels: u16,
    /// Sample rate in Hz.
    pub rate: u32,
    /// How samples are written.
    pub format: OutputFormat,
}

/// An output file being written. Nothing stands under its final name before [`finish`](AudioSink::finish);
/// dropped without it, the sink removes what it wrote.
pub trait AudioSink: Send {
    /// Appends frames: one slice per channel, all of one length. Integer formats get round(x·2^(bits-1)), halves to
    /// even, clipped; samples that are not finite become 0. Not realtime-safe.
    ///
    /// # Errors
    /// The slices do not fit the file's channels or each other, or the disk fails
    /// ([`Full`](MediaErrorKind::Full) if it is full).
    fn write(&mut self, planes: &[&[f32]]) -> Result<(), MediaError>;

    /// Says how loud the file is, for formats with a place for that; others let it pass.
    fn set_loudness(&mut self, loudness: BextLoudness) {
        let _ = loudness;
    }

    /// Completes the file and gives it its final name, replacing what stood there. The bytes are handed to the system, which
    /// writes them to the disk in its own time.
    ///
    /// # Errors
    /// The disk fails, or the number of frames is not the one that was announced.
    fn finish(self: Box<Self>) -> Result<(), MediaError>;
}

/// Starts the output file `path` in the format of `spec`.
///
/// # Errors
/// The folder is missing or may not be written to, or `spec` is out of range.
pub fn create_sink(path: &Path, spec: WavSpec) -> Result<Box<dyn AudioSink>, MediaError> {
    create_sink_at(path, spec, None)
}

/// As [`create_sink`]; WAV files also carry `time_reference`, samples since midnight, in a `bext` chunk (EBU Tech
/// 3285). FLAC has no place for it.
///
/// # Errors
/// As [`create_sink`].
pub fn create_sink_at(
    path: &Path,
    spec: WavSpec,
    time_reference: Option<u64>,
) -> Result<Box<dyn AudioSink>, MediaError> {
    create_sink_with(path, spec, time_reference.map(Bext::at))
}

/// As [`create_sink`]; WAV files also carry `bext`.
///
/// # Errors
/// As [`create_sink`].
pub fn create_sink_with(
    path: &Path,
    spec: WavSpec,
    bext: Option<Bext>,
) -> Result<Box<dyn AudioSink>, MediaError> {
    Ok(if spec.format.is_flac() {
        Box::new(FlacWriter::create(path, spec, None)?)
    } else {
        Box::new(WavWriter::create_with(path, spec, None, bext)?)
    })
}

pub(crate) fn check_spec(path: &Path, spec: WavSpec) -> Result<(), MediaError> {
    let refuse = |why: String| MediaError::new(MediaErrorKind::Output, path, why, "choose another format");
    if !(1..=MAX_CHANNELS).contains(&spec.channels) {
        return Err(refuse(format!("{} channels cannot be written, only 1 or 2", spec.channels)));
    }
    if !(MIN_RATE..=MAX_RATE).contains(&spec.rate) {
        return Err(refuse(format!("a rate of {} Hz cannot be written", spec.rate)));
    }
    Ok(())
}

/// Frames in `planes`, or an error if they do not fit `channels` or each other.
pub(crate) fn frames_in(path: &Path, channels: u16, planes: &[&[f32]]) -> Result<usize, MediaError> {
    let frames = planes.first().map_or(0, |plane| plane.len());
    if planes.len() == usize::from(channels) && planes.iter().all(|plane| plane.len() == frames) {
        return Ok(frames);
    }
    let why = format!("{} channels of unequal or wrong number were to be written", planes.len());
    Err(MediaError::new(MediaErrorKind::Output, path, why, "report this as a fault of the program"))
}

/// An error unless `frames` is the announced number.
pub(crate) fn expect_frames(path: &Path, expected: Option<u64>, frames: u64) -> Result<(), MediaError> {
    match expected {
        Some(expected) if expected != frames => Err(MediaError::new(
            MediaErrorKind::Output,
            path,
            format!("{frames} frames were written where {expected} were announced"),
            "report this as a fault of the program",
        )),
        _ => Ok(()),
    }
}

/// A file that is written under another name beside its target and renamed when complete.
#[derive(Debug)]
pub(crate) struct Aside {
    temp: NamedTempFile,
    target: PathBuf,
    /// A write has failed, so that what is there is not whole.
    failed: bool,
}

impl Aside {
    pub(crate) fn create(target: &Path) -> Result<Aside, MediaError> {
        let folder = match target.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        if target.is_dir() {
            return Err(MediaError::new(
                MediaErrorKind::Output,
                target,
                "it is a folder",
                "choose another name",
            ));
        }
        let temp = tempfile::Builder::new()
            .prefix(".tautline-")
            .suffix(".part")
            // Others in the studio read these files; the process's umask still applies.
            .permissions(Permissions::from_mode(0o644))
            .tempfile_in(folder)
            .map_err(|e| MediaError::writing(target, e))?;
        Ok(Aside { temp, target: target.to_path_buf(), failed: false })
    }

    pub(crate) fn target(&self) -> &Path {
        &self.target
    }

    pub(crate) fn file(&self) -> &File {
        self.temp.as_file()
    }

    /// Turns the failure of a write into an error and remembers it: even if the caller goes on, the file never gets its
    /// final name.
    pub(crate) fn fail(&mut self, error: io::Error) -> MediaError {
        self.failed = true;
        MediaError::writing(&self.target, error)
    }

    /// Waits until the bytes are on the disk.
    pub(crate) fn sync(&self) -> Result<(), MediaError> {
        self.file().sync_all().map_err(|e| MediaError::writing(&self.target, e))
    }

    /// Gives the file its final name.
    pub(crate) fn rename(self) -> Result<(), MediaError> {
        let Aside { temp, target, failed } = self;
        if failed {
            let why = "an earlier part of it could not be written";
            return Err(MediaError::new(
                MediaErrorKind::Output,
                &target,
                why,
                "make room and write it again",
            ));
        }
        temp.persist(&target).map(drop).map_err(|e| MediaError::writing(&target, e.error))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_with_a_failed_write_never_gets_its_name() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("x.wav");
        let mut aside = Aside::create(&target).unwrap();
        assert_eq!(aside.fail(io::ErrorKind::StorageFull.into()).kind(), MediaErrorKind::Full);
        assert_eq!(aside.rename().unwrap_err().kind(), MediaErrorKind::Output);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    }
}
