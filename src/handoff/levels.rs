//! The levels of a stack: how loud its lanes and their sum are, what cancels, what piles up. One rendering of all lanes,
//! as the bounce would have it.

use rayon::prelude::*;

use super::bounce::AssetFile;
use super::file_samples::FileSamples;
use super::levels_report::{EssPile, LaneLevels, Levels, RoleLevels, StackLevels};
use crate::listen::loudness::PowerTrack;
use crate::listen::stack::{EssTrack, Excerpts, MonoMeter, Pair, PairFinder, piles};
use crate::media::{MediaError, WavReader};
use crate::mix::{Bus, Plan, PlanLane, Scratch, ToneStage, mix_into, render_edits, set_level};
use crate::song::{Lane, Length, Position, Role, Song, Span};
use crate::sound::bank::Blocks;
use crate::sound::loudness::LoudnessMeter;

/// Frames rendered at a time.
const BLOCK: usize = 8192;
/// Frames between two looks at the dynamics.
const LOOK: usize = 256;
/// Esses of at least this part of the stack at once are a pile, and of at least three lanes (common practice, no source).
const PILE_PART: f64 = 0.6;
const PILE_LEAST: usize = 3;
/// A reduction below this has gone back.
const RELEASED_DB: f64 = 0.5;

/// What to measure.
#[derive(Debug, Clone, Copy)]
pub struct LevelsRequest<'a> {
    /// The state.
    pub song: &'a Song,
    /// The session's rate in Hz.
    pub rate: u32,
    /// Working copies of the recordings that are there.
    pub copies: &'a [AssetFile],
    /// Whether lanes go through their tone.
    pub tone: bool,
}

/// Measures; `None` if the song has no region. Uses the threads of the current rayon pool.
///
/// # Errors
/// A working copy cannot be read.
pub fn levels(request: &LevelsRequest) -> Result<Option<Levels>, MediaError> {
    let channels = |id| request.copies.iter().find(|file| file.id == id).map(|file| file.channels);
    let plan = Plan::compile(request.song, request.rate, &channels);
    let Some(extent) = plan.extent() else { return Ok(None) };
    let mut run = Run::new(request, &plan, extent)?;
    let mut at = extent.start;
    while at < extent.end {
        let frames = usize::try_from(extent.end.since(at).0).unwrap_or(BLOCK).min(BLOCK);
        run.step(at, frames)?;
        at = at + Length(frames as u64);
    }
    Ok(Some(run.finish(request, &plan, extent)))
}

/// Opens the recordings of a lane.
pub(super) fn open(copies: &[AssetFile], lane: &Lane) -> Result<FileSamples, MediaError> {
    let mut samples = FileSamples::default();
    for region in &lane.regions {
        if samples.has(region.asset) {
            continue;
        }
        if let Some(file) = copies.iter().find(|file| file.id == region.asset) {
            samples.add(region.asset, WavReader::open(&file.path)?);
        }
    }
    Ok(samples)
}

/// One lane while it is measured.
struct LaneRun {
    planned: std::sync::Arc<PlanLane>,
    samples: FileSamples,
    scratch: Scratch,
    block: [Vec<f32>; 2],
    power: PowerTrack,
    esses: EssTrack,
    excerpts: Excerpts,
    peak: Peak,
    dynamics: Dynamics,
}

#[derive(Debug, Clone, Copy)]
struct Peak {
    level: f32,
    at: Position,
}

impl Peak {
    fn note(&mut self, block: &[f32], start: Position) {
        for (sample, offset) in block.iter().zip(0u64..) {
            if sample.abs() > self.level {
                *self = Peak { level: sample.abs(), at: start + Length(offset) };
            }
        }
    }

    fn db(self) -> Option<f64> {
        (self.level > 0.0).then(|| 20.0 * f64::from(self.level).log10())
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Dynamics {
    deess_most: f64,
    compress_most: f64,
    /// The least reduction since the compressor first acted.
    least_since: Option<f64>,
}

struct Run {
    lanes: Vec<LaneRun>,
    stage: Option<ToneStage>,
    meter: LoudnessMeter,
    mono: MonoMeter,
    peak: Peak,
    sums: [Vec<f64>; 2],
    out: [Vec<f32>; 2],
}

struct Rows<'a>(&'a mut [LaneRun], std::ops::Range<usize>);

impl Blocks for Rows<'_> {
    fn block(&mut self, row: usize, channel: usize) -> &mut [f32] {
        let block = self.0.get_mut(row).and_then(|lane| lane.block.get_mut(channel));
        block.and_then(|block| block.get_mut(self.1.clone())).unwrap_or_default()
    }
}

impl Run {
    fn new(request: &LevelsRequest, plan: &Plan, extent: Span) -> Result<Run, MediaError> {
        let none = Peak { level: 0.0, at: extent.start };
        let room = || [vec![0.0f32; BLOCK], vec![0.0f32; BLOCK]];
        let mut lanes = Vec::new();
        for (planned, lane) in plan.lanes().iter().zip(&request.song.lanes) {
            lanes.push(LaneRun {
                planned: std::sync::Arc::clone(planned),
                samples: open(request.copies, lane)?,
                scratch: Scratch::new(BLOCK),
                block: room(),
                power: PowerTrack::new(request.rate),
                esses: EssTrack::new(request.rate),
                excerpts: Excerpts::new(extent.end.since(extent.start).0, request.rate),
                peak: none,
                dynamics: Dynamics::default(),
            });
        }
        Ok(Run {
            lanes,
            stage: request.tone.then(|| ToneStage::new(plan)).filter(|stage| !stage.is_empty()),
            meter: LoudnessMeter::new(2, request.rate),
            mono: MonoMeter::new(request.rate),
            peak: none,
            sums: [vec![0.0; BLOCK], vec![0.0; BLOCK]],
            out: room(),
        })
    }

    fn step(&mut self, at: Position, frames: usize) -> Result<(), MediaError> {
        self.lanes.par_iter_mut().try_for_each(|lane| lane.render(at, frames))?;
        if let Some(stage) = &mut self.stage {
            let mut done = 0;
            while done < frames {
                let count = (frames - done).min(LOOK);
                let place = (at + Length(done as u64)).0;
                stage.process(place, count, &mut Rows(&mut self.lanes, done..done + count));
                self.lanes.iter_mut().for_each(|lane| lane.look(stage));
                done += count;
            }
        }
        self.lanes.par_iter_mut().for_each(|lane| lane.measure(at, frames));
        let [left, right] = &mut self.sums;
        let mut bus = Bus { left: &mut left[..frames], right: &mut right[..frames] };
        bus.clear();
        for lane in self.lanes.iter().filter(|lane| lane.planned.in_stack()) {
            let [left, right] = &lane.block;
            let block: [&[f32]; 2] = [&left[..frames], &right[..frames]];
            mix_into(lane.planned.pan_gains, &block[..usize::from(lane.planned.channels)], &mut bus);
        }
        let [left, right] = &mut self.out;
        let (left, right) = (&mut left[..frames], &mut right[..frames]);
        bus.take(left, right);
        self.peak.note(left, at);
        self.peak.note(right, at);
        self.mono.add(left, right);
        self.meter.add(&[left, right]);
        Ok(())
    }

    fn finish(self, request: &LevelsRequest, plan: &Plan, extent: Span) -> Levels {
        let guide = plan.lanes().iter().position(|lane| lane.role == Role::Guide);
        let loudness: Vec<Option<f64>> = self.lanes.iter().map(|lane| lane.power.gated()).collect();
        let guide = guide.and_then(|row| loudness[row]);
        let against = |lufs: Option<f64>| lufs.zip(guide).map(|(own, guide)| own - guide);
        let lanes: Vec<LaneLevels> = self
            .lanes
            .iter()
            .zip(&loudness)
            .enumerate()
            .map(|(row, (lane, lufs))| LaneLevels {
                lane: row + 1,
                name: lane.planned.source().name.clone(),
                role: lane.planned.role,
                in_stack: lane.planned.in_stack(),
                loudness_lufs: *lufs,
                against_guide_lu: against(*lufs),
                peak_db: lane.peak.db(),
                peak_at: lane.peak.at.0,
                deess_most_db: lane.dynamics.deess_most,
                compress_most_db: lane.dynamics.compress_most,
                compress_releases: lane.dynamics.least_since.is_none_or(|least| least < RELEASED_DB),
            })
            .collect();
        let roles = Role::ALL.iter().filter_map(|(role, _)| of_role(*role, &self.lanes, &loudness, &against));
        let roles = roles.collect();
        Levels {
            lanes,
            roles,
            stack: StackLevels {
                loudness: self.meter.result(),
                peak_db: self.peak.db(),
                peak_at: self.peak.at.0,
                mono: self.mono.finish(),
                pairs: pairs(&self.lanes, request.rate),
                piles: ess_piles(&self.lanes, extent),
            },
        }
    }
}

impl LaneRun {
    fn render(&mut self, at: Position, frames: usize) -> Result<(), MediaError> {
        let [left, right] = &mut self.block;
        let (left, right) = (&mut left[..frames], &mut right[..frames]);
        if self.planned.channels == 1 {
            render_edits(&self.planned, at, &mut [left], &mut self.samples, &mut self.scratch);
        } else {
            render_edits(&self.planned, at, &mut [left, right], &mut self.samples, &mut self.scratch);
        }
        self.samples.take_failure().map_or(Ok(()), Err)
    }

    /// Looks at what the dynamics take away.
    fn look(&mut self, stage: &ToneStage) {
        let Some(reduction) = stage.reduction(self.planned.id) else { return };
        let seen = &mut self.dynamics;
        seen.deess_most = seen.deess_most.max(reduction.deess_db);
        seen.compress_most = seen.compress_most.max(reduction.compress_db);
        seen.least_since = match seen.least_since {
            Some(least) => Some(least.min(reduction.compress_db)),
            None => (reduction.compress_db > 2.0 * RELEASED_DB).then_some(reduction.compress_db),
        };
    }

    fn measure(&mut self, at: Position, frames: usize) {
        let [left, right] = &mut self.block;
        let (left, right) = (&mut left[..frames], &mut right[..frames]);
        let stereo = self.planned.channels > 1;
        set_level(self.planned.level, &mut [&mut *left]);
        self.peak.note(left, at);
        if stereo {
            set_level(self.planned.level, &mut [&mut *right]);
            self.peak.note(right, at);
        }
        let middle: Vec<f32>;
        let heard: &[f32] = if stereo {
            middle = left.iter().zip(&*right).map(|(left, right)| 0.5 * (left + right)).collect();
            &middle
        } else {
            left
        };
        self.power.add(heard);
        self.esses.add(heard);
        self.excerpts.add(heard);
    }
}

fn of_role(
    role: Role,
    lanes: &[LaneRun],
    loudness: &[Option<f64>],
    against: &dyn Fn(Option<f64>) -> Option<f64>,
) -> Option<RoleLevels> {
    let own = lanes.iter().zip(loudness).filter(|(lane, _)| lane.planned.role == role && !lane.planned.mute);
    let own: Vec<Option<f64>> = own.map(|(_, lufs)| *lufs).collect();
    let power: f64 = own.iter().flatten().map(|lufs| 10f64.powf(lufs / 10.0)).sum();
    let lufs = (power > 0.0).then(|| 10.0 * power.log10());
    (!own.is_empty()).then(|| RoleLevels {
        role,
        lanes: own.len(),
        loudness_lufs: lufs,
        against_guide_lu: against(lufs),
    })
}

/// Pairs among the lanes that sound in the stack; indices become lane numbers.
fn pairs(lanes: &[LaneRun], rate: u32) -> Vec<Pair> {
    let sounding: Vec<(usize, &LaneRun)> =
        lanes.iter().enumerate().filter(|(_, lane)| lane.planned.in_stack()).collect();
    let Some((_, first)) = sounding.first() else { return Vec::new() };
    let (low_rate, length) = first.excerpts.shape(rate);
    let mut finder = PairFinder::new(sounding.len(), length, low_rate);
    for (index, (_, lane)) in sounding.iter().enumerate() {
        lane.excerpts.parts().iter().for_each(|part| finder.add(index, part));
    }
    let number = |index: usize| sounding[index].0 + 1;
    let renamed = |pair: Pair| Pair { first: number(pair.first), second: number(pair.second), ..pair };
    finder.pairs().into_iter().map(renamed).collect()
}

fn ess_piles(lanes: &[LaneRun], extent: Span) -> Vec<EssPile> {
    let sounding: Vec<&LaneRun> = lanes.iter().filter(|lane| lane.planned.in_stack()).collect();
    let Some(first) = sounding.first() else { return Vec::new() };
    let steps: Vec<&[bool]> = sounding.iter().map(|lane| lane.esses.steps()).collect();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few lanes")]
    let least = ((sounding.len() as f64 * PILE_PART).ceil() as usize).max(PILE_LEAST);
    let place = |frame: u64| (extent.start + Length(frame)).0;
    piles(&steps, first.esses.hop(), least)
        .into_iter()
        .map(|pile| EssPile { from: place(pile.start), to: place(pile.end), lanes: pile.lanes })
        .collect()
}
