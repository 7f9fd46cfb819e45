//! The sums of a bounce: of the lanes of a role, and of the stack.

use rayon::prelude::*;

use super::layout::Output;
use crate::handoff::BounceError;
use crate::handoff::lane_writer::{Signal, buffers};
use crate::handoff::outlet::Outlet;
use crate::mix::{Bus, PlanLane, mix_into};

/// Frames summed at a time; the sums in f64 stay in the fastest cache.
const SUM: usize = 1024;

/// A sum and the way into its file.
pub(super) struct SumWriter {
    output: Output,
    sum: [Vec<f32>; 2],
    outlet: Outlet,
}

impl SumWriter {
    pub(super) fn new(output: Output, outlet: Outlet) -> SumWriter {
        SumWriter { output, sum: buffers(), outlet }
    }

    /// The way into the file.
    pub(super) fn into_outlet(self) -> Outlet {
        self.outlet
    }

    /// Sums and writes `frames` frames of the signals.
    pub(super) fn step(&mut self, signals: &[Signal], frames: usize) -> Result<(), BounceError> {
        let [left, right] = &mut self.sum;
        let (left, right) = (&mut left[..frames], &mut right[..frames]);
        let parts = left.par_chunks_mut(SUM).zip(right.par_chunks_mut(SUM)).enumerate();
        let output = self.output;
        parts.for_each(|(index, (left, right))| sum(output, signals, index * SUM, left, right));
        Ok(self.outlet.write(&[left, right])?)
    }
}

/// True if a lane is part of a sum.
fn takes_part(output: Output, lane: &PlanLane) -> bool {
    match output {
        Output::Role(role) => lane.role == role && !lane.mute,
        _ => lane.in_stack(),
    }
}

/// Sums the lanes that take part from their sample `from` on into `left` and `right`, in the order of the lanes.
fn sum(output: Output, signals: &[Signal], from: usize, left: &mut [f32], right: &mut [f32]) {
    let (mut sum_left, mut sum_right) = ([0.0; SUM], [0.0; SUM]);
    let range = from..from + left.len();
    let mut bus = Bus { left: &mut sum_left[..left.len()], right: &mut sum_right[..right.len()] };
    for Signal { lane, block: [left, right] } in signals.iter().filter(|s| takes_part(output, &s.lane)) {
        let block: [&[f32]; 2] = [&left[range.clone()], &right[range.clone()]];
        mix_into(lane.pan_gains, &block[..usize::from(lane.channels)], &mut bus);
    }
    bus.take(left, right);
}
