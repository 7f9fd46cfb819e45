//! What changes while it sounds: commands are taken, their change waits for its samples and its pre-roll, then begins.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use super::Renderer;
use crate::audition::ends::{give_back, take_if_room};
use crate::audition::pending::Pending;
use crate::audition::source::Source;
use crate::audition::voice::{Place, Voice, at_hand, stretch_at_hand};
use crate::audition::wire::{Command, Spent, Staged};
use crate::song::Length;

/// Commands taken in one callback ...
const MOST_COMMANDS: usize = 64;
/// ... and what each of them can send back at most.
const SPENT: usize = 4;
/// What must be at hand, in frames of the stream, before a change begins: a few device periods.
const AHEAD: usize = 2048;

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

impl<S: Source> Renderer<S> {
    /// True if the pending change has its samples, those of its pre-roll too.
    pub(super) fn next_at_hand(&self, frames: usize) -> bool {
        let place = self.pending.next(&self.current, self.moving);
        let early = match (self.entry(&place), self.preroll) {
            (Entry::Preroll, None) => place.scene.preroll,
            _ => 0,
        };
        let from = place.head.at - Length(early);
        at_hand(&place, frames, self.setup.seam, &self.source)
            && (early == 0 || stretch_at_hand(&place.scene, from, Length(early), &self.source))
    }

    pub(super) fn take_commands(&mut self) {
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
    pub(super) fn look_ahead(&mut self) {
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
    pub(super) fn begin_pending(&mut self) {
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
    pub(super) fn advance_preroll(&mut self, frames: usize) {
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
    pub(super) fn retire(&mut self, old: Voice) {
        let Voice { scene, tones, .. } = old;
        let mut sets = [tones, None];
        if Arc::ptr_eq(&scene, &self.current.scene) && self.spare.is_none() {
            self.spare = sets[0].take();
        }
        give_back(&mut self.inside.returns, Spent { scene: Some(scene), sets });
    }
}
