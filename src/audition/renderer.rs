//! The engine behind every output: [`Renderer::render`] makes the next frames of the stream.
//!
//! Its way: voices (plan and kernel, in f64) → crossfade of a change → start and stop ramp × monitor level →
//! f32, finite → ceiling. While nothing changes, level and ramp are 1 and the ceiling has nothing to do, the
//! samples are those of the bounce, bit for bit, [`Renderer::latency`] frames late.
//!
//! - **Realtime-safe.** No allocation, lock, wait, log or system call. What arrives over a ring is moved, what is
//!   done with goes back over another one, whole.
//! - **Exact.** Commands take effect at the first sample of a callback; everything after that is computed from the
//!   number of the sample, so that any split into callbacks gives the same bits.
//! - **No click.** A change (plan, lanes, jump, loop) becomes a crossfade of [`Setup::swap`] samples between what was
//!   heard and what is heard. Changes that arrive while one is under way are joined to one that begins right after it: at most two
//!   voices sound at once, however fast edits come.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use ringbuf::traits::{Observer, Producer};

use super::ends::{give_back, take_if_room};
use super::head::Head;
use super::listening::Scene;
use super::master::Master;
use super::pending::Pending;
use super::setup::Setup;
use super::source::Source;
use super::tone_set::{Preroll, ToneSet};
use super::voice::{CHUNK, Place, Tapped, Voice, Work, at_hand, stretch_at_hand};
use super::wire::{Board, Command, Feed, Inside, Mark, Remote, Spent, Staged, wire};
use crate::mix::{Plan, ToneStage};
use crate::song::{Length, Position, Song};

/// Commands taken in one callback ...
const MOST_COMMANDS: usize = 64;
/// ... and what each of them can send back at most.
const SPENT: usize = 4;
/// What must be at hand, in frames of the stream, before a change begins: a few device periods.
const AHEAD: usize = 2048;

/// The realtime side of the engine; owned by an output's callback or thread.
pub struct Renderer<S: Source> {
    setup: Setup,
    source: S,
    inside: Inside,
    current: Voice,
    outgoing: Option<Voice>,
    /// Processors of the current scene that nothing goes through.
    spare: Option<Box<ToneSet>>,
    /// What lanes glide from that had no tone.
    nothing: ToneStage,
    /// The pre-roll of the pending change, if it needs one.
    preroll: Option<Preroll>,
    /// Samples of the crossfade that are done.
    swapped: u64,
    pending: Pending,
    /// Whether the pending change may begin in this callback.
    ready: bool,
    until: Option<Position>,
    /// Frame of the stream at which to stop.
    until_clock: Option<u64>,
    opened_at: Option<u64>,
    halted_at: Option<u64>,
    /// Heads move and voices sound.
    moving: bool,
    /// The first rise has been completed.
    risen: bool,
    master: Master,
    work: Work,
    /// Frames of the stream so far.
    clock: u64,
}

impl<S: Source> Renderer<S> {
    /// An engine that stands at `at`, with the ends of its rings: the remote control, and what the meters are fed
    /// with. Allocates.
    #[must_use]
    pub fn new(setup: Setup, source: S, scene: Arc<Scene>, at: Position) -> (Renderer<S>, Remote, Feed) {
        // A crossfade of no samples would divide by its length.
        let setup = Setup { swap: setup.swap.max(1), ..setup };
        let channels = scene.plan().lanes().iter().map(|lane| usize::from(lane.channels)).sum();
        let (inside, remote, feed) = wire(setup.rate, channels);
        inside.board.position.store(at.0, Ordering::Relaxed);
        let Staged { scene, sets: [tones, spare] } = Staged::new(scene);
        let renderer = Renderer {
            setup,
            source,
            inside,
            current: Voice { scene, head: Head { at, looped: None }, tones },
            outgoing: None,
            spare,
            nothing: ToneStage::new(&Plan::compile(&Song::default(), setup.rate, &|_| None)),
            preroll: None,
            swapped: 0,
            pending: Pending::default(),
            ready: true,
            until: None,
            until_clock: None,
            opened_at: None,
            halted_at: None,
            moving: false,
            risen: false,
            master: Master::new(setup.rate, setup.level),
            work: Work::new(),
            clock: 0,
        };
        (renderer, remote, feed)
    }

    /// Frames by which the ceiling makes the stream late.
    #[must_use]
    pub fn latency(&self) -> usize {
        self.master.latency()
    }

    /// Samples per second.
    #[must_use]
    pub fn rate(&self) -> u32 {
        self.setup.rate
    }

    /// Frames of the stream so far.
    #[must_use]
    pub fn clock(&self) -> u64 {
        self.clock
    }

    /// Frames of the stream at which the last play began to sound, and at which it had fallen silent; they come out
    /// [`Self::latency`] frames later.
    #[must_use]
    pub fn sounded(&self) -> (Option<u64>, Option<u64>) {
        (self.opened_at, self.halted_at)
    }

    /// Falls silent at once, for when nobody listens any more: the output is gone. Not for the callback.
    pub fn rest(&mut self) {
        if self.moving {
            self.halt();
        }
        (self.until, self.until_clock, self.pending.open, self.pending.jump) = (None, None, None, None);
        self.preroll = None;
        self.master.rest(self.setup.rate);
        self.inside.board.playing.store(false, Ordering::Release);
    }

    /// The board that the callback keeps.
    #[must_use]
    pub fn board(&self) -> &Arc<Board> {
        &self.inside.board
    }

    /// The source of samples.
    pub fn source_mut(&mut self) -> &mut S {
        &mut self.source
    }

    /// Takes in commands and samples that have arrived, without making sound. For outputs that can wait.
    pub fn take_in(&mut self) {
        self.source.begin();
        self.take_commands();
    }

    /// True if the next `frames` frames would lack samples, or a change still waits for some. For outputs that can wait.
    #[must_use]
    pub fn lacks(&self, frames: usize) -> bool {
        let seam = self.setup.seam;
        let here = !self.moving || at_hand(&self.current.place(), frames, seam, &self.source);
        !(here && (self.pending.is_empty() || self.next_at_hand(frames)))
    }

    /// True if the pending change has its samples, those of its pre-roll too.
    fn next_at_hand(&self, frames: usize) -> bool {
        let place = self.pending.next(&self.current, self.moving);
        let early = match (self.entry(&place), self.preroll) {
            (Entry::Preroll, None) => place.scene.preroll,
            _ => 0,
        };
        let from = place.head.at - Length(early);
        at_hand(&place, frames, self.setup.seam, &self.source)
            && (early == 0 || stretch_at_hand(&place.scene, from, Length(early), &self.source))
    }

    /// Makes the next frames: interleaved stereo, any number of them, also none. Realtime-safe.
    pub fn render(&mut self, out: &mut [f32]) {
        self.take_in();
        self.look_ahead();
        let frames = out.len() / 2;
        let (whole, rest) = out.split_at_mut(frames * 2);
        rest.fill(0.0);
        self.mark();
        let mut done = 0;
        while done < frames {
            done += self.step(&mut whole[done * 2..]);
        }
        let board = &self.inside.board;
        if let Some(tones) = self.current.tones.as_deref().filter(|_| self.moving) {
            tones.stage().reductions(&mut |row, reduction| {
                board.note_reduction(row, reduction.deess_db as f32, reduction.compress_db as f32);
            });
        }
        board.position.store(self.current.head.at.0, Ordering::Relaxed);
        board.playing.store(self.moving || self.pending.open.is_some(), Ordering::Release);
        board.callbacks.fetch_add(1, Ordering::Relaxed);
        board.rendered.store(self.clock, Ordering::Release);
    }

    fn take_commands(&mut self) {
        for _ in 0..MOST_COMMANDS {
            // Room for what can come back, before anything is taken that could.
            let command =
                take_if_room(&mut self.inside.commands, &self.inside.returns, MOST_COMMANDS * SPENT);
            let Some(command) = command else { return };
            self.obey(command);
        }
    }

    fn obey(&mut self, command: Command) {
        if self.pending.is_empty() {
            self.pending.since = self.clock;
        }
        if !matches!(command, Command::Level(_) | Command::RiseAgain) {
            self.preroll = None;
        }
        match command {
            Command::Scene(staged) => {
                if let Some(Staged { scene, sets }) = self.pending.scene.replace(staged) {
                    give_back(&mut self.inside.returns, Spent { scene: Some(scene), sets });
                }
            }
            Command::Play { from, until, frames } => {
                self.pending.jump = from.or(self.pending.jump);
                self.pending.open = Some((until, frames));
            }
            Command::Stop => {
                self.pending.jump = None;
                self.pending.open = None;
                if self.moving {
                    self.close();
                }
            }
            Command::Locate(at) => self.pending.jump = Some(at),
            Command::Loop(span) => self.pending.looped = Some(span.filter(|span| span.start < span.end)),
            Command::Level(level) => {
                let level = if level.0.is_finite() { level.0 } else { 0.0 };
                self.master.level.head_for(level, self.setup.glide, false);
            }
            Command::RiseAgain => self.risen = false,
        }
    }

    /// Decides once a callback whether the pending change has its samples, or has waited long enough.
    fn look_ahead(&mut self) {
        self.ready = true;
        if !self.pending.is_empty() {
            let patience = if self.pending.jumps() { self.setup.patience } else { self.setup.swap_patience };
            let waited = self.clock - self.pending.since.min(self.clock);
            self.ready = waited >= patience || self.next_at_hand(AHEAD);
        }
        let waits = !self.ready || self.preroll.is_some_and(|preroll| preroll.wait > 0);
        self.inside.board.waiting.store(waits, Ordering::Release);
    }

    /// Begins the pending change if it may.
    fn begin_pending(&mut self) {
        if self.pending.is_empty() || self.outgoing.is_some() || !self.ready {
            return;
        }
        let next = self.pending.next(&self.current, self.moving);
        let entry = self.entry(&next);
        if entry == Entry::Preroll && !self.is_prerolled(&next) {
            return;
        }
        self.preroll = None;
        let Pending { scene, open, .. } = std::mem::take(&mut self.pending);
        self.go_to(next, entry, scene);
        if let Some((until, frames)) = open {
            self.until = until;
            self.until_clock = frames.map(|frames| self.clock.saturating_add(frames));
            self.open();
        }
        self.mark();
    }

    /// How the processors of a change come to where it begins.
    fn entry(&self, next: &Place) -> Entry {
        if !next.scene.has_tone() {
            return Entry::Plain;
        }
        let at = next.head.at;
        let own = self.current.tones.as_deref();
        let goes_on = at == self.current.head.at && own.is_none_or(|tones| tones.stands_at(at));
        match &self.pending.scene {
            None if goes_on => Entry::Copy,
            Some(_) if goes_on && self.moving && next.scene.goes_on_from(&self.current.scene) => Entry::Glide,
            _ => Entry::Preroll,
        }
    }

    /// True if the pre-roll of the pending change is done; begins it if need be.
    fn is_prerolled(&mut self, next: &Place) -> bool {
        let (at, head) = (next.head.at, self.current.head);
        let follows = self.moving && at == head.at;
        match self.preroll {
            Some(preroll) if preroll.wait == 0 && preroll.target == at => return true,
            Some(preroll)
                if preroll.wait > 0 && preroll.follows == follows && (follows || preroll.target == at) =>
            {
                return false;
            }
            _ => {}
        }
        let seam = self.setup.seam;
        let ahead = |frames: u64| {
            let (mut head, mut left) = (head, usize::try_from(frames).unwrap_or(usize::MAX));
            while left > 0 {
                let stretch = head.stretch(left, seam).frames.max(1);
                head.advance(stretch);
                left = left.saturating_sub(stretch);
            }
            head.at
        };
        let set = match &mut self.pending.scene {
            Some(staged) => staged.sets[0].as_deref_mut(),
            None => self.spare.as_deref_mut(),
        };
        let Some(set) = set else { return true };
        let preroll = set.begin_preroll(&next.scene, at, follows.then_some(&ahead));
        self.preroll = Some(preroll);
        preroll.wait == 0
    }

    /// Renders a part of the pre-roll under way, for frames of the stream that were made.
    fn advance_preroll(&mut self, frames: usize) {
        let Some(preroll) = self.preroll.as_mut().filter(|preroll| preroll.wait > 0) else { return };
        let (set, scene) = match &mut self.pending.scene {
            Some(Staged { scene, sets: [set, _] }) => (set.as_deref_mut(), &*scene),
            None => (self.spare.as_deref_mut(), &self.current.scene),
        };
        if let Some(set) = set {
            set.advance_preroll(scene, preroll, frames, &mut self.work.scratch, &mut self.source);
        }
    }

    /// Changes to another place; what was heard is faded out.
    fn go_to(&mut self, next: Place, entry: Entry, staged: Option<Staged>) {
        let differs = !Arc::ptr_eq(&next.scene, &self.current.scene) || next.head != self.current.head;
        let other = staged.is_some();
        // The pending scene's own count goes back, now that the voice holds one.
        let (scene, mut tones, spare) = match staged {
            Some(Staged { scene, sets: [tones, spare] }) => (Some(scene), tones, spare),
            None => (None, self.spare.take(), None),
        };
        if let Some(tones) = tones.as_deref_mut() {
            let old = self.current.tones.as_deref();
            match (entry, old) {
                (Entry::Copy, Some(old)) => tones.copy(old),
                (Entry::Glide, old) => tones.glide(old, &self.nothing, next.head.at),
                _ => {}
            }
        }
        let Place { scene: next_scene, head } = next;
        let old = std::mem::replace(&mut self.current, Voice { scene: next_scene, head, tones });
        if other {
            let old_spare = std::mem::replace(&mut self.spare, spare);
            give_back(&mut self.inside.returns, Spent { scene, sets: [old_spare, None] });
            for row in 0..self.current.scene.plan().lanes().len() {
                self.inside.board.note_reduction(row, 0.0, 0.0);
            }
        }
        if self.moving && differs {
            self.outgoing = Some(old);
            self.swapped = 0;
        } else {
            self.retire(old);
        }
    }

    /// What is done with a voice that is heard no more.
    fn retire(&mut self, old: Voice) {
        let Voice { scene, tones, .. } = old;
        let mut sets = [tones, None];
        if Arc::ptr_eq(&scene, &self.current.scene) && self.spare.is_none() {
            self.spare = sets[0].take();
        }
        give_back(&mut self.inside.returns, Spent { scene: Some(scene), sets });
    }

    fn open(&mut self) {
        if self.master.gate.target() < 1.0 {
            let length = if self.risen { self.setup.ramp } else { self.setup.rise };
            self.master.gate.head_for(1.0, length, !self.risen);
        }
        if !self.moving {
            (self.opened_at, self.halted_at) = (Some(self.clock), None);
        }
        self.moving = true;
    }

    fn close(&mut self) {
        if self.master.gate.target() > 0.0 {
            self.master.gate.head_for(0.0, self.setup.ramp, false);
            (self.until, self.until_clock) = (None, None);
            if self.master.gate.left() == 0 {
                self.halt();
            }
        }
    }

    /// It has fallen silent.
    fn halt(&mut self) {
        self.moving = false;
        self.halted_at = Some(self.clock);
        if let Some(old) = self.outgoing.take() {
            self.retire(old);
        }
        self.mark();
    }

    /// Makes frames up to the next one at which something begins or ends; gives how many.
    fn step(&mut self, out: &mut [f32]) -> usize {
        self.begin_pending();
        let there = self.until.is_some_and(|until| self.current.head.at >= until)
            || self.until_clock.is_some_and(|until| self.clock >= until);
        if self.moving && there {
            self.close();
        }
        let mut room = (out.len() / 2).min(CHUNK);
        if let Some(preroll) = self.preroll.filter(|preroll| preroll.wait > 0) {
            room = usize::try_from(preroll.wait).map_or(room, |wait| room.min(wait));
        }
        let frames = if self.moving { self.sounding(room) } else { room };
        let (now, _) = out.split_at_mut(frames * 2);
        if self.moving {
            self.finish(frames, now);
        } else {
            self.master.silence(now);
        }
        self.clock += frames as u64;
        if self.moving {
            self.after(frames);
        }
        self.advance_preroll(frames);
        frames
    }

    /// Renders the voices into the first bus; gives for how many frames.
    fn sounding(&mut self, room: usize) -> usize {
        let cap = |frames: usize, at: u64| usize::try_from(at).map_or(frames, |at| frames.min(at));
        let mut frames = room;
        if self.outgoing.is_some() {
            frames = cap(frames, self.setup.swap - self.swapped);
        }
        if self.master.gate.left() > 0 {
            frames = cap(frames, self.master.gate.left());
        }
        if let Some(until) = self.until.filter(|until| *until > self.current.head.at) {
            frames = cap(frames, until.since(self.current.head.at).0);
        }
        if let Some(until) = self.until_clock.filter(|until| *until > self.clock) {
            frames = cap(frames, until - self.clock);
        }
        frames = self.current.head.stretch(frames, self.setup.seam).frames.max(1);
        let seam = self.setup.seam;
        let mut tapped = Tapped { taps: &mut self.inside.taps, lost: 0 };
        self.work.render(&mut self.current, 0, frames, seam, &mut self.source, Some(&mut tapped));
        if tapped.lost > 0 {
            self.inside.board.lost.fetch_add(tapped.lost, Ordering::Relaxed);
        }
        if let Some(old) = &mut self.outgoing {
            self.work.render(old, 1, frames, seam, &mut self.source, None);
            self.work.swap(frames, self.swapped, self.setup.swap);
        }
        frames
    }

    /// From the bus to the output and the meters.
    fn finish(&mut self, frames: usize, out: &mut [f32]) {
        let [[left, right], _] = &self.work.buses;
        let bad = self.master.sound([&left[..frames], &right[..frames]], out);
        let (inside, sum) = (&mut self.inside, self.master.sum(frames));
        if bad > 0 {
            inside.board.nonfinite.fetch_add(bad, Ordering::Relaxed);
        }
        // Whole frames only, so that left stays left.
        if inside.sums.vacant_len() >= sum.len() {
            inside.sums.push_slice(sum);
        } else {
            inside.board.lost.fetch_add(frames as u64, Ordering::Relaxed);
        }
    }

    /// What ends with the frames just made.
    fn after(&mut self, frames: usize) {
        if self.outgoing.is_some() {
            self.swapped += frames as u64;
            if self.swapped >= self.setup.swap
                && let Some(old) = self.outgoing.take()
            {
                self.retire(old);
            }
        }
        if self.master.gate.left() == 0 {
            if self.master.gate.target() > 0.0 {
                self.risen = true;
            } else {
                self.halt();
            }
        }
        // A loop goes round only at the end of a step.
        if self.current.head.looped.is_some_and(|span| span.start == self.current.head.at) {
            self.mark();
        }
    }

    fn mark(&mut self) {
        let mark = Mark { stream: self.clock, at: self.current.head.at, moving: self.moving };
        if self.inside.marks.try_push(mark).is_err() {
            self.inside.board.lost.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// How the processors of a change come to where it begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Entry {
    /// No lane that is heard has any.
    Plain,
    /// The scene is the same and goes on.
    Copy,
    /// Another scene goes on: from what was heard so far.
    Glide,
    /// They are given a pre-roll, as those of a bounce that begins there.
    Preroll,
}
