//! Guide lines: where words of the guide begin on the timeline, and by how much each lane is off.
//!
//! At first they are a guess by the level alone; once the words are measured, in the background and from the cache, they
//! are the words.

use std::collections::HashMap;
use std::sync::Arc;

use super::app::{App, World};
use super::event::Effect;
use crate::command::timing::Timing;
use crate::listen::first_onsets::{offsets, on_lane};
use crate::listen::timing::Alike;
use crate::song::{AssetId, EditId, LaneId, Position, Shift};

/// Farther apart than this, two starts are not of the same word (ms; our choice).
const REACH_MS: u64 = 180;
/// Words less sure than this are shown as not sure.
const SURE: f64 = 0.5;

/// Starts of words in one recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Starts {
    /// Frames, in order.
    pub at: Arc<[u64]>,
    /// What found them.
    pub by: &'static str,
}

/// A word of a lane at a guide line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Off {
    /// The guide's line.
    pub line: Position,
    /// By how much the lane's word is later (+) or earlier (-).
    pub by: Shift,
    /// By how much it is off from where it is meant to be.
    pub off: Shift,
    /// Whether that can be relied on.
    pub sure: bool,
    /// Whether another offset than none is intended.
    pub held: bool,
    /// How much later its sound ends than the guide's, if it is the last word of a phrase.
    pub end: Option<Shift>,
}

/// Guide lines of one state of the song.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Lines {
    /// Where the guide's words begin.
    pub guide: Vec<Position>,
    /// What is sung there, where somebody has named it; as many as lines, or none.
    pub names: Vec<Option<String>>,
    /// Each lane's words.
    pub offsets: HashMap<LaneId, Vec<Off>>,
    /// Where lanes leave a word of the guide out.
    pub missing: HashMap<LaneId, Vec<Position>>,
    /// Whether they are measured words and not a first guess.
    pub measured: bool,
    made_of: Option<(EditId, u64)>,
}

impl Lines {
    /// The word of a lane whose guide line is nearest to `at`, if one is within half a second.
    #[must_use]
    pub fn near(&self, lane: LaneId, at: Position, rate: u32) -> Option<Off> {
        let all = self.offsets.get(&lane)?;
        let nearest = all.iter().min_by_key(|off| (off.line - at).0.unsigned_abs())?;
        ((nearest.line - at).0.unsigned_abs() <= u64::from(rate) / 2).then_some(*nearest)
    }

    /// How many of a lane's words there are, and how many of them are within `ms` of where they are meant to be.
    #[must_use]
    pub fn tight(&self, lane: LaneId, ms: f64, rate: u32) -> (usize, usize) {
        let all = self.offsets.get(&lane).map_or(&[][..], Vec::as_slice);
        (all.len(), all.iter().filter(|word| to_ms(word.off, rate).abs() <= ms).count())
    }

    /// The number from 1, and the name, of the guide's word whose line is nearest to `at`.
    #[must_use]
    pub fn word(&self, at: Position) -> Option<(usize, Option<&str>)> {
        let index = (0..self.guide.len()).min_by_key(|index| (self.guide[*index] - at).0.unsigned_abs())?;
        Some((index + 1, self.names.get(index).and_then(Option::as_deref)))
    }

    /// The lines of measured words.
    fn of(timing: &Timing, world: &World) -> Lines {
        let mut lines = Lines { measured: true, ..Lines::default() };
        lines.guide = timing.words.iter().map(|word| word.at).collect();
        lines.names = timing.words.iter().map(|word| word.name.clone()).collect();
        #[expect(clippy::cast_possible_truncation, reason = "offsets are less than a song")]
        let shift = |samples: f64| Shift(samples.round() as i64);
        for lane in timing.lanes.iter().filter(|lane| lane.alike == Alike::Yes) {
            let Some(id) = world.session.song().lanes.get(lane.row).map(|lane| lane.id) else { continue };
            let off = |timed: &crate::command::timing::WordTiming| {
                let word = &timing.words[timed.word];
                Off {
                    line: word.at,
                    by: shift(timed.offset),
                    off: shift(timed.off()),
                    sure: timed.found.confidence >= SURE,
                    held: timed.held.is_some(),
                    end: word.word.ends_phrase.then(|| shift(timed.end - timed.guide_end)),
                }
            };
            lines.offsets.insert(id, lane.words.iter().map(off).collect());
            lines.missing.insert(id, lane.missing.iter().map(|word| timing.words[*word].at).collect());
        }
        lines
    }
}

/// A shift in ms.
#[must_use]
pub fn to_ms(by: Shift, rate: u32) -> f64 {
    by.0 as f64 * 1000.0 / f64::from(rate.max(1))
}

impl App {
    /// Takes measured words in, if they are of the state that is shown.
    pub(super) fn measured(&mut self, world: &World, state: EditId, timing: &Timing) {
        if state == world.session.history.head() {
            self.lines = Lines { made_of: Some((state, 0)), ..Lines::of(timing, world) };
        }
    }

    /// Makes the guide lines anew if the song or what is known of its recordings has changed. Words are measured again
    /// after every edit; until they are there the last ones stay, or the first guess.
    pub(super) fn refresh_lines(&mut self, world: &World, effects: &mut Vec<Effect>) {
        let head = world.session.history.head();
        if self.asked_words != Some(head) {
            self.asked_words = Some(head);
            effects.push(Effect::Words(head));
        }
        let now = (head, self.starts_seen);
        if self.lines.measured || self.lines.made_of == Some(now) {
            return;
        }
        let song = world.session.song();
        let starts = |asset: AssetId| self.starts.get(&asset).map(|starts| starts.at.to_vec());
        let mut lines = Lines { made_of: Some(now), ..Lines::default() };
        if let Some(guide) = song.guide() {
            lines.guide = on_lane(guide, starts);
            let reach = REACH_MS * u64::from(world.session.rate) / 1000;
            let off =
                |(line, by): (Position, Shift)| Off { line, by, off: by, sure: true, held: false, end: None };
            for lane in song.lanes.iter().filter(|lane| lane.id != guide.id) {
                let found = offsets(&lines.guide, &on_lane(lane, starts), reach);
                lines.offsets.insert(lane.id, found.into_iter().map(off).collect());
            }
        }
        self.lines = lines;
    }
}
