//! The bounce: one consolidated file per lane, and the sum of the stack.
//!
//! Chunk by chunk: all lanes are rendered and written side by side, while the sum of the chunk before is made,
//! in the order of the lanes, and written. Memory is a few buffers per lane, whatever the length. The kernel is the one that the
//! loudspeaker hears, so the files hold the samples that were heard.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;

use super::BounceError;
use super::file_names;
use super::file_samples::FileSamples;
use super::publish::Staging;
use super::report::{Bounce, BouncedFile, FileKind, Level};
use super::tone;
use crate::media::{AudioSink, OutputFormat, Progress, WavReader, WavSpec, create_sink};
use crate::mix::{
    Bus, Plan, PlanLane, Scratch, ToneGroup, ToneStage, mix_into, pan_into, render_edits, set_level,
};
use crate::song::{AssetId, Length, Position, Song};

/// Frames rendered at a time: long enough that reading and writing are few calls, short enough that a lane's
/// buffers stay in a core's cache.
const CHUNK: usize = 16_384;
/// Frames summed at a time; the sums in f64 stay in the fastest cache.
const SUM: usize = 1024;

/// Where the samples of an asset lie: its working copy at the session's rate, in WAV.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AssetFile {
    /// The asset.
    pub id: AssetId,
    /// Its working copy.
    pub path: PathBuf,
    /// Channels: 1 or 2.
    pub channels: u16,
}

/// What to bounce, and where to.
#[derive(Debug, Clone, Copy)]
pub struct BounceRequest<'a> {
    /// The state to bounce.
    pub song: &'a Song,
    /// Rate of the session and of every working copy in Hz.
    pub rate: u32,
    /// Title of the song, the first part of every file name.
    pub title: &'a str,
    /// Working copies of at least the assets that are used.
    pub assets: &'a [AssetFile],
    /// The folder to write to; made if it does not exist.
    pub folder: &'a Path,
    /// How samples are written.
    pub format: OutputFormat,
    /// Whether files of the same names may be replaced.
    pub overwrite: bool,
    /// Whether lanes go through their tone.
    pub tone: bool,
}

/// Writes one file for every lane, muted ones too, and the sum of the lanes that are neither muted nor backing.
///
/// All files begin at one position, the origin or the first region if that is earlier, and have one length. A
/// lane is mono if it is mono and panned to the middle; else its pan is in the file. Progress counts frames.
/// The samples do not depend on the number of threads. Uses the threads of the current rayon pool.
///
/// # Errors
/// See [`BounceError`]. After an error, or once `progress` said to stop, no file stands under its final name.
pub fn bounce(request: &BounceRequest<'_>, progress: &dyn Progress) -> Result<Bounce, BounceError> {
    let channels = |id| request.assets.iter().find(|asset| asset.id == id).map(|asset| asset.channels);
    let plan = Plan::compile(request.song, request.rate, &channels);
    let extent = plan.extent().ok_or(BounceError::Nothing)?;
    let start = extent.start.min(Position(0));
    let length = extent.end.since(start);

    // The sources first: a missing recording is found before anything is written.
    let sources = plan.lanes().iter().zip(1..).map(|(lane, number)| open_sources(request, lane, number));
    let sources = sources.collect::<Result<Vec<_>, _>>()?;
    let staging = Staging::new(request.folder, names(request), request.overwrite)?;
    let mut run = Run::new(request, &plan, sources, &staging)?;
    let mut done = Length::ZERO;
    while done < length {
        let frames = (length.0 - done.0).min(CHUNK as u64);
        run.step(start + done, usize::try_from(frames).unwrap_or(CHUNK))?;
        done = done + Length(frames);
        if !progress.advance(done.0, length.0) {
            return Err(BounceError::Cancelled);
        }
    }
    run.step(start + done, 0)?;
    let files = run.finish(request, &staging)?;
    staging.publish()?;
    Ok(Bounce { rate: request.rate, start: start.0, length: length.0, files })
}

/// Names of all files: the lanes' from top to bottom, then the stack's.
fn names(request: &BounceRequest<'_>) -> Vec<String> {
    let lanes = request.song.lanes.iter().zip(1..);
    let lanes = lanes.map(|(lane, number)| file_names::of_lane(request.title, number, lane));
    let stems = lanes.chain([file_names::of_stack(request.title)]);
    stems.map(|stem| format!("{stem}.{}", request.format.extension())).collect()
}

fn open_sources(
    request: &BounceRequest<'_>,
    lane: &PlanLane,
    number: usize,
) -> Result<FileSamples, BounceError> {
    let mut samples = FileSamples::default();
    for segment in &lane.segments {
        if samples.has(segment.asset) {
            continue;
        }
        let of_asset = lane.segments.iter().filter(|other| other.asset == segment.asset);
        let needs = of_asset.map(|other| other.source_in.saturating_add(other.length())).max();
        let file = request.assets.iter().find(|asset| asset.id == segment.asset);
        let file = file.ok_or(BounceError::UnknownAsset { lane: number, asset: segment.asset })?;
        samples.add(segment.asset, open(file, request.rate, needs.unwrap_or(0))?);
    }
    Ok(samples)
}

/// Opens a working copy and makes sure that it is what the song takes it for: what is missing would come out
/// as silence.
fn open(file: &AssetFile, rate: u32, needs: u64) -> Result<WavReader, BounceError> {
    let reader = WavReader::open(&file.path)?;
    let info = reader.info();
    let why = if info.rate != rate {
        format!("it is at {} Hz where {rate} Hz is expected", info.rate)
    } else if info.channels != file.channels {
        format!("it has {} channels where {} are expected", info.channels, file.channels)
    } else if info.frames < needs {
        format!("it has {} frames where {needs} are needed", info.frames)
    } else {
        return Ok(reader);
    };
    Err(BounceError::Changed { path: file.path.clone(), why })
}

/// A bounce under way.
struct Run {
    /// Processors of the lanes that have a tone, eight channels each.
    tone: Vec<ToneGroup>,
    writers: Vec<LaneWriter>,
    /// Of the chunk that is being rendered.
    signals: Vec<Signal>,
    /// Of the chunk before, which is being summed.
    before: Vec<Signal>,
    /// Frames in the chunk before.
    frames_before: usize,
    stack: StackWriter,
}

/// A lane's signal before its pan, and what the sum needs to know about it. Apart from the writers, since all
/// threads read all signals when the sum is made.
pub(super) struct Signal {
    pub(super) lane: Arc<PlanLane>,
    pub(super) block: [Vec<f32>; 2],
}

struct StackWriter {
    sum: [Vec<f32>; 2],
    sink: Box<dyn AudioSink>,
    level: Level,
}

pub(super) struct LaneWriter {
    samples: FileSamples,
    scratch: Scratch,
    /// The lane with its pan, where the file holds that.
    panned: Option<[Vec<f32>; 2]>,
    sink: Box<dyn AudioSink>,
    level: Level,
}

fn buffers() -> [Vec<f32>; 2] {
    [vec![0.0; CHUNK], vec![0.0; CHUNK]]
}

fn spec(request: &BounceRequest<'_>, channels: u16) -> WavSpec {
    WavSpec { channels, rate: request.rate, format: request.format }
}

/// Channels of a lane's file: 1 if the lane is mono and in the middle.
fn file_channels(lane: &PlanLane) -> u16 {
    if lane.channels == 1 && lane.pan.0 == 0.0 { 1 } else { 2 }
}

impl Run {
    fn new(
        request: &BounceRequest<'_>,
        plan: &Plan,
        sources: Vec<FileSamples>,
        staging: &Staging,
    ) -> Result<Run, BounceError> {
        let mut writers = Vec::new();
        for ((index, lane), samples) in plan.lanes().iter().enumerate().zip(sources) {
            let channels = file_channels(lane);
            // A stereo lane in the middle is written as it is.
            let pans = channels == 2 && (lane.channels == 1 || lane.pan.0 != 0.0);
            writers.push(LaneWriter {
                samples,
                scratch: Scratch::new(CHUNK),
                panned: pans.then(buffers),
                sink: create_sink(&staging.growing(index), spec(request, channels))?,
                level: Level::default(),
            });
        }
        let signal = |lane: &Arc<PlanLane>| Signal { lane: Arc::clone(lane), block: buffers() };
        let sink = create_sink(&staging.growing(plan.lanes().len()), spec(request, 2))?;
        let stage = request.tone.then(|| ToneStage::new(plan));
        Ok(Run {
            tone: stage.map(ToneStage::into_parts).unwrap_or_default(),
            writers,
            signals: plan.lanes().iter().map(signal).collect(),
            before: plan.lanes().iter().map(signal).collect(),
            frames_before: 0,
            stack: StackWriter { sum: buffers(), sink, level: Level::default() },
        })
    }

    /// Renders and writes `frames` frames of the lanes, at most [`CHUNK`], from `at` on, and the stack of the chunk
    /// before; with 0 frames only the latter.
    fn step(&mut self, at: Position, frames: usize) -> Result<(), BounceError> {
        let Run { tone, writers, signals, before, frames_before, stack } = self;
        let (lanes, sum) = rayon::join(
            || {
                tone::deal(tone, writers, signals).into_par_iter().try_for_each(|mut hand| {
                    hand.lanes.iter_mut().try_for_each(|lane| lane.writer.render(lane.signal, at, frames))?;
                    hand.process(at, frames);
                    hand.lanes.iter_mut().try_for_each(|lane| lane.writer.write(lane.signal, frames))
                })
            },
            || stack.step(before, *frames_before),
        );
        std::mem::swap(signals, before);
        *frames_before = frames;
        lanes.and(sum)
    }

    /// Completes all files and reports them.
    fn finish(self, request: &BounceRequest<'_>, staging: &Staging) -> Result<Vec<BouncedFile>, BounceError> {
        let clips = request.format != OutputFormat::F32;
        let mut files = Vec::new();
        for ((index, writer), signal) in self.writers.into_iter().enumerate().zip(&self.signals) {
            writer.sink.finish()?;
            files.push(BouncedFile {
                path: staging.target(index),
                kind: FileKind::Lane,
                lane: Some(index + 1),
                name: Some(signal.lane.source().name.clone()),
                role: Some(signal.lane.role),
                muted: signal.lane.mute,
                channels: file_channels(&signal.lane),
                peak_db: writer.level.peak_db(),
                clipped: if clips { writer.level.over() } else { 0 },
            });
        }
        self.stack.sink.finish()?;
        files.push(BouncedFile {
            path: staging.target(self.signals.len()),
            kind: FileKind::Stack,
            lane: None,
            name: None,
            role: None,
            muted: false,
            channels: 2,
            peak_db: self.stack.level.peak_db(),
            clipped: if clips { self.stack.level.over() } else { 0 },
        });
        Ok(files)
    }
}

impl LaneWriter {
    /// Renders the lane's edits.
    fn render(&mut self, signal: &mut Signal, at: Position, frames: usize) -> Result<(), BounceError> {
        let Signal { lane, block: [left, right] } = signal;
        let (left, right) = (&mut left[..frames], &mut right[..frames]);
        if lane.channels == 1 {
            render_edits(lane, at, &mut [left], &mut self.samples, &mut self.scratch);
        } else {
            render_edits(lane, at, &mut [left, right], &mut self.samples, &mut self.scratch);
        }
        self.samples.take_failure().map_or(Ok(()), |failure| Err(failure.into()))
    }

    /// Sets the lane's level and writes it.
    fn write(&mut self, signal: &mut Signal, frames: usize) -> Result<(), BounceError> {
        let Signal { lane, block: [left, right] } = signal;
        let (left, right) = (&mut left[..frames], &mut right[..frames]);
        let mono = lane.channels == 1;
        set_level(lane.level, &mut [&mut *left]);
        if !mono {
            set_level(lane.level, &mut [&mut *right]);
        }
        let block: &[&[f32]] = if mono { &[left] } else { &[left, right] };
        match &mut self.panned {
            None => write(&mut *self.sink, &mut self.level, block),
            Some([left, right]) => {
                let (left, right) = (&mut left[..frames], &mut right[..frames]);
                pan_into(lane.pan_gains, block, left, right);
                write(&mut *self.sink, &mut self.level, &[left, right])
            }
        }
    }
}

impl StackWriter {
    fn step(&mut self, signals: &[Signal], frames: usize) -> Result<(), BounceError> {
        let [left, right] = &mut self.sum;
        let (left, right) = (&mut left[..frames], &mut right[..frames]);
        let parts = left.par_chunks_mut(SUM).zip(right.par_chunks_mut(SUM)).enumerate();
        parts.for_each(|(index, (left, right))| sum(signals, index * SUM, left, right));
        write(&mut *self.sink, &mut self.level, &[left, right])
    }
}

fn write(sink: &mut dyn AudioSink, level: &mut Level, planes: &[&[f32]]) -> Result<(), BounceError> {
    planes.iter().for_each(|plane| level.add(plane));
    Ok(sink.write(planes)?)
}

/// Sums the stack's lanes from their sample `from` on into `left` and `right`, in the order of the lanes.
fn sum(signals: &[Signal], from: usize, left: &mut [f32], right: &mut [f32]) {
    let (mut sum_left, mut sum_right) = ([0.0; SUM], [0.0; SUM]);
    let range = from..from + left.len();
    let mut bus = Bus { left: &mut sum_left[..left.len()], right: &mut sum_right[..right.len()] };
    for Signal { lane, block: [left, right] } in signals.iter().filter(|signal| signal.lane.in_stack()) {
        let block: [&[f32]; 2] = [&left[range.clone()], &right[range.clone()]];
        mix_into(lane.pan_gains, &block[..usize::from(lane.channels)], &mut bus);
    }
    bus.take(left, right);
}
