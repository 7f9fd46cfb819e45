//! The engine at a device's rate, where the device cannot run at the session's.
//!
//! Realtime-safe after [`Resampled::new`]: the converter works in buffers that are there. Latency: [`Resampled::latency`].

use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Fft, FixedSync, Resampler as _};

use crate::audition::CEILING;

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

    /// Fills interleaved stereo at the device's rate from what `render` makes at the engine's.
    pub(super) fn fill(&mut self, render: &mut dyn FnMut(&mut [f32]), out: &mut [f32]) {
        for frame in out.chunks_exact_mut(2) {
            if self.used >= self.made {
                self.convert(render);
            }
            for (sample, side) in frame.iter_mut().zip(&self.output) {
                // Samples between samples may stand a little higher than those that the ceiling saw.
                *sample = side.get(self.used).copied().unwrap_or(0.0).clamp(-CEILING, CEILING);
            }
            self.used += 1;
        }
    }

    fn convert(&mut self, render: &mut dyn FnMut(&mut [f32])) {
        let frames = self.fft.input_frames_next().min(self.rendered.len() / 2);
        let rendered = &mut self.rendered[..frames * 2];
        render(rendered);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Feeds `input` (one side, the other its negative) and gives `frames` frames of the left side.
    fn run(from: u32, to: u32, input: &dyn Fn(usize) -> f32, frames: usize) -> (Vec<f32>, usize) {
        let mut resampled = Resampled::new(from, to).unwrap();
        let mut at = 0;
        let mut out = vec![0.0; frames * 2];
        let mut render = |block: &mut [f32]| {
            for frame in block.chunks_exact_mut(2) {
                frame.copy_from_slice(&[input(at), -input(at)]);
                at += 1;
            }
        };
        // Odd pieces: the device may ask for any number of frames.
        for piece in out.chunks_mut(2 * 77) {
            resampled.fill(&mut render, piece);
        }
        assert!(out.chunks_exact(2).all(|frame| frame[0] == -frame[1]));
        (out.iter().step_by(2).copied().collect(), resampled.latency())
    }

    #[test]
    fn a_tone_keeps_its_pitch_and_level_at_every_pair_of_rates() {
        for (from, to) in [(48_000, 44_100), (44_100, 48_000), (96_000, 48_000), (48_000, 192_000)] {
            let tone =
                |n: usize, rate: u32| (std::f64::consts::TAU * 1000.0 * n as f64 / f64::from(rate)).sin();
            let (found, latency) = run(from, to, &|n| (0.5 * tone(n, from)) as f32, 20_000);
            // Fit a tone of the same pitch at the device's rate: what is left over is error.
            let rest = &found[latency + 1000..];
            let (mut a, mut b) = (0.0, 0.0);
            let count = rest.len() / (to as usize / 1000) * (to as usize / 1000);
            for (n, sample) in rest[..count].iter().enumerate() {
                let phase = std::f64::consts::TAU * 1000.0 * n as f64 / f64::from(to);
                a += f64::from(*sample) * phase.sin() * 2.0 / count as f64;
                b += f64::from(*sample) * phase.cos() * 2.0 / count as f64;
            }
            assert!((a.hypot(b) - 0.5).abs() < 1e-3, "{from} to {to}: {}", a.hypot(b));
        }
    }

    #[test]
    fn its_latency_is_what_it_says() {
        let (found, latency) = run(48_000, 44_100, &|n| if n == 4800 { 0.5 } else { 0.0 }, 10_000);
        let place = (0..found.len()).max_by(|a, b| found[*a].abs().total_cmp(&found[*b].abs())).unwrap();
        // 4800 frames of one rate are 4410 of the other. Part of the latency is the block that is read ahead, of which
        // the converter has used between none and all.
        let late = place as i64 - 4410;
        assert!((0..=latency as i64).contains(&late), "{late} of {latency}");
    }
}
