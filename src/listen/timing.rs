//! How a take lies against the guide, word by word.
//!
//! [`Listened`] is what is known of one take; [`match_words`] finds the guide's words in another one.
//! Results are in samples of the takes at the session's rate.

use serde::{Deserialize, Serialize};

pub use super::alike::Alike;
pub use super::confidence::Evidence;
pub use super::refine::Found;

use super::alike::{self, Place};
use super::confidence;
use super::course::Course;
use super::ends::{self, Loudness, Stretch};
use super::features::{self, Levels, Reach};
use super::low_copy::{Listener, LowCopy};
use super::refine::Finder;
use super::source::Source;
use super::words::{self, Word};

/// Version of the algorithm. Results that were kept carry it; a change of any number raises it.
pub const VERSION: u32 = 6;

/// Frames read at a time.
const BLOCK: usize = 1 << 16;
/// Longest take that is listened to, in samples of the low copy: an hour.
const LONGEST: usize = 16_000 * 3600;

/// A take with what matching needs of it. Memory grows with the take: 90 kB a second.
#[derive(Debug, Clone, PartialEq)]
pub struct Listened {
    copy: LowCopy,
    levels: Levels,
    reach: Reach,
    loudness: Loudness,
    words: Vec<Word>,
}

impl Listened {
    /// Listens to a whole recording; not realtime-safe.
    ///
    /// # Errors
    /// Those of the source; longer than an hour.
    pub fn to(source: &mut dyn Source) -> Result<Listened, String> {
        let mut listener = Listener::new(source.rate());
        let mut block = vec![0.0; BLOCK];
        let total = source.frames();
        if total / listener.step() as u64 > LONGEST as u64 {
            return Err(
                "the recording is longer than an hour: too long to be matched word by word; cut it first"
                    .into(),
            );
        }
        let mut at = 0;
        while at < total {
            let count = usize::try_from(total - at).unwrap_or(BLOCK).min(BLOCK);
            source.read(at, &mut block[..count])?;
            listener.push(&block[..count]);
            at += count as u64;
        }
        Ok(Listened::of(listener.finish()))
    }

    fn of(copy: LowCopy) -> Listened {
        let levels = features::whole(&copy.samples, copy.rate, words::hop_of(copy.rate), 0.016);
        let reach = Reach::of(&levels);
        let loudness = Loudness::of(&levels);
        let words = words::of_levels(&levels, copy.samples.len(), copy.rate);
        Listened { copy, levels, reach, loudness, words }
    }

    /// Its words, in samples of the take.
    #[must_use]
    pub fn words(&self) -> Vec<Word> {
        let step = self.copy.step;
        let scaled = |word: &Word| Word {
            onset: word.onset * step,
            vowel: word.vowel * step,
            end: word.end * step,
            ..*word
        };
        self.words.iter().map(scaled).collect()
    }

    /// True if nothing of weight sounds from a moment on for so many samples of the low copy.
    fn is_quiet(&self, from: f64, length: f64) -> bool {
        let top = self.loudness.top(from, from + length);
        top < self.loudness.noise + 10.0 || top < self.loudness.usual - 38.0
    }

    fn seconds(&self, seconds: f64) -> f64 {
        seconds * f64::from(self.copy.rate)
    }
}

/// A word of the guide as found in another take; positions in samples of that take, but for `guide_end`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Match {
    /// Where it begins in the lane.
    pub onset: f64,
    /// Where its vowel begins in the lane.
    pub vowel: f64,
    /// How much later its vowel is than its onset would have it, in samples.
    pub vowel_lag: f64,
    /// Where it has ended in the lane.
    pub end: f64,
    /// Where it has ended in the guide, measured by the same limit as `end`.
    pub guide_end: f64,
    /// How sure the onset is, 0 to 1.
    pub confidence: f64,
    /// What the confidence rests on.
    pub evidence: Evidence,
    /// Nothing sounds there: the word was left out.
    pub missing: bool,
}

/// All words of the guide in another take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Matches {
    /// [`VERSION`] of the algorithm.
    pub version: u32,
    /// How much later than in the guide the take as a whole begins, in samples.
    pub lag: f64,
    /// Whether it is the same song at all.
    pub alike: Alike,
    /// How alike band levels of the takes are along the path and, for a third as much, at that lag: up to 1.3.
    pub likeness: f32,
    /// One match for each word of the guide.
    pub words: Vec<Match>,
    /// What sounds in the lane where the guide has nothing: from and to, in samples of the lane.
    pub extra: Vec<(f64, f64)>,
}

impl Matches {
    /// True if these are results of this version for so many words, all of them numbers.
    #[must_use]
    pub fn is_sound(&self, words: usize) -> bool {
        let finite = |word: &Match| {
            [word.onset, word.vowel, word.end, word.guide_end, word.confidence].iter().all(|x| x.is_finite())
        };
        self.version == VERSION && self.words.len() == words && self.words.iter().all(finite)
    }
}

/// Finds words of the guide, given in samples of the guide, in a lane. `progress` of cost: linear in length.
#[must_use]
pub fn match_words(guide: &Listened, words: &[Word], lane: &Listened) -> Matches {
    let course = Course::of((&guide.levels, &guide.reach), (&lane.levels, &lane.reach), guide.copy.rate);
    let mut finder = Finder::new(&guide.copy, &lane.copy, &course);
    let step = guide.copy.step;
    let reach = guide.seconds(0.07) as usize;
    let mut found: Vec<(f64, Found, Evidence)> = Vec::with_capacity(words.len());
    let mut vowels = Vec::with_capacity(words.len());
    let first: Vec<usize> =
        lane.words.iter().filter(|word| word.starts_phrase).map(|word| word.onset).collect();
    for word in words {
        let onset = word.onset / step;
        let (expected, cost) = course.expected(onset as f64);
        let hints = if word.starts_phrase { first.as_slice() } else { &[] };
        let hit = finder.find(onset, expected, reach, hints);
        // A word that begins with its vowel has one moment, not two.
        let apart = (word.vowel / step).saturating_sub(onset) > guide.seconds(0.01) as usize;
        let vowel = apart
            .then(|| finder.find_near(word.vowel / step, hit.lag, guide.seconds(0.03) as usize))
            .flatten();
        vowels.push(vowel.map_or(0.0, |lag| lag - hit.lag));
        found.push((onset as f64, hit, Evidence { found: hit, cost, ..Evidence::default() }));
    }
    Bodies { guide, course: &course, reach }.trust(words, &mut finder, &mut found);
    witness(lane, &mut found);
    let silent = guide.words.is_empty() || lane.words.is_empty();
    let usual = usual(lane, &found);
    let mut matches: Vec<Match> = (0..found.len())
        .map(|index| finish(guide, words, lane, &found, index, (usual, vowels[index])))
        .collect();
    let heard = matches.iter().zip(words).filter(|(found, _)| !found.missing);
    let places: Vec<Place> = heard
        .map(|(found, word)| Place {
            guide: word.onset as f64,
            lane: found.onset,
            confidence: found.confidence,
            beside_ms: found.evidence.beside_ms,
            cost: found.evidence.cost,
        })
        .collect();
    let alike = if silent { Alike::Silent } else { alike::judge(course.likeness, &places) };
    for found in matches.iter_mut().filter(|found| alike != Alike::Yes || found.missing) {
        found.confidence = found.confidence.min(0.1);
    }
    doubt_strangers(guide, words, &found, &mut matches);
    Matches {
        version: VERSION,
        lag: course.lag() * step as f64,
        alike,
        likeness: course.likeness,
        words: matches,
        extra: extra(lane, &found, guide),
    }
}

/// What else speaks for each onset: that a unit of the lane's own begins there, and that those beside it lie alike.
fn witness(lane: &Listened, found: &mut [(f64, Found, Evidence)]) {
    let ms = 1000.0 / f64::from(lane.copy.rate);
    let lags: Vec<f64> = found.iter().map(|(_, hit, _)| hit.lag * ms).collect();
    let clear: Vec<Option<f64>> = found
        .iter()
        .zip(&lags)
        .map(|((_, hit, _), lag)| (hit.same || hit.lead >= confidence::CLEAR).then_some(*lag))
        .collect();
    let slid = confidence::is_slid(&clear);
    for (index, (onset, hit, evidence)) in found.iter_mut().enumerate() {
        let at = *onset + hit.lag;
        let next = lane.words.partition_point(|word| (word.onset as f64) < at);
        let own = lane.words[next.saturating_sub(1)..].iter().take(2);
        evidence.unit_ms =
            own.map(|word| (word.onset as f64 - at).abs() * ms).fold(confidence::FAR_MS, f64::min);
        let beside = [index.checked_sub(1), Some(index + 1)].into_iter().flatten();
        let beside: Vec<f64> = beside.filter_map(|other| lags.get(other).copied()).collect();
        evidence.beside_ms = confidence::beside(lags[index], &beside);
        evidence.between =
            slid && clear[index].is_none() && confidence::is_between(lags[index], &clear, index);
    }
}

/// A second look at the units of a copy, at their vowels.
struct Bodies<'a> {
    guide: &'a Listened,
    course: &'a Course,
    reach: usize,
}

impl Bodies<'_> {
    /// Where a take is a copy whose pieces were slid, every unit has one lag. A unit that begins with the end of the
    /// word before it has a cut inside: what its vowel says counts, which is most of it.
    fn trust(&self, words: &[Word], finder: &mut Finder, found: &mut [(f64, Found, Evidence)]) {
        let same = found.iter().filter(|(_, hit, _)| hit.same).count();
        if (same as f64) < COPY * found.len() as f64 {
            return;
        }
        let apart = self.guide.seconds(BODY_APART_S);
        for (word, (onset, hit, evidence)) in words.iter().zip(found) {
            let vowel = ((word.vowel / self.guide.copy.step) as f64).max(*onset + self.guide.seconds(0.03));
            let (lag, _) = self.course.expected(vowel);
            let body = finder.find(vowel as usize, lag, self.reach, &[]);
            if clearer(&body, hit, apart) && (body.lag - hit.lag).abs() > apart {
                *hit = body;
                evidence.found = body;
            }
        }
    }
}

/// True if what was found at a vowel is surer than what was found at its onset. Waveforms of one voice fit nearly as
/// well a period of it away, which must not count.
fn clearer(body: &Found, onset: &Found, apart: f64) -> bool {
    match (onset.same, body.same) {
        (true, true) => body.wave > onset.wave + CLEARER,
        (false, true) => body.wave > SURE_WAVE || (body.lag - onset.lag).abs() > 3.0 * apart,
        (true, false) => false,
        (false, false) => body.likeness > BODY_ALIKE && body.likeness > onset.likeness,
    }
}

/// Share of words whose waveforms fit from which on a take is a copy.
const COPY: f64 = 0.2;
/// How far the lags of onset and vowel lie apart in a copy to belong to two pieces, in seconds.
const BODY_APART_S: f64 = 0.005;
/// Waveforms of a vowel must fit by so much better than those of its onset.
const CLEARER: f32 = 0.1;
/// Waveforms that fit like this are no period of the voice away.
const SURE_WAVE: f32 = 0.8;
/// Slopes at least so alike say where a vowel is.
const BODY_ALIKE: f32 = 0.5;

/// Lowers the confidence in onsets that do not go with those around them; see [`confidence::doubt_strangers`].
fn doubt_strangers(
    guide: &Listened,
    words: &[Word],
    found: &[(f64, Found, Evidence)],
    matches: &mut [Match],
) {
    let gap = guide.seconds(CONNECTED_S) * guide.copy.step as f64;
    let joined: Vec<bool> =
        words.windows(2).map(|pair| (pair[1].onset.saturating_sub(pair[0].end) as f64) < gap).collect();
    let ms = |lag: f64| lag / f64::from(guide.copy.rate) * 1000.0;
    let offsets: Vec<f64> = found.iter().map(|(_, hit, _)| ms(hit.lag)).collect();
    let mut confidences: Vec<f64> = matches.iter().map(|found| found.confidence).collect();
    confidence::doubt_strangers(&offsets, &joined, &mut confidences);
    // Waveforms that fit were found nowhere else: a copy whose pieces were slid is joined to what it was not sung with.
    let strange = matches.iter_mut().zip(confidences).zip(found).filter(|(_, (_, hit, _))| !hit.same);
    for ((found, confidence), _) in strange {
        found.confidence = confidence;
    }
}

/// How alike onsets of a take usually are; words that are left out do not count.
fn usual(lane: &Listened, found: &[(f64, Found, Evidence)]) -> f32 {
    let sounds = |onset: f64| !lane.is_quiet(onset, lane.seconds(0.15));
    let heard = found.iter().filter(|(onset, hit, _)| sounds(onset + hit.lag));
    let mut likenesses: Vec<f32> = heard.map(|(_, hit, _)| hit.likeness).collect();
    features::percentile(&mut likenesses, 0.5)
}

fn finish(
    guide: &Listened,
    words: &[Word],
    lane: &Listened,
    found: &[(f64, Found, Evidence)],
    index: usize,
    (usual, vowel_lag): (f32, f64),
) -> Match {
    let step = guide.copy.step as f64;
    let (onset, hit, evidence) = found[index];
    let confidence = confidence::of(&evidence, usual);
    let word = &words[index];
    let vowel = word.vowel as f64 / step;
    let lane_onset = onset + hit.lag;
    let next = found.get(last_of_run(words, index, step) + 1).map(|(next, hit, _)| (*next, next + hit.lag));
    let (guide_to, lane_to) =
        next.unwrap_or((guide.copy.samples.len() as f64, lane.copy.samples.len() as f64));
    let sure = (vowel + guide.seconds(0.03)).min(guide_to);
    let one = Stretch { copy: &guide.copy, loudness: &guide.loudness, from: sure, to: guide_to };
    let from = (sure + hit.lag).max(0.0);
    let other = Stretch { copy: &lane.copy, loudness: &lane.loudness, from, to: lane_to.max(from) };
    let (guide_end, end) = ends::pair(&mut ends::analyser(guide.copy.rate), one, other);
    let missing = lane.is_quiet(lane_onset, (guide_end - onset).max(guide.seconds(0.08)));
    Match {
        onset: lane_onset * step,
        vowel: (vowel + hit.lag + vowel_lag) * step,
        vowel_lag: vowel_lag * step,
        end: end * step,
        guide_end: guide_end * step,
        confidence,
        evidence,
        missing,
    }
}

/// The unit with whose sound that of a unit ends: at a phrase's end the syllables of one word are
/// several units, and each of them ends where the phrase does.
fn last_of_run(words: &[Word], index: usize, step: f64) -> usize {
    let gap = CONNECTED_S * 16_000.0 * step;
    let near = |at: &usize| (words[*at].onset - words[index].onset) as f64 <= LONG_WORD_S * 16_000.0 * step;
    let last = (index..words.len().min(index + 6)).take_while(near).find(|at| words[*at].ends_phrase);
    let connected = |at: usize| (words[at + 1].onset.saturating_sub(words[at].end) as f64) < gap;
    match last {
        Some(last) if (index..last).all(connected) => last,
        _ => index,
    }
}

/// The beginnings of one word's units lie within this, in seconds.
const LONG_WORD_S: f64 = 0.8;
/// Units less apart than this may be one word, in seconds.
const CONNECTED_S: f64 = 0.04;

/// Words of the lane under which no word of the guide lies.
fn extra(lane: &Listened, found: &[(f64, Found, Evidence)], guide: &Listened) -> Vec<(f64, f64)> {
    let step = lane.copy.step as f64;
    let near = guide.seconds(0.35);
    let is_extra = |word: &&Word| {
        let middle = (word.onset + word.end) as f64 / 2.0;
        !found.iter().any(|(onset, hit, _)| {
            let at = onset + hit.lag;
            at - near < middle && middle < at + 2.0 * near
        })
    };
    lane.words
        .iter()
        .filter(is_extra)
        .map(|word| (word.onset as f64 * step, word.end as f64 * step))
        .collect()
}
