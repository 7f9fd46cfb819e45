//! Eight numbers at once: one for each slot of a [bank](super::bank). Plain arrays, which the compiler turns into as
//! few vector instructions as the processor allows; no fused multiply-add is used, so that every processor gives
//! the same bits.
//!
//! Logarithms and exponentials are to the base 2 and branch-free, good to about 1e-11 of an octave.

use std::ops::{Add, Mul, Neg, Sub};

/// Slots of a group: a vector register of 512 bits holds eight f64.
pub const SLOTS: usize = 8;

/// One number for each slot.
#[derive(Debug, Clone, Copy, PartialEq)]
#[repr(align(64))]
pub struct Wide(pub [f64; SLOTS]);

macro_rules! each {
    ($index:ident => $value:expr) => {{
        let mut out = [0.0; SLOTS];
        for $index in 0..SLOTS {
            out[$index] = $value;
        }
        Wide(out)
    }};
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

    /// Base-2 logarithm of positive normal numbers.
    ///
    /// The number is split into 2^n·m with m between √½ and √2; log2 m comes from the series of
    /// 2·artanh((m−1)/(m+1)), whose first left-out term is below 2e-12.
    #[inline(always)]
    #[must_use]
    pub fn log2(self) -> Wide {
        // Bits of √½; taking them away first puts the split at √½ instead of 1.
        const SPLIT: u64 = 0x3FE6_A09E_667F_3BCD;
        const FRACTION: u64 = (1 << 52) - 1;
        // 2^52 with the exponent in its lowest bits, less 2^52 and less the shift that keeps the exponent positive.
        const MAGIC: u64 = 0x4330_0000_0000_0000;
        const SHIFT: u64 = 1023 << 52;
        const BACK: f64 = 4_503_599_627_370_496.0 + 1023.0;
        const SERIES: f64 = 2.0 * std::f64::consts::LOG2_E;
        each!(i => {
            let moved = self.0[i].to_bits().wrapping_sub(SPLIT).wrapping_add(SHIFT);
            let exponent = f64::from_bits((moved >> 52) | MAGIC) - BACK;
            let m = f64::from_bits((moved & FRACTION).wrapping_add(SPLIT));
            let s = (m - 1.0) / (m + 1.0);
            let z = s * s;
            let low = 1.0 + z * (1.0 / 3.0) + (z * z) * (1.0 / 5.0 + z * (1.0 / 7.0));
            let high = 1.0 / 9.0 + z * (1.0 / 11.0) + (z * z) * (1.0 / 13.0);
            let fourth = (z * z) * (z * z);
            exponent + SERIES * (s * (low + fourth * high))
        })
    }

    /// 2 to the power of numbers between −1000 and 1000; exactly 1 for 0.
    ///
    /// 2^n·2^f with f between −½ and ½; 2^f by its Taylor series to the tenth power, off by less than 1e-12.
    #[inline(always)]
    #[must_use]
    pub fn exp2(self) -> Wide {
        // Adding this rounds to whole numbers, which then stand in the lowest bits.
        const ROUND: f64 = 6_755_399_441_055_744.0;
        const LN: f64 = std::f64::consts::LN_2;
        const C: [f64; 11] = {
            let mut c = [1.0; 11];
            let mut i = 1;
            while i < 11 {
                c[i] = c[i - 1] * LN / i as f64;
                i += 1;
            }
            c
        };
        each!(i => {
            let x = if self.0[i] > 1000.0 { 1000.0 } else { self.0[i] };
            let x = if x < -1000.0 { -1000.0 } else { x };
            let rounded = x + ROUND;
            let f = x - (rounded - ROUND);
            let power = f64::from_bits((rounded.to_bits() << 52).wrapping_add(1023 << 52));
            let f2 = f * f;
            let a = C[0] + C[1] * f + f2 * (C[2] + C[3] * f);
            let b = C[4] + C[5] * f + f2 * (C[6] + C[7] * f);
            let c = C[8] + C[9] * f + f2 * C[10];
            let f4 = f2 * f2;
            (a + f4 * (b + f4 * c)) * power
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

impl Neg for Wide {
    type Output = Wide;
    #[inline(always)]
    fn neg(self) -> Wide {
        each!(i => -self.0[i])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn logarithms_and_powers_are_exact_to_1e_11() {
        let mut x = 1e-30;
        while x < 1e30 {
            let log = Wide::all(x).log2().0[3];
            assert!((log - x.log2()).abs() < 1e-11, "log2 {x}: {log}");
            x *= 1.000_37;
        }
        let mut x = -60.0;
        while x < 60.0 {
            let power = Wide::all(x).exp2().0[5];
            assert!((power / f64::exp2(x) - 1.0).abs() < 1e-11, "exp2 {x}: {power}");
            x += 0.001_7;
        }
    }

    #[test]
    fn nothing_becomes_exactly_one_and_one_exactly_nothing() {
        assert_eq!(Wide::ZERO.exp2(), Wide::all(1.0));
        assert_eq!(Wide::all(-0.0).exp2(), Wide::all(1.0));
        assert_eq!(Wide::all(1.0).log2(), Wide::ZERO);
        assert_eq!(Wide::all(0.25).log2(), Wide::all(-2.0));
    }

    #[test]
    fn neighbours_and_tiny_numbers() {
        let wide = Wide([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 1e-31]);
        assert_eq!(wide.neighbours().0, [2.0, 1.0, 4.0, 3.0, 6.0, 5.0, 1e-31, 7.0]);
        assert_eq!(wide.flushed().0[6..], [7.0, 0.0]);
    }
}
