//! The filters that the analysis itself needs: a steep high-pass and low-pass of Butterworth shape.

use std::f64::consts::PI;

/// Q of the two halves of a Butterworth filter of fourth order: 1 / (2 cos(π/8)) and 1 / (2 cos(3π/8)).
const FOURTH_ORDER: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_376_6];

/// One second-order section in transposed direct form II, coefficients by R. Bristow-Johnson's cookbook.
#[derive(Debug, Clone, Copy)]
struct Section {
    b: [f64; 3],
    a: [f64; 2],
    state: [f64; 2],
}

impl Section {
    fn new(rate: f64, hz: f64, q: f64, high: bool) -> Section {
        let w = 2.0 * PI * (hz / rate).min(0.49);
        let (sin, cos) = w.sin_cos();
        let alpha = sin / (2.0 * q);
        let a0 = 1.0 + alpha;
        let edge = if high { 1.0 + cos } else { 1.0 - cos };
        let middle = if high { -edge } else { edge };
        Section {
            b: [edge / 2.0 / a0, middle / a0, edge / 2.0 / a0],
            a: [-2.0 * cos / a0, (1.0 - alpha) / a0],
            state: [0.0; 2],
        }
    }

    fn step(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.state[0];
        self.state[0] = self.b[1] * x - self.a[0] * y + self.state[1];
        self.state[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

/// A Butterworth filter of fourth order: 24 dB per octave.
#[derive(Debug, Clone, Copy)]
pub struct Fourth([Section; 2]);

impl Fourth {
    /// Lets pass what lies above `hz`.
    #[must_use]
    pub fn high_pass(rate: f64, hz: f64) -> Fourth {
        Fourth(FOURTH_ORDER.map(|q| Section::new(rate, hz, q, true)))
    }

    /// Lets pass what lies below `hz`.
    #[must_use]
    pub fn low_pass(rate: f64, hz: f64) -> Fourth {
        Fourth(FOURTH_ORDER.map(|q| Section::new(rate, hz, q, false)))
    }

    /// Forgets what no sound is. In digital silence the state of a filter halves for seconds among numbers so small that a
    /// processor takes a hundred times as long for each; called now and then it gets to zero before that.
    pub fn settle(&mut self) {
        for value in self.0.iter_mut().flat_map(|section| &mut section.state) {
            *value = settled(*value);
        }
    }

    /// The next sample.
    pub fn step(&mut self, x: f64) -> f64 {
        let Fourth([first, second]) = self;
        second.step(first.step(x))
    }
}

/// A value, or 0 if it is smaller than anything that was recorded: 600 dB below full scale.
#[must_use]
pub fn settled(value: f64) -> f64 {
    if value.abs() < 1e-30 { 0.0 } else { value }
}

#[cfg(test)]
mod tests {
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
        for mut filter in [Fourth::high_pass(48_000.0, 120.0), Fourth::low_pass(48_000.0, 80.0)] {
            (0..4_800).for_each(|n| {
                filter.step((f64::from(n) * 0.1).sin());
            });
            // As many hops as 2 s have; what comes on the way is a number of full precision or nothing.
            for _ in 0..400 {
                for _ in 0..240 {
                    let y = filter.step(0.0);
                    assert!(y == 0.0 || y.is_normal());
                }
                filter.settle();
            }
            assert!(filter.0.iter().all(|section| section.state == [0.0; 2]), "{filter:?}");
        }
    }
}
