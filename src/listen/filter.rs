//! The filters that the analysis itself needs: a steep high-pass and low-pass of Butterworth shape.

use crate::sound::biquad::{Biquad, FOURTH_ORDER, Runner};

/// A Butterworth filter of fourth order: 24 dB per octave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fourth([Runner; 2]);

impl Fourth {
    /// Lets pass what lies above `hz`.
    #[must_use]
    pub fn high_pass(rate: f64, hz: f64) -> Fourth {
        Fourth(FOURTH_ORDER.map(|q| Runner::new(Biquad::high_pass(hz, q, rate))))
    }

    /// Lets pass what lies below `hz`.
    #[must_use]
    pub fn low_pass(rate: f64, hz: f64) -> Fourth {
        Fourth(FOURTH_ORDER.map(|q| Runner::new(Biquad::low_pass(hz, q, rate))))
    }

    /// The next sample.
    pub fn step(&mut self, x: f64) -> f64 {
        let Fourth([first, second]) = self;
        second.next(first.next(x))
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;

    fn gain_db(mut filter: Fourth, hz: f64) -> f64 {
        let tone = |n: u32| (2.0 * PI * hz * f64::from(n) / 48_000.0).sin();
        let power = |from: u32, filter: &mut Fourth| -> f64 {
            (from..from + 48_000).map(|n| filter.step(tone(n)).powi(2)).sum::<f64>() / 48_000.0
        };
        power(0, &mut filter);
        10.0 * (2.0 * power(48_000, &mut filter)).log10()
    }

    #[test]
    fn the_edge_lies_3_db_down_and_an_octave_beyond_it_24_db() {
        // Butterworth, order 4: 10 log10(1 + 2^8) = 24.1 dB an octave out, 3.01 dB at the edge.
        let high = Fourth::high_pass(48_000.0, 200.0);
        assert!((gain_db(high, 200.0) + 3.01).abs() < 0.02);
        assert!((gain_db(high, 100.0) + 24.1).abs() < 0.1);
        let low = Fourth::low_pass(48_000.0, 200.0);
        assert!((gain_db(low, 200.0) + 3.01).abs() < 0.02);
        assert!((gain_db(low, 400.0) + 24.1).abs() < 0.1);
    }

    #[test]
    fn silence_comes_to_rest() {
        for fresh in [Fourth::high_pass(48_000.0, 120.0), Fourth::low_pass(48_000.0, 80.0)] {
            let mut filter = fresh;
            (0..4_800).for_each(|n| {
                filter.step((f64::from(n) * 0.1).sin());
            });
            // What comes on the way is a number of full precision or nothing.
            for _ in 0..96_000 {
                let y = filter.step(0.0);
                assert!(y == 0.0 || y.is_normal());
            }
            assert_eq!(filter, fresh);
        }
    }
}
