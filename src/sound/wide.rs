//! Eight numbers at once: one for each slot of a [bank](super::bank). Plain arrays, which the compiler turns into as
//! few vector instructions as the processor allows; no fused multiply-add is used, so that every processor gives
//! the same bits.
//!
//! Logarithms and exponentials are to the base 2, in single precision and branch-free, good to a few units in the last
//! place: some 1e-5 dB.

use std::ops::{Add, Mul, Sub};

use super::SILENT;

/// Slots of a group: a vector register of 512 bits holds eight f64.
pub const SLOTS: usize = 8;

/// One number for each slot.
#[derive(Debug, Clone, Copy, PartialEq)]
#[repr(align(64))]
pub struct Wide(pub [f64; SLOTS]);

macro_rules! each_of {
    ($zero:expr, $index:ident => $value:expr) => {{
        let mut out = [$zero; SLOTS];
        for $index in 0..SLOTS {
            out[$index] = $value;
        }
        out
    }};
}

macro_rules! each {
    ($index:ident => $value:expr) => {
        Wide(each_of!(0.0f64, $index => $value))
    };
}

macro_rules! narrow {
    ($index:ident => $value:expr) => {
        Narrow(each_of!(0.0f32, $index => $value))
    };
}

impl Wide {
    /// Zero in every slot.
    pub const ZERO: Wide = Wide([0.0; SLOTS]);

    /// The same number in every slot.
    #[inline(always)]
    #[must_use]
    pub fn all(value: f64) -> Wide {
        Wide([value; SLOTS])
    }

    /// The larger of two, slot by slot.
    #[inline(always)]
    #[must_use]
    pub fn max(self, other: Wide) -> Wide {
        each!(i => if self.0[i] > other.0[i] { self.0[i] } else { other.0[i] })
    }

    /// The smaller of two, slot by slot.
    #[inline(always)]
    #[must_use]
    pub fn min(self, other: Wide) -> Wide {
        each!(i => if self.0[i] < other.0[i] { self.0[i] } else { other.0[i] })
    }

    /// Slots 0 and 1 change places, 2 and 3, and so on: the other channel of a stereo lane.
    #[inline(always)]
    #[must_use]
    pub fn neighbours(self) -> Wide {
        each!(i => self.0[i ^ 1])
    }

    /// Numbers so small that they would become denormal become 0.
    #[inline(always)]
    #[must_use]
    pub fn flushed(self) -> Wide {
        each!(i => if self.0[i].abs() < SILENT { 0.0 } else { self.0[i] })
    }

    /// One over each of them.
    #[inline(always)]
    #[must_use]
    pub fn inverse(self) -> Wide {
        each!(i => 1.0 / self.0[i])
    }

    /// The same in single precision.
    #[inline(always)]
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "rounding is the purpose")]
    pub fn narrow(self) -> Narrow {
        Narrow(each_of!(0.0f32, i => self.0[i] as f32))
    }
}

/// One number for each slot in single precision, for what is only ever a level or a gain.
#[derive(Debug, Clone, Copy, PartialEq)]
#[repr(align(32))]
pub struct Narrow(pub [f32; SLOTS]);

impl Narrow {
    /// The same number in every slot.
    #[inline(always)]
    #[must_use]
    pub fn all(value: f32) -> Narrow {
        Narrow([value; SLOTS])
    }

    /// The same in double precision.
    #[inline(always)]
    #[must_use]
    pub fn wide(self) -> Wide {
        each!(i => f64::from(self.0[i]))
    }

    /// The larger of two, slot by slot.
    #[inline(always)]
    #[must_use]
    pub fn max(self, other: Narrow) -> Narrow {
        narrow!(i => if self.0[i] > other.0[i] { self.0[i] } else { other.0[i] })
    }

    /// The smaller of two, slot by slot.
    #[inline(always)]
    #[must_use]
    pub fn min(self, other: Narrow) -> Narrow {
        narrow!(i => if self.0[i] < other.0[i] { self.0[i] } else { other.0[i] })
    }

    /// Base-2 logarithm of positive normal numbers; see [`log2`].
    #[inline(always)]
    #[must_use]
    pub fn log2(self) -> Narrow {
        let [log] = log2([self]);
        log
    }

    /// 2 to the power of numbers between −120 and 120, exactly 1 for 0; see [`exp2`].
    #[inline(always)]
    #[must_use]
    pub fn exp2(self) -> Narrow {
        let [power] = exp2([self]);
        power
    }
}

/// One for each sample of a few in a row.
#[inline(always)]
pub fn several<const N: usize>(make: impl Fn(usize) -> Narrow) -> [Narrow; N] {
    let mut out = [Narrow::all(0.0); N];
    #[expect(clippy::needless_range_loop, reason = "loops told by number are brought in whole")]
    for index in 0..N {
        out[index] = make(index);
    }
    out
}

/// Base-2 logarithms of positive normal numbers, of several samples in a row: the steps of one fill the time in which
/// the other waits for its own.
///
/// A number is split into 2^n·(1+t) with 1+t between √½ and √2; log2(1+t) comes from a polynomial without a constant,
/// fitted for the smallest largest error (by reweighted least squares), 5e-8.
#[inline(always)]
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "exponents are small")]
pub fn log2<const N: usize>(of: [Narrow; N]) -> [Narrow; N] {
    // Bits of √½: taking them away first puts the split there instead of at 1.
    const SPLIT: i32 = 0x3F35_04F3;
    const C: [f32; 8] = [
        1.442_694_8,
        -0.721_357_17,
        0.480_939_45,
        -0.360_087_22,
        0.286_707_46,
        -0.250_069_08,
        0.236_890_47,
        -0.145_744_47,
    ];
    let c = |index: usize| Narrow::all(C[index]);
    let moved = |of: Narrow, i: usize| of.0[i].to_bits().cast_signed().wrapping_sub(SPLIT);
    let n: [Narrow; N] = several(|k| narrow!(i => (moved(of[k], i) >> 23) as f32));
    let t: [Narrow; N] = several(
        |k| narrow!(i => f32::from_bits((moved(of[k], i) & 0x7F_FFFF).wrapping_add(SPLIT).cast_unsigned()) - 1.0),
    );
    let t2: [Narrow; N] = several(|k| t[k] * t[k]);
    let first: [Narrow; N] = several(|k| c(0) + c(1) * t[k]);
    let second: [Narrow; N] = several(|k| c(2) + c(3) * t[k]);
    let third: [Narrow; N] = several(|k| c(4) + c(5) * t[k]);
    let fourth: [Narrow; N] = several(|k| c(6) + c(7) * t[k]);
    let t4: [Narrow; N] = several(|k| t2[k] * t2[k]);
    let low: [Narrow; N] = several(|k| first[k] + t2[k] * second[k]);
    let high: [Narrow; N] = several(|k| third[k] + t2[k] * fourth[k]);
    several(|k| n[k] + t[k] * (low[k] + t4[k] * high[k]))
}

/// 2 to the power of numbers between −120 and 120, of several samples in a row; exactly 1 for 0.
///
/// 2^n·2^f with f between −½ and ½; 2^f from a polynomial that is 1 at 0, fitted for the smallest largest relative
/// error (by reweighted least squares), 9e-8.
#[inline(always)]
#[must_use]
pub fn exp2<const N: usize>(of: [Narrow; N]) -> [Narrow; N] {
    // Adding this rounds to whole numbers, which then stand in the lowest bits.
    const ROUND: f32 = 12_582_912.0;
    #[expect(clippy::approx_constant, reason = "the fit comes near to ln 2, but is not it")]
    const C: [f32; 6] = [1.0, 0.693_147, 0.240_222_42, 0.055_507_336, 0.009_671_513, 0.001_326_472_7];
    let (c, round) = (|index: usize| Narrow::all(C[index]), Narrow::all(ROUND));
    let within: [Narrow; N] = several(|k| of[k].max(Narrow::all(-120.0)).min(Narrow::all(120.0)));
    let rounded: [Narrow; N] = several(|k| within[k] + round);
    let f: [Narrow; N] = several(|k| within[k] - (rounded[k] - round));
    let power: [Narrow; N] =
        several(|k| narrow!(i => f32::from_bits((rounded[k].0[i].to_bits() << 23).wrapping_add(127 << 23))));
    let f2: [Narrow; N] = several(|k| f[k] * f[k]);
    let low: [Narrow; N] = several(|k| c(0) + c(1) * f[k]);
    let middle: [Narrow; N] = several(|k| c(2) + c(3) * f[k]);
    let high: [Narrow; N] = several(|k| c(4) + c(5) * f[k]);
    several(|k| (low[k] + f2[k] * (middle[k] + f2[k] * high[k])) * power[k])
}

impl Add for Wide {
    type Output = Wide;
    #[inline(always)]
    fn add(self, other: Wide) -> Wide {
        each!(i => self.0[i] + other.0[i])
    }
}

impl Sub for Wide {
    type Output = Wide;
    #[inline(always)]
    fn sub(self, other: Wide) -> Wide {
        each!(i => self.0[i] - other.0[i])
    }
}

impl Mul for Wide {
    type Output = Wide;
    #[inline(always)]
    fn mul(self, other: Wide) -> Wide {
        each!(i => self.0[i] * other.0[i])
    }
}

impl Add for Narrow {
    type Output = Narrow;
    #[inline(always)]
    fn add(self, other: Narrow) -> Narrow {
        narrow!(i => self.0[i] + other.0[i])
    }
}

impl Sub for Narrow {
    type Output = Narrow;
    #[inline(always)]
    fn sub(self, other: Narrow) -> Narrow {
        narrow!(i => self.0[i] - other.0[i])
    }
}

impl Mul for Narrow {
    type Output = Narrow;
    #[inline(always)]
    fn mul(self, other: Narrow) -> Narrow {
        narrow!(i => self.0[i] * other.0[i])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn logarithms_and_powers_are_exact_to_some_1e_5_db() {
        let mut x = 1e-30f32;
        while x < 1e30 {
            let log = f64::from(Narrow::all(x).log2().0[3]);
            let true_log = f64::from(x).log2();
            assert!((log - true_log).abs() < 1e-7 * true_log.abs() + 1e-7, "log2 {x}: {log}");
            x *= 1.000_37;
        }
        let mut x = -60.0f32;
        while x < 60.0 {
            let power = f64::from(Narrow::all(x).exp2().0[5]);
            assert!((power / f64::from(x).exp2() - 1.0).abs() < 3e-7, "exp2 {x}: {power}");
            x += 0.001_7;
        }
    }

    #[test]
    fn nothing_becomes_exactly_one_and_one_exactly_nothing() {
        assert_eq!(Narrow::all(0.0).exp2(), Narrow::all(1.0));
        assert_eq!(Narrow::all(-0.0).exp2(), Narrow::all(1.0));
        assert_eq!(Narrow::all(1.0).log2(), Narrow::all(0.0));
        assert_eq!(Narrow::all(0.25).log2(), Narrow::all(-2.0));
    }

    #[test]
    fn neighbours_and_tiny_numbers() {
        let wide = Wide([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 1e-31]);
        assert_eq!(wide.neighbours().0, [2.0, 1.0, 4.0, 3.0, 6.0, 5.0, 1e-31, 7.0]);
        assert_eq!(wide.flushed().0[6..], [7.0, 0.0]);
    }
}
