//! Where the sound of a word has ended, measured alike on guide and lane.
//!
//! An end is where the level falls below a limit and stays there. The limit is the same number of dB
//! below the word's own top in both takes, high enough above the noise of either; so a softer or noisier
//! take does not seem to end sooner.

use super::features::{self, Analyser, Frame, Levels};
use super::low_copy::LowCopy;

/// How far below the word's top its end lies at most, in dB.
const DEEPEST_DB: f32 = 32.0;
/// How far above the noise it lies at least, in dB.
const OVER_NOISE_DB: f32 = 9.0;
/// An end is an end if nothing comes back within this time, in seconds; closures of stops are shorter.
const STAYS_S: f64 = 0.16;
/// Step and window of the fine measurement, in seconds.
const FINE_S: (f64, f64) = (0.001, 0.008);

/// Level of a whole take over time, in dB, and its noise.
#[derive(Debug, Clone, PartialEq)]
pub struct Loudness {
    /// Level in dB, a value every `hop` samples.
    pub db: Vec<f32>,
    /// Samples from value to value.
    pub hop: usize,
    /// Level of the noise in dB.
    pub noise: f32,
    /// Level that a twentieth of the take exceeds, in dB.
    pub usual: f32,
}

impl Loudness {
    /// Sums bands up.
    #[must_use]
    pub fn of(levels: &Levels) -> Loudness {
        let db: Vec<f32> = levels.frames.iter().map(total).collect();
        let noise = features::percentile(&mut db.clone(), 0.08);
        let usual = features::percentile(&mut db.clone(), 0.95);
        Loudness { db, hop: levels.hop, noise, usual }
    }

    /// Loudest level between two samples.
    #[must_use]
    pub fn top(&self, from: f64, to: f64) -> f32 {
        let frame = |at: f64| ((at / self.hop as f64).max(0.0) as usize).min(self.db.len());
        let (from, to) = (frame(from), frame(to).max(frame(from) + 1).min(self.db.len()));
        self.db.get(from..to).unwrap_or_default().iter().copied().fold(f32::NEG_INFINITY, f32::max)
    }
}

fn total(frame: &Frame) -> f32 {
    10.0 * frame.iter().map(|db| 10f32.powf(db / 10.0)).sum::<f32>().log10()
}

/// A stretch of a take in which a word ends.
#[derive(Debug, Clone, Copy)]
pub struct Stretch<'a> {
    /// The take.
    pub copy: &'a LowCopy,
    /// Its level.
    pub loudness: &'a Loudness,
    /// Where the word's sound is certain, in samples.
    pub from: f64,
    /// Where the word has ended at the latest: the next word's onset or the take's end.
    pub to: f64,
}

/// Ends of a word in two takes, in samples, by one limit.
#[must_use]
pub fn pair(analyser: &mut Analyser, one: Stretch, other: Stretch) -> (f64, f64) {
    let over = |stretch: &Stretch| {
        let top = stretch.loudness.top(stretch.from, stretch.to.min(stretch.from + 0.3 * rate(stretch)));
        (top, stretch.loudness.noise + OVER_NOISE_DB - top)
    };
    let ((top_one, over_one), (top_other, over_other)) = (over(&one), over(&other));
    let below = (-DEEPEST_DB).max(over_one).max(over_other).min(-6.0);
    (end(analyser, one, top_one + below), end(analyser, other, top_other + below))
}

fn rate(stretch: &Stretch) -> f64 {
    f64::from(stretch.copy.rate)
}

/// The analyser that [`pair`] works with.
#[must_use]
pub fn analyser(rate: u32) -> Analyser {
    Analyser::new(rate, FINE_S.1)
}

fn end(analyser: &mut Analyser, stretch: Stretch, limit: f32) -> f64 {
    let loudness = stretch.loudness;
    let hop = loudness.hop as f64;
    let stays = (STAYS_S * rate(&stretch) / hop) as usize;
    let first = (stretch.from / hop).max(0.0) as usize;
    let last = ((stretch.to / hop).max(0.0) as usize).min(loudness.db.len());
    let mut sounding = first;
    for index in first..last {
        if loudness.db[index] > limit {
            sounding = index;
        } else if index - sounding > stays {
            break;
        }
    }
    // The exact place lies within a coarse window of it.
    let fine = ((FINE_S.0 * rate(&stretch)).round() as usize).max(1);
    let from = (sounding as i64 - 3) * loudness.hop as i64;
    let count = (8 * loudness.hop) / fine;
    let levels = analyser.levels(&stretch.copy.samples, from, fine, count);
    let db: Vec<f32> = levels.frames.iter().map(total).collect();
    let Some(index) = db.iter().rposition(|db| *db > limit) else {
        return (sounding as f64 + 0.5) * hop;
    };
    let part = match db.get(index + 1) {
        Some(next) => f64::from((db[index] - limit) / (db[index] - next).max(0.1)).min(1.0),
        None => 0.0,
    };
    (from as f64 + (index as f64 + part) * fine as f64).clamp(stretch.from, stretch.to.max(stretch.from))
}
