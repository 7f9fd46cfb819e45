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
}

/// Likeness of two takes below which they are not taken for the same song. A path finds something alike in any two
/// takes: on made stacks other songs came to 0.68 at most, takes of one song and synthesiser to 0.70 at least.
const LEAST_LIKENESS: f32 = 0.68;
/// Likeness from which on the likeness alone speaks for the same song.
const SURE_LIKENESS: f32 = 0.75;
/// Between the two at least this share of the words …
const SURE_SHARE: f64 = 0.02;
/// … must have been found with this confidence: offsets are acted on from there.
const SURE: f64 = 0.5;
/// Tempo beyond which, and below the inverse of which, a take is no double of its guide.
const OTHER_TEMPO: f64 = 1.5;
/// Fewest words that tell a tempo.
const FEWEST: usize = 8;

/// Judges by the likeness of the takes along the path and by the words that sound in both, in order.
#[must_use]
pub fn judge(likeness: f32, places: &[Place]) -> Alike {
    let sure = places.iter().filter(|place| place.confidence >= SURE).count();
    // A few words tell nothing by their number.
    let unsure = places.len() >= FEWEST && (sure as f64) < SURE_SHARE * places.len() as f64;
    if likeness <= LEAST_LIKENESS || (likeness < SURE_LIKENESS && unsure) {
        return Alike::No;
    }
    let tempo = tempo(places);
    if (OTHER_TEMPO.recip()..=OTHER_TEMPO).contains(&tempo) { Alike::Yes } else { Alike::OtherTempo }
}

/// How much faster the guide goes than the take: the median over pairs of words half the song apart, so that neither
/// loose words nor a pause that one of them makes decide.
fn tempo(places: &[Place]) -> f64 {
    let half = places.len() / 2;
    if places.len() < FEWEST {
        return 1.0;
    }
    let pairs = places.iter().zip(&places[half..]);
    let mut ratios: Vec<f64> = pairs
        .map(|(one, other)| (other.lane - one.lane) / (other.guide - one.guide).max(1.0))
        .filter(|ratio| ratio.is_finite())
        .collect();
    ratios.sort_unstable_by(f64::total_cmp);
    ratios.get(ratios.len() / 2).copied().unwrap_or(1.0)
}

#[cfg(test)]
mod tests {
    use super::{Alike, Place, judge};

    fn places(tempo: f64, confidence: f64) -> Vec<Place> {
        (0..20)
            .map(|n| {
                let loose = f64::from((n * 7) % 5) * 800.0;
                Place {
                    guide: 8000.0 * f64::from(n),
                    lane: 8000.0 * f64::from(n) * tempo + loose,
                    confidence,
                }
            })
            .collect()
    }

    #[test]
    fn songs_are_told_apart_by_likeness_and_by_words_that_are_sure() {
        assert_eq!(judge(0.9, &places(1.0, 0.9)), Alike::Yes);
        assert_eq!(judge(0.5, &places(1.0, 0.9)), Alike::No);
        assert_eq!(judge(0.7, &places(1.0, 0.9)), Alike::Yes);
        assert_eq!(judge(0.7, &places(1.0, 0.1)), Alike::No);
        assert_eq!(judge(0.9, &places(1.0, 0.1)), Alike::Yes);
        assert_eq!(judge(0.9, &[]), Alike::Yes);
    }

    #[test]
    fn a_slower_take_is_one_of_the_song_and_one_at_twice_the_tempo_is_not() {
        assert_eq!(judge(0.9, &places(1.2, 0.9)), Alike::Yes);
        assert_eq!(judge(0.9, &places(0.8, 0.9)), Alike::Yes);
        assert_eq!(judge(0.9, &places(0.5, 0.9)), Alike::OtherTempo);
        assert_eq!(judge(0.9, &places(2.0, 0.9)), Alike::OtherTempo);
    }
}
