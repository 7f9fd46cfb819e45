//! Words of a take: onset-to-end stretches that the ear hears as one unit.
//!
//! Most units have one vowel nucleus with the consonants that lead into it. Where a unit begins is decided
//! by what lies between two nuclei: the longest weak stretch ends where the next unit's first consonant
//! begins. Words that touch without such a dip are parted where one sound turns into another and something begins: a
//! small dip or closure before it, and a voice that rises after it if silence follows. A word of two syllables may be
//! found as two units, a held vowel, a glide of vowels or a word that dies away must not: a beginning in the midst of
//! one sound is found anywhere in another take. `word join` and `word split` mend the rest by hand.

use serde::{Deserialize, Serialize};

use super::features::{BANDS, Frame, Levels, Reach, Scale};
use super::turns::changes;

/// Step of the analysis in seconds.
pub const HOP_S: f64 = 0.005;
/// Most units of a take, a limit against hostile input: ten a second for half an hour.
const MOST_WORDS: usize = 20_000;

/// One word; positions in samples of the take.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Word {
    /// Where its first consonant (or its vowel) begins.
    pub onset: usize,
    /// Where its vowel begins.
    pub vowel: usize,
    /// Where its sound has ended, at the latest the next word's onset.
    pub end: usize,
    /// It is the first of a phrase: before it nothing has sounded for a while.
    pub starts_phrase: bool,
    /// It is the last of a phrase: after it nothing sounds for a while.
    pub ends_phrase: bool,
}

/// A silence of this length parts phrases, in seconds.
const PHRASE_GAP_S: f64 = 0.22;
/// Mean of a scaled frame above which something sounds.
const SOUNDS: f32 = 0.07;
/// How far the voice must dip between two nuclei, on the scale of [`Scale`].
const DIP: f32 = 0.04;
/// Shortest distance of two nuclei, in seconds.
const NEAREST_S: f64 = 0.08;
/// How far to either side of a turn the sound is compared, in seconds.
const SIDE_S: f64 = 0.03;
/// A unit shorter than this with silence on both sides is one word, in seconds.
const ALONE_S: f64 = 0.45;
/// How near to another beginning a turn may lie, in seconds: a shorter unit is a consonant and its own vowel.
const APART_S: f64 = 0.08;
/// Frames around a turn in which the dip lies that makes it a beginning: 25 ms.
const AT_TURN: usize = 5;
/// Frames on either side over which that dip must stand out: 110 ms, a short syllable.
const AROUND_DIP: usize = 22;
/// How far the voice dips where a consonant begins a unit, on the scale of [`Scale`]: less than [`DIP`], which
/// parts units without a turn.
const SMALL_DIP: f32 = 0.02;
/// The same for the level of all bands, which is hardly smoothed.
const SMALL_CLOSURE: f32 = 0.07;
/// How far the voice rises after the last turn before silence, on the scale of [`Scale`].
const RISE: f32 = 0.1;
/// How unlike the sound before and after a turn is, on the scale of [`Scale`].
const TURN: f32 = 0.12;
/// How much more softly a sound may go on after a turn.
const FALL: f32 = 0.35;

/// True if words that were kept earlier can belong to a take of so many frames.
#[must_use]
pub fn are_sound(words: &[Word], frames: u64) -> bool {
    let inside = |word: &Word| word.onset <= word.vowel.max(word.onset) && word.end as u64 <= frames + 65_536;
    words.len() <= MOST_WORDS
        && words.iter().all(inside)
        && words.windows(2).all(|pair| pair[0].onset < pair[1].onset)
}

/// Samples from frame to frame at a rate.
#[must_use]
pub fn hop_of(rate: u32) -> usize {
    ((f64::from(rate) * HOP_S).round() as usize).max(1)
}

/// Finds the words of a take from its levels, which are [`HOP_S`] apart.
#[must_use]
pub fn of_levels(levels: &Levels, length: usize, rate: u32) -> Vec<Word> {
    let reach = Reach::of(levels);
    let scale = Scale::single(&reach);
    let frames = scale.apply(levels);
    let curves = Curves::of(&frames, &scale);
    let seconds = |s: f64| (s * f64::from(rate) / levels.hop as f64).round() as usize;
    let nuclei = curves.nuclei(seconds(NEAREST_S));
    let mut words = Vec::new();
    let mut bounds: Vec<usize> = (0..nuclei.len())
        .map(|index| match index.checked_sub(1).map(|before| nuclei[before]) {
            Some(before) => curves.onset_between(before, nuclei[index]),
            None => curves.onset_after_silence(0, nuclei[index]),
        })
        .collect();
    bounds.extend(curves.turns(
        &changes(&frames, &scale.weights, seconds(SIDE_S)),
        &bounds,
        (seconds(ALONE_S), seconds(APART_S)),
    ));
    bounds.sort_unstable();
    bounds.dedup();
    for (index, &onset) in bounds.iter().enumerate().take(MOST_WORDS) {
        let next = bounds.get(index + 1).copied().unwrap_or(frames.len());
        let nucleus = curves.loudest(onset, next);
        let end = curves.end_of(nucleus, next);
        let sample = |frame: usize| (frame * levels.hop).min(length);
        words.push(Word {
            onset: sample(onset),
            vowel: sample(curves.vowel(onset, nucleus)),
            end: sample(end),
            starts_phrase: false,
            ends_phrase: false,
        });
    }
    mark_phrases(&mut words, rate);
    words
}

/// Marks which words begin and end phrases, by the gaps between them; positions are in samples of `rate`.
pub fn mark_phrases(words: &mut [Word], rate: u32) {
    let gap = (PHRASE_GAP_S * f64::from(rate)) as usize;
    for index in 0..words.len() {
        let far = |one: &Word, other: &Word| other.onset.saturating_sub(one.end) >= gap;
        words[index].starts_phrase = index == 0 || far(&words[index - 1], &words[index]);
        words[index].ends_phrase = index + 1 == words.len() || far(&words[index], &words[index + 1]);
    }
}

/// What the segmentation looks at, one value a frame.
struct Curves {
    /// Level of the voice bands, smoothed: its peaks are the nuclei.
    voice: Vec<f32>,
    /// Level of all bands, hardly smoothed: its weak stretches part words.
    all: Vec<f32>,
}

impl Curves {
    fn of(frames: &[Frame], scale: &Scale) -> Curves {
        // The bands of vowels and not those of hiss: about 280 to 3150 Hz.
        let voiced: f32 = scale.weights[1..10].iter().sum();
        let voice = |frame: &Frame| -> f32 {
            let sum: f32 = (1..10).map(|band| frame[band] * scale.weights[band]).sum();
            if voiced > 0.0 { sum / voiced } else { 0.0 }
        };
        let all = |frame: &Frame| -> f32 {
            // The three strongest bands speak as loudly as the mean: an s has few bands, a vowel has many.
            let mut sorted: [f32; BANDS] = *frame;
            sorted.iter_mut().zip(&scale.weights).for_each(|(value, weight)| {
                if *weight == 0.0 {
                    *value = 0.0;
                }
            });
            sorted.sort_unstable_by(|a, b| b.total_cmp(a));
            0.5 * scale.mean(frame) + 0.5 * (sorted[0] + sorted[1] + sorted[2]) / 3.0
        };
        let voice: Vec<f32> = frames.iter().map(voice).collect();
        let all: Vec<f32> = frames.iter().map(all).collect();
        Curves { voice: smooth(&smooth(&voice, 3), 3), all: smooth(&all, 1) }
    }

    /// Peaks of the voice that stand out from the dips on both sides.
    fn nuclei(&self, nearest: usize) -> Vec<usize> {
        let mut found: Vec<usize> = Vec::new();
        let mut low = self.voice.first().copied().unwrap_or(0.0);
        for index in 1..self.voice.len().saturating_sub(1) {
            let here = self.voice[index];
            low = low.min(here);
            if !(here >= self.voice[index - 1] && here > self.voice[index + 1] && here > 0.18) {
                continue;
            }
            let Some(&last) = found.last() else {
                if here - low >= DIP {
                    found.push(index);
                    low = here;
                }
                continue;
            };
            let dip = self.voice[last..=index].iter().copied().fold(f32::INFINITY, f32::min);
            if (here - dip >= DIP && self.voice[last] - dip >= DIP) && index - last >= nearest {
                found.push(index);
                low = here;
            } else if here > self.voice[last] && here - low >= 0.0 {
                // The same nucleus goes on: its highest point stands for it.
                if let Some(last) = found.last_mut() {
                    *last = index;
                }
            }
        }
        found
    }

    /// The onset that belongs to nucleus `to`, after nucleus `from`: where the longest weak stretch ends.
    fn onset_between(&self, from: usize, to: usize) -> usize {
        let between = &self.all[from..=to];
        let lowest = between.iter().copied().fold(f32::INFINITY, f32::min);
        let limit = (lowest + 0.07).max(SOUNDS);
        let mut best = (0usize, from);
        let mut run = 0usize;
        for (offset, level) in between.iter().enumerate() {
            if *level <= limit {
                run += 1;
                if run >= best.0 {
                    best = (run, from + offset);
                }
            } else {
                run = 0;
            }
        }
        // Without silence the weak stretch is itself a voiced consonant, which begins the word.
        let silent = lowest < SOUNDS;
        if silent { best.1 } else { (best.1 + 1).saturating_sub(best.0.div_ceil(2)) }
    }

    /// Where the sound turns into another one without a dip between: no nearer than `apart` to either end of a unit, and
    /// not in a short one that stands alone.
    fn turns(&self, changes: &[f32], known: &[usize], (alone, apart): (usize, usize)) -> Vec<usize> {
        let mut found = Vec::new();
        for (index, &onset) in known.iter().enumerate() {
            let next = known.get(index + 1).copied().unwrap_or(self.all.len());
            let end = self.end_of(self.loudest(onset, next), next);
            let before = onset.saturating_sub(apart)..onset;
            let silent = |range: std::ops::Range<usize>| {
                self.all
                    .get(range.start..range.end.min(self.all.len()))
                    .unwrap_or_default()
                    .iter()
                    .all(|level| *level <= SOUNDS)
            };
            if end - onset < alone && silent(before) && silent(end..end + apart) {
                continue;
            }
            let dies_away = silent(end..end + apart);
            let mut parts = vec![(onset, end)];
            while let Some((from, to)) = parts.pop() {
                let inner = from + apart..to.saturating_sub(apart);
                let peak = |index: &usize| {
                    let here = changes[*index];
                    here > TURN
                        && here >= changes[index - 1]
                        && here > changes[index + 1]
                        && self.goes_on(*index, apart)
                        && self.begins(*index)
                        && (!dies_away || to != end || self.rises(*index, end))
                };
                let best = inner.filter(peak).max_by(|a, b| changes[*a].total_cmp(&changes[*b]));
                if let Some(turn) = best {
                    found.push(turn);
                    parts.extend([(from, turn), (turn, to)]);
                }
            }
        }
        found
    }

    /// Something closes or weakens at a turn and opens after it: vibrato, glides of vowels and decays turn, but do not.
    fn begins(&self, turn: usize) -> bool {
        dip(&self.voice, turn) >= SMALL_DIP || dip(&self.all, turn) >= SMALL_CLOSURE
    }

    /// The voice rises between a turn and the silence after it. A held vowel that dies away loses its high bands
    /// first, and a last s or t adds some: turns, but no beginnings.
    fn rises(&self, turn: usize, end: usize) -> bool {
        let mut lowest = f32::INFINITY;
        self.voice.get(turn..end).unwrap_or_default().iter().any(|level| {
            lowest = lowest.min(*level);
            *level > lowest + RISE
        })
    }

    /// Something sounds after a turn, and not much more softly than before it: it is no end.
    fn goes_on(&self, turn: usize, reach: usize) -> bool {
        let mean = |from: usize, to: usize| {
            let part = self.all.get(from..to.min(self.all.len())).unwrap_or_default();
            part.iter().sum::<f32>() / part.len().max(1) as f32
        };
        let after = mean(turn, turn + reach);
        after > 2.0 * SOUNDS && after > mean(turn.saturating_sub(reach), turn) - FALL
    }

    /// The loudest moment of the voice between two frames.
    fn loudest(&self, from: usize, to: usize) -> usize {
        (from..to.min(self.voice.len()))
            .max_by(|a, b| self.voice[*a].total_cmp(&self.voice[*b]).then(b.cmp(a)))
            .unwrap_or(from)
    }

    /// Where the sound begins that leads to nucleus `to`, not before `from`.
    fn onset_after_silence(&self, from: usize, to: usize) -> usize {
        let hole = 20;
        let mut onset = to;
        let mut quiet = 0;
        for index in (from..to).rev() {
            if self.all[index] > SOUNDS {
                quiet = 0;
                onset = index;
            } else {
                quiet += 1;
                if quiet > hole {
                    break;
                }
            }
        }
        onset
    }

    fn vowel(&self, onset: usize, nucleus: usize) -> usize {
        let half = self.voice[nucleus] * 0.6;
        (onset..nucleus).rev().find(|index| self.voice[*index] < half).map_or(onset, |index| index + 1)
    }

    fn end_of(&self, nucleus: usize, next: usize) -> usize {
        let quiet_for = 24;
        let mut end = nucleus;
        for index in nucleus..next.min(self.all.len()) {
            if self.all[index] > SOUNDS {
                end = index + 1;
            } else if index - end > quiet_for {
                break;
            }
        }
        end
    }
}

/// How far the lowest value around a frame lies below what surrounds it, on the side where that is less.
fn dip(values: &[f32], frame: usize) -> f32 {
    let part = |from: usize, to: usize| values.get(from..to.min(values.len())).unwrap_or_default();
    let near = frame.saturating_sub(AT_TURN);
    let lowest = part(near, frame + AT_TURN + 1).iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1));
    let Some((offset, lowest)) = lowest else { return 0.0 };
    let at = near + offset;
    let top = |values: &[f32]| values.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let before = top(part(at.saturating_sub(AROUND_DIP), at + 1));
    before.min(top(part(at, at + AROUND_DIP))) - lowest
}

/// Mean over `reach` frames on either side.
fn smooth(values: &[f32], reach: usize) -> Vec<f32> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0f64);
    let mut sum = 0.0f64;
    for value in values {
        sum += f64::from(*value);
        sums.push(sum);
    }
    (0..values.len())
        .map(|index| {
            let (from, to) = (index.saturating_sub(reach), (index + reach + 1).min(values.len()));
            ((sums[to] - sums[from]) / (to - from) as f64) as f32
        })
        .collect()
}
