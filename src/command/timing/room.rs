//! What a room sounds like between the words: a stretch of a take in which nobody sings, to fill a hole with.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::listen::{Heard, seam};
use crate::song::{Fade, Length, Position, Region};

/// A room as quiet as this, in dBFS rms, is not missed in a hole.
const INAUDIBLE_DB: f64 = -84.0;
/// Distance to what sounds before and behind, in ms: tails die there, and words begin softly.
const AWAY_MS: (f64, f64) = (60.0, 120.0);
/// The stretch is no louder than the take's usual floor by more than this, in dB.
const LOUDER_DB: f64 = 6.0;
/// Holes shorter than this are not heard, in ms.
const LEAST_MS: f64 = 3.0;

/// A stretch of a take in which only the room sounds, and where it goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    source_in: u64,
    at: Position,
    length: Length,
}

impl Room {
    /// The stretch of the recording of `beside` nearest to a hole of the timeline, long enough to cross with what lies
    /// before and behind it; `None` if there is none, or nothing to be heard in it.
    ///
    /// # Errors
    /// The recording cannot be read.
    pub fn near(
        context: &Context,
        beside: &Region,
        (end, start): (i64, i64),
        (before, behind): (i64, i64),
    ) -> Result<Option<Room>, Diagnostic> {
        let rate = f64::from(context.session.rate);
        let heard = context.hearing.heard(beside.asset)?;
        let hole = start - end;
        if hole < (LEAST_MS * rate / 1000.0) as i64 || !Room::is_heard(context, beside)? {
            return Ok(None);
        }
        let length = u64::try_from(hole + before + behind).unwrap_or(0);
        let near = u64::try_from(end - beside.source_origin().0).unwrap_or(0);
        for source_in in places(&heard, length, near, rate) {
            let mut samples = vec![0.0f32; usize::try_from(length).unwrap_or(0)];
            context.hearing.samples(beside.asset, source_in, &mut samples)?;
            let level = seam::db(seam::power(&samples));
            if level < f64::from(heard.floor_db) + LOUDER_DB && level > INAUDIBLE_DB - LOUDER_DB {
                return Ok(Some(Room { source_in, at: Position(end - before), length: Length(length) }));
            }
        }
        Ok(None)
    }

    /// Whether the room of a region's recording is missed in a hole.
    ///
    /// # Errors
    /// The recording cannot be read.
    pub fn is_heard(context: &Context, beside: &Region) -> Result<bool, Diagnostic> {
        Ok(f64::from(context.hearing.heard(beside.asset)?.floor_db) >= INAUDIBLE_DB)
    }

    /// The stretch as a region, without fades, at the level of the region beside it.
    #[must_use]
    pub fn region(&self, beside: &Region) -> Region {
        Region {
            source_in: self.source_in,
            at: self.at,
            length: self.length,
            fade_in: Fade::NONE,
            fade_out: Fade::NONE,
            ..beside.clone()
        }
    }
}

/// Where in a take so many frames lie clear of everything that was heard, the nearest first.
fn places(heard: &Heard, length: u64, near: u64, rate: f64) -> Vec<u64> {
    let away = ((AWAY_MS.0 * rate / 1000.0) as u64, (AWAY_MS.1 * rate / 1000.0) as u64);
    let mut sounding: Vec<(u64, u64)> =
        heard.phrases.iter().map(|phrase| (phrase.start, phrase.end)).collect();
    sounding.extend(heard.sounds.iter().map(|sound| (sound.start, sound.end)));
    sounding.push((heard.frames, heard.frames));
    sounding.sort_unstable();
    let (mut free, mut from) = (Vec::new(), 0u64);
    for (start, end) in sounding {
        let to = start.saturating_sub(away.1);
        if to >= from + length {
            free.push(near.clamp(from, to - length));
        }
        from = from.max(end + away.0);
    }
    free.sort_by_key(|at| at.abs_diff(near));
    // The nearest few are as good as any.
    free.truncate(8);
    free
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::{Phrase, Verdict};

    #[test]
    fn room_is_found_clear_of_what_sounds_and_near() {
        let phrase = |start, end| Phrase { start, end, level_db: -20.0, confidence: 1.0 };
        let heard = Heard {
            version: 1,
            rate: 1000,
            frames: 10_000,
            verdict: Verdict::Phrases,
            voice_db: -20.0,
            floor_db: -60.0,
            ceiling_db: -55.0,
            phrases: vec![phrase(1000, 3000), phrase(5000, 8000)],
            sounds: Vec::new(),
        };
        // Frames are ms here: 60 behind what sounds, 120 before it.
        assert_eq!(places(&heard, 100, 2500, 1000.0), [3060, 780, 8060]);
        assert_eq!(places(&heard, 100, 4000, 1000.0)[0], 4000);
        assert_eq!(places(&heard, 1820, 4000, 1000.0), [3060, 8060]);
        assert!(places(&heard, 5000, 4000, 1000.0).is_empty());
    }
}
