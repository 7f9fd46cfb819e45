//! A bounce under way: lanes and sums side by side, chunk by chunk.

use std::path::PathBuf;

use rayon::prelude::*;

use super::files::outlet;
use super::layout::{Layout, Output};
use super::sums::SumWriter;
use super::{BounceRequest, CHUNK};
use crate::handoff::BounceError;
use crate::handoff::file_samples::FileSamples;
use crate::handoff::lane_writer::{LaneFile, LaneWriter, Signal};
use crate::handoff::outlet::{Outlet, Passed};
use crate::handoff::publish::Staging;
use crate::handoff::report::BouncedFile;
use crate::handoff::tone;
use crate::media::{MediaError, OutputFormat};
use crate::mix::{ToneGroup, ToneStage};
use crate::song::{Length, Position};

/// A bounce under way.
pub(super) struct Run {
    /// Processors of the lanes that have a tone, eight channels each.
    tone: Vec<ToneGroup>,
    /// Where their pre-roll begins.
    lead_in: Position,
    writers: Vec<LaneWriter>,
    /// Of the chunk that is being rendered.
    signals: Vec<Signal>,
    /// Of the chunk before, which is being summed.
    before: Vec<Signal>,
    /// Frames in the chunk before.
    frames_before: usize,
    sums: Vec<SumWriter>,
    targets: Vec<PathBuf>,
}

impl Run {
    pub(super) fn new(
        request: &BounceRequest<'_>,
        layout: &Layout,
        sources: Vec<FileSamples>,
        staging: Option<&Staging>,
    ) -> Result<Run, BounceError> {
        let mut writers: Vec<LaneWriter> = sources.into_iter().map(LaneWriter::new).collect();
        let mut sums = Vec::new();
        for (index, (output, channels)) in layout.outputs.iter().enumerate() {
            let outlet = outlet(request, layout, staging, index, *channels)?;
            match *output {
                Output::Lane(row) | Output::Dry(row) => {
                    let Some((writer, lane)) = writers.get_mut(row).zip(layout.plan.lanes().get(row)) else {
                        continue;
                    };
                    let file = LaneFile::new(outlet, lane);
                    match output {
                        Output::Dry(_) => writer.write_dry(file),
                        _ => writer.file = Some(file),
                    }
                }
                sum => sums.push(SumWriter::new(sum, outlet)),
            }
        }
        let stage = request.options.tone.then(|| ToneStage::new(&layout.plan));
        let lead_in = stage.as_ref().filter(|stage| !stage.is_empty());
        let lead_in = lead_in.map_or(layout.start, |stage| stage.preroll_from(layout.start, &layout.plan));
        let target = |index| staging.map_or_else(PathBuf::new, |staging| staging.target(index));
        Ok(Run {
            tone: stage.map(ToneStage::into_parts).unwrap_or_default(),
            lead_in,
            writers,
            signals: layout.plan.lanes().iter().map(Signal::new).collect(),
            before: layout.plan.lanes().iter().map(Signal::new).collect(),
            frames_before: 0,
            sums,
            targets: (0..layout.outputs.len()).map(target).collect(),
        })
    }

    /// Sends what lies before a start in mid-song through the processors, and keeps nothing of it: what follows is then what is
    /// heard there too, bit for bit.
    pub(super) fn lead_in(&mut self, start: Position) -> Result<(), BounceError> {
        let mut at = self.lead_in;
        while at < start {
            let frames = usize::try_from(start.since(at).0).unwrap_or(CHUNK).min(CHUNK);
            let Run { tone, writers, signals, .. } = self;
            let hands = tone::deal(tone, writers, signals);
            hands.into_par_iter().filter(tone::Hand::processes).try_for_each(|mut hand| {
                hand.lanes
                    .iter_mut()
                    .try_for_each(|lane| lane.writer.render_only(lane.signal, at, 0..frames))?;
                hand.process(at, 0..frames);
                Ok::<(), BounceError>(())
            })?;
            at = at + Length(frames as u64);
        }
        Ok(())
    }

    /// Renders and writes `frames` frames of the lanes, at most [`CHUNK`], from `at` on, and the sums of the chunk
    /// before; with 0 frames only the latter.
    pub(super) fn step(&mut self, at: Position, frames: usize) -> Result<(), BounceError> {
        let Run { tone, writers, signals, before, frames_before, sums, .. } = self;
        let (lanes, summed) = rayon::join(
            || {
                let hands = tone::deal(tone, writers, signals);
                hands.into_par_iter().try_for_each(|mut hand| hand.step(at, frames))
            },
            || sums.iter_mut().try_for_each(|sum| sum.step(before, *frames_before)),
        );
        std::mem::swap(signals, before);
        *frames_before = frames;
        lanes.and(summed)
    }

    /// Completes all files and reports them.
    pub(super) fn finish(
        self,
        request: &BounceRequest<'_>,
        layout: &Layout,
    ) -> Result<Vec<BouncedFile>, BounceError> {
        let Run { mut writers, sums, targets, .. } = self;
        // In the order of the outputs: lanes, the same without their tone, sums.
        let dry: Vec<LaneFile> = writers.iter_mut().filter_map(LaneWriter::take_dry).collect();
        let lanes =
            writers.into_iter().filter_map(|writer| writer.file).chain(dry).map(LaneFile::into_outlet);
        let outlets: Vec<Outlet> = lanes.chain(sums.into_iter().map(SumWriter::into_outlet)).collect();
        let passed: Result<Vec<Passed>, MediaError> = outlets.into_par_iter().map(Outlet::finish).collect();
        let clips = request.format != OutputFormat::F32;
        let files = passed?.into_iter().zip(&layout.outputs).zip(targets).map(|((passed, output), path)| {
            let (output, channels) = *output;
            let lane = output.row().and_then(|row| Some((row + 1, layout.plan.lanes().get(row)?)));
            BouncedFile {
                path,
                kind: output.kind(),
                lane: lane.map(|(number, _)| number),
                name: lane.map(|(_, lane)| lane.source().name.clone()),
                role: match output {
                    Output::Role(role) => Some(role),
                    _ => lane.map(|(_, lane)| lane.role),
                },
                muted: lane.is_some_and(|(_, lane)| lane.mute),
                channels,
                peak_db: passed.level.peak_db(),
                clipped: if clips { passed.level.over() } else { 0 },
                dithered: passed.dithered,
                loudness: passed.loudness,
                picture: passed.picture,
            }
        });
        Ok(files.collect())
    }
}
