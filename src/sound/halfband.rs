//! Half-band filters of two all-pass branches, for running at twice the rate.
//!
//! Design: elliptic half-band filters in closed form, after R. A. Valenzuela, A. G. Constantinides, "Digital signal
//! processing schemes for efficient interpolation and decimation", IEE Proceedings G 130(6), 1983 (formulas from
//! memory; the tests measure what they give).

use std::f64::consts::PI;

/// Factors of the all-pass sections of a half-band filter, those of the two branches in turn.
///
/// `transition` is the distance from the end of the pass band to the start of the stop band as a part of the
/// (higher) rate; both lie evenly around a quarter of it.
#[must_use]
pub fn design<const N: usize>(transition: f64) -> [f64; N] {
    let k = ((1.0 - 2.0 * transition) * PI / 4.0).tan().powi(2);
    let root = (1.0 - k * k).sqrt().sqrt();
    let e = 0.5 * (1.0 - root) / (1.0 + root);
    let e4 = e.powi(4);
    let q = e * (1.0 + e4 * (2.0 + e4 * (15.0 + 150.0 * e4)));
    let order = (2 * N + 1) as f64;
    std::array::from_fn(|index| {
        let at = (index + 1) as f64 * PI / order;
        let sign = |i: i32| if i % 2 == 0 { 1.0 } else { -1.0 };
        let over: f64 =
            (0..8).map(|i| sign(i) * q.powi(i * (i + 1)) * (f64::from(2 * i + 1) * at).sin()).sum();
        let under: f64 = (1..8).map(|i| sign(i) * q.powi(i * i) * (f64::from(2 * i) * at).cos()).sum();
        let w = (q.powf(0.25) * over / (0.5 + under)).powi(2);
        let x = ((1.0 - w * k) * (1.0 - w / k)).sqrt() / (1.0 + w);
        (1.0 - x) / (1.0 + x)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Magnitude in dB of the half-band filter at `hz`, for `rate`, the higher one: the mean of its two branches.
    fn magnitude_db(factors: &[f64], hz: f64, rate: f64) -> f64 {
        let angle = 4.0 * PI * hz / rate;
        // Phase of z⁻² and of each all-pass (a + z⁻²)/(1 + a·z⁻²).
        let all_pass = |a: f64| {
            let (sin, cos) = (-angle).sin_cos();
            let (over, under) = ((sin).atan2(a + cos), (a * sin).atan2(1.0 + a * cos));
            over - under
        };
        let phase = |first: usize| factors.iter().skip(first).step_by(2).map(|a| all_pass(*a)).sum::<f64>();
        let (even, odd) = (phase(0), phase(1) - 2.0 * PI * hz / rate);
        20.0 * ((even - odd) / 2.0).cos().abs().max(1e-12).log10()
    }

    #[test]
    fn the_stop_band_is_80_db_down_and_the_pass_band_flat() {
        let first: [f64; 12] = design(0.02);
        let second: [f64; 4] = design(0.25);
        for hz in (100..=23_000).step_by(50).map(f64::from) {
            assert!(magnitude_db(&first, hz, 96_000.0).abs() < 1e-4, "pass band, {hz}");
            assert!(magnitude_db(&second, hz, 192_000.0).abs() < 1e-4, "pass band, {hz}");
        }
        for hz in (24_970..=48_000).step_by(50).map(f64::from) {
            let db = magnitude_db(&first, hz, 96_000.0);
            assert!(db < -90.0, "stop band, {hz}: {db}");
        }
        for hz in (72_000..=96_000).step_by(100).map(f64::from) {
            let db = magnitude_db(&second, hz, 192_000.0);
            assert!(db < -90.0, "stop band of the second, {hz}: {db}");
        }
    }
}
