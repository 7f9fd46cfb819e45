//! Listening: what a recording holds, where, and how sure that is. Pure functions on samples: no files, no clock.
//!
//! [`listen`] hears a take twice. The first time it learns how loud the voice is and what lies between its phrases
//! (the room, hum, what leaks from headphones), band by band; the second time it names what stands out of that: phrases from
//! their first onset to the last consonant, their voiced, sibilant and softly hissing parts, breaths, strays, clicks and
//! pops. Memory does not depend on the take's length, but for the results themselves.
//!
//! [`timing`] finds the words of the guide in another take, to a fraction of a millisecond where the sound allows it.
//!
//! [`seam`] finds where two stretches of sound join best and by which law.
//!
//! Not here: what to do about any of it. That is decided in `command`.

mod alike;
mod confidence;
mod course;
mod ends;
mod features;
mod filter;
pub mod first_onsets;
mod frames;
mod heard;
mod levels;
pub mod loudness;
mod low_copy;
mod matching;
mod phrases;
mod refine;
mod runs;
pub mod seam;
mod source;
pub mod stack;
mod throat;
pub mod timing;
pub mod tone_find;
mod tone_look;
mod transients;
pub mod turns;
mod voicing;
pub mod words;

pub use heard::{Heard, Phrase, Sound, SoundKind, Verdict};
pub use source::{Slice, Source};
pub use tone_look::{BANDS, BANDS_PER_OCTAVE, LOWEST_HZ, ToneLook, band_hz, tone_look};

use levels::{Levels, Survey};
use runs::Runs;
use transients::Transients;

/// Version of the algorithm. Results that were kept carry it; a change of any number in this room raises it.
pub const VERSION: u32 = 1;

/// Takes shorter than this are not judged.
const SHORTEST_MS: u64 = 50;

/// Listens to a whole recording. Not realtime-safe; about a two-hundredth of the recording's length of work.
///
/// # Errors
/// Those of the source.
pub fn listen(source: &mut dyn Source) -> Result<Heard, String> {
    let (rate, total) = (source.rate(), source.frames());
    if total * 1000 < u64::from(rate) * SHORTEST_MS {
        return Ok(nothing(rate, total, Verdict::TooShort));
    }
    let mut survey = Survey::new();
    frames::each_frame(source, false, &mut |frame| survey.push(frame))?;
    let levels = survey.finish();
    if levels.silent {
        return Ok(nothing(rate, total, Verdict::Silent));
    }
    let mut runs = Runs::new(levels);
    let mut transients = Transients::new(&levels);
    frames::each_frame(source, true, &mut |frame| {
        runs.push(frame);
        transients.push(frame);
    })?;
    Ok(conclude(rate, total, &levels, runs, transients))
}

fn conclude(rate: u32, total: u64, levels: &Levels, runs: Runs, transients: Transients) -> Heard {
    let (phrases, mut sounds) = phrases::phrases(runs.finish(), levels);
    sounds.extend(transients.finish());
    let hop = frames::hop(rate) as u64;
    let place = |frame: u64| (frame * hop).min(total);
    for sound in &mut sounds {
        (sound.start, sound.end) = (place(sound.start), place(sound.end));
    }
    sounds.retain(|sound| sound.start < sound.end);
    sounds.sort_by_key(|sound| sound.start);
    let phrases = phrases.into_iter().map(|phrase| Phrase {
        start: place(phrase.start),
        end: place(phrase.end),
        ..phrase
    });
    let verdict = match (levels.contrast, levels.has_gaps) {
        (false, _) => Verdict::Even,
        (true, false) => Verdict::NoGap,
        (true, true) => Verdict::Phrases,
    };
    Heard {
        voice_db: levels.voice_db,
        floor_db: levels.floor_db,
        ceiling_db: levels.ceiling_db,
        phrases: phrases.filter(|phrase| phrase.start < phrase.end).collect(),
        sounds,
        ..nothing(rate, total, verdict)
    }
}

fn nothing(rate: u32, frames: u64, verdict: Verdict) -> Heard {
    Heard {
        version: VERSION,
        rate,
        frames,
        verdict,
        voice_db: -120.0,
        floor_db: -120.0,
        ceiling_db: -120.0,
        phrases: Vec::new(),
        sounds: Vec::new(),
    }
}
