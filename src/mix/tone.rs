//! The tone stage: the processors of all lanes of a plan, between [`render_edits`](super::render_edits) and
//! [`set_level`](super::set_level), for the loudspeaker and for the bounce alike.
//!
//! ```text
//! for each lane:   render_edits(lane, at, its block, …)
//! once:            stage.process(at, frames, &mut blocks)
//! for each lane:   set_level(lane.level, its block), mix_into(…)
//! ```
//!
//! **Where it begins.** Blocks that follow each other go on; one that does not begins from silence. What is heard
//! from a lane's first sample on, or from anywhere before, is the same wherever it began, bit for bit. To begin in mid-song,
//! everybody (a bounce of a part, a jump, each pass of a loop) gives it the [`ToneStage::preroll`] frames before first and throws
//! them away. So all of them give the same bits there, and differ from a bounce of the whole song by less than
//! [`PREROLL_BOUND_DB`](crate::sound::bank::PREROLL_BOUND_DB) of the sound. The pre-roll belongs to the plan, not to
//! what of it is heard: a lane sounds the same in any company.
//!
//! **A swap of plans.** Make the stage of the new plan outside the callback, [`ToneStage::adopt`] the old one inside: state is
//! kept, parameters glide.

use super::plan::{Plan, PlanLane};
use crate::song::{LaneId, Position, Tone};
use crate::sound::bank::{Bank, Blocks, Group, Hear, Reduction, Search, Voice, tail_frames};

/// Shortest pre-roll in parts of a second: longer than the seam of a loop, which lies in it.
const LEAST_PREROLL: u32 = 50;

/// What is heard of one lane instead of its tone as it is set. For listening only.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ear {
    /// Part of the chain that is heard.
    pub hear: Hear,
    /// A narrow boost that looks for what disturbs; held to 12 dB.
    pub search: Option<Search>,
    /// The lane as it is before its tone.
    pub before: bool,
}

/// The processors of the lanes of a plan.
#[derive(Debug, Clone)]
pub struct ToneStage {
    bank: Bank,
    /// For each voice of the bank the lane's row in the plan, rising.
    rows: Vec<usize>,
    preroll: u64,
}

impl ToneStage {
    /// The processors of the lanes of `plan` whose tone does something. Allocates.
    #[must_use]
    pub fn new(plan: &Plan) -> ToneStage {
        ToneStage::for_listening(plan, &|_| Ear::default(), None)
    }

    /// As [`ToneStage::new`], with a choice of what is heard of each lane; lanes that have processors in `old` get them too,
    /// so that they can glide to what they are now. Allocates.
    #[must_use]
    pub fn for_listening(plan: &Plan, ear: &dyn Fn(LaneId) -> Ear, old: Option<&ToneStage>) -> ToneStage {
        let kept = |lane: &PlanLane| old.is_some_and(|old| old.reduction(lane.id).is_some());
        ToneStage::of(plan, &|_| true, ear, &kept)
    }

    /// The processors of those lanes alone whose row `heard` lets through. Allocates.
    #[must_use]
    pub fn of_heard(plan: &Plan, heard: &dyn Fn(usize) -> bool, ear: &dyn Fn(LaneId) -> Ear) -> ToneStage {
        ToneStage::of(plan, heard, ear, &|_| false)
    }

    fn of(
        plan: &Plan,
        heard: &dyn Fn(usize) -> bool,
        ear: &dyn Fn(LaneId) -> Ear,
        kept: &dyn Fn(&PlanLane) -> bool,
    ) -> ToneStage {
        let none = Tone::default();
        let mut rows = Vec::new();
        let mut voices = Vec::new();
        for (row, lane) in plan.lanes().iter().enumerate().filter(|(row, _)| heard(*row)) {
            let ear = ear(lane.id);
            let own = lane.tone().filter(|_| !ear.before).unwrap_or(&none);
            if own.is_idle() && ear.search.is_none() && !kept(lane) {
                continue;
            }
            rows.push(row);
            voices.push(Voice {
                key: lane.id.0,
                tone: own,
                channels: usize::from(lane.channels),
                hear: ear.hear,
                search: ear.search,
            });
        }
        let preroll =
            if rows.is_empty() { 0 } else { preroll(plan).max(u64::from(plan.rate() / LEAST_PREROLL)) };
        ToneStage { bank: Bank::new(&voices, plan.rate()), rows, preroll }
    }

    /// True if no lane has a tone that does anything.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Processes the next `frames` frames of all lanes in place, from position `at` on. `blocks` is asked by the lane's row in
    /// the plan. Realtime-safe.
    pub fn process(&mut self, at: i64, frames: usize, blocks: &mut impl Blocks) {
        let ToneStage { bank, rows, .. } = self;
        for group in bank.groups_mut() {
            process_group(group, rows, at, frames, blocks);
        }
    }

    /// As [`ToneStage::process`], with the blocks of its own lanes alone: `blocks` is asked by the place of the lane in
    /// [`ToneStage::rows`]. Realtime-safe.
    pub fn process_own(&mut self, at: i64, frames: usize, blocks: &mut impl Blocks) {
        for group in self.bank.groups_mut() {
            group.process(at, frames, blocks);
        }
    }

    /// Rows in the plan of the lanes that have processors, rising.
    #[must_use]
    pub fn rows(&self) -> &[usize] {
        &self.rows
    }

    /// Frames that a start in mid-song is given, and that are thrown away, before what is heard.
    #[must_use]
    pub fn preroll(&self) -> u64 {
        self.preroll
    }

    /// Where the pre-roll of a start at `at` begins; there is nothing to hear before the plan's first sample. Realtime-safe.
    #[must_use]
    pub fn preroll_from(&self, at: Position, plan: &Plan) -> Position {
        let first = plan.extent().map_or(at, |extent| extent.start);
        Position(at.0.saturating_sub_unsigned(self.preroll)).max(first.min(at))
    }

    /// True if the block that goes on begins at `at`. Realtime-safe.
    #[must_use]
    pub fn stands_at(&self, at: Position) -> bool {
        self.bank.groups().iter().all(|group| group.stands_at(at.0))
    }

    /// Lets a block at `at` go on from the state as it is: through a splice. Realtime-safe.
    pub fn move_to(&mut self, at: Position) {
        self.bank.groups_mut().iter_mut().for_each(|group| group.move_to(at.0));
    }

    /// Begins anew from silence. Realtime-safe.
    pub fn reset(&mut self) {
        self.bank.reset();
    }

    /// Takes over the state of the stage before and glides from its parameters to its own. Realtime-safe.
    pub fn adopt(&mut self, old: &ToneStage) {
        self.bank.adopt(&old.bank);
    }

    /// Takes over the state of a clone that was made earlier; false, and nothing happens, if it is not one. Realtime-safe.
    pub fn restore(&mut self, kept: &ToneStage) -> bool {
        self.rows == kept.rows && self.bank.restore(&kept.bank)
    }

    /// What the dynamics of a lane take away right now; `None` if it has no processors. Realtime-safe.
    #[must_use]
    pub fn reduction(&self, lane: LaneId) -> Option<Reduction> {
        self.bank.reduction(lane.0)
    }

    /// Tells for each of its lanes the row in the plan and what its dynamics take away right now. Realtime-safe.
    pub fn reductions(&self, tell: &mut dyn FnMut(usize, Reduction)) {
        self.bank.reductions(&mut |voice, reduction| {
            if let Some(row) = self.rows.get(voice) {
                tell(*row, reduction);
            }
        });
    }

    /// Takes it apart into groups of up to eight channels, for a bounce that works on them side by side. Allocates.
    #[must_use]
    pub fn into_parts(self) -> Vec<ToneGroup> {
        let rows = self.rows;
        let part = |group: &Group| ToneGroup { group: group.clone(), rows: rows.clone() };
        self.bank.groups().iter().map(part).collect()
    }
}

/// Frames that a start in mid-song is given, and that are thrown away, before what is heard: the longest tail of all lanes' tones,
/// whatever of them is heard; 0 if none has a tone.
#[must_use]
pub fn preroll(plan: &Plan) -> u64 {
    let tones = plan.lanes().iter().filter_map(|lane| lane.tone()).filter(|tone| !tone.is_idle());
    let longest = tones.map(|tone| tail_frames(tone, plan.rate())).max();
    longest.map_or(0, |tail| tail.max(u64::from(plan.rate() / LEAST_PREROLL)))
}

/// One group of a [`ToneStage`], to be run on a thread of its own.
#[derive(Debug, Clone)]
pub struct ToneGroup {
    group: Group,
    rows: Vec<usize>,
}

impl ToneGroup {
    /// The rows of its lanes in the plan. Allocates.
    #[must_use]
    pub fn rows(&self) -> Vec<usize> {
        let mut rows: Vec<usize> =
            self.group.places().filter_map(|place| self.rows.get(place.voice).copied()).collect();
        rows.sort_unstable();
        rows.dedup();
        rows
    }

    /// As [`ToneStage::process`], for the lanes of this group.
    pub fn process(&mut self, at: i64, frames: usize, blocks: &mut impl Blocks) {
        process_group(&mut self.group, &self.rows, at, frames, blocks);
    }
}

/// Blocks by voice out of blocks by row.
struct ByRow<'a, B> {
    rows: &'a [usize],
    blocks: &'a mut B,
}

impl<B: Blocks> Blocks for ByRow<'_, B> {
    fn block(&mut self, voice: usize, channel: usize) -> &mut [f32] {
        self.blocks.block(self.rows.get(voice).copied().unwrap_or(usize::MAX), channel)
    }
}

fn process_group(group: &mut Group, rows: &[usize], at: i64, frames: usize, blocks: &mut impl Blocks) {
    group.process(at, frames, &mut ByRow { rows, blocks });
}

impl PlanLane {
    /// The lane's tone, if it has one.
    #[must_use]
    pub fn tone(&self) -> Option<&Tone> {
        self.source().tone.as_deref()
    }
}
