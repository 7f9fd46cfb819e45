//! Writes WAV files: the file beside its target, its length, and the [encoder] behind it.

mod encoder;
mod header;

use std::fs::File;
use std::path::Path;

use super::bext::{Bext, BextLoudness};
use super::sink::{Aside, AudioSink, WavSpec, check_spec, expect_frames, frames_in};
use super::{MediaError, MediaErrorKind};
use encoder::WavEncoder;

/// Writes a WAV file; see [`AudioSink`] for what becomes of the samples.
///
/// The file stands under another name beside its target until [`finish`](WavWriter::finish) renames it; dropped
/// before that, it is removed. It grows into RF64 by itself past 4 GiB.
#[derive(Debug)]
pub struct WavWriter {
    // Before `aside`, whose drop removes the file, so that nothing is written after that.
    encoder: WavEncoder<File>,
    aside: Aside,
    expected: Option<u64>,
}

impl WavWriter {
    /// Starts the WAV file `path`. With `expected_frames`, [`finish`](WavWriter::finish) refuses any other length.
    ///
    /// # Errors
    /// The folder is missing or may not be written to, the disk is full, or `spec` is out of range or FLAC.
    pub fn create(path: &Path, spec: WavSpec, expected_frames: Option<u64>) -> Result<WavWriter, MediaError> {
        WavWriter::create_at(path, spec, expected_frames, None)
    }

    /// As [`create`](WavWriter::create), with a `bext` chunk (EBU Tech 3285) that gives the start in samples since
    /// midnight.
    ///
    /// # Errors
    /// As [`create`](WavWriter::create).
    pub fn create_at(
        path: &Path,
        spec: WavSpec,
        expected_frames: Option<u64>,
        time_reference: Option<u64>,
    ) -> Result<WavWriter, MediaError> {
        WavWriter::create_with(path, spec, expected_frames, time_reference.map(Bext::at))
    }

    /// As [`create`](WavWriter::create), with a `bext` chunk.
    ///
    /// # Errors
    /// As [`create`](WavWriter::create).
    pub fn create_with(
        path: &Path,
        spec: WavSpec,
        expected_frames: Option<u64>,
        bext: Option<Bext>,
    ) -> Result<WavWriter, MediaError> {
        check_spec(path, spec)?;
        if spec.format.is_flac() {
            let why = "a WAV file cannot hold FLAC samples";
            return Err(MediaError::new(MediaErrorKind::Output, path, why, "choose another format"));
        }
        let aside = Aside::create(path)?;
        let file = aside.file().try_clone().map_err(|e| MediaError::writing(path, e))?;
        let encoder = WavEncoder::new(file, spec, bext).map_err(|e| MediaError::writing(path, e))?;
        Ok(WavWriter { encoder, aside, expected: expected_frames })
    }

    /// Frames written so far.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.encoder.frames()
    }

    /// Channels of the file.
    #[must_use]
    pub fn channels(&self) -> u16 {
        self.encoder.spec.channels
    }

    /// As [`AudioSink::write`].
    ///
    /// # Errors
    /// As [`AudioSink::write`].
    pub fn write(&mut self, planes: &[&[f32]]) -> Result<(), MediaError> {
        let frames = frames_in(self.aside.target(), self.encoder.spec.channels, planes)?;
        self.encoder.write(planes, frames).map_err(|e| self.aside.fail(e))
    }

    /// As [`AudioSink::finish`].
    ///
    /// # Errors
    /// As [`AudioSink::finish`].
    pub fn finish(self) -> Result<(), MediaError> {
        self.complete()?.rename()
    }

    /// As [`finish`](WavWriter::finish), but waits until the bytes are on the disk before the file gets its name, so that
    /// not even a power cut leaves a file under that name that is not whole.
    ///
    /// # Errors
    /// As [`AudioSink::finish`].
    pub fn finish_synced(self) -> Result<(), MediaError> {
        let aside = self.complete()?;
        aside.sync()?;
        aside.rename()
    }

    fn complete(self) -> Result<Aside, MediaError> {
        let WavWriter { encoder, aside, expected } = self;
        expect_frames(aside.target(), expected, encoder.frames())?;
        encoder.finish().map_err(|e| MediaError::writing(aside.target(), e))?;
        Ok(aside)
    }
}

impl AudioSink for WavWriter {
    fn write(&mut self, planes: &[&[f32]]) -> Result<(), MediaError> {
        WavWriter::write(self, planes)
    }

    fn set_loudness(&mut self, loudness: BextLoudness) {
        if let Some(bext) = &mut self.encoder.bext {
            bext.loudness = Some(loudness);
        }
    }

    fn finish(self: Box<Self>) -> Result<(), MediaError> {
        WavWriter::finish(*self)
    }
}
