//! What a command may know besides its own line: the session, the cursor, the presets, what was heard.

use std::collections::BTreeMap;

use super::diagnostic::Diagnostic;
use super::hearing::Hearing;
use super::value::{EditRef, Quantity, TimeExpr};
use crate::edit::Session;
use crate::song::tone::TonePreset;
use crate::song::{EditId, FadePreset, LaneId, Length, Position, RegionId, Shift, Span};

/// Presets by name.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Presets {
    /// Of fades.
    pub fades: BTreeMap<String, FadePreset>,
    /// Of tones. The one called `default` gives what a `tone` command leaves out.
    pub tones: BTreeMap<String, TonePreset>,
}

impl Presets {
    /// No presets.
    #[must_use]
    pub fn new() -> Presets {
        Presets::default()
    }
}

/// Where the hand is: the cursor and what was selected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cursor<'a> {
    /// On which lane.
    pub lane: LaneId,
    /// Where on the timeline.
    pub at: Position,
    /// Regions that were selected; ids that the song no longer has are passed over.
    pub selected: &'a [RegionId],
}

/// What a command is resolved against.
#[derive(Debug, Clone, Copy)]
pub struct Context<'a> {
    /// The session.
    pub session: &'a Session,
    /// The cursor; scripts have none.
    pub cursor: Option<Cursor<'a>>,
    /// Presets of fades and tones.
    pub presets: &'a Presets,
    /// What was heard in the recordings.
    pub hearing: &'a dyn Hearing,
}

impl<'a> Context<'a> {
    /// The cursor.
    ///
    /// # Errors
    /// There is none.
    pub fn cursor(&self) -> Result<Cursor<'a>, Diagnostic> {
        self.cursor.ok_or_else(|| {
            Diagnostic::refusal("there is no cursor in a script")
                .help("name the place: a time instead of `cursor`, and a scope such as `on lane 2 at 1.6s`")
        })
    }

    /// The loop span.
    ///
    /// # Errors
    /// There is none.
    pub fn loop_span(&self) -> Result<Span, Diagnostic> {
        self.session
            .song()
            .loop_span
            .ok_or_else(|| Diagnostic::refusal("no loop is set").help("set one: loop 1s..3s"))
    }

    /// A written position in samples.
    ///
    /// # Errors
    /// It is out of reach, or needs something that the session does not have.
    pub fn position(&self, time: TimeExpr) -> Result<Position, Diagnostic> {
        match time {
            TimeExpr::At(quantity) => Ok(Position(self.samples(quantity)?)),
            TimeExpr::Cursor => Ok(self.cursor()?.at),
            TimeExpr::End => self
                .session
                .song()
                .extent()
                .map(|extent| extent.end)
                .ok_or_else(|| Diagnostic::refusal("the song has no region, so it has no end")),
            TimeExpr::Word(number) => Ok(self.word_span(number, number)?.start),
            TimeExpr::Bar { bar, beat } => self.bar(bar, beat),
        }
    }

    fn bar(&self, bar: u64, beat: u64) -> Result<Position, Diagnostic> {
        let Some(tempo) = &self.session.tempo else {
            return Err(Diagnostic::refusal("the session has no tempo, so bars have no place")
                .help("write seconds, as in 12.5s, or give it one: tautline tempo SESSION FILE.mid"));
        };
        tempo.beat(bar, beat, self.session.rate).ok_or_else(|| {
            Diagnostic::refusal(format!("bar {bar} has no beat {beat} within reach"))
                .help("bars and beats count from 1, as in bar 33.2")
        })
    }

    /// A written span in samples.
    ///
    /// # Errors
    /// As [`Self::position`], or it is empty.
    pub fn span(&self, from: TimeExpr, to: TimeExpr) -> Result<Span, Diagnostic> {
        let span = Span { start: self.position(from)?, end: self.position(to)? };
        if span.start < span.end {
            return Ok(span);
        }
        Err(Diagnostic::refusal(format!(
            "the span {}..{} is empty",
            self.show(span.start),
            self.show(span.end)
        ))
        .help("write the earlier position first"))
    }

    /// A written length in samples.
    ///
    /// # Errors
    /// It is out of reach.
    pub fn length(&self, quantity: Quantity) -> Result<Length, Diagnostic> {
        Ok(Length(self.samples(quantity)?.unsigned_abs()))
    }

    /// A written shift in samples.
    ///
    /// # Errors
    /// It is out of reach.
    pub fn shift(&self, quantity: Quantity) -> Result<Shift, Diagnostic> {
        self.samples(quantity).map(Shift)
    }

    /// A written edit.
    ///
    /// # Errors
    /// No such edit or mark.
    pub fn edit(&self, edit: &EditRef) -> Result<EditId, Diagnostic> {
        let marks = &self.session.marks;
        match edit {
            EditRef::Start => Ok(EditId(0)),
            EditRef::Number(id) if self.session.history.edit(EditId(*id)).is_some() => Ok(EditId(*id)),
            EditRef::Number(id) => {
                let last = self.session.history.edits().len();
                Err(Diagnostic::refusal(format!("there is no edit {id}"))
                    .help(format!("the newest is {last}")))
            }
            EditRef::Mark(name) => marks.get(name).copied().ok_or_else(|| {
                let refusal = Diagnostic::refusal(format!("there is no mark \"{name}\""));
                match super::suggest::nearest(name, marks.keys().map(String::as_str)) {
                    Some(near) => refusal.help(format!("did you mean \"{near}\"?")),
                    None if marks.is_empty() => refusal.help("make one: mark \"first try\""),
                    None => {
                        let names: Vec<&str> = marks.keys().map(String::as_str).take(8).collect();
                        refusal.help(format!("marks: {}", names.join(", ")))
                    }
                }
            }),
        }
    }

    /// A position as text, in seconds.
    #[must_use]
    pub fn show(&self, at: Position) -> String {
        show_seconds(at, self.session.rate)
    }

    /// From the onset of one word of the guide to the end of another, by number from 1.
    ///
    /// # Errors
    /// The guide has no such words, or there is none.
    pub fn word_span(&self, first: u64, last: u64) -> Result<Span, Diagnostic> {
        let words = super::timing::guide_words(self)?;
        let word = |number: u64| {
            let index = usize::try_from(number).ok().and_then(|number| number.checked_sub(1));
            index.and_then(|index| words.get(index)).ok_or_else(|| {
                Diagnostic::refusal(format!("there is no word {number}"))
                    .help(format!("the guide has words 1 to {}; `tautline timing` lists them", words.len()))
            })
        };
        let (from, to) = (word(first)?, word(last)?);
        if first > last {
            return Err(Diagnostic::refusal(format!("word {first} comes after word {last}"))
                .help("write the earlier word first"));
        }
        Ok(Span { start: from.at, end: to.end.max(to.at + Length(1)) })
    }

    fn samples(&self, quantity: Quantity) -> Result<i64, Diagnostic> {
        quantity
            .samples(self.session.rate)
            .ok_or_else(|| Diagnostic::refusal(format!("{} is out of reach", quantity.value)))
    }
}

/// A position as text, in seconds at `rate`, to the tenth of a millisecond.
#[must_use]
pub fn show_seconds(at: Position, rate: u32) -> String {
    #[expect(clippy::cast_precision_loss, reason = "positions stay below 2^41")]
    let seconds = at.0 as f64 / f64::from(rate);
    let text = format!("{seconds:.4}");
    format!("{}s", text.trim_end_matches('0').trim_end_matches('.'))
}
