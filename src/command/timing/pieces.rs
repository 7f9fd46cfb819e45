//! Pieces by name: which words of which lanes slide by how much, as text in a command, so that what was accepted one by
//! one is one line that a script can run again.
//!
//! `2:3..5 -1690smp, 3:7 +4.2ms` slides words 3 to 5 of lane 2 earlier and word 7 of lane 3 later.

use super::joint;
use super::quiet::borders;
use super::tighten::{Piece, Plan};
use super::{LaneTiming, Timing};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::read_shift;
use crate::listen::timing::Alike;
use crate::song::Shift;

/// Words of a lane that slide as one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slide {
    /// Number of the lane.
    pub lane: usize,
    /// First and last word of the guide, by number from 1.
    pub words: (usize, usize),
    /// How much later; minus is earlier.
    pub by: Shift,
}

/// Reads a list of slides.
///
/// # Errors
/// One cannot be read; says which and how it is written.
pub fn read(text: &str, context: &Context) -> Result<Vec<Slide>, Diagnostic> {
    let one = |part: &str| {
        let part = part.trim();
        let slide = (|| {
            let (place, by) = part.split_once(char::is_whitespace)?;
            let (lane, words) = place.split_once(':')?;
            let (first, last) = words.split_once("..").unwrap_or((words, words));
            let number = |text: &str| text.parse::<usize>().ok().filter(|number| *number > 0);
            let words = (number(first)?, number(last)?);
            let by = read_shift(by.trim(), context).ok()?;
            Some(Slide { lane: number(lane)?, words, by })
        })();
        slide.filter(|slide| slide.words.0 <= slide.words.1).ok_or_else(|| {
            Diagnostic::refusal(format!("`{part}` names no piece"))
                .help("as in: tighten pieces \"2:3..5 -35.2ms, 3:7 +4ms\": lane, words, distance")
        })
    };
    text.split(',').map(one).collect()
}

/// Slides as text, in whole samples.
#[must_use]
pub fn write(slides: &[Slide]) -> String {
    let one = |slide: &Slide| {
        let (first, last) = slide.words;
        let words = if first == last { first.to_string() } else { format!("{first}..{last}") };
        format!("{}:{words} {:+}smp", slide.lane, slide.by.0)
    };
    slides.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// The plan that slides exactly these words of a lane.
///
/// # Errors
/// A word is not on the lane.
pub fn plan(
    context: &Context,
    (timing, lane): (&Timing, &LaneTiming),
    slides: &[Slide],
) -> Result<Plan, Diagnostic> {
    let mut plan = Plan { row: lane.row, pieces: Vec::new(), refused: Vec::new() };
    let refuse = |why: String| Diagnostic::refusal(format!("lane {}: {why}", lane.row + 1));
    if lane.alike != Alike::Yes {
        return Err(refuse("it does not hold the guide's words".to_owned()));
    }
    for slide in slides {
        let (first, last) = slide.words;
        if !lane.words.iter().any(|word| (first..=last).contains(&(word.word + 1))) {
            return Err(refuse(format!("it has no word {first}")).help("`tautline timing` lists all words"));
        }
    }
    let by = |word: usize| -> i64 {
        let number = lane.words[word].word + 1;
        let slide = slides.iter().find(|slide| (slide.words.0..=slide.words.1).contains(&number));
        slide.map_or(0, |slide| slide.by.0)
    };
    let song_lane = &context.session.song().lanes[lane.row];
    for (region, on) in song_lane.regions.iter().enumerate() {
        let mut words: Vec<usize> =
            (0..lane.words.len()).filter(|index| lane.words[*index].region == region).collect();
        words.sort_by(|a, b| lane.words[*a].at.total_cmp(&lane.words[*b].at));
        if words.iter().all(|word| by(*word) == 0) {
            continue;
        }
        for (before, word) in borders(context, lane, on, &words)?.into_iter().zip(&words) {
            let (slid, sure) = (by(*word), lane.words[*word].found.confidence);
            match plan.pieces.last_mut() {
                Some(piece) if piece.region == region && piece.by == slid => {
                    piece.words.push(*word);
                    piece.borders.push(before);
                    piece.confidence = piece.confidence.min(sure);
                }
                _ => plan.pieces.push(Piece {
                    region,
                    borders: vec![before],
                    splice: None,
                    joint: None,
                    by: slid,
                    fixed: true,
                    words: vec![*word],
                    confidence: sure,
                }),
            }
        }
    }
    joint::mark(context, (timing, lane), 0.0, &mut plan.pieces)?;
    Ok(plan)
}
