//! The timing as a document: what `timing --json` prints and the screen shows.

use serde::Serialize;

use super::{LaneTiming, Timing, WordTiming};
use crate::edit::Session;
use crate::listen::timing::Alike;
use crate::song::{Length, Position};

/// All lanes against the guide.
#[derive(Debug, Clone, Serialize)]
pub struct Report {
    /// Samples per second.
    pub rate: u32,
    /// One for each lane but the guide and the backing.
    pub lanes: Vec<LaneReport>,
    /// The whole stack, word by word.
    pub stack: Vec<Spread>,
    /// All lanes in figures.
    pub summary: Summary,
}

/// One lane.
#[derive(Debug, Clone, Serialize)]
pub struct LaneReport {
    /// Number of the lane.
    pub number: usize,
    /// Its name.
    pub name: String,
    /// Name of its file.
    pub file: String,
    /// Whether it holds the guide's words: `yes`, `no`, `other-tempo` or `silent`.
    pub alike: Alike,
    /// Its words.
    pub words: Vec<WordReport>,
    /// Words of the guide that it leaves out.
    pub missing: Vec<Missing>,
    /// What sounds where the guide has no word, in seconds on the timeline.
    pub extra: Vec<(f64, f64)>,
    /// Its words in figures.
    pub summary: Summary,
}

/// One word of a lane.
#[derive(Debug, Clone, Serialize)]
pub struct WordReport {
    /// Which word of the guide, from 1.
    pub word: usize,
    /// What is sung, if it is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Onset in the guide's file, in seconds.
    pub guide_s: f64,
    /// Onset in the lane's file, in seconds.
    pub lane_s: f64,
    /// Lane onset minus guide onset on the timeline after edits, in ms: minus is early.
    pub offset_ms: f64,
    /// The offset that is held for it, in ms: what it is meant to be, if that is not 0.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held_ms: Option<f64>,
    /// Where the word's sound has ended in the guide's file, in seconds.
    pub guide_end_s: f64,
    /// Where it has ended in the lane's file, measured by the same limit.
    pub lane_end_s: f64,
    /// Lane end minus guide end on the timeline after edits, in ms: plus rings longer.
    pub end_offset_ms: f64,
    /// How sure the offset is, 0 to 1.
    pub confidence: f64,
    /// It is the last word of a phrase.
    pub last: bool,
    /// Guide onset on the timeline, in seconds.
    pub at_s: f64,
}

impl WordReport {
    /// How far it is off from where it is meant to be, in ms.
    #[must_use]
    pub fn off_ms(&self) -> f64 {
        self.offset_ms - self.held_ms.unwrap_or(0.0)
    }
}

/// A word that a lane leaves out.
#[derive(Debug, Clone, Serialize)]
pub struct Missing {
    /// Which word of the guide, from 1.
    pub word: usize,
    /// Onset in the guide's file, in seconds.
    pub guide_s: f64,
}

/// Figures of a lane or of the stack: of how far words are off from where they are meant to be.
#[derive(Debug, Clone, Copy, Default, Serialize)]
pub struct Summary {
    /// Words measured.
    pub words: usize,
    /// Median of the offsets' amounts, in ms.
    pub median_abs_ms: f64,
    /// What nineteen of twenty amounts do not exceed, in ms.
    pub p95_abs_ms: f64,
    /// Share of words within 10 ms, 0 to 1.
    pub within_10ms: f64,
    /// Share of words within 20 ms.
    pub within_20ms: f64,
    /// Share of words within 30 ms.
    pub within_30ms: f64,
    /// Median offset with its sign, in ms.
    pub bias_ms: f64,
    /// How much later the last third lies than the first, in ms.
    pub drift_ms: f64,
}

/// How far the lanes lie apart at one word.
#[derive(Debug, Clone, Serialize)]
pub struct Spread {
    /// Which word of the guide, from 1.
    pub word: usize,
    /// Onset on the timeline, in seconds.
    pub at_s: f64,
    /// Latest onset of any lane, the guide included, minus the earliest, in ms.
    pub spread_ms: f64,
}

/// The report of a timing.
#[must_use]
pub fn report(timing: &Timing, session: &Session) -> Report {
    let lanes: Vec<LaneReport> = timing.lanes.iter().map(|lane| lane_report(timing, lane, session)).collect();
    let spread = |word: usize| {
        let of_word = timing.lanes.iter().flat_map(|lane| &lane.words).filter(|timed| timed.word == word);
        let (low, high) = of_word
            .filter(|timed| timed.found.confidence >= 0.5)
            .fold((0.0f64, 0.0f64), |(low, high), timed| (low.min(timed.offset), high.max(timed.offset)));
        let at_s = seconds(timing, timing.words[word].at.0 as f64);
        Spread { word: word + 1, at_s, spread_ms: round(timing.ms(high - low), 3) }
    };
    let stack = (0..timing.words.len()).map(spread).collect();
    let all: Vec<f64> = lanes.iter().flat_map(|lane| lane.words.iter().map(WordReport::off_ms)).collect();
    Report { rate: timing.rate, lanes, stack, summary: summary(&all) }
}

fn lane_report(timing: &Timing, lane: &LaneTiming, session: &Session) -> LaneReport {
    let on = &session.song().lanes[lane.row];
    let file = session.asset(on.asset).map_or("", |asset| asset.path.as_str());
    let words: Vec<WordReport> = lane.words.iter().map(|word| word_report(timing, word)).collect();
    let offsets: Vec<f64> = words.iter().map(WordReport::off_ms).collect();
    let missing = |word: &usize| Missing {
        word: word + 1,
        guide_s: seconds(timing, timing.words[*word].word.onset as f64),
    };
    let span =
        |(from, to): &(Position, Position)| (seconds(timing, from.0 as f64), seconds(timing, to.0 as f64));
    LaneReport {
        number: lane.row + 1,
        name: on.name.clone(),
        file: file.rsplit('/').next().unwrap_or(file).to_owned(),
        alike: lane.alike,
        words,
        missing: lane.missing.iter().map(missing).collect(),
        extra: lane.extra.iter().map(span).collect(),
        summary: summary(&offsets),
    }
}

fn word_report(timing: &Timing, timed: &WordTiming) -> WordReport {
    let word = &timing.words[timed.word];
    WordReport {
        word: timed.word + 1,
        name: word.name.clone(),
        guide_s: seconds(timing, word.word.onset as f64),
        lane_s: seconds(timing, timed.found.onset),
        offset_ms: round(timing.ms(timed.offset), 3),
        held_ms: timed.held.map(|held| round(timing.ms(held), 3)),
        guide_end_s: seconds(timing, timed.found.guide_end),
        lane_end_s: seconds(timing, timed.end_in_take),
        end_offset_ms: round(timing.ms(timed.end - timed.guide_end), 3),
        confidence: round(timed.found.confidence, 3),
        last: word.word.ends_phrase,
        at_s: seconds(timing, word.at.0 as f64),
    }
}

fn seconds(timing: &Timing, samples: f64) -> f64 {
    round(samples / f64::from(timing.rate.max(1)), 6)
}

fn round(value: f64, digits: i32) -> f64 {
    let scale = 10f64.powi(digits);
    (value * scale).round() / scale
}

/// Figures of a list of offsets in ms, in the order of the words.
#[must_use]
pub fn summary(offsets: &[f64]) -> Summary {
    if offsets.is_empty() {
        return Summary::default();
    }
    let mut amounts: Vec<f64> = offsets.iter().map(|offset| offset.abs()).collect();
    amounts.sort_by(f64::total_cmp);
    let at = |sorted: &[f64], share: f64| sorted[((sorted.len() - 1) as f64 * share).round() as usize];
    let within = |ms: f64| {
        round(amounts.iter().filter(|amount| **amount <= ms).count() as f64 / amounts.len() as f64, 4)
    };
    let median = |part: &[f64]| {
        let mut sorted = part.to_vec();
        sorted.sort_by(f64::total_cmp);
        at(&sorted, 0.5)
    };
    let third = offsets.len().div_ceil(3);
    Summary {
        words: offsets.len(),
        median_abs_ms: at(&amounts, 0.5),
        p95_abs_ms: at(&amounts, 0.95),
        within_10ms: within(10.0),
        within_20ms: within(20.0),
        within_30ms: within(30.0),
        bias_ms: median(offsets),
        drift_ms: round(median(&offsets[offsets.len() - third..]) - median(&offsets[..third]), 3),
    }
}

/// Offsets up to here are heard as together: Rasch 1979, Acustica 43:121, found spreads of 30 to 50 ms in good trios.
const TOGETHER_MS: f64 = 30.0;
/// Below this two sounds are hardly heard apart: Hirsh 1959, JASA 31:759, about 20 ms to tell their order.
const ORDER_MS: f64 = 20.0;
/// Columns of the plot on either side of the guide's line.
const HALF: usize = 24;
/// Milliseconds per column.
const COLUMN_MS: f64 = 5.0;

impl Report {
    /// The report as text: a table and a plot for each lane. `|` is the guide, `:` 20 ms and `.` 30 ms
    /// away from it, `o` a word, `?` one that is not sure, `=` where one is meant to be on purpose.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::new();
        for lane in &self.lanes {
            text.push_str(&lane.text());
        }
        if let Some(widest) = self.stack.iter().max_by(|a, b| a.spread_ms.total_cmp(&b.spread_ms)) {
            text.push_str(&format!(
                "stack: widest at word {} ({:.3} s), {:.1} ms from the first lane to the last\n",
                widest.word, widest.at_s, widest.spread_ms
            ));
        }
        text
    }
}

impl LaneReport {
    fn text(&self) -> String {
        let mut text = format!("\nlane {} {} ({})\n", self.number, self.name, self.file);
        match self.alike {
            Alike::Yes => {}
            Alike::No => text.push_str("  does not hold the guide's words; no offset can be trusted\n"),
            Alike::OtherTempo => text
                .push_str("  is much faster or slower than the guide; no slide can bring its words home\n"),
            Alike::Silent => text.push_str("  is silent, or the guide is\n"),
        }
        text.push_str("  word        at      offset     end   sure  early ");
        text.push_str(&format!("{:>w$}late\n", "", w = 2 * HALF - 10));
        for word in &self.words {
            let name = word.name.clone().unwrap_or_default();
            text.push_str(&format!(
                "  {:>4} {:<6.6} {:>8.3}s {:>+7.1}ms {:>+7.1} {:>5.2}  {}\n",
                word.word,
                name,
                word.at_s,
                word.offset_ms,
                word.end_offset_ms,
                word.confidence,
                plot(word)
            ));
        }
        for missing in &self.missing {
            text.push_str(&format!("  {:>4}        left out\n", missing.word));
        }
        let sum = &self.summary;
        text.push_str(&format!(
            "  {} words: median {:.1} ms, p95 {:.1} ms, within 10/20/30 ms {:.0}/{:.0}/{:.0} %, bias {:+.1} ms, drift {:+.1} ms\n",
            sum.words,
            sum.median_abs_ms,
            sum.p95_abs_ms,
            sum.within_10ms * 100.0,
            sum.within_20ms * 100.0,
            sum.within_30ms * 100.0,
            sum.bias_ms,
            sum.drift_ms
        ));
        text
    }
}

fn plot(word: &WordReport) -> String {
    let mut line = vec![' '; 2 * HALF + 1];
    let column = |ms: f64| (HALF as f64 + (ms / COLUMN_MS).round()).clamp(0.0, 2.0 * HALF as f64) as usize;
    for (ms, mark) in [(TOGETHER_MS, '.'), (-TOGETHER_MS, '.'), (ORDER_MS, ':'), (-ORDER_MS, ':'), (0.0, '|')]
    {
        line[column(ms)] = mark;
    }
    if let Some(held) = word.held_ms {
        line[column(held)] = '=';
    }
    line[column(word.offset_ms)] = if word.confidence >= 0.5 { 'o' } else { '?' };
    line.into_iter().collect::<String>().trim_end().to_owned()
}

/// How long a stretch of so many ms is in samples.
#[must_use]
pub fn of_ms(ms: f64, rate: u32) -> Length {
    Length((ms.max(0.0) * f64::from(rate) / 1000.0).round() as u64)
}
