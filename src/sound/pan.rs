//! How loud a lane is on the left and on the right.
//!
//! A mono lane is panned with equal power: −3 dB on both sides in the middle, full level on one side at
//! the end, the sum of the powers always one. A stereo lane takes a balance instead, which leaves both
//! sides alone in the middle and only ever takes away.
//!
//! Realtime-safe: no allocation, no lock, nothing that can fail.

use std::f64::consts::{FRAC_PI_4, SQRT_2};

use crate::song::Pan;

/// Gains (linear) of the two sides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PanGains {
    /// Gain of the left side.
    pub left: f64,
    /// Gain of the right side.
    pub right: f64,
}

/// Gains of a mono lane: left cos((p + 1)·π/4), right sin((p + 1)·π/4), p held between -1 and 1.
#[must_use]
pub fn mono(pan: Pan) -> PanGains {
    let pan = within(pan);
    // cos x = sin(π/2 − x): this form is exactly 0 at the far end and the same mirrored.
    PanGains { left: ((1.0 - pan) * FRAC_PI_4).sin(), right: ((1.0 + pan) * FRAC_PI_4).sin() }
}

/// Gains of a stereo lane: those of a mono lane times √2, at most 1; exactly 1 and 1 in the middle.
#[must_use]
pub fn stereo(pan: Pan) -> PanGains {
    let pan = within(pan);
    let far = (SQRT_2 * ((1.0 - pan.abs()) * FRAC_PI_4).sin()).min(1.0);
    if pan > 0.0 {
        PanGains { left: far, right: 1.0 }
    } else if pan < 0.0 {
        PanGains { left: 1.0, right: far }
    } else {
        // √2·sin(π/4) is one rounding off.
        PanGains { left: 1.0, right: 1.0 }
    }
}

fn within(pan: Pan) -> f64 {
    if pan.0.is_nan() { 0.0 } else { pan.0.clamp(-1.0, 1.0) }
}

#[cfg(test)]
#[expect(clippy::approx_constant, reason = "digits of a table, compared to nine places")]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_middle_is_three_decibels_down_and_the_ends_are_clean() {
        let centre = mono(Pan(0.0));
        // sin(π/4) = 0.707106781, −3.0103 dB: the closed form.
        assert!((centre.left - 0.707_106_781).abs() < 5.1e-10 && centre.left == centre.right);
        assert!((20.0 * centre.left.log10() + 3.0103).abs() < 5.1e-5);
        assert_eq!(mono(Pan(-1.0)), PanGains { left: 1.0, right: 0.0 });
        assert_eq!(mono(Pan(1.0)), PanGains { left: 0.0, right: 1.0 });
        // Half way to the right: cos(3π/8) and sin(3π/8).
        let half = mono(Pan(0.5));
        assert!((half.left - 0.382_683_432).abs() < 5.1e-10 && (half.right - 0.923_879_533).abs() < 5.1e-10);
    }

    #[test]
    fn a_balance_leaves_the_middle_alone() {
        assert_eq!(stereo(Pan(0.0)), PanGains { left: 1.0, right: 1.0 });
        assert_eq!(stereo(Pan(1.0)), PanGains { left: 0.0, right: 1.0 });
        assert_eq!(stereo(Pan(-1.0)), PanGains { left: 1.0, right: 0.0 });
        let half = stereo(Pan(-0.5));
        assert!(half.left == 1.0 && (half.right - SQRT_2 * 0.382_683_432).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn power_stays_and_sides_mirror(pan in -1.0..=1.0f64) {
            let (gains, mirrored) = (mono(Pan(pan)), mono(Pan(-pan)));
            prop_assert!((gains.left.powi(2) + gains.right.powi(2) - 1.0).abs() <= 2.0 * f64::EPSILON);
            prop_assert_eq!((gains.left, gains.right), (mirrored.right, mirrored.left));
            let balance = stereo(Pan(pan));
            prop_assert!((balance.left - (SQRT_2 * gains.left).min(1.0)).abs() <= 2.0 * f64::EPSILON);
            prop_assert!((balance.right - (SQRT_2 * gains.right).min(1.0)).abs() <= 2.0 * f64::EPSILON);
        }

        #[test]
        fn further_right_is_never_quieter_on_the_right(a in -1.0..=1.0f64, b in -1.0..=1.0f64) {
            let (low, high) = (Pan(a.min(b)), Pan(a.max(b)));
            for law in [mono, stereo] {
                prop_assert!(law(low).right <= law(high).right + f64::EPSILON);
                prop_assert!(law(low).left >= law(high).left - f64::EPSILON);
            }
        }
    }
}
