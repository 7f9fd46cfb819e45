//! Conversion to another rate as a stream, without delay and to an exact length.

use std::path::{Path, PathBuf};

use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Fft, FixedSync, Indexing, Resampler as _};

use super::info::conformed_frames;
use super::{MediaError, MediaErrorKind};

/// Input frames per transform, at least. Longer is steeper: the band edge lies within about 1 % of the lower Nyquist
/// frequency, and ringing stays within 50 ms.
const CHUNK: usize = 4_096;

/// Where converted frames go: one slice per channel.
pub(crate) type Out<'a> = dyn FnMut(&[&[f32]]) -> Result<(), MediaError> + 'a;

/// Converts a stream; passes it through unchanged if the rates are equal.
pub(crate) struct Resampler {
    path: PathBuf,
    /// None if the rates are equal.
    fft: Option<Fft<f64>>,
    input: Vec<Vec<f64>>,
    output: Vec<Vec<f64>>,
    ready: Vec<Vec<f32>>,
    /// Frames of `input` that are filled.
    filled: usize,
    /// Output frames still to be dropped: the delay of the filter.
    skip: usize,
    /// Output frames still to be delivered.
    left: u64,
}

impl Resampler {
    /// For `frames` frames of `channels` channels from `rate` to `session_rate`.
    pub(crate) fn new(
        path: &Path,
        rate: u32,
        session_rate: u32,
        channels: usize,
        frames: u64,
    ) -> Result<Resampler, MediaError> {
        let left = conformed_frames(frames, rate, session_rate);
        let fft = if rate == session_rate { None } else { Some(build(path, rate, session_rate, channels)?) };
        let (chunk_in, chunk_out, skip) = fft
            .as_ref()
            .map_or((0, 0, 0), |fft| (fft.input_frames_max(), fft.output_frames_max(), fft.output_delay()));
        Ok(Resampler {
            path: path.to_path_buf(),
            fft,
            input: vec![vec![0.0; chunk_in]; channels],
            output: vec![vec![0.0; chunk_out]; channels],
            ready: vec![Vec::with_capacity(chunk_out); channels],
            filled: 0,
            skip,
            left,
        })
    }

    /// Converts `planes` and hands on what is ready.
    pub(crate) fn push(&mut self, planes: &[&[f32]], out: &mut Out) -> Result<(), MediaError> {
        if self.fft.is_none() {
            let frames = planes.first().map_or(0, |plane| plane.len()) as u64;
            self.left = self.left.saturating_sub(frames);
            return out(planes);
        }
        let frames = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < frames {
            let chunk = self.input.first().map_or(0, Vec::len);
            let now = (chunk - self.filled).min(frames - done);
            for (input, plane) in self.input.iter_mut().zip(planes) {
                let target = &mut input[self.filled..self.filled + now];
                target.iter_mut().zip(&plane[done..done + now]).for_each(|(to, &from)| *to = f64::from(from));
            }
            self.filled += now;
            done += now;
            if self.filled == chunk {
                self.transform(out)?;
            }
        }
        Ok(())
    }

    /// Hands on what the filter still holds, so that exactly the promised number of frames has come out.
    pub(crate) fn finish(&mut self, out: &mut Out) -> Result<(), MediaError> {
        while self.fft.is_some() && self.left > 0 {
            self.transform(out)?;
        }
        Ok(())
    }

    fn transform(&mut self, out: &mut Out) -> Result<(), MediaError> {
        let Resampler { fft: Some(fft), input, output, ready, .. } = self else { return Ok(()) };
        let channels = input.len();
        let chunk_out = output.first().map_or(0, Vec::len);
        let indexing = Indexing::new().partial_len(self.filled);
        let made = (|| {
            let chunk_in = input.first().map_or(0, Vec::len);
            let from = SequentialSliceOfVecs::new(input, channels, chunk_in).map_err(|e| e.to_string())?;
            let mut to =
                SequentialSliceOfVecs::new_mut(output, channels, chunk_out).map_err(|e| e.to_string())?;
            let (_, made) =
                fft.process_into_buffer(&from, &mut to, Some(&indexing)).map_err(|e| e.to_string())?;
            Ok(made)
        })()
        .map_err(|why: String| refused(&self.path, &why))?;
        self.filled = 0;
        let skip = self.skip.min(made);
        self.skip -= skip;
        let take = self.left.min((made - skip) as u64) as usize;
        self.left -= take as u64;
        for (ready, output) in ready.iter_mut().zip(output.iter()) {
            ready.clear();
            ready.extend(output[skip..skip + take].iter().map(|&x| x as f32));
        }
        let slices: Vec<&[f32]> = ready.iter().map(Vec::as_slice).collect();
        if take > 0 { out(&slices) } else { Ok(()) }
    }
}

/// A resampler whose blocks have an even length on both sides, so that its delay, half a block, is whole.
fn build(path: &Path, rate: u32, session_rate: u32, channels: usize) -> Result<Fft<f64>, MediaError> {
    let (rate, session_rate) = (rate as usize, session_rate as usize);
    let step = 2 * rate / gcd(rate, session_rate);
    let chunk = CHUNK.div_ceil(step) * step;
    Fft::new(rate, session_rate, chunk, channels, FixedSync::Both).map_err(|e| refused(path, &e.to_string()))
}

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

fn refused(path: &Path, why: &str) -> MediaError {
    MediaError::new(
        MediaErrorKind::Unsupported,
        path,
        format!("its sample rate cannot be converted ({why})"),
        "export it again at the session's rate",
    )
}
