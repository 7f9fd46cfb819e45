//! Newtypes for quantities, so that a position never passes for a shift nor a decibel for a factor.
//!
//! Arithmetic saturates: a sum that leaves the range of the type stays at its border, where the
//! [rules](super::rules) refuse it, instead of wrapping round.

use std::ops::{Add, Neg, Sub};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Where on the timeline, in samples at the session's rate. 0 is the song's origin; earlier is negative.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Position(pub i64);

/// How long, in samples at the session's rate.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Length(pub u64);

/// By how much something moves, in samples at the session's rate; negative is earlier.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Shift(pub i64);

/// A gain in decibels; 0 leaves the level as it is.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Db(pub f64);

/// A gain as a factor of the amplitude; 1 leaves the level as it is.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Linear(pub f64);

impl Position {
    /// The distance from `earlier` to here, 0 if `earlier` is later.
    #[must_use]
    pub fn since(self, earlier: Position) -> Length {
        Length(u64::try_from(self.0.saturating_sub(earlier.0)).unwrap_or(0))
    }
}

impl Length {
    /// No length at all.
    pub const ZERO: Length = Length(0);

    /// The same distance as a shift to later.
    #[must_use]
    pub fn as_shift(self) -> Shift {
        Shift(i64::try_from(self.0).unwrap_or(i64::MAX))
    }
}

impl Db {
    /// The same gain as a factor of the amplitude: 10^(dB/20).
    #[must_use]
    pub fn to_linear(self) -> Linear {
        Linear(10f64.powf(self.0 / 20.0))
    }
}

impl Linear {
    /// The same gain in decibels: 20·log10(g); minus infinity for 0.
    #[must_use]
    pub fn to_db(self) -> Db {
        Db(20.0 * self.0.abs().log10())
    }
}

impl Add<Length> for Position {
    type Output = Position;
    fn add(self, length: Length) -> Position {
        Position(self.0.saturating_add_unsigned(length.0))
    }
}

impl Sub<Length> for Position {
    type Output = Position;
    fn sub(self, length: Length) -> Position {
        Position(self.0.saturating_sub_unsigned(length.0))
    }
}

impl Add<Shift> for Position {
    type Output = Position;
    fn add(self, shift: Shift) -> Position {
        Position(self.0.saturating_add(shift.0))
    }
}

impl Sub for Position {
    type Output = Shift;
    fn sub(self, other: Position) -> Shift {
        Shift(self.0.saturating_sub(other.0))
    }
}

impl Add for Length {
    type Output = Length;
    fn add(self, other: Length) -> Length {
        Length(self.0.saturating_add(other.0))
    }
}

impl Neg for Shift {
    type Output = Shift;
    fn neg(self) -> Shift {
        Shift(self.0.saturating_neg())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn arithmetic_saturates_instead_of_wrapping() {
        assert_eq!(Position(i64::MAX) + Length(1), Position(i64::MAX));
        assert_eq!(Position(i64::MIN) + Shift(-1), Position(i64::MIN));
        assert_eq!(Position(5).since(Position(9)), Length(0));
        assert_eq!(-Shift(i64::MIN), Shift(i64::MAX));
    }

    #[test]
    fn decibels_and_factors_agree_with_the_table() {
        // 20·log10(0.5) and 20·log10(√½), computed with numpy.
        assert!((Linear(0.5).to_db().0 + 6.0206).abs() < 1e-4);
        assert!((Linear(std::f64::consts::FRAC_1_SQRT_2).to_db().0 + 3.0103).abs() < 1e-4);
        assert!((Db(-6.020_599_913_279_624).to_linear().0 - 0.5).abs() < 1e-15);
    }
}
