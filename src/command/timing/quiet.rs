//! Where a lane is quiet between two words, and which words touch.

use super::{LaneTiming, WordTiming, samples_of};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::listen::SoundKind;
use crate::song::Region;

/// A cut lies so far below the voice, in dB, or it is none.
pub(super) const BELOW_VOICE_DB: f64 = 24.0;
/// What is no louder than the take's usual floor by this is the room, in dB: single looks at noise stand out of it.
const ROOM_DB: f64 = 6.0;
/// Nothing so far below the quiet limit counts as sound, in dB: takes without any noise.
const LOWEST_DB: f64 = 30.0;
/// It is so low for at least so long, in ms.
const QUIET_MS: f64 = 14.0;

/// Where a lane is quiet between two words, on the timeline before anything is slid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quiet {
    /// First quiet sample.
    pub from: i64,
    /// One past the last quiet sample.
    pub to: i64,
    /// Where to cut: the quietest place.
    pub cut: i64,
    /// Level there in dBFS rms.
    pub level_db: f64,
}

/// What parts a word from the one before it in its region.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Border {
    /// The region begins.
    Start,
    /// It is quiet there.
    Quiet(Quiet),
    /// One sound goes over into the other.
    Touching,
}

/// Below this a region's take counts as quiet, in dBFS.
///
/// # Errors
/// The recording cannot be read.
pub fn limit(context: &Context, region: &Region) -> Result<f64, Diagnostic> {
    Ok(f64::from(context.hearing.heard(region.asset)?.voice_db) - BELOW_VOICE_DB)
}

/// Below this only the room sounds in a region's take, in dBFS rms.
///
/// # Errors
/// The recording cannot be read.
pub(super) fn dead(context: &Context, region: &Region) -> Result<f64, Diagnostic> {
    let floor = f64::from(context.hearing.heard(region.asset)?.floor_db);
    Ok((floor + ROOM_DB).max(limit(context, region)? - LOWEST_DB))
}

/// What parts each of a region's words, in order, from the one before it.
///
/// # Errors
/// The recording cannot be read.
pub fn borders(
    context: &Context,
    lane: &LaneTiming,
    region: &Region,
    words: &[usize],
) -> Result<Vec<Border>, Diagnostic> {
    let heard = context.hearing.heard(region.asset)?;
    let limit = limit(context, region)?;
    let breaths: Vec<(i64, i64)> = heard
        .of(SoundKind::Breath)
        .map(|breath| {
            let origin = region.source_origin().0;
            (origin.saturating_add_unsigned(breath.start), origin.saturating_add_unsigned(breath.end))
        })
        .collect();
    let border = |(place, index): (usize, &usize)| match place.checked_sub(1) {
        Some(before) => {
            let pair = (&lane.words[words[before]], &lane.words[*index]);
            let quiet = between(context, region, pair, &breaths, limit)?;
            Ok(quiet.map_or(Border::Touching, Border::Quiet))
        }
        None => Ok(Border::Start),
    };
    words.iter().enumerate().map(border).collect()
}

/// The quietest place between two words of a region, if it is quiet enough; a breath goes with the word after it.
fn between(
    context: &Context,
    region: &Region,
    (left, right): (&WordTiming, &WordTiming),
    breaths: &[(i64, i64)],
    limit: f64,
) -> Result<Option<Quiet>, Diagnostic> {
    let rate = f64::from(context.session.rate);
    let ms = |ms: f64| (ms * rate / 1000.0) as i64;
    let mut to = right.at as i64 - ms(2.0);
    let from = (left.end as i64).min(to - ms(45.0)).max(left.at as i64 + ms(40.0));
    if let Some(breath) =
        breaths.iter().find(|(start, end)| *start < to && *end > from && *start > left.at as i64)
    {
        to = to.min(breath.0);
    }
    let inner = ((region.at + region.fade_in.length).0 + 1, (region.end() - region.fade_out.length).0 - 1);
    let (from, to) = (from.max(inner.0), to.min(inner.1));
    let window = ms(QUIET_MS).max(1);
    if to - from < window || to - from > 30 * rate as i64 {
        return Ok(None);
    }
    let samples = samples_of(context, region, (from, to))?;
    let step = ms(1.0).max(1);
    let count = (samples.len() as i64 - window) / step + 1;
    let level = |index: i64| {
        let at = (index * step) as usize;
        crate::listen::seam::db(crate::listen::seam::power(&samples[at..at + window as usize]))
    };
    let levels: Vec<f64> = (0..count).map(level).collect();
    // Of places that are quiet alike the last counts, so that what rings of the word before keeps its room.
    let lowest = levels.iter().copied().fold(f64::INFINITY, f64::min);
    let best = levels.iter().rposition(|level| *level <= lowest + 3.0).unwrap_or(0);
    if levels[best] > limit {
        return Ok(None);
    }
    let first = (0..=best).rev().take_while(|index| levels[*index] <= limit).last().unwrap_or(best);
    let last = (best..levels.len()).take_while(|index| levels[*index] <= limit).last().unwrap_or(best);
    Ok(Some(Quiet {
        from: from + first as i64 * step,
        to: from + last as i64 * step + window,
        cut: from + best as i64 * step + window / 2,
        level_db: levels[best],
    }))
}
