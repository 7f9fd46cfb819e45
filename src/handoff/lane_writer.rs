//! One lane of a bounce: rendered, written dry, toned by others, written.

use std::ops::Range;
use std::sync::Arc;

use super::BounceError;
use super::bounce::CHUNK;
use super::file_samples::FileSamples;
use super::outlet::Outlet;
use crate::mix::{PlanLane, Scratch, pan_into, render_edits, set_level};
use crate::song::Position;

/// A lane's signal before its pan, and what the sums need to know about it. Apart from the writers, since all
/// threads read all signals when the sums are made.
pub(super) struct Signal {
    pub(super) lane: Arc<PlanLane>,
    pub(super) block: [Vec<f32>; 2],
}

impl Signal {
    pub(super) fn new(lane: &Arc<PlanLane>) -> Signal {
        Signal { lane: Arc::clone(lane), block: buffers() }
    }
}

/// A file of a lane, and room for what goes into it where that is not the signal itself.
pub(super) struct LaneFile {
    outlet: Outlet,
    /// The lane with its pan, where the file holds that.
    panned: Option<[Vec<f32>; 2]>,
}

impl LaneFile {
    pub(super) fn new(outlet: Outlet, lane: &PlanLane) -> LaneFile {
        // A stereo lane in the middle is written as it is.
        let pans = file_channels(lane) == 2 && (lane.channels == 1 || lane.pan.0 != 0.0);
        LaneFile { outlet, panned: pans.then(buffers) }
    }

    /// The way into the file.
    pub(super) fn into_outlet(self) -> Outlet {
        self.outlet
    }

    fn write(&mut self, lane: &PlanLane, block: &[&[f32]]) -> Result<(), BounceError> {
        let frames = block.first().map_or(0, |channel| channel.len());
        match &mut self.panned {
            None => self.outlet.write(block)?,
            Some([left, right]) => {
                let (left, right) = (&mut left[..frames], &mut right[..frames]);
                pan_into(lane.pan_gains, block, left, right);
                self.outlet.write(&[left, right])?;
            }
        }
        Ok(())
    }
}

/// The file of a lane without its tone, and a copy of the signal that its level is set in.
pub(super) struct DryFile {
    file: LaneFile,
    copy: [Vec<f32>; 2],
}

/// Renders a lane and writes its files.
pub(super) struct LaneWriter {
    samples: FileSamples,
    scratch: Scratch,
    /// None if only sums are written.
    pub(super) file: Option<LaneFile>,
    /// None unless the lane is written without its tone too.
    dry: Option<DryFile>,
}

impl LaneWriter {
    pub(super) fn new(samples: FileSamples) -> LaneWriter {
        LaneWriter { samples, scratch: Scratch::new(CHUNK), file: None, dry: None }
    }

    pub(super) fn write_dry(&mut self, file: LaneFile) {
        self.dry = Some(DryFile { file, copy: buffers() });
    }

    pub(super) fn take_dry(&mut self) -> Option<LaneFile> {
        self.dry.take().map(|dry| dry.file)
    }

    /// Renders the lane's edits from `at` on into a part of its block.
    pub(super) fn render_only(
        &mut self,
        signal: &mut Signal,
        at: Position,
        part: Range<usize>,
    ) -> Result<(), BounceError> {
        let Signal { lane, block: [left, right] } = signal;
        let (left, right) = (&mut left[part.clone()], &mut right[part]);
        if lane.channels == 1 {
            render_edits(lane, at, &mut [&mut *left], &mut self.samples, &mut self.scratch);
        } else {
            render_edits(lane, at, &mut [&mut *left, &mut *right], &mut self.samples, &mut self.scratch);
        }
        self.samples.take_failure().map_or(Ok(()), |failure| Err(failure.into()))
    }

    /// Renders the lane's edits from `at` on into a part of its block, and writes them as they are where that is asked for.
    pub(super) fn render(
        &mut self,
        signal: &mut Signal,
        at: Position,
        part: Range<usize>,
    ) -> Result<(), BounceError> {
        self.render_only(signal, at, part.clone())?;
        let Signal { lane, block: [left, right] } = signal;
        let frames = part.len();
        let (left, right) = (&left[part.clone()], &right[part]);
        if let Some(DryFile { file, copy: [dry_left, dry_right] }) = &mut self.dry {
            let (dry_left, dry_right) = (&mut dry_left[..frames], &mut dry_right[..frames]);
            dry_left.copy_from_slice(left);
            dry_right.copy_from_slice(right);
            level_and_write(lane, [dry_left, dry_right], file)?;
        }
        Ok(())
    }

    /// Sets the lane's level in a part of its block and writes it.
    pub(super) fn write(&mut self, signal: &mut Signal, part: Range<usize>) -> Result<(), BounceError> {
        let Signal { lane, block: [left, right] } = signal;
        let sides = [&mut left[part.clone()], &mut right[part]];
        match &mut self.file {
            Some(file) => level_and_write(lane, sides, file),
            None => {
                level(lane, sides);
                Ok(())
            }
        }
    }
}

fn level<'a>(lane: &PlanLane, [left, right]: [&'a mut [f32]; 2]) -> [&'a [f32]; 2] {
    set_level(lane.level, &mut [&mut *left]);
    if lane.channels > 1 {
        set_level(lane.level, &mut [&mut *right]);
    }
    [left, right]
}

fn level_and_write(lane: &PlanLane, sides: [&mut [f32]; 2], file: &mut LaneFile) -> Result<(), BounceError> {
    let block = level(lane, sides);
    file.write(lane, block.get(..usize::from(lane.channels)).unwrap_or(&block))
}

pub(super) fn buffers() -> [Vec<f32>; 2] {
    [vec![0.0; CHUNK], vec![0.0; CHUNK]]
}

/// Channels of a lane's file: 1 if the lane is mono and in the middle.
pub(super) fn file_channels(lane: &PlanLane) -> u16 {
    if lane.channels == 1 && lane.pan.0 == 0.0 { 1 } else { 2 }
}
