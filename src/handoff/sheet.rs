//! The sheet: what a mixer wants to know in a minute. Gathered here once, then written as a page or as Markdown.

use std::collections::BTreeMap;

use super::check::{Finding, Severity};
use super::facts::LaneFacts;
use super::manifest::Listed;
use super::report::{Bounce, BouncedFile, FileKind, Picture};
use super::timeline::{Timeline, placed};
use crate::media::OutputFormat;
use crate::song::{Lane, LaneId, Position, Song};

/// What a sheet is written from.
#[derive(Debug, Clone, Copy)]
pub struct Sheet<'a> {
    /// The edit: song, recordings, markers, and what other rooms know.
    pub timeline: &'a Timeline<'a>,
    /// The state in which the session began.
    pub began: &'a Song,
    /// What was bounced; with no path if nothing was written.
    pub bounce: &'a Bounce,
    /// How it was written.
    pub format: OutputFormat,
    /// Pictures of the lanes as they were in the beginning, over the same stretch as the files.
    pub before: &'a [(LaneId, Picture)],
    /// What the check found.
    pub findings: &'a [Finding],
    /// Checksums of the files; may be empty.
    pub files: &'a [Listed],
    /// The session file's name.
    pub session: &'a str,
    /// When it was made, in words.
    pub when: &'a str,
}

/// What the check looks for, by the codes of its findings.
pub const CHECKS: [(&str, &str); 18] = [
    ("overlap-beyond-neighbours", "only neighbours overlap"),
    ("overlap-without-crossfade", "every overlap is a crossfade"),
    ("outside-recording", "every region lies inside its recording"),
    ("broken-rule", "every number is in its range"),
    ("media-missing", "every recording is there"),
    ("media-changed", "every recording is the one that was taken in"),
    ("no-guide", "one lane is the guide"),
    ("clipping", "nothing clips, in the recordings or on the lanes"),
    ("stack-clipping", "the stack's sum does not clip"),
    ("not-a-number", "every sample is a number"),
    ("silent", "no recording is silent"),
    ("rate-at-odds", "every recording is at the session's rate"),
    ("odd-file", "no file is odd"),
    ("empty-lane", "no lane is empty"),
    ("start-at-odds", "the takes begin together"),
    ("edge-in-sound", "no edge cuts through sound"),
    ("edit-without-fade", "every edit has a fade"),
    ("muted", "every lane is part of the stack"),
];

/// Published limits of hearing two starts as one, in ms, with what each means and where it stands.
pub(super) const LIMITS: [(f64, &str); 3] = [
    (10.0, "tight (common practice)"),
    (22.0, "order of two onsets told by 75 % (Mazurka Project experiment)"),
    (50.0, "spread of trios heard as together, 30-50 ms (Rasch 1979, Acustica 43:121)"),
];

/// The numbers of one lane.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LaneNumbers {
    pub number: usize,
    pub pieces: usize,
    pub gaps: usize,
    pub crossfades: usize,
    /// Seconds of the recording at the beginning and now.
    pub had_s: f64,
    pub kept_s: f64,
    /// Pieces that were slid, and the farthest to earlier and to later in ms.
    pub slid: usize,
    pub earliest_ms: f64,
    pub latest_ms: f64,
    /// Places where the lane falls silent: how many, and their fade-outs in ms.
    pub ends: usize,
    pub tail_ms: Option<(f64, f64)>,
    /// Where the last sound ends, in seconds from the files' start.
    pub last_end_s: Option<f64>,
}

impl Sheet<'_> {
    /// Seconds from the files' start.
    pub(super) fn seconds(&self, at: Position) -> f64 {
        (at - self.timeline.start).0 as f64 / f64::from(self.timeline.rate)
    }

    pub(super) fn length_s(&self) -> f64 {
        self.bounce.length as f64 / f64::from(self.bounce.rate)
    }

    pub(super) fn format_words(&self) -> String {
        let kind = if self.format.is_flac() { "FLAC" } else { "WAV" };
        let float = if self.format == OutputFormat::F32 { " float" } else { "" };
        format!("{kind}, {} Hz, {} bit{float}", self.bounce.rate, self.format.bits())
    }

    /// The bounced file of a lane.
    pub(super) fn file(&self, number: usize) -> Option<&BouncedFile> {
        self.bounce.files.iter().find(|file| file.kind == FileKind::Lane && file.lane == Some(number))
    }

    pub(super) fn before(&self, id: LaneId) -> Option<&Picture> {
        self.before.iter().find(|(lane, _)| *lane == id).map(|(_, picture)| picture)
    }

    pub(super) fn facts(&self, index: usize) -> Option<&LaneFacts> {
        self.timeline.facts(index)
    }

    /// Checks of which nothing was found, in words.
    pub(super) fn passed(&self) -> Vec<&'static str> {
        let found = |code: &str| self.findings.iter().any(|finding| finding.code == code);
        CHECKS.iter().filter(|(code, _)| !found(code)).map(|(_, words)| *words).collect()
    }

    /// Findings of one kind on one lane count once; how many there are of each.
    pub(super) fn open(&self) -> Vec<(Severity, Option<usize>, &str, usize)> {
        let mut kinds: BTreeMap<(Severity, Option<usize>, &str), (usize, &str)> = BTreeMap::new();
        for finding in self.findings {
            let slot =
                kinds.entry((finding.severity, finding.lane, finding.code)).or_insert((0, &finding.text));
            slot.0 += 1;
        }
        kinds.into_iter().map(|((severity, lane, _), (count, text))| (severity, lane, text, count)).collect()
    }

    pub(super) fn numbers(&self, index: usize, lane: &Lane) -> LaneNumbers {
        let rate = f64::from(self.timeline.rate);
        let ms = |samples: i64| samples as f64 * 1000.0 / rate;
        let began = self.began.lane(lane.id);
        let home =
            began.and_then(|lane| lane.regions.first()).map(|region| (region.asset, region.source_origin()));
        let shift = |region: &crate::song::Region| match home {
            Some((asset, origin)) if asset == region.asset => (region.source_origin() - origin).0,
            _ => 0,
        };
        let shifts: Vec<i64> = lane.regions.iter().map(|region| shift(region)).collect();
        let had: u64 = began.map_or(0, |lane| lane.regions.iter().map(|region| region.length.0).sum());
        let kept: u64 = placed(lane).map(|place| place.alone).sum();
        let ends: Vec<&crate::song::Region> = lane
            .regions
            .iter()
            .enumerate()
            .filter(|(at, region)| lane.regions.get(at + 1).is_none_or(|next| next.at > region.end()))
            .map(|(_, region)| &**region)
            .collect();
        let tails = ends.iter().map(|region| ms(region.fade_out.length.as_shift().0));
        let tail_ms = tails.clone().reduce(f64::min).zip(tails.reduce(f64::max));
        LaneNumbers {
            number: index + 1,
            pieces: lane.regions.len(),
            gaps: ends.len().saturating_sub(1),
            crossfades: placed(lane).filter(|place| place.overlap > 0).count(),
            had_s: had as f64 / rate,
            kept_s: kept as f64 / rate,
            slid: shifts.iter().filter(|shift| **shift != 0).count(),
            earliest_ms: ms(shifts.iter().copied().min().unwrap_or(0).min(0)),
            latest_ms: ms(shifts.iter().copied().max().unwrap_or(0).max(0)),
            ends: ends.len(),
            tail_ms,
            last_end_s: lane.regions.last().map(|region| self.seconds(region.end())),
        }
    }
}

impl LaneNumbers {
    /// What was taken off, in words.
    pub(super) fn trimmed(&self) -> String {
        let off = self.had_s - self.kept_s;
        format!(
            "{:.2} s of {:.2} s kept, {off:.2} s taken off; {} pieces, {} gaps, {} crossfades",
            self.kept_s, self.had_s, self.pieces, self.gaps, self.crossfades
        )
    }

    /// What was moved, in words.
    pub(super) fn moved(&self) -> String {
        match self.slid {
            0 => "nothing was moved".into(),
            count => {
                format!("{count} pieces moved, by {:+.1} to {:+.1} ms", self.earliest_ms, self.latest_ms)
            }
        }
    }

    /// How it ends, in words.
    pub(super) fn tails(&self) -> String {
        let Some((shortest, longest)) = self.tail_ms else { return "no tails".into() };
        let last = self.last_end_s.map_or(String::new(), |end| format!("; the last ends at {end:.3} s"));
        if shortest == longest {
            format!("{} tails, faded over {longest:.0} ms{last}", self.ends)
        } else {
            format!("{} tails, faded over {shortest:.0} to {longest:.0} ms{last}", self.ends)
        }
    }
}

/// A level or loudness with one decimal; a dash where there is none.
pub(super) fn one_decimal(value: Option<f64>) -> String {
    value.map_or("–".into(), |value| format!("{value:.1}"))
}

/// Median of the magnitudes, and the shares within 10 and 30 ms.
pub(super) fn spread(offsets: impl Iterator<Item = f64>) -> Option<(f64, f64, f64)> {
    let mut sizes: Vec<f64> = offsets.map(f64::abs).collect();
    sizes.sort_by(f64::total_cmp);
    let median = *sizes.get(sizes.len() / 2)?;
    let within = |ms: f64| sizes.iter().filter(|size| **size <= ms).count() as f64 / sizes.len() as f64;
    Some((median, within(10.0), within(30.0)))
}
