//! The processors of a scene's lanes while it is heard, and those that its next place begins with.
//!
//! ```text
//!            start−preroll        start−seam  start                   end−seam    end
//!   ─────────────┼────────────────────┼─────────┼──────────────────────────┼───────┼──
//!   kept:        └ run, never heard ──┘
//!   main:                                       └ heard ───────────────────────────┤
//!   rising:                             fades in where the seam is, as kept was ┄┄┄┘ and is main from then on
//! ```
//!
//! Wherever sound begins (a play, a jump, each pass of a loop), the processors stand as those of a bounce that begins there: the
//! plan's pre-roll was sent through them first. Jumps are given it while what was heard sounds on, a loop's start while
//! the first pass plays. A pass that is over before that is done goes on from the state at the splice.
//!
//! Made outside the callback; everything but [`ToneSet::new`] is realtime-safe.

use super::listening::Scene;
use super::source::Source;
use super::voice::CHUNK;
use crate::mix::{Scratch, ToneStage, render_edits};
use crate::song::{Length, Position, Span};
use crate::sound::bank::Blocks;

/// Lanes times frames of pre-roll that are rendered, at 48 kHz, for every frame that is heard: with 64 lanes some third
/// of a core.
const WORK: u64 = 768;
/// The same for each frame, whatever the lanes: at least so many, or a jump would wait for ever; at most so many.
const LEAST: u64 = 3;
const MOST: u64 = 64;

/// The processors of a scene.
#[derive(Debug, Clone)]
pub struct ToneSet {
    main: ToneStage,
    rising: ToneStage,
    kept: ToneStage,
    /// The loop that `kept` is for: its start, and the seam before it.
    kept_for: Option<(Position, u64)>,
    /// Up to where `kept` has been run.
    kept_to: Position,
    /// The signal of each lane that has processors.
    blocks: Vec<[Vec<f32>; 2]>,
}

/// A stage with the room that it works in.
pub(super) struct Toned<'a> {
    pub(super) stage: &'a mut ToneStage,
    pub(super) blocks: &'a mut [[Vec<f32>; 2]],
}

/// A pre-roll under way.
#[derive(Debug, Clone, Copy)]
pub(super) struct Preroll {
    /// Where sound begins.
    pub(super) target: Position,
    /// Up to where it has been rendered.
    pub(super) at: Position,
    /// Frames of the stream until it is done.
    pub(super) wait: u64,
    /// What is heard goes on there by itself.
    pub(super) follows: bool,
}

impl ToneSet {
    /// The processors of the lanes that are heard of a scene; `None` if none of them has a tone. Allocates.
    #[must_use]
    pub(super) fn new(scene: &Scene) -> Option<Box<ToneSet>> {
        let main = ToneStage::of_heard(
            scene.plan(),
            &|row| scene.ways.get(row).is_some_and(Option::is_some),
            &|id| scene.ear(id),
        );
        if main.is_empty() {
            return None;
        }
        let wide = |row: &usize| scene.plan().lanes().get(*row).is_some_and(|lane| lane.channels > 1);
        let block = |row: &usize| [vec![0.0; CHUNK], vec![0.0; if wide(row) { CHUNK } else { 0 }]];
        Some(Box::new(ToneSet {
            blocks: main.rows().iter().map(block).collect(),
            rising: main.clone(),
            kept: main.clone(),
            main,
            kept_for: None,
            kept_to: Position(0),
        }))
    }

    /// What is heard.
    pub(super) fn playing(&mut self) -> Toned<'_> {
        Toned { stage: &mut self.main, blocks: &mut self.blocks }
    }

    /// Sees to it that what fades in goes on at `at`, in a seam. To be called before what is heard is processed: where the
    /// pre-roll is not done, the state at the splice is taken, however long the block is.
    pub(super) fn begin_rising(&mut self, at: Position) {
        if !self.rising.stands_at(at) {
            let from = if self.kept.stands_at(at) { &self.kept } else { &self.main };
            self.rising.restore(from);
            self.rising.move_to(at);
        }
    }

    /// What fades in, in a seam.
    pub(super) fn rising(&mut self) -> Toned<'_> {
        Toned { stage: &mut self.rising, blocks: &mut self.blocks }
    }

    /// The loop has gone round to its start.
    pub(super) fn go_round(&mut self, start: Position) {
        if self.rising.stands_at(start) {
            std::mem::swap(&mut self.main, &mut self.rising);
        } else if self.kept.stands_at(start) {
            self.main.restore(&self.kept);
        } else {
            self.main.move_to(start);
        }
    }

    /// Sees to it that the next pass of a loop finds its processors as a bounce from its start has them: renders a part
    /// of the pre-roll for `frames` frames that were heard.
    pub(super) fn prepare<S: Source + ?Sized>(
        &mut self,
        scene: &Scene,
        span: Span,
        seam: u64,
        frames: usize,
        scratch: &mut Scratch,
        source: &mut S,
    ) {
        let length = seam.min(span.end.since(span.start).0 / 2);
        let until = span.start - Length(length);
        if self.kept_for != Some((span.start, length)) {
            self.kept_for = Some((span.start, length));
            self.kept_to = self.kept.preroll_from(span.start, scene.plan()).min(until);
            self.kept.reset();
            self.kept.move_to(self.kept_to);
        }
        let most = frames as u64 * (self.speed(scene) / 4).max(1);
        let ToneSet { kept, kept_to, blocks, .. } = self;
        run_on(&mut Toned { stage: kept, blocks }, scene, kept_to, until, most, scratch, source);
    }

    /// Begins the pre-roll of a start at `target`, which `follows` from what is heard or not; `ahead` tells where what is
    /// heard will be in so many frames.
    pub(super) fn begin_preroll(
        &mut self,
        scene: &Scene,
        target: Position,
        ahead: Option<&dyn Fn(u64) -> Position>,
    ) -> Preroll {
        let speed = self.speed(scene);
        let follows = ahead.is_some();
        let target = ahead.map_or(target, |ahead| ahead(self.main.preroll().div_ceil(speed)));
        let at = self.main.preroll_from(target, scene.plan());
        self.main.reset();
        self.main.move_to(at);
        let frames = if follows { self.main.preroll() } else { target.since(at).0 };
        Preroll { target, at, wait: frames.div_ceil(speed), follows }
    }

    /// Renders the part of a pre-roll that `frames` frames of the stream pay for.
    pub(super) fn advance_preroll<S: Source + ?Sized>(
        &mut self,
        scene: &Scene,
        preroll: &mut Preroll,
        frames: usize,
        scratch: &mut Scratch,
        source: &mut S,
    ) {
        preroll.wait = preroll.wait.saturating_sub(frames as u64);
        let most = if preroll.wait == 0 { u64::MAX } else { frames as u64 * self.speed(scene) };
        run_on(&mut self.playing(), scene, &mut preroll.at, preroll.target, most, scratch, source);
    }

    /// True if what is heard goes on at `at`.
    pub(super) fn stands_at(&self, at: Position) -> bool {
        self.main.stands_at(at)
    }

    /// Takes over everything from the processors of the same scene.
    pub(super) fn copy(&mut self, other: &ToneSet) {
        self.main.restore(&other.main);
        self.kept.restore(&other.kept);
        (self.kept_for, self.kept_to) = (other.kept_for, other.kept_to);
    }

    /// Goes on at `at` from what was heard so far, or from no tone, and glides.
    pub(super) fn glide(&mut self, from: Option<&ToneSet>, nothing: &ToneStage, at: Position) {
        self.main.adopt(from.map_or(nothing, |from| &from.main));
        self.main.move_to(at);
    }

    /// What is heard, to be looked at.
    pub(super) fn stage(&self) -> &ToneStage {
        &self.main
    }

    /// Frames of pre-roll for each frame of the stream.
    fn speed(&self, scene: &Scene) -> u64 {
        let work = WORK * 48_000 / u64::from(scene.plan().rate().max(1));
        (work / self.blocks.len().max(1) as u64).clamp(LEAST, MOST)
    }
}

/// Runs a stage up to `until`, or `most` frames of it.
fn run_on<S: Source + ?Sized>(
    toned: &mut Toned<'_>,
    scene: &Scene,
    at: &mut Position,
    until: Position,
    most: u64,
    scratch: &mut Scratch,
    source: &mut S,
) {
    let mut left = if *at < until { until.since(*at).0.min(most) } else { 0 };
    while left > 0 {
        let frames = left.min(CHUNK as u64);
        toned.run(scene, *at, usize::try_from(frames).unwrap_or(CHUNK), scratch, source);
        *at = *at + Length(frames);
        left -= frames;
    }
}

impl Toned<'_> {
    /// Renders the edits of its lanes and sends them through their processors.
    pub(super) fn run<S: Source + ?Sized>(
        &mut self,
        scene: &Scene,
        at: Position,
        frames: usize,
        scratch: &mut Scratch,
        source: &mut S,
    ) {
        let lanes = scene.plan().lanes();
        for (row, [left, right]) in self.stage.rows().iter().zip(self.blocks.iter_mut()) {
            let Some(lane) = lanes.get(*row) else { continue };
            let left = left.get_mut(..frames).unwrap_or_default();
            if lane.channels > 1 {
                let right = right.get_mut(..frames).unwrap_or_default();
                render_edits(lane, at, &mut [left, right], source, scratch);
            } else {
                render_edits(lane, at, &mut [left], source, scratch);
            }
        }
        self.stage.process_own(at.0, frames, &mut Own { blocks: self.blocks, frames });
    }
}

/// Blocks by the place of the lane in the stage.
struct Own<'a> {
    blocks: &'a mut [[Vec<f32>; 2]],
    frames: usize,
}

impl Blocks for Own<'_> {
    fn block(&mut self, voice: usize, channel: usize) -> &mut [f32] {
        let block = self.blocks.get_mut(voice).and_then(|block| block.get_mut(channel));
        block.and_then(|block| block.get_mut(..self.frames)).unwrap_or_default()
    }
}
