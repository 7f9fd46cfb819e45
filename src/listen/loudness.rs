//! Loudness of the voiced parts of a lane: of stretches that were chosen, where a programme's meter would gate.

use crate::sound::biquad::Runner;
use crate::sound::loudness::k_weighting;

/// K-weighted power of a lane in steps of a hundredth of a second, from which the loudness of any stretches is read.
#[derive(Debug, Clone)]
pub struct PowerTrack {
    filters: [Runner; 2],
    hop: usize,
    sum: f64,
    count: usize,
    powers: Vec<f64>,
}

impl PowerTrack {
    /// A track at `rate` Hz with nothing in it.
    #[must_use]
    pub fn new(rate: u32) -> PowerTrack {
        let filters = k_weighting(f64::from(rate)).map(Runner::new);
        PowerTrack { filters, hop: (rate / 100).max(1) as usize, sum: 0.0, count: 0, powers: Vec::new() }
    }

    /// Takes the next samples into account.
    pub fn add(&mut self, samples: &[f32]) {
        let [shelf, high_pass] = &mut self.filters;
        for sample in samples {
            let weighted = high_pass.next(shelf.next(f64::from(*sample)));
            self.sum += weighted * weighted;
            self.count += 1;
            if self.count == self.hop {
                self.powers.push(self.sum / self.hop as f64);
                (self.sum, self.count) = (0.0, 0);
            }
        }
    }

    /// Frames of one step.
    #[must_use]
    pub fn hop(&self) -> usize {
        self.hop
    }

    /// Loudness in LUFS of the steps that lie whole in one of `stretches` of frames: −0.691 + 10·log₁₀ of their mean power,
    /// as BS.1770 has it for one channel, without gates since the stretches are chosen. `None` below −70 LUFS or for
    /// less than a tenth of a second.
    #[must_use]
    pub fn loudness(&self, stretches: &[(u64, u64)]) -> Option<f64> {
        let (mut sum, mut count) = (0.0, 0usize);
        let hop = self.hop as u64;
        for (start, end) in stretches {
            let first = usize::try_from(start.div_ceil(hop)).unwrap_or(usize::MAX).min(self.powers.len());
            let last = usize::try_from(end / hop).unwrap_or(usize::MAX).min(self.powers.len());
            if first < last {
                sum += self.powers[first..last].iter().sum::<f64>();
                count += last - first;
            }
        }
        if count < 10 {
            return None;
        }
        let lufs = -0.691 + 10.0 * (sum / count as f64).max(1e-20).log10();
        (lufs > -70.0).then_some(lufs)
    }

    /// Loudness in LUFS of what stands out: gated as BS.1770 has it, in steps of 10 ms.
    #[must_use]
    pub fn gated(&self) -> Option<f64> {
        let gate = |least: f64| {
            let (sum, count) = self
                .powers
                .iter()
                .filter(|power| **power > least)
                .fold((0.0, 0usize), |(sum, count), power| (sum + power, count + 1));
            (count >= 10).then(|| sum / count as f64)
        };
        let absolute = 10f64.powf((-70.0 + 0.691) / 10.0);
        let first = gate(absolute)?;
        gate(absolute.max(first / 10.0)).map(|power| -0.691 + 10.0 * power.log10())
    }
}
