//! Eight numbers at once: one for each slot of a [bank](super::bank). Plain arrays, which the compiler turns into as
//! few vector instructions as the processor allows; no fused multiply-add is used, so that every processor gives
//! the same bits.
//!
//! Logarithms and exponentials are to the base 2, in single precision and branch-free, good to a few units in the last
//! place: some 1e-5 dB.

use std::ops::{Add, Mul, Sub};

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
        each!(i => if self.0[i].abs() < 1e-30 { 0.0 } else { self.0[i] })
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

    /// Base-2 logarithm of positive normal numbers.
    ///
    /// The number is split into 2^n·m with m between √½ and √2; log2 m comes from the series of
    /// 2·artanh((m−1)/(m+1)), whose first left-out term is below 2e-9.
    #[inline(always)]
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "exponents are small")]
    pub fn log2(self) -> Narrow {
        // Bits of √½: taking them away first puts the split there instead of at 1.
        const SPLIT: i32 = 0x3F35_04F3;
        const SERIES: f32 = 2.0 * std::f32::consts::LOG2_E;
        narrow!(i => {
            let moved = self.0[i].to_bits().cast_signed().wrapping_sub(SPLIT);
            let exponent = moved >> 23;
            let m = f32::from_bits((moved & 0x7F_FFFF).wrapping_add(SPLIT).cast_unsigned());
            let s = (m - 1.0) / (m + 1.0);
            let z = s * s;
            let series = 1.0 + z * (1.0 / 3.0) + (z * z) * (1.0 / 5.0 + z * (1.0 / 7.0) + z * z * (1.0 / 9.0));
            exponent as f32 + SERIES * (s * series)
        })
    }

    /// 2 to the power of numbers between −120 and 120; exactly 1 for 0.
    ///
    /// 2^n·2^f with f between −½ and ½; 2^f by its Taylor series to the seventh power, off by less than 2e-8.
    #[inline(always)]
    #[must_use]
    pub fn exp2(self) -> Narrow {
        // Adding this rounds to whole numbers, which then stand in the lowest bits.
        const ROUND: f32 = 12_582_912.0;
        const C: [f32; 8] = {
            let mut c = [1.0f64; 8];
            let mut narrow = [1.0f32; 8];
            let mut i = 1;
            while i < 8 {
                c[i] = c[i - 1] * std::f64::consts::LN_2 / i as f64;
                narrow[i] = c[i] as f32;
                i += 1;
            }
            narrow
        };
        let within = self.max(Narrow::all(-120.0)).min(Narrow::all(120.0));
        narrow!(i => {
            let rounded = within.0[i] + ROUND;
            let f = within.0[i] - (rounded - ROUND);
            let power = f32::from_bits((rounded.to_bits() << 23).wrapping_add(127 << 23));
            let f2 = f * f;
            let low = C[0] + C[1] * f + f2 * (C[2] + C[3] * f);
            let high = C[4] + C[5] * f + f2 * (C[6] + C[7] * f);
            (low + (f2 * f2) * high) * power
        })
    }
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
