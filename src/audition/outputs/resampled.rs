//! The engine at a device's rate, where the device cannot run at the session's.
//!
//! Realtime-safe after [`Resampled::new`]: the converter works in buffers that are there. Latency: [`Resampled::latency`].

use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Fft, FixedSync, Resampler as _};

use super::Engine;

/// Engine frames converted at a time, about.
const CHUNK: usize = 256;

/// Converts what the engine renders.
pub(super) struct Resampled {
    fft: Fft<f32>,
    rendered: Vec<f32>,
    input: Vec<Vec<f32>>,
    output: Vec<Vec<f32>>,
    /// Frames of the output that have been made, and that have been used.
    made: usize,
    used: usize,
}

impl Resampled {
    /// From one rate to another; the reason if that cannot be. Allocates.
    pub(super) fn new(from: u32, to: u32) -> Result<Resampled, String> {
        let fft = Fft::<f32>::new(from as usize, to as usize, CHUNK, 2, FixedSync::Both)
            .map_err(|error| error.to_string())?;
        let (chunk_in, chunk_out) = (fft.input_frames_max(), fft.output_frames_max());
        Ok(Resampled {
            fft,
            rendered: vec![0.0; chunk_in * 2],
            input: vec![vec![0.0; chunk_in]; 2],
            output: vec![vec![0.0; chunk_out]; 2],
            made: 0,
            used: 0,
        })
    }

    /// Frames of the device by which it is late.
    pub(super) fn latency(&self) -> usize {
        self.fft.output_delay() + self.output.first().map_or(0, Vec::len)
    }

    /// Fills interleaved stereo at the device's rate.
    pub(super) fn fill(&mut self, engine: &mut Engine, out: &mut [f32]) {
        for frame in out.chunks_exact_mut(2) {
            if self.used >= self.made {
                self.convert(engine);
            }
            for (sample, side) in frame.iter_mut().zip(&self.output) {
                *sample = side.get(self.used).copied().unwrap_or(0.0);
            }
            self.used += 1;
        }
    }

    fn convert(&mut self, engine: &mut Engine) {
        let frames = self.fft.input_frames_next().min(self.rendered.len() / 2);
        let rendered = &mut self.rendered[..frames * 2];
        engine.render(rendered);
        for (side, input) in self.input.iter_mut().enumerate() {
            let samples = rendered.iter().skip(side).step_by(2);
            input.iter_mut().zip(samples).for_each(|(to, from)| *to = *from);
        }
        let room = self.output.first().map_or(0, Vec::len);
        let Resampled { fft, input, output, .. } = self;
        let buffers = SequentialSliceOfVecs::new(input, 2, frames)
            .and_then(|from| Ok((from, SequentialSliceOfVecs::new_mut(output, 2, room)?)));
        // The sizes are the converter's own, so it has nothing to complain about; silence if it does all the same.
        let made = buffers.ok().and_then(|(from, mut to)| fft.process_into_buffer(&from, &mut to, None).ok());
        self.made = made.map_or(0, |(_, made)| made);
        if self.made == 0 {
            self.output.iter_mut().for_each(|side| side.fill(0.0));
            self.made = room.max(1);
        }
        self.used = 0;
    }
}
