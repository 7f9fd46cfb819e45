//! Two singers' throats: the longer one has all its formants lower, by about one ratio.
//!
//! Lee and Rose, "A frequency warping approach to speaker normalization", IEEE Transactions on Speech and Audio Processing
//! 6(1), 1998: one warp of the frequency axis for a speaker, found by trying some. They tried 0.88 to 1.12 (from memory); a
//! harmony may be sung by a child to a man's guide, and the range here is wider.

use super::features::{BANDS, EDGES, Frame, Levels};

/// Ratios are tried in steps of this, as a natural logarithm, so many to either side of 1: 0.82 to 1.22.
const STEP: f64 = 0.05;
const STEPS: i32 = 4;

/// Where the bands of one voice lie in another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Throat {
    /// For each band the one below its place in the other voice, and how far it lies towards the next.
    from: [(usize, f32); BANDS],
}

impl Throat {
    /// The other voice has its formants at `ratio` times their frequencies.
    fn new(ratio: f64) -> Throat {
        let centre = |band: usize| (EDGES[band] * EDGES[band + 1]).sqrt();
        let mut from = [(0, 0.0); BANDS];
        for (band, place) in from.iter_mut().enumerate() {
            let hz = centre(band) * ratio;
            let low = (0..BANDS - 1).rev().find(|band| centre(*band) <= hz).unwrap_or(0);
            let part = (hz / centre(low)).ln() / (centre(low + 1) / centre(low)).ln();
            *place = (low, part.clamp(0.0, 1.0) as f32);
        }
        Throat { from }
    }

    /// Those that are tried beside "as long as the guide's", each with how many steps it lies from that.
    pub fn others() -> impl Iterator<Item = (i32, Throat)> {
        let others = (-STEPS..=STEPS).filter(|step| *step != 0);
        others.map(|step| (step.abs(), Throat::new((f64::from(step) * STEP).exp())))
    }

    /// Levels of the other voice as this one would have them.
    #[must_use]
    pub fn levels(&self, levels: &Levels) -> Levels {
        let one = |frame: &Frame| -> Frame {
            self.from.map(|(low, part)| frame[low] + part * (frame[low + 1] - frame[low]))
        };
        Levels { frames: levels.frames.iter().map(one).collect(), ..*levels }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_formant_that_lies_higher_is_brought_back() {
        // A peak at 1620 Hz in one voice, at 1620 * 1.22 = 1990 Hz in a shorter throat.
        let peak = |hz: f64| -> Levels {
            let level = |band: usize| {
                let centre = (EDGES[band] * EDGES[band + 1]).sqrt();
                -20.0 - 30.0 * (centre / hz).log2().abs() as f32
            };
            Levels { hop: 80, first: 0, frames: vec![std::array::from_fn(level)] }
        };
        let (guide, lane) = (peak(1620.0), peak(1620.0 * 0.2f64.exp()));
        let away = |levels: &Levels| -> f32 {
            let pairs = levels.frames[0].iter().zip(&guide.frames[0]);
            // The lowest and highest bands have no neighbour to come from.
            pairs.take(14).skip(1).map(|(a, b)| (a - b).powi(2)).sum::<f32>().sqrt()
        };
        let best =
            Throat::others().min_by(|a, b| away(&a.1.levels(&lane)).total_cmp(&away(&b.1.levels(&lane))));
        let (steps, throat) = best.unwrap();
        assert_eq!(steps, STEPS);
        assert!(
            away(&throat.levels(&lane)) < 0.3 * away(&lane),
            "{} {}",
            away(&throat.levels(&lane)),
            away(&lane)
        );
        // To the other side it gets worse.
        assert!(away(&Throat::new((-0.2f64).exp()).levels(&lane)) > away(&lane));
    }
}
