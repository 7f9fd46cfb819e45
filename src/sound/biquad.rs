//! Second-order filters: their coefficients and their response.
//!
//! Designs are those of R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Group Note, 8 June 2021), in f64:
//! A = 10^(dB/40), ω = 2π·f/rate, α = sin ω / (2Q), everything divided by a0. A filter is
//! y = b0·x0 + b1·x1 + b2·x2 − a1·y1 − a2·y2.
//!
//! Making a filter is realtime-safe, though it takes a few trigonometric functions.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use super::SILENT;

/// Highest frequency of a filter as a part of the rate; higher ones are held here. Beyond it the bilinear
/// transform squeezes a filter against half of the rate until little of its shape is left.
pub const HIGHEST: f64 = 0.45;
/// The two Qs of a fourth-order Butterworth filter: 1/(2·cos(π/8)) and 1/(2·cos(3π/8)).
pub const FOURTH_ORDER: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_376_5];

/// One second-order filter, normalised so that a0 is 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Biquad {
    /// Factor of the sample.
    pub b0: f64,
    /// Factor of the sample before it.
    pub b1: f64,
    /// Factor of the sample before that.
    pub b2: f64,
    /// Factor of the last output, taken away.
    pub a1: f64,
    /// Factor of the output before it, taken away.
    pub a2: f64,
}

/// What all designs begin with.
struct Warp {
    cos: f64,
    alpha: f64,
}

impl Warp {
    fn new(hz: f64, q: f64, rate: f64) -> Warp {
        let (sin, cos) = (2.0 * PI * held(hz, rate) / rate).sin_cos();
        Warp { cos, alpha: sin / (2.0 * q.max(1e-3)) }
    }
}

/// `hz` held between 1 Hz and [`HIGHEST`] of the rate; what is no number becomes 1 Hz.
#[must_use]
pub fn held(hz: f64, rate: f64) -> f64 {
    hz.max(1.0).min(HIGHEST * rate)
}

fn amplitude(db: f64) -> f64 {
    10f64.powf(db / 40.0)
}

impl Biquad {
    /// Leaves everything as it is.
    pub const IDENTITY: Biquad = Biquad { b0: 1.0, b1: 0.0, b2: 0.0, a1: 0.0, a2: 0.0 };

    fn new(b: [f64; 3], a: [f64; 3]) -> Biquad {
        Biquad { b0: b[0] / a[0], b1: b[1] / a[0], b2: b[2] / a[0], a1: a[1] / a[0], a2: a[2] / a[0] }
    }

    /// A low-pass at `hz`.
    #[must_use]
    pub fn low_pass(hz: f64, q: f64, rate: f64) -> Biquad {
        let Warp { cos, alpha } = Warp::new(hz, q, rate);
        let side = (1.0 - cos) / 2.0;
        Biquad::new([side, 1.0 - cos, side], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
    }

    /// A high-pass at `hz`; Q 1/√2 is a Butterworth filter, −3 dB there.
    #[must_use]
    pub fn high_pass(hz: f64, q: f64, rate: f64) -> Biquad {
        let Warp { cos, alpha } = Warp::new(hz, q, rate);
        let side = f64::midpoint(1.0, cos);
        Biquad::new([side, -(1.0 + cos), side], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
    }

    /// A band-pass with 0 dB at `hz`.
    #[must_use]
    pub fn band_pass(hz: f64, q: f64, rate: f64) -> Biquad {
        let Warp { cos, alpha } = Warp::new(hz, q, rate);
        Biquad::new([alpha, 0.0, -alpha], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
    }

    /// A bell with `db` at `hz`.
    #[must_use]
    pub fn bell(hz: f64, db: f64, q: f64, rate: f64) -> Biquad {
        let Warp { cos, alpha } = Warp::new(hz, q, rate);
        let a = amplitude(db);
        Biquad::new(
            [1.0 + alpha * a, -2.0 * cos, 1.0 - alpha * a],
            [1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a],
        )
    }

    /// A shelf with `db` far below `hz`, half of it at `hz`.
    #[must_use]
    pub fn low_shelf(hz: f64, db: f64, q: f64, rate: f64) -> Biquad {
        let Warp { cos, alpha } = Warp::new(hz, q, rate);
        let a = amplitude(db);
        let (up, down, root) = (a + 1.0, a - 1.0, 2.0 * a.sqrt() * alpha);
        Biquad::new(
            [a * (up - down * cos + root), 2.0 * a * (down - up * cos), a * (up - down * cos - root)],
            [up + down * cos + root, -2.0 * (down + up * cos), up + down * cos - root],
        )
    }

    /// A shelf with `db` far above `hz`, half of it at `hz`.
    #[must_use]
    pub fn high_shelf(hz: f64, db: f64, q: f64, rate: f64) -> Biquad {
        let Warp { cos, alpha } = Warp::new(hz, q, rate);
        let a = amplitude(db);
        let (up, down, root) = (a + 1.0, a - 1.0, 2.0 * a.sqrt() * alpha);
        Biquad::new(
            [a * (up + down * cos + root), -2.0 * a * (down + up * cos), a * (up + down * cos - root)],
            [up - down * cos + root, 2.0 * (down - up * cos), up - down * cos - root],
        )
    }

    /// The sections of a Butterworth high-pass of 12 dB per octave (one and an identity) or 24 (two).
    #[must_use]
    pub fn butterworth_high_pass(hz: f64, steep: bool, rate: f64) -> [Biquad; 2] {
        if steep {
            FOURTH_ORDER.map(|q| Biquad::high_pass(hz, q, rate))
        } else {
            [Biquad::high_pass(hz, FRAC_1_SQRT_2, rate), Biquad::IDENTITY]
        }
    }

    /// The factors b0, b1, b2, a1, a2.
    #[must_use]
    pub fn factors(&self) -> [f64; 5] {
        [self.b0, self.b1, self.b2, self.a1, self.a2]
    }

    /// The complex response at `hz` as real and imaginary part.
    #[must_use]
    pub fn response(&self, hz: f64, rate: f64) -> (f64, f64) {
        let (sin, cos) = (-2.0 * PI * hz / rate).sin_cos();
        let (sin2, cos2) = (-4.0 * PI * hz / rate).sin_cos();
        let over = (self.b0 + self.b1 * cos + self.b2 * cos2, self.b1 * sin + self.b2 * sin2);
        let under = (1.0 + self.a1 * cos + self.a2 * cos2, self.a1 * sin + self.a2 * sin2);
        let power = under.0 * under.0 + under.1 * under.1;
        ((over.0 * under.0 + over.1 * under.1) / power, (over.1 * under.0 - over.0 * under.1) / power)
    }

    /// The gain at `hz` in dB, −400 dB at most taken away.
    #[must_use]
    pub fn gain_db(&self, hz: f64, rate: f64) -> f64 {
        let (re, im) = self.response(hz, rate);
        10.0 * (re * re + im * im).max(1e-40).log10()
    }
}

/// A filter at work on one channel, for measuring. Realtime-safe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Runner {
    filter: Biquad,
    state: [f64; 2],
}

impl Runner {
    /// A filter with silence behind it.
    #[must_use]
    pub fn new(filter: Biquad) -> Runner {
        Runner { filter, state: [0.0; 2] }
    }

    /// The next sample. In digital silence the filter comes to rest: what would go on halving among denormal numbers, at a
    /// hundred times the cost, becomes 0 below [`SILENT`].
    #[must_use]
    pub fn next(&mut self, x: f64) -> f64 {
        let [s1, s2] = self.state;
        let y = self.filter.b0 * x + s1;
        let next = [self.filter.b1 * x - self.filter.a1 * y + s2, self.filter.b2 * x - self.filter.a2 * y];
        // Both at once: with one of them gone the other one would go round for ever.
        let rests = next[0].abs().max(next[1].abs()) < SILENT;
        self.state = if rests { [0.0; 2] } else { next };
        y
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_filter_comes_to_rest_in_silence() {
        for filter in [Biquad::low_pass(120.0, 0.7, 48_000.0), Biquad::high_pass(40.0, 0.5, 48_000.0)] {
            let mut runner = Runner::new(filter);
            for n in 0..4_800 {
                let _ = runner.next((f64::from(n) * 0.1).sin());
            }
            for _ in 0..96_000 {
                let y = runner.next(0.0);
                assert!(y == 0.0 || y.is_normal());
            }
            assert_eq!(runner.state, [0.0; 2]);
        }
    }
}
