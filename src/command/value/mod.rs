//! Values as they are written: quantities keep their unit until the session's rate is known.

mod read;
mod time;

use crate::song::tone::Stage;
use crate::song::{Curve, Role};
pub use read::{Miss, read};
pub use time::read_time;

/// A distance on the timeline as it was written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    /// How many.
    pub value: f64,
    /// Of what.
    pub unit: Unit,
}

/// Units of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Seconds.
    Seconds,
    /// Milliseconds.
    Milliseconds,
    /// Samples at the session's rate.
    Samples,
}

impl Quantity {
    /// The distance in milliseconds, where samples are counted at `rate`.
    #[must_use]
    pub fn milliseconds(self, rate: u32) -> f64 {
        match self.unit {
            Unit::Seconds => self.value * 1000.0,
            Unit::Milliseconds => self.value,
            Unit::Samples => self.value * 1000.0 / f64::from(rate),
        }
    }

    /// The distance in samples at `rate`, rounded to the nearest, halves away from zero; `None` beyond
    /// 2^40 samples.
    #[must_use]
    pub fn samples(self, rate: u32) -> Option<i64> {
        let samples = match self.unit {
            Unit::Seconds => self.value * f64::from(rate),
            Unit::Milliseconds => self.value * f64::from(rate) / 1000.0,
            Unit::Samples => self.value,
        };
        #[expect(clippy::cast_possible_truncation, reason = "the range is checked before")]
        (samples.abs() <= crate::song::rules::FARTHEST as f64).then(|| samples.round() as i64)
    }
}

/// A position as it was written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TimeExpr {
    /// Counted from the song's origin.
    At(Quantity),
    /// Where the cursor is.
    Cursor,
    /// Where the last region of the song ends.
    End,
    /// Where a word of the guide begins.
    Word(u64),
    /// A bar and one of its beats, both counted from 1; written `33.2`, or `33` for its first beat.
    Bar {
        /// The bar.
        bar: u64,
        /// The beat.
        beat: u64,
    },
}

/// An edit as it was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum EditRef {
    /// By its mark.
    Mark(String),
    /// By its number.
    Number(u64),
    /// The state in which the session began.
    Start,
}

/// Lanes as they were written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LaneRef {
    /// From one number to another.
    Numbers(u64, u64),
    /// By name.
    Name(String),
}

/// A value as it was written.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A word of the form itself.
    Word,
    /// Positions.
    Times(Vec<TimeExpr>),
    /// A distance.
    Distance(Quantity),
    /// From one position to another.
    Span(TimeExpr, TimeExpr),
    /// A number; gains are in dB, frequencies in Hz.
    Number(f64),
    /// A whole number.
    Count(u64),
    /// A fade curve.
    Curve(Curve),
    /// Roles.
    Roles(Vec<Role>),
    /// Text.
    Text(String),
    /// An edit.
    Edit(EditRef),
    /// Lanes.
    Lanes(Vec<LaneRef>),
    /// From one word of the guide to another.
    Words(u64, u64),
    /// Stages of a tone.
    Stages(Vec<Stage>),
}
