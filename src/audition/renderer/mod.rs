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

mod changes;

use std::sync::Arc;
use std::sync::atomic::Ordering;

use ringbuf::traits::{Observer, Producer};

use super::head::Head;
use super::listening::Scene;
use super::master::Master;
use super::pending::Pending;
use super::setup::Setup;
use super::source::Source;
use super::tone_set::{Preroll, ToneSet};
use super::voice::{CHUNK, Tapped, Voice, Work, at_hand};
use super::wire::{Board, Feed, Inside, Mark, Remote, Staged, wire};
use crate::mix::{Plan, ToneStage};
use crate::song::{Position, Song};

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
