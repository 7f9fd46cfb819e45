//! Whether two takes hold the same words at all, and at one tempo.

use serde::{Deserialize, Serialize};

/// Whether two takes hold the same words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Alike {
    /// They do.
    Yes,
    /// They do not, or so little that no offset can be trusted.
    No,
    /// They do, but one of them much faster than the other, so that no slide can bring them together.
    OtherTempo,
    /// One of them is silent.
    Silent,
}

/// One word of the guide as it was found in the take, in samples of both.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Where it begins in the guide.
    pub guide: f64,
    /// Where it was found in the take.
    pub lane: f64,
    /// How sure its onset is, 0 to 1.
    pub confidence: f64,
    /// How far its offset lies from those of the words beside it, in ms, the sum of both.
    pub beside_ms: f64,
    /// What the path costs there.
    pub cost: f32,
}

/// Likeness of two takes up to which they are never taken for the same song.
const LEAST_LIKENESS: f32 = 0.6;
/// ... and up to which, if they have too few words to tell by.
const FEW_LIKENESS: f32 = 0.68;
// A path finds something alike in any two takes, but not words that lie alike side by side. A logistic fit to 220 takes
// against their own guides and 110 against those of other songs (`make_draw.py`, other words), rounded and moved until 60 more
// pairs of other songs (`tests/fixtures/timing`) passed: it takes 1 of the 170 others for the same, and 2 of the 220, other
// synthesisers both, for others.
const BASE: f64 = -3.8;
const LIKENESS: f64 = 10.0;
const SURE: f64 = 9.0;
const BESIDE: f64 = -0.075;
const COST: f64 = -4.0;
/// Tempo beyond which, and below the inverse of which, a take is no double of its guide.
const OTHER_TEMPO: f64 = 1.5;
/// Fewest words that tell a tempo.
const FEWEST: usize = 8;

/// Judges by the likeness of the takes along the path and by the words that sound in both, in order.
#[must_use]
pub fn judge(likeness: f32, places: &[Place]) -> Alike {
    let same = if places.len() < FEWEST { likeness > FEW_LIKENESS } else { score(likeness, places) > 0.0 };
    if !same || likeness <= LEAST_LIKENESS {
        return Alike::No;
    }
    let tempo = tempo(places);
    if (OTHER_TEMPO.recip()..=OTHER_TEMPO).contains(&tempo) { Alike::Yes } else { Alike::OtherTempo }
}

/// What speaks for the same song: above 0 it is.
fn score(likeness: f32, places: &[Place]) -> f64 {
    let median = |value: fn(&Place) -> f64| median(places.iter().map(value).collect()).unwrap_or(0.0);
    let sure = places.iter().map(|place| place.confidence).sum::<f64>() / places.len().max(1) as f64;
    BASE + LIKENESS * f64::from(likeness)
        + SURE * sure
        + BESIDE * median(|place| place.beside_ms)
        + COST * median(|place| f64::from(place.cost))
}

/// How much faster the guide goes than the take: the median over pairs of words half the song apart, so that neither
/// loose words nor a pause that one of them makes decide.
fn tempo(places: &[Place]) -> f64 {
    let half = places.len() / 2;
    if places.len() < FEWEST {
        return 1.0;
    }
    let pairs = places.iter().zip(&places[half..]);
    let ratios = pairs
        .map(|(one, other)| (other.lane - one.lane) / (other.guide - one.guide).max(1.0))
        .filter(|ratio| ratio.is_finite());
    median(ratios.collect()).unwrap_or(1.0)
}

/// The value in the middle, the upper one of two.
fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::{Alike, Place, judge};

    fn places(tempo: f64, confidence: f64) -> Vec<Place> {
        let beside_ms = if confidence > 0.5 { 20.0 } else { 105.0 };
        (0..20)
            .map(|n| {
                let loose = f64::from((n * 7) % 5) * 800.0;
                let guide = 8000.0 * f64::from(n);
                Place { guide, lane: guide * tempo + loose, confidence, beside_ms, cost: 0.2 }
            })
            .collect()
    }

    #[test]
    fn songs_are_told_apart_by_likeness_and_by_words_that_lie_alike() {
        assert_eq!(judge(0.9, &places(1.0, 0.9)), Alike::Yes);
        assert_eq!(judge(0.5, &places(1.0, 0.9)), Alike::No);
        assert_eq!(judge(0.7, &places(1.0, 0.9)), Alike::Yes);
        assert_eq!(judge(0.8, &places(1.0, 0.1)), Alike::No);
        // Unsure words of a take that is alike, as other voices sing them: they lie side by side.
        let mut other = places(1.0, 0.3);
        other.iter_mut().for_each(|place| place.beside_ms = 40.0);
        assert_eq!(judge(0.8, &other), Alike::Yes);
        // Too few words tell nothing.
        assert_eq!(judge(0.9, &[]), Alike::Yes);
        assert_eq!(judge(0.65, &places(1.0, 0.9)[..3]), Alike::No);
    }

    #[test]
    fn a_slower_take_is_one_of_the_song_and_one_at_twice_the_tempo_is_not() {
        assert_eq!(judge(0.9, &places(1.2, 0.9)), Alike::Yes);
        assert_eq!(judge(0.9, &places(0.8, 0.9)), Alike::Yes);
        assert_eq!(judge(0.9, &places(0.5, 0.9)), Alike::OtherTempo);
        assert_eq!(judge(0.9, &places(2.0, 0.9)), Alike::OtherTempo);
    }
}
