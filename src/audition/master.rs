//! From the sum to the output: start and stop ramp, monitor level, rounding, ceiling.

use super::ceiling::Ceiling;
use super::glide::Glide;
use super::voice::CHUNK;
use crate::song::Linear;

/// The monitor path. Realtime-safe but for [`Master::new`] and [`Master::rest`].
pub(super) struct Master {
    /// Ramp of starts and stops.
    pub(super) gate: Glide,
    /// Monitor level.
    pub(super) level: Glide,
    ceiling: Ceiling,
    /// The sum before ramp and level, interleaved, for the meters.
    sum: Vec<f32>,
}

impl Master {
    pub(super) fn new(rate: u32, level: Linear) -> Master {
        Master {
            gate: Glide::at(0.0),
            level: Glide::at(level.0),
            ceiling: Ceiling::new(rate),
            sum: vec![0.0; CHUNK * 2],
        }
    }

    /// Frames by which it is late.
    pub(super) fn latency(&self) -> usize {
        self.ceiling.latency()
    }

    /// Closed, and nothing under way any more.
    pub(super) fn rest(&mut self, rate: u32) {
        self.gate = Glide::at(0.0);
        self.ceiling = Ceiling::new(rate);
    }

    /// Takes both sides of the sum, at most [`CHUNK`] frames, and fills interleaved stereo of as many frames; gives how
    /// many samples were not finite.
    pub(super) fn sound(&mut self, [left, right]: [&[f64]; 2], out: &mut [f32]) -> u64 {
        let mut bad = 0;
        let sides = left.iter().zip(right);
        let frames = out.chunks_exact_mut(2).zip(self.sum.chunks_exact_mut(2));
        for (((frame, sum), (left, right)), number) in frames.zip(sides).zip(0u64..) {
            let gain = self.gate.ahead(number) * self.level.ahead(number);
            let mut finite = |sample: f64| {
                let sample = round(sample);
                bad += u64::from(!sample.is_finite());
                if sample.is_finite() { sample } else { 0.0 }
            };
            let heard = [finite(*left * gain), finite(*right * gain)];
            sum.copy_from_slice(&[round(*left), round(*right)]);
            frame.copy_from_slice(&self.ceiling.pass(heard));
        }
        self.level.advance(left.len() as u64);
        self.gate.advance(left.len() as u64);
        bad
    }

    /// What [`Self::sound`] took last, interleaved.
    pub(super) fn sum(&self, frames: usize) -> &[f32] {
        self.sum.get(..frames * 2).unwrap_or_default()
    }

    /// Fills interleaved stereo while nothing plays: what is still in the ceiling, then silence.
    pub(super) fn silence(&mut self, out: &mut [f32]) {
        for frame in out.chunks_exact_mut(2) {
            frame.copy_from_slice(&self.ceiling.pass([0.0, 0.0]));
        }
        self.level.advance(out.len() as u64 / 2);
    }
}

#[expect(clippy::cast_possible_truncation, reason = "this is where audio becomes f32 again")]
fn round(value: f64) -> f32 {
    value as f32
}
