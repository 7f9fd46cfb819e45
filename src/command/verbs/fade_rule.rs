//! How long a fade should be by what sounds at its edge.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::proposal::of_ms;
use crate::listen::SoundKind;
use crate::song::{FadeSide, Length, Region};

/// Shortest fade that is set, and those inside a hard sound and inside a voice, in ms (common practice, no source).
const LEAST_MS: u64 = 1;
const HARD_MS: u64 = 2;
const IN_SOUND_MS: u64 = 5;
/// Longest fades over dead space before an onset and behind an ending, and over a decay, in ms.
const BEFORE_MS: u64 = 20;
const BEHIND_MS: u64 = 60;
const DECAY_MS: u64 = 40;
/// An edge so near to an onset is that of a hard sound, in ms.
const ONSET_MS: u64 = 10;
/// The last part of a phrase is its decay, in ms.
const LAST_MS: u64 = 300;

/// The length that suits an edge: over dead space it ends where the sound begins, inside a consonant it is short, in a
/// decay it is long.
///
/// # Errors
/// The recording cannot be listened to.
pub(super) fn natural(region: &Region, side: FadeSide, context: &Context) -> Result<Length, Diagnostic> {
    let heard = context.hearing.heard(region.asset)?;
    let ms = |ms| of_ms(ms, context.session.rate);
    let between = |length: u64, least: u64, most: u64| Length(length.clamp(ms(least).0, ms(most).0));
    if heard.verdict.objection().is_some() {
        return Ok(ms(IN_SOUND_MS));
    }
    let frame = match side {
        FadeSide::In => region.source_in,
        FadeSide::Out => region.source_end().saturating_sub(1),
    };
    let kind = heard.sound_at(frame).map(|sound| sound.kind);
    let inside = heard.phrase_at(frame);
    Ok(match (inside, side) {
        (None, _) if kind == Some(SoundKind::Breath) => ms(BEFORE_MS),
        (None, FadeSide::In) => {
            let next = heard.phrases.iter().map(|phrase| phrase.start).find(|start| *start > frame);
            between(next.map_or(u64::MAX, |start| start - frame), LEAST_MS, BEFORE_MS)
        }
        (None, FadeSide::Out) => {
            let last = heard.phrases.iter().rev().map(|phrase| phrase.end).find(|end| *end <= frame);
            between(last.map_or(u64::MAX, |end| frame - end), IN_SOUND_MS, BEHIND_MS)
        }
        (Some(phrase), FadeSide::In) if frame - phrase.start < ms(ONSET_MS).0 => ms(HARD_MS),
        (Some(phrase), FadeSide::Out)
            if phrase.end - frame < ms(LAST_MS).0 && kind != Some(SoundKind::Sibilant) =>
        {
            ms(DECAY_MS)
        }
        _ if kind == Some(SoundKind::Voiced) => ms(IN_SOUND_MS),
        _ => ms(HARD_MS),
    })
}
