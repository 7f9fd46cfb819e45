//! How loud each sample of a fade is.
//!
//! | curve | gain at u, 0 ≤ u ≤ 1 | across a joint of two with bend 0 |
//! |---|---|---|
//! | linear | u | gains add up to one |
//! | raised-cosine | (1 − cos πu) / 2 | gains add up to one |
//! | equal-power | sin(πu / 2) | powers add up to one |
//! | square-root | √u | powers add up to one |
//! | exponential | (10^(−3(1−u)) − 10^−3) / (1 − 10^−3) | neither |
//!
//! The exponential law is a straight line over 60 decibels, shifted so that it ends in
//! exact silence. A bend b first maps u to u^(2^(−2b)): at 1 to the fourth root, at −1 to the fourth
//! power. Every law rises without a step back from exactly 0 to exactly 1.
//!
//! Everything here is realtime-safe: no allocation, no lock, nothing that can fail.

use std::f64::consts::FRAC_PI_2;

use crate::song::{Bend, Curve, Fade};

/// The exponential law at its foot, before the shift: 10^(−60/20).
const DECAY_FOOT: f64 = 1e-3;

/// Gain (linear, 0 to 1) of a rising fade at `u`, its done part. `u` is held between 0 and 1 and the
/// bend between -1 and 1; a bend that is not a number counts as 0.
#[must_use]
pub fn gain(curve: Curve, bend: Bend, u: f64) -> f64 {
    law(curve, bent(u.clamp(0.0, 1.0), exponent(bend)))
}

/// The power to which a bend raises u.
fn exponent(bend: Bend) -> f64 {
    let bend = if bend.0.is_nan() { 0.0 } else { bend.0.clamp(-1.0, 1.0) };
    (-2.0 * bend).exp2()
}

fn bent(u: f64, exponent: f64) -> f64 {
    // Not only for speed: pow may be off by a rounding where the straight law must be exact.
    if exponent == 1.0 { u } else { u.powf(exponent) }
}

fn law(curve: Curve, u: f64) -> f64 {
    match curve {
        Curve::Linear => u,
        Curve::EqualPower => equal_power(u),
        Curve::RaisedCosine => raised_cosine(u),
        Curve::Exponential => exponential(u),
        Curve::SquareRoot => u.sqrt(),
    }
}

fn equal_power(u: f64) -> f64 {
    (FRAC_PI_2 * u).sin()
}

fn raised_cosine(u: f64) -> f64 {
    // (1 − cos πu)/2 = sin²(πu/2). The square keeps its digits near silence, where 1 − cos loses them,
    // and taking the upper half from the lower makes the two sides of a crossfade add up to one.
    let side = if u <= 0.5 { u } else { 1.0 - u };
    let sine = (FRAC_PI_2 * side).sin();
    let square = sine * sine;
    if u <= 0.5 { square } else { 1.0 - square }
}

fn exponential(u: f64) -> f64 {
    let log_foot = DECAY_FOOT.ln();
    // expm1 keeps the digits near silence, where the difference of two powers loses them.
    if u >= 1.0 { 1.0 } else { (DECAY_FOOT * (-log_foot * u).exp_m1()) / (1.0 - DECAY_FOOT) }
}

/// A fade made ready for rendering. A copy of plain numbers; making one allocates nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ramp {
    length: u64,
    curve: Curve,
    exponent: f64,
}

impl Ramp {
    /// The ramp of `fade`.
    #[must_use]
    pub fn new(fade: Fade) -> Ramp {
        Ramp { length: fade.length.0, curve: fade.curve, exponent: exponent(fade.bend) }
    }

    /// Its length in samples; 0 is no fade.
    #[must_use]
    pub fn length(&self) -> u64 {
        self.length
    }

    /// Gain (linear) of sample `n` of the fade-in: the law at (n + 0.5) / N; 1 past the end.
    #[must_use]
    pub fn rising(&self, n: u64) -> f64 {
        if n >= self.length {
            return 1.0;
        }
        law(self.curve, bent(self.place(n), self.exponent))
    }

    /// Gain (linear) of sample `n` of the fade-out, the mirror image of the fade-in; 0 past the end.
    #[must_use]
    pub fn falling(&self, n: u64) -> f64 {
        if n >= self.length { 0.0 } else { self.rising(self.length - 1 - n) }
    }

    /// Gains of the fade-in from its sample `from` on, one for each place in `out`, which must not reach past its end.
    pub fn fill_rising(&self, from: u64, out: &mut [f64]) {
        self.fill(out, |index| from.saturating_add(index));
    }

    /// Gains of the fade-out from its sample `from` on, one for each place in `out`, which must not reach past its end.
    pub fn fill_falling(&self, from: u64, out: &mut [f64]) {
        let last = self.length.saturating_sub(1);
        self.fill(out, |index| last.saturating_sub(from.saturating_add(index)));
    }

    fn place(&self, n: u64) -> f64 {
        // Both are far below 2^53, so that the only rounding is the division's.
        #[expect(clippy::cast_precision_loss, reason = "positions are below 2^41")]
        let (n, length) = (n as f64, self.length as f64);
        ((n + 0.5) / length).min(1.0)
    }

    /// The law is chosen once for the whole stretch, so that the loops hold no branch on it.
    fn fill(&self, out: &mut [f64], sample: impl Fn(u64) -> u64) {
        match self.curve {
            Curve::Linear => self.fill_by(out, sample, |u| u),
            Curve::EqualPower => self.fill_by(out, sample, equal_power),
            Curve::RaisedCosine => self.fill_by(out, sample, raised_cosine),
            Curve::Exponential => self.fill_by(out, sample, exponential),
            Curve::SquareRoot => self.fill_by(out, sample, f64::sqrt),
        }
    }

    fn fill_by(&self, out: &mut [f64], sample: impl Fn(u64) -> u64, law: impl Fn(f64) -> f64) {
        let places = (0u64..).zip(out.iter_mut());
        if self.exponent == 1.0 {
            places.for_each(|(index, gain)| *gain = law(self.place(sample(index))));
        } else {
            places.for_each(|(index, gain)| *gain = law(self.place(sample(index)).powf(self.exponent)));
        }
    }
}

#[cfg(test)]
#[expect(clippy::approx_constant, reason = "digits of a table, compared to nine places")]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::song::Length;

    fn ramp(curve: Curve, bend: f64, length: u64) -> Ramp {
        Ramp::new(Fade { length: Length(length), curve, bend: Bend(bend) })
    }

    /// Closed forms evaluated with numpy to nine digits: linear u, sin(πu/2), (1 − cos πu)/2, √u; levels are
    /// 20·log10 of them to four. The laws are elementary: no source beyond the formula is needed.
    const TABLE: [(f64, Curve, f64, f64); 12] = [
        (0.1, Curve::Linear, 0.1, -20.0),
        (0.1, Curve::EqualPower, 0.156_434_465, -16.1134),
        (0.1, Curve::RaisedCosine, 0.024_471_742, -32.2267),
        (0.1, Curve::SquareRoot, 0.316_227_766, -10.0),
        (0.25, Curve::Linear, 0.25, -12.0412),
        (0.25, Curve::EqualPower, 0.382_683_432, -8.3432),
        (0.25, Curve::RaisedCosine, 0.146_446_609, -16.6864),
        (0.25, Curve::SquareRoot, 0.5, -6.0206),
        (0.5, Curve::Linear, 0.5, -6.0206),
        (0.5, Curve::EqualPower, 0.707_106_781, -3.0103),
        (0.5, Curve::RaisedCosine, 0.5, -6.0206),
        (0.5, Curve::SquareRoot, 0.707_106_781, -3.0103),
    ];

    #[test]
    fn the_laws_have_the_values_of_their_closed_forms() {
        for (u, curve, value, level) in TABLE {
            let found = gain(curve, Bend(0.0), u);
            assert!((found - value).abs() < 5.1e-10, "{curve:?} at {u}: {found}");
            assert!((20.0 * found.log10() - level).abs() < 5.1e-5, "{curve:?} at {u}");
        }
        // The falling side of equal power: cos(πu/2) at 0.1, 0.25 and 0.5, from the same table.
        for (u, value, level) in
            [(0.1, 0.987_688_341, -0.1076), (0.25, 0.923_879_533, -0.6877), (0.5, 0.707_106_781, -3.0103)]
        {
            let found = gain(Curve::EqualPower, Bend(0.0), 1.0 - u);
            assert!((found - value).abs() < 5.1e-10);
            assert!((20.0 * found.log10() - level).abs() < 5.1e-5);
        }
    }

    #[test]
    fn the_exponential_law_is_a_straight_line_in_decibels_shifted_to_silence() {
        // Undo the shift by its definition: what is left must fall 6 dB each tenth of the way.
        for tenth in 0..=10 {
            let shifted = gain(Curve::Exponential, Bend(0.0), f64::from(tenth) / 10.0);
            let straight = shifted * (1.0 - 1e-3) + 1e-3;
            assert!((20.0 * straight.log10() - (-60.0 + 6.0 * f64::from(tenth))).abs() < 1e-9);
        }
    }

    #[test]
    fn a_bend_maps_u_before_the_law() {
        // u^(2^(−2b)): at b = 1 the fourth root, at −1 the fourth power, at 0.5 the root, at −0.5 the square.
        for (bend, u, mapped) in
            [(1.0, 0.0625, 0.5), (-1.0, 0.5, 0.0625), (0.5, 0.25, 0.5), (-0.5, 0.5, 0.25)]
        {
            for (curve, _) in Curve::ALL {
                let wanted = gain(curve, Bend(0.0), mapped);
                assert!((gain(curve, Bend(bend), u) - wanted).abs() < 1e-14, "{curve:?} bend {bend}");
            }
        }
    }

    #[test]
    fn mean_squares_over_a_whole_fade() {
        // Integrals of the squared laws over 0..1: 1/3, 1/2, 3/8, 1/2.
        let wanted = [
            (Curve::Linear, 1.0 / 3.0),
            (Curve::EqualPower, 0.5),
            (Curve::RaisedCosine, 0.375),
            (Curve::SquareRoot, 0.5),
        ];
        for (curve, mean) in wanted {
            let ramp = ramp(curve, 0.0, 10_000);
            let sum: f64 = (0..10_000).map(|n| ramp.rising(n).powi(2)).sum();
            assert!((sum / 10_000.0 - mean).abs() < 1e-8, "{curve:?}");
        }
    }

    #[test]
    fn unlike_sounds_at_the_middle_of_a_crossfade() {
        // Level of g1² + g2² + 2r·g1·g2 at u = 0.5 for correlation r. The constraint is that of Fink, Holters,
        // Zölzer, "Signal-Matched Power-Complementary Cross-Fading and Dry-Wet Mixing", DAFx-16, 2016.
        let rows = [
            (-0.5, -6.0206, -3.0103),
            (0.0, -3.0103, 0.0),
            (0.5, -1.2494, 1.7609),
            (0.75, -0.5799, 2.4304),
            (0.9, -0.2228, 2.7875),
            (1.0, 0.0, 3.0103),
        ];
        for (r, linear, sine) in rows {
            for (curve, level) in [(Curve::Linear, linear), (Curve::EqualPower, sine)] {
                let g = gain(curve, Bend(0.0), 0.5);
                let power = 2.0 * g * g * (1.0 + r);
                assert!((10.0 * power.log10() - level).abs() < 5.1e-5, "{curve:?} r {r}");
            }
        }
    }

    #[test]
    fn a_pair_of_gains_divided_by_its_level_keeps_the_power() {
        // (in, out) gains of the linear law divided by √(g1² + g2² + 2r·g1·g2), same source.
        let rows = [
            (0.0, 0.25, 0.316_227_766, 0.948_683_298),
            (0.5, 0.25, 0.277_350_098, 0.832_050_294),
            (0.9, 0.1, 0.100_912_335, 0.908_211_017),
            (-0.5, 0.5, 1.0, 1.0),
            (0.0, 0.5, 0.707_106_781, 0.707_106_781),
            (0.5, 0.5, 0.577_350_269, 0.577_350_269),
            (0.75, 0.5, 0.534_522_484, 0.534_522_484),
            (0.9, 0.5, 0.512_989_176, 0.512_989_176),
            (1.0, 0.5, 0.5, 0.5),
        ];
        for (r, u, rising, falling) in rows {
            let (g1, g2) = (gain(Curve::Linear, Bend(0.0), u), gain(Curve::Linear, Bend(0.0), 1.0 - u));
            let level = (g1 * g1 + g2 * g2 + 2.0 * r * g1 * g2).sqrt();
            assert!((g1 / level - rising).abs() < 5.1e-10 && (g2 / level - falling).abs() < 5.1e-10, "r {r}");
        }
    }

    #[test]
    fn every_law_runs_from_exact_silence_to_exact_unity() {
        for (curve, _) in Curve::ALL {
            for bend in [-1.0, -0.3, 0.0, 0.7, 1.0, f64::NAN, 9.0] {
                assert_eq!(gain(curve, Bend(bend), 0.0), 0.0, "{curve:?} {bend}");
                assert_eq!(gain(curve, Bend(bend), 1.0), 1.0, "{curve:?} {bend}");
                assert_eq!(gain(curve, Bend(bend), -3.0), 0.0);
                assert_eq!(gain(curve, Bend(bend), 3.0), 1.0);
            }
        }
    }

    fn any_curve() -> impl Strategy<Value = Curve> {
        (0..Curve::ALL.len()).prop_map(|index| Curve::ALL[index].0)
    }

    proptest! {
        #[test]
        fn fades_never_step_back(
            curve in any_curve(), bend in -1.0..=1.0f64, length in 1u64..200_000, from in 0.0..1.0f64,
        ) {
            let ramp = ramp(curve, bend, length);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
            let start = (from * length as f64) as u64;
            let mut gains = [0.0; 300];
            ramp.fill_rising(start, &mut gains);
            let count = (length - start).min(300) as usize;
            // One rounding of slack: the C library promises a sine near the true one, not a rising one.
            prop_assert!(gains[..count].windows(2).all(|pair| pair[1] >= pair[0] - f64::EPSILON / 2.0));
            prop_assert!(gains[..count].iter().all(|gain| (0.0..=1.0).contains(gain)));
        }

        #[test]
        fn any_two_places_are_in_order(
            curve in any_curve(), bend in -1.0..=1.0f64, a in 0.0..=1.0f64, b in 0.0..=1.0f64,
        ) {
            let (low, high) = (a.min(b), a.max(b));
            let (g_low, g_high) = (gain(curve, Bend(bend), low), gain(curve, Bend(bend), high));
            prop_assert!(g_low <= g_high + f64::EPSILON / 2.0);
        }

        #[test]
        fn a_filled_stretch_is_the_single_samples(
            curve in any_curve(), bend in -1.0..=1.0f64, length in 1u64..5_000, from in 0u64..5_000,
        ) {
            let ramp = ramp(curve, bend, length);
            let from = from % length;
            let count = (length - from).min(64) as usize;
            let mut gains = [0.0; 64];
            ramp.fill_rising(from, &mut gains[..count]);
            prop_assert!((from..).zip(&gains[..count]).all(|(n, gain)| *gain == ramp.rising(n)));
            ramp.fill_falling(from, &mut gains[..count]);
            prop_assert!((from..).zip(&gains[..count]).all(|(n, gain)| *gain == ramp.falling(n)));
            prop_assert_eq!(ramp.falling(from), ramp.rising(length - 1 - from));
        }

        #[test]
        fn the_two_sides_of_a_crossfade_add_up(length in 1u64..3_000_000, part in 0.0..1.0f64) {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
            let n = ((part * length as f64) as u64).min(length - 1);
            for curve in [Curve::Linear, Curve::RaisedCosine] {
                let ramp = ramp(curve, 0.0, length);
                prop_assert!((ramp.rising(n) + ramp.falling(n) - 1.0).abs() <= f64::EPSILON, "{curve:?}");
            }
            for curve in [Curve::EqualPower, Curve::SquareRoot] {
                let ramp = ramp(curve, 0.0, length);
                let power = ramp.rising(n).powi(2) + ramp.falling(n).powi(2);
                prop_assert!((power - 1.0).abs() <= 2.0 * f64::EPSILON, "{curve:?}");
            }
        }
    }
}
