//! From a recording to the timeline, through the regions of a lane.

use std::sync::Arc;

use super::{GuideWord, LaneTiming, WordTiming};
use crate::listen::timing::{Alike, Match, Matches};
use crate::song::{AssetId, Hold, Lane, Position, Region, Song};

/// Where a moment of a recording lies on a lane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// On the timeline, in samples.
    pub at: f64,
    /// Index of the region that holds it.
    pub region: usize,
    /// It sounds in more than one region.
    pub doubled: bool,
}

/// Where an onset lies. If a region holds its vowel but not the onset itself, that region counts: its
/// start has eaten the very beginning. Of several, the one nearest to `near` counts, else the first.
#[must_use]
pub fn place(lane: &Lane, asset: AssetId, onset: f64, vowel: f64, near: Option<f64>) -> Option<Place> {
    let at = |region: &Region| region.source_origin().0 as f64 + onset;
    let holds = |region: &Region, moment: f64| {
        region.asset == asset && moment >= region.source_in as f64 && moment < region.source_end() as f64
    };
    let of = |moment: f64| -> Vec<usize> {
        (0..lane.regions.len()).filter(|index| holds(&lane.regions[*index], moment)).collect()
    };
    let mut regions = of(onset);
    // Both sides of a crossfade hold the same moment at the same place: that is no second sounding.
    let first = regions.first().map(|index| at(&lane.regions[*index]));
    let doubled = regions
        .iter()
        .any(|index| first.is_some_and(|first| (at(&lane.regions[*index]) - first).abs() > 0.5));
    if regions.is_empty() {
        regions = of(vowel);
    }
    let away = |index: &usize| near.map_or(0.0, |near| (at(&lane.regions[*index]) - near).abs());
    // In a crossfade the later region holds what comes after.
    let region = regions.into_iter().rev().min_by(|a, b| away(a).total_cmp(&away(b)))?;
    Some(Place { at: at(&lane.regions[region]), region, doubled })
}

/// Puts one lane's matches on the timeline.
pub(super) fn lane(
    song: &Song,
    row: usize,
    (words, near): (&[GuideWord], u64),
    known: &[(AssetId, Arc<Matches>)],
) -> LaneTiming {
    let lane = &song.lanes[row];
    let mut timing = LaneTiming {
        row,
        alike: Alike::Silent,
        words: Vec::with_capacity(words.len()),
        missing: Vec::new(),
        extra: Vec::new(),
    };
    let used = |asset: &AssetId| lane.regions.iter().any(|region| region.asset == *asset);
    let known: Vec<&(AssetId, Arc<Matches>)> = known.iter().filter(|(asset, _)| used(asset)).collect();
    if let Some((_, matches)) = known.iter().find(|(asset, _)| *asset == lane.asset).or(known.first()) {
        timing.alike = matches.alike;
    }
    for (number, word) in words.iter().enumerate() {
        let candidates = known.iter().filter_map(|(asset, matches)| {
            let found = matches.words.get(word.index).filter(|found| !found.missing)?;
            timed(lane, *asset, number, word, found)
        });
        match candidates.min_by(|a, b| a.offset.abs().total_cmp(&b.offset.abs())) {
            Some(timed) => timing.words.push(WordTiming { held: held(lane, word, near), ..timed }),
            None => timing.missing.push(number),
        }
    }
    for (asset, matches) in known {
        for (from, to) in &matches.extra {
            if let Some(place) = place(lane, *asset, *from, (from + to) / 2.0, None) {
                let start = place.at.round() as i64;
                let length = (to - from).max(0.0).round() as u64;
                timing.extra.push((Position(start), Position(start.saturating_add_unsigned(length))));
            }
        }
    }
    timing
}

/// The offset that is held for a word on a lane, in samples.
fn held(lane: &Lane, word: &GuideWord, near: u64) -> Option<f64> {
    let away = |hold: &&Hold| hold.word.abs_diff(word.word.onset as u64);
    let hold = lane.holds.iter().min_by_key(away).filter(|hold| away(hold) <= near)?;
    Some(hold.by.0 as f64)
}

fn timed(lane: &Lane, asset: AssetId, number: usize, word: &GuideWord, found: &Match) -> Option<WordTiming> {
    let place = place(lane, asset, found.onset, found.vowel, Some(word.at.0 as f64))?;
    let (end, source) = end_on(lane, place.region, found.end);
    let guide_origin = word.at.0 as f64 - word.word.onset as f64;
    Some(WordTiming {
        word: number,
        found: *found,
        asset,
        region: place.region,
        at: place.at,
        end: end.max(place.at),
        end_in_take: source,
        guide_end: (guide_origin + found.guide_end).min(word.latest.0 as f64),
        offset: place.at - word.at.0 as f64,
        held: None,
        doubled: place.doubled,
    })
}

/// The end of a word: on the timeline, and in samples of its recording. It is no later than what sounds of it: the
/// region's end, or, where the recording goes on in the next region, that of the last one; a fade-out counts from where
/// it is 32 dB down.
fn end_on(lane: &Lane, region: usize, end: f64) -> (f64, f64) {
    let mut index = region;
    while let (Some(here), Some(next)) = (lane.regions.get(index), lane.regions.get(index + 1)) {
        let goes_on = here.asset == next.asset && next.source_in > here.source_in && next.at <= here.end();
        if !goes_on || (here.source_end() as f64) > end && (next.source_in as f64) > end {
            break;
        }
        index += 1;
    }
    let last = &lane.regions[index];
    let source = end.min(last.source_end() as f64 - faded(last));
    (last.source_origin().0 as f64 + source, source)
}

/// How many samples before its end a region's fade-out has taken the sound away for the ear.
fn faded(region: &Region) -> f64 {
    let length = region.fade_out.length.0;
    let audible = |left: u64| {
        let u = left as f64 / length.max(1) as f64;
        crate::sound::fade_law::gain(region.fade_out.curve, region.fade_out.bend, u) > 0.025
    };
    let (mut low, mut high) = (0u64, length);
    while low < high {
        let middle = u64::midpoint(low, high);
        if audible(middle) { high = middle } else { low = middle + 1 }
    }
    low as f64
}
