//! How the lanes lie against the guide on the timeline as it is edited now.
//!
//! Listening finds the guide's words in the recordings; here both are put where their regions lie. So an
//! offset falls as regions are slid, without listening again.

pub mod apart;
pub mod carry;
mod closure;
mod in_quiet;
pub mod joint;
mod order;
mod part;
pub mod pieces;
mod place;
pub mod quiet;
pub mod report;
pub mod room;
pub mod scorecard;
pub mod splice;
pub mod stretch;
pub mod tighten;
mod weigh;

use std::sync::Arc;

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::hearing::assets_of;
use crate::listen::SoundKind;
use crate::listen::timing::{Alike, Match, Matches};
use crate::listen::words::{Word, mark_phrases};
use crate::song::{AssetId, Lane, Position, Region, Role, Song, SungWord, SungWords};

pub use place::{Place, place};

/// A word of the guide on the timeline.
#[derive(Debug, Clone, PartialEq)]
pub struct GuideWord {
    /// In samples of the guide's recording.
    pub word: Word,
    /// Which word of the recording, from 0: the index into its matches.
    pub index: usize,
    /// What is sung, if somebody has named it.
    pub name: Option<String>,
    /// Where it begins on the timeline, in samples.
    pub at: Position,
    /// Where its vowel begins on the timeline.
    pub vowel: Position,
    /// Where it has ended on the timeline.
    pub end: Position,
    /// Where the region that holds it ends.
    pub latest: Position,
}

/// A word of the guide in a lane.
#[derive(Debug, Clone, PartialEq)]
pub struct WordTiming {
    /// Which word of [`Timing::words`].
    pub word: usize,
    /// How it was found, in samples of the lane's recording.
    pub found: Match,
    /// Which recording it was found in.
    pub asset: AssetId,
    /// Index of the region of the lane that holds its onset.
    pub region: usize,
    /// Where it begins on the timeline, in samples.
    pub at: f64,
    /// Where its sound has ended on the timeline, in samples.
    pub end: f64,
    /// The same in samples of the lane's recording.
    pub end_in_take: f64,
    /// Where the guide's sound has ended by the same limit, on the timeline.
    pub guide_end: f64,
    /// Lane onset minus guide onset, in samples.
    pub offset: f64,
    /// The offset that is intended, in samples, if one is held.
    pub held: Option<f64>,
    /// The same onset sounds more than once on the lane.
    pub doubled: bool,
}

impl WordTiming {
    /// How far it lies from where it is meant to, in samples: from the guide, or from the offset that is held.
    #[must_use]
    pub fn off(&self) -> f64 {
        self.offset - self.held.unwrap_or(0.0)
    }
}

/// One lane against the guide.
#[derive(Debug, Clone, PartialEq)]
pub struct LaneTiming {
    /// Row of the lane, from 0.
    pub row: usize,
    /// Whether it holds the guide's words at all.
    pub alike: Alike,
    /// Its words in the guide's order.
    pub words: Vec<WordTiming>,
    /// Words of the guide that the lane leaves out.
    pub missing: Vec<usize>,
    /// What sounds where the guide has no word: from and to on the timeline.
    pub extra: Vec<(Position, Position)>,
}

/// All lanes against the guide.
#[derive(Debug, Clone, PartialEq)]
pub struct Timing {
    /// Samples per second.
    pub rate: u32,
    /// Words of the guide, in order on the timeline.
    pub words: Vec<GuideWord>,
    /// Lanes, without the guide and the backing.
    pub lanes: Vec<LaneTiming>,
}

impl Timing {
    /// Words whose onsets in the guide are no farther apart are the same one, in samples.
    #[must_use]
    pub fn near(&self) -> u64 {
        near(self.rate)
    }

    /// A number of samples in ms.
    #[must_use]
    pub fn ms(&self, samples: f64) -> f64 {
        samples * 1000.0 / f64::from(self.rate.max(1))
    }
}

/// Corrections and new versions of listening move an onset by less than this: 60 ms.
fn near(rate: u32) -> u64 {
    u64::from(rate) * 60 / 1000
}

/// The words of the guide on the timeline.
///
/// # Errors
/// There is no guide, or it cannot be listened to, or it holds no words.
pub fn guide_words(context: &Context) -> Result<Vec<GuideWord>, Diagnostic> {
    words_of(context).map(|(words, _, _)| words)
}

/// All words of the guide's recording as a list to be corrected: what somebody has corrected before, or what is found.
///
/// # Errors
/// As [`guide_words`].
pub fn sung_words(context: &Context) -> Result<SungWords, Diagnostic> {
    let song = context.session.song();
    let (_, words, asset) = words_of(context)?;
    if let Some(list) = song.words.as_ref().filter(|list| list.asset == asset) {
        return Ok(list.as_ref().clone());
    }
    let sung = |word: &Word| SungWord {
        onset: word.onset as u64,
        vowel: word.vowel.max(word.onset) as u64,
        end: word.end.max(word.vowel).max(word.onset) as u64,
        name: None,
    };
    Ok(SungWords { asset, words: words.iter().map(sung).collect() })
}

/// Measures lanes, given by row; the guide and the backing are left out.
///
/// # Errors
/// As [`guide_words`]; also if a lane's recording cannot be listened to.
pub fn measure(context: &Context, rows: &[usize]) -> Result<Timing, Diagnostic> {
    let song = context.session.song();
    let (words, all, guide) = words_of(context)?;
    let measured = |row: &&usize| !matches!(song.lanes[**row].role, Role::Guide | Role::Backing);
    let rows: Vec<usize> = rows.iter().filter(measured).copied().collect();
    let assets = assets_of(rows.iter().map(|row| song.lanes[*row].as_ref()));
    let matches = context.hearing.matches(guide, &all, &assets)?;
    let known: Vec<(AssetId, Arc<Matches>)> = assets.into_iter().zip(matches).collect();
    let lanes = rows
        .iter()
        .map(|row| place::lane(song, *row, (&words, near(context.session.rate)), &known))
        .collect();
    Ok(Timing { rate: context.session.rate, words, lanes })
}

/// What a region's recording holds between two places of the timeline, one past the last excluded; silence before its first
/// sample.
///
/// # Errors
/// The recording cannot be read.
fn samples_of(context: &Context, region: &Region, (from, to): (i64, i64)) -> Result<Vec<f32>, Diagnostic> {
    let mut samples = vec![0.0f32; usize::try_from(to - from).unwrap_or(0)];
    let source = from - region.source_origin().0;
    let lead = usize::try_from(-source).unwrap_or(0).min(samples.len());
    context.hearing.samples(region.asset, u64::try_from(source).unwrap_or(0), &mut samples[lead..])?;
    Ok(samples)
}

/// The guide's region that holds a word of [`Timing::words`], as long as the guide is there.
fn guide_region<'a>(context: &'a Context, timing: &Timing, word: usize) -> Option<&'a Region> {
    let guide = context.session.song().guide()?;
    guide.index_at(timing.words[word].at).map(|index| &*guide.regions[index])
}

/// Rows of all lanes that can be measured.
#[must_use]
pub fn rows_of(song: &Song) -> Vec<usize> {
    (0..song.lanes.len())
        .filter(|row| !matches!(song.lanes[*row].role, Role::Guide | Role::Backing))
        .collect()
}

/// The words on the timeline, all words of the guide's recording, and which recording that is.
fn words_of(context: &Context) -> Result<(Vec<GuideWord>, Vec<Word>, AssetId), Diagnostic> {
    let song = context.session.song();
    let guide = song.guide().ok_or_else(|| {
        Diagnostic::refusal("no lane is the guide, so there is nothing to measure against")
            .help("name it: role guide on lane 1")
    })?;
    let (words, names) = match &song.words {
        Some(list) if list.asset == guide.asset => (
            corrected(&list.words, context.session.rate),
            list.words.iter().map(|word| word.name.clone()).collect(),
        ),
        _ => {
            let words = without_breaths(context, guide.asset)?;
            let names = vec![None; words.len()];
            (words, names)
        }
    };
    let placed = on_timeline(guide, &words, &names);
    if placed.is_empty() {
        return Err(Diagnostic::refusal("no word was found in the guide").help(
            "is the right lane the guide? `word split` and `word move` need at least one; a silent guide has none",
        ));
    }
    Ok((placed, words, guide.asset))
}

/// The words that were found, but for those that are breaths.
fn without_breaths(context: &Context, guide: AssetId) -> Result<Vec<Word>, Diagnostic> {
    let words = context.hearing.words(guide)?;
    let heard = context.hearing.heard(guide)?;
    let is_breath = |word: &&Word| {
        let (from, to) = (word.onset as u64, word.end.max(word.onset + 1) as u64);
        let covered: u64 = heard
            .of(SoundKind::Breath)
            .map(|breath| breath.end.min(to).saturating_sub(breath.start.max(from)))
            .sum();
        covered * 2 > to - from
    };
    Ok(words.iter().filter(|word| !is_breath(word)).copied().collect())
}

/// Corrected words as listening takes them. Which begin and end phrases is told by the gaps.
fn corrected(list: &[SungWord], rate: u32) -> Vec<Word> {
    let at = |position: u64| usize::try_from(position).unwrap_or(usize::MAX);
    let mut words: Vec<Word> = list
        .iter()
        .map(|word| Word {
            onset: at(word.onset),
            vowel: at(word.vowel),
            end: at(word.end),
            starts_phrase: false,
            ends_phrase: false,
        })
        .collect();
    mark_phrases(&mut words, rate);
    words
}

fn on_timeline(guide: &Lane, words: &[Word], names: &[Option<String>]) -> Vec<GuideWord> {
    let mut placed = Vec::new();
    for (index, word) in words.iter().enumerate() {
        let found = place(guide, guide.asset, word.onset as f64, word.vowel as f64, None);
        let Some(Place { at, region, .. }) = found else { continue };
        let origin = guide.regions[region].source_origin();
        let latest = guide.regions[region].end();
        let end = Position(origin.0.saturating_add_unsigned(word.end as u64)).min(latest);
        let vowel = Position(origin.0.saturating_add_unsigned(word.vowel as u64));
        let name = names.get(index).cloned().flatten();
        placed.push(GuideWord {
            word: *word,
            index,
            name,
            at: Position(at.round() as i64),
            vowel,
            end,
            latest,
        });
    }
    placed.sort_by_key(|word| word.at);
    placed
}
