//! Output files at another rate than what is written to them.

use std::path::Path;

use super::bext::BextLoudness;
use super::resample::Resampler;
use super::{AudioSink, MediaError};

/// Takes frames at one rate and hands them on at another, without delay and to an exact length.
pub struct ResampledSink {
    resampler: Resampler,
    sink: Box<dyn AudioSink>,
}

impl ResampledSink {
    /// A sink that takes exactly `frames` frames of `channels` channels at `rate` Hz and gives `sink`
    /// [`conformed_frames`](super::conformed_frames) of them at `to` Hz. `path` is for messages.
    ///
    /// # Errors
    /// The rates cannot be converted into each other.
    pub fn new(
        path: &Path,
        sink: Box<dyn AudioSink>,
        (rate, to): (u32, u32),
        channels: u16,
        frames: u64,
    ) -> Result<ResampledSink, MediaError> {
        let resampler = Resampler::new(path, rate, to, usize::from(channels), frames)?;
        Ok(ResampledSink { resampler, sink })
    }
}

impl AudioSink for ResampledSink {
    fn write(&mut self, planes: &[&[f32]]) -> Result<(), MediaError> {
        let ResampledSink { resampler, sink } = self;
        resampler.push(planes, &mut |out| sink.write(out))
    }

    fn set_loudness(&mut self, loudness: BextLoudness) {
        self.sink.set_loudness(loudness);
    }

    fn finish(self: Box<Self>) -> Result<(), MediaError> {
        let ResampledSink { mut resampler, mut sink } = *self;
        resampler.finish(&mut |out| sink.write(out))?;
        sink.finish()
    }
}
