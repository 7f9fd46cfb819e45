//! Which pieces of a lane to slide, by how much, and where to cut: the fewest cuts that bring its words within
//! a tolerance. Nothing is changed here; [`super::carry`] carries a plan out.

use super::joint::{self, Joint};
use super::order::keep_order;
use super::quiet::{Border, borders};
use super::splice::Splice;
use super::{LaneTiming, Timing, WordTiming};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::outcome::Remark;
use crate::listen::timing::Alike;
use crate::song::Position;

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
    /// Cuts are looked for far inside the word before, not only where it goes over into the next.
    pub inside: bool,
    /// Slides are as they are named, to the sample.
    pub exact: bool,
    /// Onsets of two lanes come no closer to each other than this, in samples.
    pub apart: Option<f64>,
}

/// A piece of a lane that is slid as one.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// Index of its region before any cut.
    pub region: usize,
    /// What parts each of its words from the one before it in its region.
    pub borders: Vec<Border>,
    /// Where it is cut and how that is joined, once that is known; see [`super::splice`].
    pub splice: Option<Splice>,
    /// Where it meets the piece before it, if they were slid against each other before.
    pub joint: Option<Joint>,
    /// By how many samples it is to go later; negative is earlier.
    pub by: i64,
    /// It was not to be moved at all.
    pub fixed: bool,
    /// Its words: indices into the lane's words.
    pub words: Vec<usize>,
    /// Of the words that decide, the least sure.
    pub confidence: f64,
}

impl Piece {
    /// It begins where its region does.
    pub fn starts_region(&self) -> bool {
        self.borders.first().is_none_or(|border| *border == Border::Start)
    }
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
        let why = format!("lane {} does not hold the guide's words", lane.row + 1);
        let at = song_lane.regions.first().map_or(0, |region| region.at.0);
        plan.refused.push(remark(lane.row, at, why));
        return Ok(plan);
    }
    for (region, on) in song_lane.regions.iter().enumerate() {
        let mut words: Vec<usize> =
            (0..lane.words.len()).filter(|index| lane.words[*index].region == region).collect();
        words.sort_by(|a, b| lane.words[*a].at.total_cmp(&lane.words[*b].at));
        if words.is_empty() || !words.iter().any(|index| wanted(region, lane.words[*index].word)) {
            continue;
        }
        let borders = borders(context, lane, on, &words)?;
        let blocks =
            borders.into_iter().zip(&words).map(|(before, word)| Block { region, before, word: *word });
        join_blocks(timing, lane, region, blocks.collect(), rules, &mut plan, wanted);
    }
    joint::mark(context, (timing, lane), rules.sure, &mut plan.pieces)?;
    keep_order(song_lane, lane, &mut plan, timing);
    Ok(plan)
}

/// A word with what parts it from the one before it.
struct Block {
    region: usize,
    before: Border,
    word: usize,
}

/// Shifts that bring a word within the tolerance, with the offset to aim at.
struct Wish {
    low: f64,
    high: f64,
    confidence: f64,
    offsets: Vec<f64>,
    /// These words are not to be moved.
    fixed: bool,
}

impl Wish {
    /// Any shift will do.
    fn any() -> Wish {
        let (low, high) = (f64::NEG_INFINITY, f64::INFINITY);
        Wish { low, high, confidence: 1.0, offsets: Vec::new(), fixed: false }
    }
}

fn wish(word: &WordTiming, rules: &Rules) -> Option<Wish> {
    let offset = match rules.vowels {
        true => word.off() + word.found.vowel_lag,
        false => word.off(),
    };
    (word.found.confidence >= rules.sure).then(|| Wish {
        low: -offset - rules.within,
        high: -offset + rules.within,
        confidence: word.found.confidence,
        offsets: vec![offset],
        fixed: false,
    })
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

/// A piece that still takes words in.
struct Open {
    wish: Wish,
    /// Some of its words are not to be moved.
    fixed: bool,
    /// Its words, and of those that are not sure by how much they seem to be off.
    blocks: Vec<(Block, Option<f64>)>,
    /// By how much it is to be slid, once that is known.
    by: i64,
}

impl Open {
    fn new(block: Block, wish: Wish, unsure: Option<f64>) -> Open {
        Open { fixed: wish.fixed, wish, blocks: vec![(block, unsure)], by: 0 }
    }

    /// Takes a word in if one shift still serves all; gives it back otherwise.
    fn take(&mut self, block: Block, wish: Wish) -> Result<(), (Block, Wish)> {
        let (low, high) = (self.wish.low.max(wish.low), self.wish.high.min(wish.high));
        if low > high {
            return Err((block, wish));
        }
        (self.wish.low, self.wish.high) = (low, high);
        self.wish.confidence = self.wish.confidence.min(wish.confidence);
        self.wish.offsets.extend(wish.offsets);
        self.fixed |= wish.fixed;
        self.blocks.push((block, None));
        Ok(())
    }

    /// By how much it is slid.
    fn decide(&mut self, rules: &Rules) {
        let Wish { low, high, offsets, .. } = &self.wish;
        let still = *low <= 0.0 && *high >= 0.0 || offsets.is_empty();
        if !still {
            let by = (-median(offsets)).clamp(*low, *high).clamp(-rules.at_most, rules.at_most);
            self.by = by.round() as i64;
        }
    }

    /// Words at its end that are not sure: with the next piece, with this one, or where they are, whatever seems to take
    /// them less far off. Gives back those that stay where they are.
    fn hand_on(&mut self, next: Option<&mut Open>, lane: &LaneTiming, rate: f64) -> Option<Open> {
        let sure = self.blocks.iter().rposition(|(_, unsure)| unsure.is_none()).map_or(0, |last| last + 1);
        let (first, count) = (sure.max(1), self.blocks.len());
        if first >= count {
            return None;
        }
        let off = |from: usize, to: usize, by: i64| -> f64 {
            self.blocks[from..to].iter().filter_map(|(_, off)| off.map(|off| (off + by as f64).abs())).sum()
        };
        let at = |block: &Block| lane.words[block.word].at;
        let after = next.as_ref().and_then(|next| next.blocks.first()).map(|(block, _)| at(block));
        // Two beginnings that are this near cannot be parted.
        let parts = |split: usize| {
            let right = self.blocks.get(split).map(|(block, _)| at(block)).or(after);
            let near =
                right.is_some_and(|right| right - at(&self.blocks[split - 1].0) < ONE_MS * rate / 1000.0);
            if near { 1e9 } else { 0.0 }
        };
        let by = next.as_ref().map(|next| next.by);
        let cost = |split: usize| {
            off(first, split, self.by) + by.map_or(0.0, |by| off(split, count, by)) + parts(split)
        };
        // If it is all the same they stay with what they follow.
        let splits = if by.is_some() { first..=count } else { count..=count };
        let split = splits.rev().min_by(|a, b| cost(*a).total_cmp(&cost(*b))).unwrap_or(count);
        let stays = off(first, count, 0) + parts(first) + parts(count) + ALONE_MS * rate / 1000.0;
        // In a copy all of it belongs to one of the two: where they meet is found by the waveform.
        let same = |(block, unsure): &(Block, Option<f64>)| {
            unsure.is_none() && lane.words[block.word].found.evidence.found.same
        };
        let copied = self.blocks[..first].iter().any(same)
            && next.as_ref().is_some_and(|next| next.blocks.iter().any(same));
        if stays < cost(split) && self.by != 0 && !copied {
            return Some(Open {
                wish: Wish::any(),
                fixed: false,
                blocks: self.blocks.split_off(first),
                by: 0,
            });
        }
        if let Some(next) = next {
            let mut handed = self.blocks.split_off(split);
            handed.append(&mut next.blocks);
            next.blocks = handed;
        }
        None
    }

    fn piece(self, region: usize) -> Option<Piece> {
        let words: Vec<usize> = self.blocks.iter().map(|(block, _)| block.word).collect();
        let borders: Vec<Border> = self.blocks.iter().map(|(block, _)| block.before).collect();
        let (by, fixed, confidence) = (self.by, self.fixed, self.wish.confidence);
        (!words.is_empty()).then_some(Piece {
            region,
            borders,
            splice: None,
            joint: None,
            by,
            fixed,
            words,
            confidence,
        })
    }
}

/// Beginnings that are nearer than this are one word's, in ms.
const ONE_MS: f64 = 50.0;
/// Words that are not sure stay alone only if they seem to gain this by it, in ms.
const ALONE_MS: f64 = 20.0;

/// From left to right each piece takes in as many words as one shift serves: no plan has fewer cuts.
fn join_blocks(
    timing: &Timing,
    lane: &LaneTiming,
    region: usize,
    blocks: Vec<Block>,
    rules: &Rules,
    plan: &mut Plan,
    wanted: &dyn Fn(usize, usize) -> bool,
) {
    let near = ONE_MS * f64::from(timing.rate) / 1000.0;
    let order: Vec<usize> = blocks.iter().map(|block| block.word).collect();
    let mut pieces: Vec<Open> = Vec::new();
    for (index, block) in blocks.into_iter().enumerate() {
        let beside = [index.checked_sub(1), Some(index + 1)].into_iter().flatten();
        let surer = beside.filter_map(|index| order.get(index)).any(|other| {
            let (word, other) = (&lane.words[block.word], &lane.words[*other]);
            (word.at - other.at).abs() < near && word.found.confidence < other.found.confidence
        });
        let here = if surer { None } else { wished(timing, lane, &block, rules, plan, wanted) };
        let seems = Some(lane.words[block.word].off());
        match (here, pieces.last_mut()) {
            (Some(found), Some(open)) => {
                if let Err((block, found)) = open.take(block, found) {
                    pieces.push(Open::new(block, found, None));
                }
            }
            (Some(found), None) => pieces.push(Open::new(block, found, None)),
            (None, Some(open)) => open.blocks.push((block, seems)),
            (None, None) => {
                pieces.push(Open::new(block, Wish::any(), seems));
            }
        }
    }
    pieces.iter_mut().for_each(|piece| piece.decide(rules));
    let rate = f64::from(timing.rate);
    let mut settled: Vec<Open> = Vec::new();
    for mut piece in pieces {
        let stays = settled.last_mut().and_then(|left| left.hand_on(Some(&mut piece), lane, rate));
        settled.extend(stays);
        settled.push(piece);
    }
    let stays = settled.last_mut().and_then(|last| last.hand_on(None, lane, rate));
    settled.extend(stays);
    plan.pieces.extend(settled.into_iter().filter_map(|piece| piece.piece(region)));
}

/// Where a word is to go, if it says so with confidence.
fn wished(
    timing: &Timing,
    lane: &LaneTiming,
    block: &Block,
    rules: &Rules,
    plan: &mut Plan,
    wanted: &dyn Fn(usize, usize) -> bool,
) -> Option<Wish> {
    let word = &lane.words[block.word];
    let stays = || Wish { low: 0.0, high: 0.0, confidence: 1.0, offsets: vec![0.0], fixed: true };
    if !wanted(block.region, word.word) {
        return Some(stays());
    }
    let names = names(lane, &[block.word]);
    let Some(found) = wish(word, rules) else {
        plan.refused.push(remark(plan.row, word.at as i64, format!("{names}: not sure enough to be moved")));
        return None;
    };
    if found.low > rules.at_most || found.high < -rules.at_most {
        let by = timing.ms(median(&found.offsets));
        // It goes no farther than its neighbours, which are nearer to the guide if it goes with them.
        let text = format!("{names}: {by:+.1} ms is beyond the limit");
        plan.refused.push(remark(plan.row, word.at as i64, text));
        return None;
    }
    Some(found)
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

pub(super) fn remark(row: usize, at: i64, text: String) -> Remark {
    Remark { lane: row + 1, from: Position(at), to: Position(at), text }
}
