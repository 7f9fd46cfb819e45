//! What the player does and what has happened to it: looked after by ticks, told for a status line.

use std::sync::atomic::Ordering;

use super::Player;
use crate::audition::AuditionError;
use crate::audition::outputs::{self, OutputInfo, OutputState};
use crate::song::{Length, Position};

/// Marks remembered: those between the engine and the ear, and some.
const MARKS: usize = 8192;

/// What the player does, for a status line.
#[derive(Debug, Clone, PartialEq)]
pub struct Status {
    /// It plays, or is about to.
    pub playing: bool,
    /// It waits for samples before it goes on.
    pub waiting: bool,
    /// It does not play, and the last of what it played has been heard.
    pub settled: bool,
    /// What is heard now: the position with all latencies taken off.
    pub heard: Position,
    /// The output, if there is one.
    pub output: Option<OutputInfo>,
    /// Frames of lanes that were silent because their samples were not at hand.
    pub missing: u64,
    /// Samples that were not finite: of the recordings and of the sum.
    pub nonfinite: u64,
    /// Errors of the device that were counted and no more.
    pub hiccups: u64,
    /// Callbacks that took longer than the sound that they made.
    pub overruns: u64,
    /// Frames rendered so far.
    pub rendered: u64,
    /// Bytes of the block cache that are in use.
    pub cached: u64,
}

/// What happened since the last tick.
#[derive(Debug)]
pub enum Event {
    /// The output has come to its end in peace.
    Ended,
    /// The output is gone; playing has stopped and keeps its place.
    Failed(AuditionError),
    /// A recording cannot be read; silence stands in its place.
    Trouble(String),
}

impl Player {
    /// Looks after everything; gives what happened.
    pub fn tick(&mut self) -> Vec<Event> {
        while let Some(command) = self.waiting.pop_front() {
            if let Err(command) = self.remote.send(command) {
                self.waiting.push_front(command);
                break;
            }
        }
        self.remote.sweep();
        self.note_marks();
        let board = self.remote.board();
        if self.sent_play.is_some_and(|callbacks| board.callbacks() > callbacks + 1) {
            self.sent_play = None;
        }
        let mut events: Vec<Event> =
            self.reader.wish().take_trouble().map(Event::Trouble).into_iter().collect();
        match self.output.as_mut().map(|output| output.state()) {
            None | Some(OutputState::Running) => {}
            Some(OutputState::Ended) => {
                events.push(self.detach().map_or_else(Event::Failed, |()| Event::Ended));
            }
            Some(OutputState::Failed(error)) => {
                let closed = self.detach();
                events.push(Event::Failed(closed.map_or_else(|stuck| stuck, |()| with_offer(error))));
            }
        }
        events
    }

    /// What it does now.
    #[must_use]
    pub fn status(&self) -> Status {
        let board = self.remote.board();
        Status {
            playing: self.is_playing(),
            waiting: board.is_waiting(),
            settled: !self.is_playing() && self.marks.back().is_none_or(|mark| mark.stream <= self.at_ear()),
            heard: self.heard(),
            output: self.output.as_ref().map(|output| output.info()),
            missing: board.missing(),
            nonfinite: board.nonfinite() + self.reader.nonfinite.load(Ordering::Relaxed),
            hiccups: self.output.as_ref().map_or(0, |output| output.hiccups()),
            overruns: self.output.as_ref().map_or(0, |output| output.overruns()),
            rendered: board.rendered(),
            cached: self.reader.bytes.load(Ordering::Relaxed),
        }
    }

    pub(super) fn is_playing(&self) -> bool {
        self.output.is_some() && (self.sent_play.is_some() || self.remote.board().is_playing())
    }

    fn note_marks(&mut self) {
        for mark in self.remote.marks() {
            if self.marks.len() >= MARKS {
                self.marks.pop_front();
            }
            self.marks.push_back(mark);
        }
    }

    /// The frame of the stream that is at the ear now: those rendered less what is under way.
    fn at_ear(&self) -> u64 {
        let under_way = self.late + self.output.as_ref().map_or(0, |output| output.latency());
        self.remote.board().rendered().saturating_sub(under_way)
    }

    /// The position that the sample at the ear comes from.
    pub(super) fn heard(&self) -> Position {
        let (board, stream) = (self.remote.board(), self.at_ear());
        let after = self.marks.partition_point(|mark| mark.stream <= stream);
        match after.checked_sub(1).and_then(|index| self.marks.get(index)).or_else(|| self.marks.front()) {
            None => board.position(),
            Some(mark) if mark.moving => mark.at + Length(stream.saturating_sub(mark.stream)),
            Some(mark) => mark.at,
        }
    }
}

/// A lost device, with those that are there now.
fn with_offer(error: AuditionError) -> AuditionError {
    match error {
        AuditionError::Lost { device, why, .. } => {
            AuditionError::Lost { device, why, have: outputs::device_names() }
        }
        other => other,
    }
}
