//! The bounce: one consolidated file per lane, and the sum of the stack.
//!
//! Chunk by chunk: all lanes are rendered and written side by side, while the sum of the chunk before is made,
//! in the order of the lanes, and written. Memory is a few buffers per lane, whatever the length. The kernel is the one that the
//! loudspeaker hears, so the files hold the samples that were heard.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::BounceError;
use super::file_names::{self, DEFAULT_NAMES, NameTemplate, Subject};
use super::file_samples::FileSamples;
use super::lane_writer::{LaneFile, LaneWriter, Signal, buffers, file_channels};
use super::outlet::{Outlet, Passed, Way};
use super::publish::Staging;
use super::report::{Bounce, BouncedFile, FileKind};
use super::tone;
use crate::media::{
    Bext, MediaError, OutputFormat, Progress, WavReader, WavSpec, conformed_frames, create_sink_with,
};
use crate::mix::{Bus, Plan, PlanLane, ToneGroup, ToneStage, mix_into};
use crate::song::{AssetId, Length, Position, Role, Song};

/// Frames rendered at a time: long enough that reading and writing are few calls, short enough that a lane's
/// buffers stay in a core's cache.
pub(super) const CHUNK: usize = 16_384;
/// Frames summed at a time; the sums in f64 stay in the fastest cache.
const SUM: usize = 1024;

/// What the name of a lane's file without its tone ends with.
const DRY: &str = "_dry";

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
    /// What is not the same every time.
    pub options: BounceOptions<'a>,
}

/// What may be asked of a bounce beyond the usual.
#[derive(Debug, Clone, Copy)]
pub struct BounceOptions<'a> {
    /// Where all files begin; unless told the song's origin, or the first region if that is earlier.
    pub from: Option<Position>,
    /// Where all files end, before the tail; unless told the end of the last region.
    pub until: Option<Position>,
    /// How much longer all files are, for what still rings.
    pub tail: Length,
    /// Which files are written.
    pub parts: Parts,
    /// The template of file names.
    pub names: &'a str,
    /// Rate of the files in Hz; the session's unless told.
    pub rate: Option<u32>,
    /// Whether dither is added where an integer file loses bits.
    pub dither: bool,
    /// Whether lanes go through their tone.
    pub tone: bool,
    /// Whether lanes that go through a tone are also written without it.
    pub dry_too: bool,
    /// Whether loudness and true peaks are measured.
    pub loudness: bool,
    /// What WAV files say about themselves in a `bext` chunk; `None` writes no such chunk.
    pub notes: Option<FileNotes<'a>>,
}

impl Default for BounceOptions<'_> {
    fn default() -> Self {
        BounceOptions {
            from: None,
            until: None,
            tail: Length::ZERO,
            parts: Parts { lanes: true, roles: false, stack: true },
            names: DEFAULT_NAMES,
            rate: None,
            dither: true,
            tone: true,
            dry_too: false,
            loudness: false,
            notes: None,
        }
    }
}

/// Which files a bounce writes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Parts {
    /// One file for every lane, muted ones too.
    pub lanes: bool,
    /// One file for every role: the sum of its lanes that are not muted.
    pub roles: bool,
    /// The sum of the lanes that are neither muted nor backing.
    pub stack: bool,
}

/// What WAV files say about themselves.
#[derive(Debug, Clone, Copy, Default)]
pub struct FileNotes<'a> {
    /// Where the song's position 0 lies, in samples of the session's rate since midnight.
    pub origin: u64,
    /// `yyyy-mm-dd`; may be empty.
    pub date: &'a str,
    /// `hh:mm:ss`; may be empty.
    pub time: &'a str,
    /// What tells this state of this session from others.
    pub reference: &'a str,
}

/// Writes the files that were asked for: lanes from top to bottom, sums of roles, the stack.
///
/// All files begin at one position and have one length. A lane is mono if it is mono and panned to the middle; else its
/// pan is in the file; sums are stereo. Progress counts frames. The samples do not depend on the number of threads. Uses
/// the threads of the current rayon pool.
///
/// # Errors
/// See [`BounceError`]. After an error, or once `progress` said to stop, no file stands under its final name.
pub fn bounce(request: &BounceRequest<'_>, progress: &dyn Progress) -> Result<Bounce, BounceError> {
    let layout = Layout::new(request)?;
    // The sources first: a missing recording is found before anything is written.
    let sources = layout.open_sources(request)?;
    let staging = Staging::new(request.folder, layout.names.clone(), request.overwrite)?;
    let bounced = render(request, &layout, sources, Some(&staging), progress);
    let bounced = bounced.map_err(|error| staging.in_words(error))?;
    staging.publish()?;
    Ok(bounced)
}

/// Renders what [`bounce`] would write and measures it, but writes nothing.
///
/// # Errors
/// See [`BounceError`].
pub fn survey(request: &BounceRequest<'_>, progress: &dyn Progress) -> Result<Bounce, BounceError> {
    let layout = Layout::new(request)?;
    let sources = layout.open_sources(request)?;
    render(request, &layout, sources, None, progress)
}

/// What a bounce comes to before anything is read.
pub(super) struct Layout {
    plan: Plan,
    /// What the files hold, and the channels of each.
    outputs: Vec<(Output, u16)>,
    /// Names of the files.
    pub(super) names: Vec<String>,
    start: Position,
    length: Length,
    file_rate: u32,
    file_length: u64,
}

/// What a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Output {
    /// The lane at an index.
    Lane(usize),
    /// The same without its tone.
    Dry(usize),
    Role(Role),
    Stack,
}

impl Layout {
    pub(super) fn new(request: &BounceRequest<'_>) -> Result<Layout, BounceError> {
        let channels = |id| request.assets.iter().find(|asset| asset.id == id).map(|asset| asset.channels);
        let plan = Plan::compile(request.song, request.rate, &channels);
        let extent = plan.extent().ok_or(BounceError::Nothing)?;
        let options = &request.options;
        let start = options.from.unwrap_or(extent.start.min(Position(0)));
        let end = options.until.unwrap_or(extent.end);
        if end <= start {
            return Err(BounceError::Empty);
        }
        let length = end.since(start) + options.tail;
        let template = NameTemplate::read(options.names)?;
        let file_rate = options.rate.unwrap_or(request.rate);
        let outputs = outputs(&plan, options);
        let name = |(output, _): &(Output, u16)| {
            let subject = match *output {
                Output::Lane(index) | Output::Dry(index) => {
                    Subject::Lane(index + 1, plan.lanes().get(index).map(|lane| &**lane.source())?)
                }
                Output::Role(role) => Subject::Role(role),
                Output::Stack => Subject::Stack,
            };
            let name = template.fill(request.title, file_rate, request.format, subject);
            Some(if matches!(output, Output::Dry(_)) { name + DRY } else { name })
        };
        let names =
            file_names::distinct(outputs.iter().filter_map(name).collect(), request.format.extension());
        let file_length = conformed_frames(length.0, request.rate, file_rate);
        if outputs.is_empty() || file_length == 0 {
            return Err(BounceError::Empty);
        }
        Ok(Layout { plan, outputs, names, start, length, file_rate, file_length })
    }

    /// Where all files begin on the timeline.
    pub(super) fn start(&self) -> Position {
        self.start
    }

    /// Samples at the session's rate in every file.
    pub(super) fn length(&self) -> Length {
        self.length
    }

    pub(super) fn open_sources(&self, request: &BounceRequest<'_>) -> Result<Vec<FileSamples>, BounceError> {
        let lanes = self.plan.lanes().iter().zip(1..);
        lanes.map(|(lane, number)| open_sources(request, lane, number)).collect()
    }

    /// Position of the first sample of every file, in samples of the file's rate.
    fn file_start(&self, request: &BounceRequest<'_>) -> i64 {
        let distance = conformed_frames(self.start.0.unsigned_abs(), request.rate, self.file_rate);
        let distance = i64::try_from(distance).unwrap_or(i64::MAX);
        if self.start.0 < 0 { -distance } else { distance }
    }
}

fn outputs(plan: &Plan, options: &BounceOptions) -> Vec<(Output, u16)> {
    let parts = options.parts;
    let mut outputs = Vec::new();
    let lanes = || plan.lanes().iter().enumerate();
    if parts.lanes {
        outputs.extend(lanes().map(|(index, lane)| (Output::Lane(index), file_channels(lane))));
    }
    if parts.lanes && options.tone && options.dry_too {
        let toned = lanes().filter(|(_, lane)| lane.tone().is_some_and(|tone| !tone.is_idle()));
        outputs.extend(toned.map(|(index, lane)| (Output::Dry(index), file_channels(lane))));
    }
    if parts.roles {
        let sounds = |role| plan.lanes().iter().any(|lane| lane.role == role && !lane.mute);
        let roles = Role::ALL.iter().map(|(role, _)| *role).filter(|role| sounds(*role));
        outputs.extend(roles.map(|role| (Output::Role(role), 2)));
    }
    if parts.stack {
        outputs.push((Output::Stack, 2));
    }
    outputs
}

/// Renders and, with `staging`, writes the files where they grow.
pub(super) fn render(
    request: &BounceRequest<'_>,
    layout: &Layout,
    sources: Vec<FileSamples>,
    staging: Option<&Staging>,
    progress: &dyn Progress,
) -> Result<Bounce, BounceError> {
    let mut run = Run::new(request, layout, sources, staging)?;
    run.lead_in(layout.start)?;
    let mut done = Length::ZERO;
    while done < layout.length {
        let frames = (layout.length.0 - done.0).min(CHUNK as u64);
        run.step(layout.start + done, usize::try_from(frames).unwrap_or(CHUNK))?;
        done = done + Length(frames);
        if !progress.advance(done.0, layout.length.0) {
            return Err(BounceError::Cancelled);
        }
    }
    run.step(layout.start + done, 0)?;
    let files = run.finish(request, layout)?;
    let start = layout.file_start(request);
    Ok(Bounce { rate: layout.file_rate, start, length: layout.file_length, files })
}

/// Where [`bounce`] would write its files. Nothing is touched.
///
/// # Errors
/// The request cannot be met; see [`BounceError`].
pub fn bounce_targets(request: &BounceRequest<'_>) -> Result<Vec<PathBuf>, BounceError> {
    let layout = Layout::new(request)?;
    Ok(layout.names.iter().map(|name| request.folder.join(name)).collect())
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

struct SumWriter {
    output: Output,
    sum: [Vec<f32>; 2],
    outlet: Outlet,
}

/// The way into the file at `index`.
fn outlet(
    request: &BounceRequest<'_>,
    layout: &Layout,
    staging: Option<&Staging>,
    index: usize,
    channels: u16,
) -> Result<Outlet, BounceError> {
    let format = request.format;
    let path = staging.map_or_else(PathBuf::new, |staging| staging.growing(index));
    let spec = WavSpec { channels, rate: layout.file_rate, format };
    let bext = || request.options.notes.map(|notes| bext_of(request, layout, notes, index, channels));
    let sink = staging.map(|_| create_sink_with(&path, spec, bext())).transpose()?;
    let way = Way {
        channels,
        rate: request.rate,
        file_rate: layout.file_rate,
        frames: layout.length.0,
        file_frames: layout.file_length,
        dither_bits: (request.options.dither && format.bits() <= 24).then(|| format.bits()),
        seed: index as u64,
        loudness: request.options.loudness,
    };
    Ok(Outlet::new(&path, way, sink)?)
}

/// What the file at `index` says about itself. No clock is read: the same state gives the same file.
fn bext_of(
    request: &BounceRequest<'_>,
    layout: &Layout,
    notes: FileNotes,
    index: usize,
    channels: u16,
) -> Bext {
    let name = layout.names.get(index).map_or("", String::as_str);
    let reference = blake3::hash(format!("{}\n{name}", notes.reference).as_bytes()).to_hex();
    let origin = conformed_frames(notes.origin, request.rate, layout.file_rate);
    let dither = if request.options.dither && request.format.bits() <= 24 { ";TPDF dither" } else { "" };
    // EBU R 98 (from memory): A coding, F rate, W bits, M mode, T text; a line for each step.
    let line = |text: String| {
        let mode = if channels == 1 { "mono" } else { "stereo" };
        format!("A=PCM,F={},W={},M={mode},T={text}\r\n", layout.file_rate, request.format.bits())
    };
    let row = match layout.outputs.get(index) {
        Some((Output::Lane(row), _)) if request.options.tone => Some(*row),
        _ => None,
    };
    let tone = row.and_then(|row| layout.plan.lanes().get(row)?.tone().map(crate::song::tone_words));
    let tone = tone.filter(|lines| !lines.is_empty());
    // A comma would end the field.
    let tone = tone.map(|lines| line(format!("tone: {}", lines.join("; ").replace(',', ";"))));
    let history = tone.unwrap_or_default() + &line(format!("Tautline {}{dither}", env!("CARGO_PKG_VERSION")));
    Bext {
        description: format!("{}: {name}", request.title),
        originator: "Tautline".into(),
        reference: format!("TL{}", reference.as_str().chars().take(30).collect::<String>()),
        date: notes.date.into(),
        time: notes.time.into(),
        time_reference: origin.saturating_add_signed(layout.file_start(request)),
        history,
        loudness: None,
    }
}

impl Run {
    fn new(
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
                sum => sums.push(SumWriter { output: sum, sum: buffers(), outlet }),
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
    fn lead_in(&mut self, start: Position) -> Result<(), BounceError> {
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
    fn step(&mut self, at: Position, frames: usize) -> Result<(), BounceError> {
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
    fn finish(self, request: &BounceRequest<'_>, layout: &Layout) -> Result<Vec<BouncedFile>, BounceError> {
        let Run { mut writers, sums, targets, .. } = self;
        // In the order of the outputs: lanes, the same without their tone, sums.
        let dry: Vec<LaneFile> = writers.iter_mut().filter_map(LaneWriter::take_dry).collect();
        let lanes =
            writers.into_iter().filter_map(|writer| writer.file).chain(dry).map(LaneFile::into_outlet);
        let outlets: Vec<Outlet> = lanes.chain(sums.into_iter().map(|sum| sum.outlet)).collect();
        let passed: Result<Vec<Passed>, MediaError> = outlets.into_par_iter().map(Outlet::finish).collect();
        let clips = request.format != OutputFormat::F32;
        let files = passed?.into_iter().zip(&layout.outputs).zip(targets).map(|((passed, output), path)| {
            let (output, channels) = *output;
            let lane = match output {
                Output::Lane(index) | Output::Dry(index) => {
                    layout.plan.lanes().get(index).map(|lane| (index + 1, lane))
                }
                _ => None,
            };
            BouncedFile {
                path,
                kind: match output {
                    Output::Lane(_) => FileKind::Lane,
                    Output::Dry(_) => FileKind::Dry,
                    Output::Role(_) => FileKind::Role,
                    Output::Stack => FileKind::Stack,
                },
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

impl SumWriter {
    fn step(&mut self, signals: &[Signal], frames: usize) -> Result<(), BounceError> {
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
