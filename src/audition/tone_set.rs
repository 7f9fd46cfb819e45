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
use super::pace::{BLOCK, Purse, cost, work};
use super::source::Source;
use super::voice::CHUNK;
use crate::mix::{Scratch, ToneStage, render_edits};
use crate::song::{Length, Position, Span};
use crate::sound::bank::Blocks;

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
    /// What is left of what was paid for that.
    kept_purse: Purse,
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
    /// Work for each of them.
    each: u64,
    /// What is left of what they paid.
    purse: Purse,
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
            kept_purse: Purse::default(),
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
            self.kept_purse = Purse::default();
            self.kept.reset();
            self.kept.move_to(self.kept_to);
        }
        if self.kept_to < until {
            let lanes = self.blocks.len();
            self.kept_purse.pay(frames as u64, (work(scene, lanes) / 4).max(lanes as u64));
        }
        let ToneSet { kept, kept_to, kept_purse, blocks, .. } = self;
        run_on(&mut Toned { stage: kept, blocks }, scene, kept_to, until, kept_purse, scratch, source);
    }

    /// Begins the pre-roll of a start at `target`, which `follows` from what is heard or not; `ahead` tells where what is
    /// heard will be in so many frames.
    pub(super) fn begin_preroll(
        &mut self,
        scene: &Scene,
        target: Position,
        ahead: Option<&dyn Fn(u64) -> Position>,
    ) -> Preroll {
        let (follows, each) = (ahead.is_some(), work(scene, self.blocks.len()));
        let (rows, length) = (self.main.rows(), self.main.preroll());
        let of = |from: Position, to: Position| cost(scene, rows, from, to.since(from).0);
        let start = |target| self.main.preroll_from(target, scene.plan());
        // Where it begins depends on how long it takes, and the other way round: one look ahead is near enough, since what is paid
        // for each frame is made to fit in the end.
        let (wait, target) = match ahead {
            Some(ahead) => {
                let guess = ahead(length * rows.len() as u64 / each);
                let wait = of(start(guess), guess).div_ceil(each);
                (wait, ahead(wait))
            }
            None => (of(start(target), target).div_ceil(each), target),
        };
        let at = start(target);
        let each = of(at, target).div_ceil(wait.max(1));
        self.main.reset();
        self.main.move_to(at);
        Preroll { target, at, wait, each, purse: Purse::default(), follows }
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
        let Preroll { target, at, wait, each, purse, .. } = preroll;
        if *wait == 0 {
            *purse = Purse::FULL;
        } else {
            purse.pay(frames as u64, *each);
        }
        run_on(&mut self.playing(), scene, at, *target, purse, scratch, source);
    }

    /// True if what is heard goes on at `at`.
    pub(super) fn stands_at(&self, at: Position) -> bool {
        self.main.stands_at(at)
    }

    /// Takes over everything from the processors of the same scene.
    pub(super) fn copy(&mut self, other: &ToneSet) {
        self.main.restore(&other.main);
        self.kept.restore(&other.kept);
        (self.kept_for, self.kept_to, self.kept_purse) = (other.kept_for, other.kept_to, other.kept_purse);
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
}

/// Runs a stage towards `until`, as far as the purse reaches.
fn run_on<S: Source + ?Sized>(
    toned: &mut Toned<'_>,
    scene: &Scene,
    at: &mut Position,
    until: Position,
    purse: &mut Purse,
    scratch: &mut Scratch,
    source: &mut S,
) {
    while *at < until {
        let frames = until.since(*at).0.min(BLOCK);
        if !purse.take(cost(scene, toned.stage.rows(), *at, frames)) {
            return;
        }
        toned.run(scene, *at, usize::try_from(frames).unwrap_or(CHUNK), scratch, source);
        *at = *at + Length(frames);
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
