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
//! from a lane's first sample on, or from anywhere before, is the bounce's sample, bit for bit. To begin in mid-song, give it the
//! [`ToneStage::preroll`] frames before first and throw them away: what follows then differs from the bounce by less
//! than [`PREROLL_BOUND_DB`](crate::sound::bank::PREROLL_BOUND_DB) of the sound. For a loop, clone the stage at the loop's start (outside of
//! the callback) and [`ToneStage::restore`] it at each pass.
//!
//! **A swap of plans.** Make the stage of the new plan outside the callback, [`ToneStage::adopt`] the old one inside: state is
//! kept, parameters glide.

use super::plan::{Plan, PlanLane};
use crate::song::{LaneId, Tone};
use crate::sound::bank::{Bank, Blocks, Group, Hear, Reduction, Search, Voice};

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
    /// For each voice of the bank the lane's row in the plan.
    rows: Vec<usize>,
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
        let none = Tone::default();
        let mut rows = Vec::new();
        let mut voices = Vec::new();
        for (row, lane) in plan.lanes().iter().enumerate() {
            let ear = ear(lane.id);
            let own = lane.tone().filter(|_| !ear.before).unwrap_or(&none);
            let kept = old.is_some_and(|old| old.reduction(lane.id).is_some());
            if own.is_idle() && ear.search.is_none() && !kept {
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
        ToneStage { bank: Bank::new(&voices, plan.rate()), rows }
    }

    /// True if no lane has a tone that does anything.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Processes the next `frames` frames of all lanes in place, from position `at` on. `blocks` is asked by the lane's row in
    /// the plan. Realtime-safe.
    pub fn process(&mut self, at: i64, frames: usize, blocks: &mut impl Blocks) {
        let ToneStage { bank, rows } = self;
        for group in bank.groups_mut() {
            process_group(group, rows, at, frames, blocks);
        }
    }

    /// Frames that a start in mid-song must be given, and thrown away, before what is heard.
    #[must_use]
    pub fn preroll(&self) -> u64 {
        self.bank.groups().iter().map(Group::tail).max().unwrap_or(0)
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

    /// Takes it apart into groups of up to eight channels, for a bounce that works on them side by side. Allocates.
    #[must_use]
    pub fn into_parts(self) -> Vec<ToneGroup> {
        let rows = self.rows;
        let part = |group: &Group| ToneGroup { group: group.clone(), rows: rows.clone() };
        self.bank.groups().iter().map(part).collect()
    }
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
