//! The scorecard: how the lanes lay in one state and how they lie in another, as figures and as a picture in text.

use serde::Serialize;

use super::report::{LaneReport, Report, Summary, WordReport};

/// Two states side by side.
#[derive(Debug, Clone, Serialize)]
pub struct Scorecard {
    /// What the earlier state is called.
    pub against: String,
    /// One for each lane that both states have.
    pub lanes: Vec<LaneScore>,
    /// All lanes.
    pub stack: Score,
}

/// One lane in both states.
#[derive(Debug, Clone, Serialize)]
pub struct LaneScore {
    /// Number of the lane.
    pub number: usize,
    /// Its name.
    pub name: String,
    /// Its figures.
    #[serde(flatten)]
    pub score: Score,
    #[serde(skip)]
    offsets: (Vec<f64>, Vec<f64>),
}

/// Figures of both states.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct Score {
    /// In the earlier state.
    pub before: Figures,
    /// As it is.
    pub after: Figures,
}

/// Figures of one state.
#[derive(Debug, Clone, Copy, Default, Serialize)]
pub struct Figures {
    /// Of the onsets.
    #[serde(flatten)]
    pub onsets: Summary,
    /// Last words of phrases.
    pub last_words: usize,
    /// Of their ends, what nineteen of twenty do not exceed in ms after the guide's; early ones count as 0.
    pub late_ends_p95_ms: f64,
    /// Share of them that end within 20 ms of the guide's or before, 0 to 1.
    pub ends_within_20ms: f64,
}

/// Columns of the picture on either side of the guide.
const HALF: usize = 24;
/// Milliseconds per column.
const COLUMN_MS: f64 = 5.0;
/// Limits that are drawn in, in ms to either side, with their signs. To tell the order of two sounds takes about 20 ms
/// (Hirsh 1959, JASA 31:759); onsets in good trios spread by 30 to 50 ms and are heard as together (Rasch 1979, Acustica
/// 43:121); a single echo of speech stands apart from 50 to 100 ms on (Haas 1951).
const LIMITS_MS: [(f64, char); 4] = [(20.0, ':'), (30.0, '.'), (50.0, '\''), (100.0, '!')];

impl Scorecard {
    /// Puts two reports side by side; lanes that only one of them has are left out.
    #[must_use]
    pub fn of(against: &str, before: &Report, after: &Report) -> Scorecard {
        let pair = |lane: &LaneReport| {
            let old = before.lanes.iter().find(|old| old.number == lane.number)?;
            let off = |lane: &LaneReport| lane.words.iter().map(WordReport::off_ms).collect();
            Some(LaneScore {
                number: lane.number,
                name: lane.name.clone(),
                score: Score {
                    before: figures(&old.words, old.summary),
                    after: figures(&lane.words, lane.summary),
                },
                offsets: (off(old), off(lane)),
            })
        };
        let all = |report: &Report| {
            let words: Vec<WordReport> =
                report.lanes.iter().flat_map(|lane| lane.words.iter().cloned()).collect();
            figures(&words, report.summary)
        };
        Scorecard {
            against: against.to_owned(),
            lanes: after.lanes.iter().filter_map(pair).collect(),
            stack: Score { before: all(before), after: all(after) },
        }
    }

    /// The scorecard as text: a table, and for each lane where its words lie before and after.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!("before: {}; after: the state that is shown\n\n", self.against);
        text.push_str(&format!(
            "  {:>3} {:<14} {:<6} {:>5} {:>8} {:>8} {:>6} {:>6} {:>6}  {:>8} {:>6}\n",
            "", "lane", "", "words", "median", "p95", "10 ms", "20 ms", "30 ms", "ends p95", "20 ms"
        ));
        for lane in &self.lanes {
            text.push_str(&lane.score.rows(&lane.number.to_string(), &lane.name));
        }
        text.push_str(&self.stack.rows("", "the stack"));
        for lane in &self.lanes {
            text.push_str(&format!("\n  lane {} {}\n", lane.number, lane.name));
            text.push_str(&format!("  before {}\n", picture(&lane.offsets.0)));
            text.push_str(&format!("  after  {}\n", picture(&lane.offsets.1)));
        }
        text.push_str(&format!("         {}\n", scale()));
        text.push_str(
            "  digits count words per 5 ms, early on the left; | the guide, : 20 ms, below which order is hardly told (Hirsh 1959),\n  \
             . 30 and ' 50 ms, the spread of good trios (Rasch 1979), ! 100 ms, surely apart (Haas 1951: from 50 ms on)\n",
        );
        text
    }
}

impl Score {
    fn rows(&self, number: &str, name: &str) -> String {
        let row = |number: &str, name: &str, when: &str, figures: &Figures| {
            let Figures { onsets, last_words, late_ends_p95_ms, ends_within_20ms } = figures;
            let ends = match last_words {
                0 => String::new(),
                _ => format!("  {late_ends_p95_ms:>8.1} {:>5.0}%", ends_within_20ms * 100.0),
            };
            format!(
                "  {number:>3} {name:<14.14} {when:<6} {:>5} {:>8.1} {:>8.1} {:>5.0}% {:>5.0}% {:>5.0}%{ends}\n",
                onsets.words,
                onsets.median_abs_ms,
                onsets.p95_abs_ms,
                onsets.within_10ms * 100.0,
                onsets.within_20ms * 100.0,
                onsets.within_30ms * 100.0,
            )
        };
        row(number, name, "before", &self.before) + &row("", "", "after", &self.after)
    }
}

fn figures(words: &[WordReport], onsets: Summary) -> Figures {
    let mut late: Vec<f64> =
        words.iter().filter(|word| word.last).map(|word| word.end_offset_ms.max(0.0)).collect();
    late.sort_by(f64::total_cmp);
    let count = late.len();
    let p95 = late.get(((count.saturating_sub(1)) as f64 * 0.95).round() as usize).copied().unwrap_or(0.0);
    let within = late.iter().filter(|late| **late <= 20.0).count();
    Figures {
        onsets,
        last_words: count,
        late_ends_p95_ms: p95,
        ends_within_20ms: if count == 0 { 0.0 } else { within as f64 / count as f64 },
    }
}

fn column(ms: f64) -> usize {
    (HALF as f64 + (ms / COLUMN_MS).round()).clamp(0.0, 2.0 * HALF as f64) as usize
}

fn limits() -> Vec<char> {
    let mut line = vec![' '; 2 * HALF + 1];
    for (ms, sign) in LIMITS_MS {
        line[column(ms)] = sign;
        line[column(-ms)] = sign;
    }
    line[HALF] = '|';
    line
}

/// How many words lie in each 5 ms, over the limits.
fn picture(offsets: &[f64]) -> String {
    let mut counts = vec![0usize; 2 * HALF + 1];
    offsets.iter().for_each(|ms| counts[column(*ms)] += 1);
    let sign = |(count, limit): (&usize, char)| match count {
        0 => limit,
        1..=9 => char::from_digit(*count as u32, 10).unwrap_or('9'),
        _ => '#',
    };
    counts.iter().zip(limits()).map(sign).collect::<String>().trim_end().to_owned()
}

fn scale() -> String {
    let mut line = vec![' '; 2 * HALF + 5];
    for ms in [-100.0, -50.0, 0.0, 50.0, 100.0] {
        let text = format!("{ms:+.0}");
        let text = if ms == 0.0 { "0 ms".to_owned() } else { text };
        let start = column(ms).saturating_sub(text.len() / 2);
        text.chars().enumerate().for_each(|(index, c)| {
            if let Some(cell) = line.get_mut(start + index) {
                *cell = c;
            }
        });
    }
    line.into_iter().collect::<String>().trim_end().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_stand_in_their_columns_and_limits_where_nothing_lies() {
        let line = picture(&[0.0, 1.0, 20.0, 500.0, -500.0]);
        let cells: Vec<char> = line.chars().collect();
        assert_eq!((cells[HALF], cells[HALF + 4], cells[HALF - 4]), ('2', '1', ':'));
        assert_eq!((cells[0], cells[2 * HALF]), ('1', '1'));
        assert_eq!((cells[HALF + 6], cells[HALF + 10], cells[HALF + 20]), ('.', '\'', '!'));
    }
}
