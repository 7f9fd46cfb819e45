//! The rest before a word in which nothing but the room sounds: the closure of a stop, or a gap. What is left out may reach
//! into it as far as the guide, which has the same word, rests no longer.

use super::splice::GUARD_MS;
use super::{Timing, WordTiming, guide_region, quiet, samples_of};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::listen::seam;
use crate::song::Region;

/// A rest is looked for so far behind an onset, in ms: measured onsets lie up to so much before the sound.
const BEHIND_MS: f64 = 90.0;
/// Rests are measured up to this length, in ms: longer than any closure (common practice, no source: 30 to 80).
const LONGEST_MS: f64 = 130.0;
/// A shorter rest of the lane is none, in ms.
const SHORTEST_MS: f64 = 20.0;
/// The same word begins as far from its onset in both takes, to so many ms.
const ALIKE_MS: f64 = 15.0;
/// What stays of a rest beyond the guide's, since sound dies away into a closure that belongs to the word behind it, and in
/// any case, in ms.
const MORE_MS: f64 = 12.0;
const LEAST_MS: f64 = 3.0;
/// What stays of a gap where a copy was cut: words begin a little before they are heard.
const CUT_MS: f64 = 20.0;
/// Window and step of a look, in ms.
const LOOK_MS: (f64, f64) = (5.0, 1.0);

/// A rest before a word, on the timeline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rest {
    /// Where the room is alone from.
    pub from: i64,
    /// Where the word sounds from.
    pub to: i64,
    /// What of it may be left out ends here.
    pub free: i64,
}

/// The rest before a word of a lane's region, if the guide does not rest as long before the same word.
///
/// # Errors
/// A recording cannot be read.
pub(super) fn before(
    context: &Context,
    timing: &Timing,
    region: &Region,
    word: &WordTiming,
) -> Result<Option<Rest>, Diagnostic> {
    let ms = |ms: f64| (ms * f64::from(context.session.rate) / 1000.0) as i64;
    let Some((from, to)) =
        rest(context, region, word.at as i64)?.filter(|(from, to)| to - from >= ms(SHORTEST_MS))
    else {
        return Ok(None);
    };
    let Some(beside) = guide_region(context, timing, word.word) else { return Ok(None) };
    let at = timing.words[word.word].at;
    let stays = match rest(context, beside, at.0)? {
        None => 0,
        Some((begins, sounds)) => {
            let away = (to - word.at as i64) - (sounds - at.0);
            if away.abs() <= ms(ALIKE_MS) {
                sounds - begins + ms(MORE_MS)
            } else if away > 0 && word.found.evidence.found.same {
                // A copy whose beginning was cut away holds nothing before it sounds.
                ms(CUT_MS)
            } else {
                return Ok(None);
            }
        }
    };
    let free = to - stays.max(ms(LEAST_MS));
    Ok((free > from).then_some(Rest { from, to, free }))
}

/// Where a region's take rests at an onset of the timeline or shortly before it: from and to.
fn rest(context: &Context, region: &Region, onset: i64) -> Result<Option<(i64, i64)>, Diagnostic> {
    let rate = f64::from(context.session.rate);
    let ms = |ms: f64| (ms * rate / 1000.0) as i64;
    let dead = quiet::dead(context, region)?;
    let from = (onset - ms(LONGEST_MS + GUARD_MS)).max(region.at.0);
    let to = (onset + ms(BEHIND_MS)).min(region.end().0);
    let samples = samples_of(context, region, (from, to))?;
    let found = in_samples(&samples, rate, usize::try_from(onset - from).unwrap_or(0), dead);
    Ok(found.map(|(begin, end)| {
        (from.saturating_add_unsigned(begin as u64), from.saturating_add_unsigned(end as u64))
    }))
}

/// The rest at a sample or up to [`GUARD_MS`] before it in which no look is louder than `dead` (dBFS rms).
fn in_samples(samples: &[f32], rate: f64, onset: usize, dead: f64) -> Option<(usize, usize)> {
    let ms = |ms: f64| (ms * rate / 1000.0) as usize;
    let (window, step) = (ms(LOOK_MS.0).max(1), ms(LOOK_MS.1).max(1));
    let looks = samples.len().checked_sub(window)? / step + 1;
    let rests: Vec<bool> = (0..looks)
        .map(|look| seam::db(seam::power(&samples[look * step..look * step + window])) <= dead)
        .collect();
    let here = (onset.saturating_sub(2 * window) / step).min(looks - 1);
    let last = if rests[here] {
        (here..looks).take_while(|look| rests[*look]).last()?
    } else {
        let first = onset.saturating_sub(ms(GUARD_MS)) / step;
        (first..here).rev().find(|look| rests[*look])?
    };
    // What never sounds is no word.
    if last + 1 == looks {
        return None;
    }
    let first = (0..=last).rev().take_while(|look| rests[*look]).last()?;
    Some((first * step, last * step + window))
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 16_000.0;
    const DEAD: f64 = -54.0;

    /// Noise of a level in dBFS over each stretch of so many ms.
    fn noise(parts: &[(f64, f64)]) -> Vec<f32> {
        super::super::in_quiet::noise(parts, RATE)
    }

    fn at(ms: f64) -> usize {
        (ms * RATE / 1000.0) as usize
    }

    /// To the window of one look and its step.
    fn near(found: Option<(usize, usize)>, (from, to): (f64, f64)) -> bool {
        found.is_some_and(|(begin, end)| {
            begin.abs_diff(at(from)) <= at(6.0) && end.abs_diff(at(to)) <= at(6.0)
        })
    }

    #[test]
    fn a_rest_lies_at_an_onset_or_shortly_before_it() {
        let samples = noise(&[(100.0, -25.0), (60.0, -62.0), (150.0, -30.0)]);
        // The onset was measured at the burst, in the midst of the rest, and behind a soft beginning.
        for onset in [160.0, 120.0, 200.0] {
            let found = in_samples(&samples, RATE, at(onset), DEAD);
            assert!(near(found, (100.0, 160.0)), "{onset}: {found:?}");
        }
        // Farther before it is another word's.
        assert_eq!(in_samples(&samples, RATE, at(240.0), DEAD), None);
    }

    #[test]
    fn neither_sound_without_a_rest_nor_a_rest_without_sound_counts() {
        assert_eq!(in_samples(&noise(&[(300.0, -30.0)]), RATE, at(150.0), DEAD), None);
        assert_eq!(in_samples(&noise(&[(150.0, -30.0), (100.0, -62.0)]), RATE, at(160.0), DEAD), None);
        assert_eq!(in_samples(&[], RATE, 0, DEAD), None);
    }
}
