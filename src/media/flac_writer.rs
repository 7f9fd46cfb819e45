//! Writes FLAC files.

use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::{Arc, OnceLock};

use flac_codec::encode::{FlacSampleWriter, Options};

use super::coding::quantise;
use super::sink::{Aside, AudioSink, OutputFormat, WavSpec, check_spec, expect_frames, frames_in};
use super::{MediaError, MediaErrorKind};

/// Frames converted at a time.
const BLOCK: usize = 4_096;

/// Writes a FLAC file of 16 or 24 bits; see [`AudioSink`] for what becomes of the samples.
pub struct FlacWriter {
    encoder: FlacSampleWriter<Reporting<File>>,
    failure: Arc<OnceLock<io::Error>>,
    aside: Aside,
    spec: WavSpec,
    expected: Option<u64>,
    frames: u64,
    block: Vec<i32>,
}

impl FlacWriter {
    /// Starts the FLAC file `path`. With `expected_frames`, finishing refuses any other length.
    ///
    /// # Errors
    /// The folder is missing or may not be written to, the disk is full, or `spec` is out of range or not FLAC.
    pub fn create(
        path: &Path,
        spec: WavSpec,
        expected_frames: Option<u64>,
    ) -> Result<FlacWriter, MediaError> {
        check_spec(path, spec)?;
        if !spec.format.is_flac() {
            let why = "a FLAC file holds 16 or 24-bit integers only";
            return Err(MediaError::new(MediaErrorKind::Output, path, why, "choose another format"));
        }
        let aside = Aside::create(path)?;
        let file = aside.file().try_clone().map_err(|e| MediaError::writing(path, e))?;
        let failure = Arc::new(OnceLock::new());
        let sink = Reporting { inner: BufWriter::new(file), failure: Arc::clone(&failure) };
        let (bits, channels) = (u32::from(spec.format.bits()), spec.channels as u8);
        let encoder = FlacSampleWriter::new(sink, Options::default(), spec.rate, bits, channels, None)
            .map_err(|e| MediaError::writing(path, as_io(e)))?;
        let block = Vec::with_capacity(BLOCK * usize::from(spec.channels));
        Ok(FlacWriter { encoder, failure, aside, spec, expected: expected_frames, frames: 0, block })
    }

    fn encode(&mut self, planes: &[&[f32]]) -> Result<(), MediaError> {
        self.block.clear();
        let quantise = match self.spec.format {
            OutputFormat::Flac16 => quantise::<16>,
            _ => quantise::<24>,
        };
        match planes {
            [mono] => self.block.extend(mono.iter().map(|&x| quantise(x))),
            [left, right] => {
                let frames = left.iter().zip(*right);
                self.block.extend(frames.flat_map(|(&l, &r)| [quantise(l), quantise(r)]));
            }
            _ => {}
        }
        self.encoder.write(&self.block).map_err(|e| self.aside.fail(as_io(e)))
    }
}

impl AudioSink for FlacWriter {
    fn write(&mut self, planes: &[&[f32]]) -> Result<(), MediaError> {
        let frames = frames_in(self.aside.target(), self.spec.channels, planes)?;
        let mut done = 0;
        while done < frames {
            let end = (done + BLOCK).min(frames);
            match planes {
                [mono] => self.encode(&[&mono[done..end]])?,
                [left, right] => self.encode(&[&left[done..end], &right[done..end]])?,
                _ => {}
            }
            done = end;
        }
        self.frames += frames as u64;
        Ok(())
    }

    fn finish(self: Box<Self>) -> Result<(), MediaError> {
        let FlacWriter { encoder, mut failure, aside, expected, frames, .. } = *self;
        expect_frames(aside.target(), expected, frames)?;
        // Finalising also drops the sink, whose last flush can fail too.
        encoder.finalize().map_err(|e| MediaError::writing(aside.target(), as_io(e)))?;
        if let Some(error) = Arc::get_mut(&mut failure).and_then(OnceLock::take) {
            return Err(MediaError::writing(aside.target(), error));
        }
        aside.rename()
    }
}

fn as_io(error: flac_codec::Error) -> io::Error {
    match error {
        flac_codec::Error::Io(error) => error,
        other => io::Error::other(other.to_string()),
    }
}

/// A buffer that keeps the error of its last flush: the encoder drops its sink when it is done, and a plain `BufWriter`
/// would then lose the news of a full disk.
struct Reporting<W: Write + Seek> {
    inner: BufWriter<W>,
    failure: Arc<OnceLock<io::Error>>,
}

impl<W: Write + Seek> Write for Reporting<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.inner.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

impl<W: Write + Seek> Seek for Reporting<W> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.inner.seek(to)
    }
}

impl<W: Write + Seek> Drop for Reporting<W> {
    fn drop(&mut self) {
        if let Err(error) = self.inner.flush() {
            // The first error is the one that counts.
            let _ = self.failure.set(error);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disk without any room.
    struct Full;

    impl Write for Full {
        fn write(&mut self, _: &[u8]) -> io::Result<usize> {
            Err(io::ErrorKind::StorageFull.into())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Seek for Full {
        fn seek(&mut self, _: SeekFrom) -> io::Result<u64> {
            Ok(0)
        }
    }

    #[test]
    fn the_error_of_the_last_flush_is_kept() {
        let failure = Arc::new(OnceLock::new());
        let mut sink = Reporting { inner: BufWriter::new(Full), failure: Arc::clone(&failure) };
        sink.write_all(b"few bytes, which stay in the buffer").unwrap();
        drop(sink);
        assert_eq!(failure.get().map(io::Error::kind), Some(io::ErrorKind::StorageFull));
    }
}
