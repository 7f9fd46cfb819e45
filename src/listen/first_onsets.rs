//! Where words begin, by energy alone: a first guess, good enough to draw lines by.
//!
//! A word begins where the level climbs out of the last moments' valley. Soft beginnings (h, w, m) are
//! found late or not at all; the ear's idea of a word needs more than this.

use crate::song::{Lane, Position, Shift};

/// Finds where words begin in a recording, from its level over time.
pub trait OnsetFinder: Send + Sync {
    /// What to call it on the screen.
    fn name(&self) -> &'static str;

    /// Starts of words in frames, in order. `rms` (linear) has one value for every `hop` frames.
    fn starts(&self, rms: &[f32], hop: u64, rate: u32) -> Vec<u64>;
}

/// Looks for climbs of the level. All its numbers are our choice, tried on our own takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EnergyOnsets {
    /// A climb of so many dB within [`Self::climb_ms`] is a start.
    pub climb_db: f32,
    /// How far back the valley is looked for.
    pub climb_ms: f32,
    /// Above the take's noise floor by so many dB, or nothing begins.
    pub above_floor_db: f32,
    /// Two starts are at least so far apart.
    pub apart_ms: f32,
}

impl Default for EnergyOnsets {
    fn default() -> EnergyOnsets {
        EnergyOnsets { climb_db: 9.0, climb_ms: 70.0, above_floor_db: 18.0, apart_ms: 110.0 }
    }
}

impl OnsetFinder for EnergyOnsets {
    fn name(&self) -> &'static str {
        "energy onsets"
    }

    fn starts(&self, rms: &[f32], hop: u64, rate: u32) -> Vec<u64> {
        let level: Vec<f32> = rms.iter().map(|rms| 20.0 * rms.max(1e-6).log10()).collect();
        let Some(gate) = self.gate(&level) else { return Vec::new() };
        let hops = |ms: f32| ((ms / 1000.0 * rate.max(1) as f32 / hop.max(1) as f32).round() as usize).max(1);
        let (back, apart) = (hops(self.climb_ms), hops(self.apart_ms));
        let mut starts: Vec<u64> = Vec::new();
        let mut free_from = 0;
        for now in 1..level.len() {
            if now < free_from || level[now] < gate {
                continue;
            }
            let since = now.saturating_sub(back);
            let valley = level[since..now].iter().copied().fold(f32::MAX, f32::min);
            if level[now] - valley < self.climb_db {
                continue;
            }
            // The start is where a third of the climb is done, between two hops by the straight line.
            let edge = valley + self.climb_db / 3.0;
            let Some(below) = (since..now).rev().find(|&hop| level[hop] < edge) else { continue };
            let rise = (level[below + 1] - level[below]).max(1e-3);
            let part = ((edge - level[below]) / rise).clamp(0.0, 1.0);
            // The level of a hop stands for its middle.
            let at = (below as f32 + part + 0.5) * hop as f32;
            starts.push(at.max(0.0) as u64);
            free_from = now + apart;
        }
        starts
    }
}

impl EnergyOnsets {
    /// The level (dB) below which nothing begins; `None` for a take that is silent throughout.
    fn gate(&self, level: &[f32]) -> Option<f32> {
        let mut sounding: Vec<f32> = level.iter().copied().filter(|level| *level > -110.0).collect();
        if sounding.is_empty() {
            return None;
        }
        sounding.sort_unstable_by(f32::total_cmp);
        let floor = sounding[sounding.len() / 10];
        let loud = sounding[sounding.len() * 95 / 100];
        // A take without pauses has no floor to speak of: half way down counts as one.
        Some((floor + self.above_floor_db).min(loud - 12.0).max(-70.0))
    }
}

/// Starts of a recording (frames) as they fall on the timeline of a lane: those in cut-away sound do not.
#[must_use]
pub fn on_lane(lane: &Lane, starts: impl Fn(crate::song::AssetId) -> Option<Vec<u64>>) -> Vec<Position> {
    let mut found = Vec::new();
    let mut known: Option<(crate::song::AssetId, Vec<u64>)> = None;
    for region in &lane.regions {
        if known.as_ref().is_none_or(|(asset, _)| *asset != region.asset) {
            known = starts(region.asset).map(|starts| (region.asset, starts));
        }
        let Some((asset, starts)) = &known else { continue };
        if *asset != region.asset {
            continue;
        }
        let first = starts.partition_point(|start| *start < region.source_in);
        let sounding = starts[first..].iter().take_while(|start| **start < region.source_end());
        found
            .extend(sounding.map(|start| Position(region.source_origin().0.saturating_add_unsigned(*start))));
    }
    found.sort_unstable();
    found
}

/// Pairs the starts of a lane with those of the guide: each with its nearest, if that is mutual and within
/// `reach` samples. Gives the guide's start and how much later (+) or earlier (-) the lane has it.
#[must_use]
pub fn offsets(guide: &[Position], lane: &[Position], reach: u64) -> Vec<(Position, Shift)> {
    let nearest = |among: &[Position], to: Position| -> Option<Position> {
        let after = among.partition_point(|at| *at < to);
        let pair = [after.checked_sub(1).and_then(|index| among.get(index)), among.get(after)];
        pair.into_iter().flatten().copied().min_by_key(|at| (*at - to).0.abs())
    };
    let mut found = Vec::new();
    for own in lane {
        let Some(theirs) = nearest(guide, *own) else { continue };
        let by = *own - theirs;
        if by.0.unsigned_abs() <= reach && nearest(lane, theirs) == Some(*own) {
            found.push((theirs, by));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_word_after_silence_begins_where_it_begins() {
        // 48 kHz, hops of 256 frames: silence with a little noise, a word from hop 100 to 150, another at 200.
        let mut rms = vec![0.0005f32; 300];
        rms[100..150].fill(0.2);
        rms[200..260].fill(0.1);
        let starts = EnergyOnsets::default().starts(&rms, 256, 48_000);
        assert_eq!(starts.len(), 2, "{starts:?}");
        assert!(starts[0].abs_diff(100 * 256) <= 256 && starts[1].abs_diff(200 * 256) <= 256, "{starts:?}");
    }

    #[test]
    fn silence_and_steady_sound_have_no_words_and_nothing_panics_on_odd_numbers() {
        let finder = EnergyOnsets::default();
        assert_eq!(finder.starts(&[0.0; 500], 256, 48_000), Vec::<u64>::new());
        assert_eq!(finder.starts(&[0.3; 500], 256, 48_000), Vec::<u64>::new());
        assert_eq!(finder.starts(&[], 256, 48_000), Vec::<u64>::new());
        drop(finder.starts(&[f32::NAN, f32::INFINITY, -1.0, 0.5], 0, 0));
    }

    #[test]
    fn pairs_are_mutual_and_within_reach() {
        let at = |all: &[i64]| all.iter().map(|at| Position(*at)).collect::<Vec<_>>();
        let pairs = offsets(&at(&[1000, 2000, 9000]), &at(&[1100, 1150, 1900, 5000]), 500);
        assert_eq!(pairs, vec![(Position(1000), Shift(100)), (Position(2000), Shift(-100))]);
        assert_eq!(offsets(&[], &at(&[1]), 10), vec![]);
    }
}
