//! The pipe, the file and nowhere.

use std::io::{self, Write};
use std::path::Path;
use std::time::Duration;

use super::paced::{Pace, Sink, Threaded};
use super::{AuditionError, Lease, Output, OutputInfo, OutputOptions};
use crate::media::{AudioSink, OutputFormat, WavSpec, create_sink};

/// How far a pipe runs ahead of real time: what a network's hiccup may take. More would only be heard later.
const PIPE_AHEAD: Duration = Duration::from_millis(120);

fn info(name: &str, lease: &mut Lease) -> OutputInfo {
    let rate = lease.engine().map_or(0, |engine| engine.rate());
    OutputInfo { name: name.to_owned(), rate, buffer: None, resampled: false }
}

/// Standard output, in real time, so that what is between here and the ear does not fill up with old sound.
pub(super) fn pipe(mut lease: Lease, options: &OutputOptions) -> Result<Box<dyn Output>, AuditionError> {
    let info = info("pipe:-", &mut lease);
    let head = if options.raw { Vec::new() } else { endless_head(info.rate) };
    let pace = Pace { ahead: Some(PIPE_AHEAD), once: options.once };
    Threaded::start(info, lease, Box::new(PipeSink { head, bytes: Vec::new() }), pace)
}

struct PipeSink {
    head: Vec<u8>,
    bytes: Vec<u8>,
}

impl Sink for PipeSink {
    fn write(&mut self, frames: &[f32]) -> Result<bool, AuditionError> {
        self.bytes.clear();
        self.bytes.append(&mut self.head);
        self.bytes.extend(frames.iter().flat_map(|sample| sample.to_le_bytes()));
        let mut out = io::stdout().lock();
        match out.write_all(&self.bytes).and_then(|()| out.flush()) {
            Ok(()) => Ok(true),
            // Whoever listened has gone: the end, and no error.
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(false),
            Err(source) => Err(AuditionError::Write { what: "standard output".into(), source }),
        }
    }

    fn finish(self: Box<Self>) -> Result<(), AuditionError> {
        Ok(())
    }
}

/// The head of a WAV file whose length nobody knows: both sizes are 0xFFFFFFFF, as readers of streams expect (common
/// practice, no source).
fn endless_head(rate: u32) -> Vec<u8> {
    let mut head = Vec::with_capacity(44);
    head.extend(b"RIFF\xff\xff\xff\xffWAVEfmt ");
    head.extend(16u32.to_le_bytes());
    // 3: IEEE float; 2 channels of 4 bytes.
    head.extend(3u16.to_le_bytes());
    head.extend(2u16.to_le_bytes());
    head.extend(rate.to_le_bytes());
    head.extend((rate * 8).to_le_bytes());
    head.extend(8u16.to_le_bytes());
    head.extend(32u16.to_le_bytes());
    head.extend(b"data\xff\xff\xff\xff");
    head
}

/// A WAV file of 32-bit float, as fast as the disk allows. A file that is there is not replaced.
pub(super) fn file(
    path: &Path,
    mut lease: Lease,
    options: &OutputOptions,
) -> Result<Box<dyn Output>, AuditionError> {
    let info = info(&format!("file:{}", path.display()), &mut lease);
    if path.symlink_metadata().is_ok() {
        return Err(AuditionError::Exists { path: path.to_owned() });
    }
    let spec = WavSpec { channels: 2, rate: info.rate, format: OutputFormat::F32 };
    let sink = FileSink { sink: create_sink(path, spec)?, sides: [Vec::new(), Vec::new()] };
    // Without an end in sight a file written at full speed would fill the disk.
    let ahead = (!options.once).then_some(Duration::from_millis(20));
    Threaded::start(info, lease, Box::new(sink), Pace { ahead, once: options.once })
}

struct FileSink {
    sink: Box<dyn AudioSink>,
    sides: [Vec<f32>; 2],
}

impl Sink for FileSink {
    fn write(&mut self, frames: &[f32]) -> Result<bool, AuditionError> {
        let [left, right] = &mut self.sides;
        (left.clear(), right.clear());
        for frame in frames.chunks_exact(2) {
            left.extend(frame.first());
            right.extend(frame.last());
        }
        self.sink.write(&[left.as_slice(), right.as_slice()])?;
        Ok(true)
    }

    fn finish(self: Box<Self>) -> Result<(), AuditionError> {
        Ok(self.sink.finish()?)
    }
}

/// Nowhere, in real time.
pub(super) fn nowhere(mut lease: Lease, options: &OutputOptions) -> Result<Box<dyn Output>, AuditionError> {
    let info = info("none", &mut lease);
    let pace = Pace { ahead: Some(Duration::ZERO), once: options.once };
    Threaded::start(info, lease, Box::new(Nowhere), pace)
}

struct Nowhere;

impl Sink for Nowhere {
    fn write(&mut self, _: &[f32]) -> Result<bool, AuditionError> {
        Ok(true)
    }

    fn finish(self: Box<Self>) -> Result<(), AuditionError> {
        Ok(())
    }
}
