//! What the check says about timing: one finding per lane and kind, with the worst place.

use super::check::{Finding, Severity};
use crate::command::timing::{LaneTiming, Timing, WordTiming};
use crate::listen::timing::Alike;

/// Offsets beyond this are heard as loose (common practice, no source).
const LOOSE_MS: f64 = 30.0;
/// Last words that end later than this after the guide's stand out (common practice, no source).
const TAIL_MS: f64 = 40.0;
/// Words less sure than this are not judged.
const SURE: f64 = 0.8;

/// Findings about words that lie off the guide, end late, sound twice or are left out.
#[must_use]
pub fn timing_findings(timing: &Timing) -> Vec<Finding> {
    let alike = timing.lanes.iter().filter(|lane| lane.alike == Alike::Yes);
    alike.flat_map(|lane| of_lane(timing, lane)).collect()
}

fn of_lane(timing: &Timing, lane: &LaneTiming) -> Vec<Finding> {
    let number = lane.row + 1;
    let sure: Vec<&WordTiming> = lane.words.iter().filter(|word| word.found.confidence >= SURE).collect();
    let finding = |severity, code, at: f64, text: String, fix: Option<String>| Finding {
        severity,
        code,
        lane: Some(number),
        at: Some(at.round() as i64),
        text,
        fix,
    };
    let mut found = Vec::new();
    let loose: Vec<&&WordTiming> =
        sure.iter().filter(|word| timing.ms(word.off()).abs() > LOOSE_MS).collect();
    if let Some(worst) = loose.iter().max_by(|a, b| a.off().abs().total_cmp(&b.off().abs())) {
        let text = format!(
            "{} of {} words lie more than 30 ms off where they are meant to be, word {} the most: {:+.1} ms",
            loose.len(),
            sure.len(),
            worst.word + 1,
            timing.ms(worst.off())
        );
        found.push(finding(
            Severity::Warning,
            "word-off-guide",
            worst.at,
            text,
            Some(format!("tighten on lane {number}")),
        ));
    }
    let late = |word: &WordTiming| timing.ms(word.end - word.guide_end);
    let tails: Vec<&&WordTiming> =
        sure.iter().filter(|word| timing.words[word.word].word.ends_phrase && late(word) > TAIL_MS).collect();
    if let Some(worst) = tails.iter().max_by(|a, b| late(a).total_cmp(&late(b))) {
        let text = format!(
            "{} last words end more than 40 ms after the guide's, word {} the most: {:+.1} ms",
            tails.len(),
            worst.word + 1,
            late(worst)
        );
        let fix = Some(format!("tail to guide on lane {number}"));
        found.push(finding(Severity::Warning, "tail-beyond-guide", worst.guide_end, text, fix));
    }
    for word in lane.words.iter().filter(|word| word.doubled) {
        let text = format!("the onset of word {} sounds twice", word.word + 1);
        found.push(finding(Severity::Warning, "onset-doubled", word.at, text, None));
    }
    if let Some(first) = lane.missing.first() {
        let at = timing.words[*first].at.0 as f64;
        let text =
            format!("{} of the guide's words are left out, word {} first", lane.missing.len(), first + 1);
        found.push(finding(Severity::Note, "word-left-out", at, text, None));
    }
    found
}
