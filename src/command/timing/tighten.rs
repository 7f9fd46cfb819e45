//! Which pieces of a lane to slide, by how much, and where to cut: the fewest cuts that bring its words within
//! a tolerance. Nothing is changed here; `verbs::tighten` carries a plan out.

use super::{LaneTiming, Timing, WordTiming};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::outcome::Remark;
use crate::listen::SoundKind;
use crate::listen::timing::Alike;
use crate::song::{Lane, Position, Region};

/// What may be done.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules {
    /// Offsets up to here stay as they are, in samples.
    pub within: f64,
    /// Nothing is slid by more than this, in samples.
    pub at_most: f64,
    /// Words less sure than this move nothing.
    pub sure: f64,
    /// Vowels are brought together instead of onsets.
    pub vowels: bool,
}

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

/// A piece of a lane that is slid as one.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// Index of its region before any cut.
    pub region: usize,
    /// What parts it from the piece before it in its region; the first piece has none.
    pub before: Option<Quiet>,
    /// By how many samples it is to go later; negative is earlier.
    pub by: i64,
    /// Its words: indices into the lane's words.
    pub words: Vec<usize>,
    /// Of the words that decide, the least sure.
    pub confidence: f64,
}

/// What to do with one lane.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The row.
    pub row: usize,
    /// Pieces in order; those of one region stand together.
    pub pieces: Vec<Piece>,
    /// What is not done, and why.
    pub refused: Vec<Remark>,
}

/// A tail may be cut short by this when a word is slid against it, in ms.
const TAIL_MS: f64 = 20.0;
/// A cut lies so far below the voice, in dB, or it is none.
const BELOW_VOICE_DB: f64 = 20.0;

/// Plans one lane: only words whose region `wanted` accepts.
///
/// # Errors
/// A recording cannot be read.
pub fn plan(
    context: &Context,
    timing: &Timing,
    lane: &LaneTiming,
    rules: &Rules,
    wanted: &dyn Fn(usize, usize) -> bool,
) -> Result<Plan, Diagnostic> {
    let song_lane = &context.session.song().lanes[lane.row];
    let mut plan = Plan { row: lane.row, pieces: Vec::new(), refused: Vec::new() };
    if lane.alike != Alike::Yes {
        let why = "the lane does not hold the guide's words, so nothing is moved";
        plan.refused.push(remark(
            lane.row,
            song_lane.regions.first().map_or(0, |region| region.at.0),
            why.into(),
        ));
        return Ok(plan);
    }
    for (region, on) in song_lane.regions.iter().enumerate() {
        let mut words: Vec<usize> =
            (0..lane.words.len()).filter(|index| lane.words[*index].region == region).collect();
        words.sort_by(|a, b| lane.words[*a].at.total_cmp(&lane.words[*b].at));
        if words.is_empty() || !words.iter().any(|index| wanted(region, lane.words[*index].word)) {
            continue;
        }
        let blocks = blocks(context, lane, on, &words)?;
        join_blocks(timing, lane, region, blocks, rules, &mut plan, wanted);
    }
    keep_order(song_lane, lane, &mut plan, timing);
    Ok(plan)
}

/// Words that stay together, and the quiet place before them.
type Kept = (Option<Quiet>, Vec<usize>);

/// Words between which there is no quiet place stay together.
fn blocks(
    context: &Context,
    lane: &LaneTiming,
    region: &Region,
    words: &[usize],
) -> Result<Vec<Kept>, Diagnostic> {
    let heard = context.hearing.heard(region.asset)?;
    let limit = f64::from(heard.voice_db) - BELOW_VOICE_DB;
    let breaths: Vec<(i64, i64)> = heard
        .of(SoundKind::Breath)
        .map(|breath| {
            let origin = region.source_origin().0;
            (origin.saturating_add_unsigned(breath.start), origin.saturating_add_unsigned(breath.end))
        })
        .collect();
    let mut blocks: Vec<Kept> = Vec::new();
    for (place, index) in words.iter().enumerate() {
        let quiet = match place.checked_sub(1) {
            Some(before) => {
                let (left, right) = (&lane.words[words[before]], &lane.words[*index]);
                quiet_between(context, region, (left, right), &breaths, limit)?
            }
            None => None,
        };
        match (quiet, blocks.last_mut()) {
            (None, Some((_, block))) => block.push(*index),
            (quiet, _) => blocks.push((quiet, vec![*index])),
        }
    }
    Ok(blocks)
}

/// The quietest place between two words of a region, if it is quiet enough; a breath goes with the word after it.
fn quiet_between(
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
    let window = ms(4.0).max(1);
    if to - from < window || to - from > 30 * rate as i64 {
        return Ok(None);
    }
    let mut samples = vec![0.0f32; usize::try_from(to - from).unwrap_or(0)];
    let source = (from - region.source_origin().0).max(0) as u64;
    context.hearing.samples(region.asset, source, &mut samples)?;
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

/// Shifts that bring a block within the tolerance, with the offset to aim at.
struct Wish {
    low: f64,
    high: f64,
    confidence: f64,
    offsets: Vec<f64>,
}

fn wish(lane: &LaneTiming, block: &[usize], rules: &Rules) -> Option<Wish> {
    let offset = |word: &WordTiming| match rules.vowels {
        true => word.offset + word.found.vowel_lag,
        false => word.offset,
    };
    let sure = |word: &&WordTiming| word.found.confidence >= rules.sure;
    let offsets: Vec<f64> = block.iter().map(|index| &lane.words[*index]).filter(sure).map(offset).collect();
    if offsets.is_empty() {
        return None;
    }
    let most = offsets.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = offsets.iter().copied().fold(f64::INFINITY, f64::min);
    let (mut low, mut high) = (-least - rules.within, -most + rules.within);
    std::mem::swap(&mut low, &mut high);
    if low > high {
        // No shift serves all of them: the middle one decides.
        let middle = -median(&offsets);
        (low, high) = (middle, middle);
    }
    let confidence = block
        .iter()
        .map(|index| lane.words[*index].found.confidence)
        .filter(|confidence| *confidence >= rules.sure)
        .fold(1.0, f64::min);
    Some(Wish { low, high, confidence, offsets })
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    if sorted.len().is_multiple_of(2) {
        f64::midpoint(sorted[middle - 1], sorted[middle])
    } else {
        sorted[middle]
    }
}

/// From left to right each piece takes in as many blocks as one shift serves: no plan has fewer cuts.
fn join_blocks(
    timing: &Timing,
    lane: &LaneTiming,
    region: usize,
    blocks: Vec<Kept>,
    rules: &Rules,
    plan: &mut Plan,
    wanted: &dyn Fn(usize, usize) -> bool,
) {
    let mut open: Option<(Piece, Wish)> = None;
    for (before, words) in blocks {
        let at = lane.words[words[0]].at as i64;
        let names = names(lane, &words);
        let mut here = wish(lane, &words, rules);
        if here.is_none() {
            plan.refused.push(remark(plan.row, at, format!("{names}: not sure enough to be moved")));
        }
        if !words.iter().any(|index| wanted(region, lane.words[*index].word)) {
            here = Some(Wish { low: 0.0, high: 0.0, confidence: 1.0, offsets: vec![0.0] });
        }
        if let Some(found) = &mut here
            && (found.low > rules.at_most || found.high < -rules.at_most)
        {
            let by = timing.ms(median(&found.offsets));
            plan.refused.push(remark(plan.row, at, format!("{names}: {by:+.1} ms is beyond the limit")));
            *found = Wish { low: 0.0, high: 0.0, confidence: 1.0, offsets: vec![0.0] };
        }
        let fresh =
            |before, words, wish: &Wish| Piece { region, before, by: 0, words, confidence: wish.confidence };
        open = Some(match (open.take(), here) {
            (None, here) => {
                let any =
                    Wish { low: f64::NEG_INFINITY, high: f64::INFINITY, confidence: 1.0, offsets: vec![] };
                let wish = here.unwrap_or(any);
                (fresh(before, words, &wish), wish)
            }
            (Some((mut piece, wish)), None) => {
                piece.words.extend(words);
                (piece, wish)
            }
            (Some((mut piece, mut wish)), Some(more)) => {
                let (low, high) = (wish.low.max(more.low), wish.high.min(more.high));
                if low <= high {
                    piece.words.extend(words);
                    piece.confidence = piece.confidence.min(more.confidence);
                    (wish.low, wish.high) = (low, high);
                    wish.offsets.extend(more.offsets);
                    (piece, wish)
                } else {
                    close(piece, &wish, rules, plan);
                    (fresh(before, words, &more), more)
                }
            }
        });
    }
    if let Some((piece, wish)) = open {
        close(piece, &wish, rules, plan);
    }
}

fn close(mut piece: Piece, wish: &Wish, rules: &Rules, plan: &mut Plan) {
    let still = wish.low <= 0.0 && wish.high >= 0.0;
    if !still && !wish.offsets.is_empty() {
        let by = (-median(&wish.offsets)).clamp(wish.low, wish.high).clamp(-rules.at_most, rules.at_most);
        piece.by = by.round() as i64;
    }
    plan.pieces.push(piece);
}

/// Holds back pieces that would run into the word before them.
fn keep_order(on: &Lane, lane: &LaneTiming, plan: &mut Plan, timing: &Timing) {
    let tail = (TAIL_MS * f64::from(timing.rate) / 1000.0) as i64;
    for index in 1..plan.pieces.len() {
        let (before, here) = (&plan.pieces[index - 1], &plan.pieces[index]);
        let room = match here.before {
            Some(quiet) => quiet.to - quiet.from,
            None => {
                let ended = before.words.last().map_or(i64::MIN, |word| lane.words[*word].end as i64);
                let left_end = on.regions[before.region].end().0;
                let onset = here.words.first().map_or(i64::MAX, |word| lane.words[*word].at as i64);
                onset.saturating_sub(ended.min(left_end))
            }
        };
        let least = before.by.saturating_sub(room.max(0).saturating_add(tail));
        if here.by < least {
            let by = timing.ms((here.by - least) as f64);
            let names = names(lane, &here.words);
            let at = here.words.first().map_or(0, |word| lane.words[*word].at as i64);
            let why = format!("{names}: {:.1} ms are left, since the word before leaves no room", by.abs());
            plan.refused.push(remark(plan.row, at, why));
            plan.pieces[index].by = least;
        }
    }
}

/// "word 3" or "words 3 to 5".
pub fn names(lane: &LaneTiming, words: &[usize]) -> String {
    let number = |index: &usize| lane.words[*index].word + 1;
    match (words.first().map(number), words.last().map(number)) {
        (Some(first), Some(last)) if first != last => format!("words {first} to {last}"),
        (Some(first), _) => format!("word {first}"),
        _ => "nothing".to_owned(),
    }
}

fn remark(row: usize, at: i64, text: String) -> Remark {
    Remark { lane: row + 1, from: Position(at), to: Position(at), text }
}
