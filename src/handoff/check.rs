//! The check: what would be heard, or would go wrong, in mixdown.

use std::collections::HashMap;

use serde::Serialize;

use super::bounce::AssetFile;
use super::check_levels;
use super::check_sound::sound_findings;
use super::file_samples::FileSamples;
use super::levels::open;
use crate::command::Hearing;
use crate::media::{IntakeReport, MediaError};
use crate::mix::Samples;
use crate::song::rules::{Rule, Violation};
use crate::song::{AssetId, FadeSide, Lane, Length, Position, Region, Song};

/// How bad a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// A hand-off would be wrong.
    Error,
    /// It may be heard.
    Warning,
    /// Worth knowing.
    Note,
}

/// One thing that was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// How bad it is.
    pub severity: Severity,
    /// A short name for the kind of finding, stable between versions.
    pub code: &'static str,
    /// Number of the lane; null if it is about no lane.
    pub lane: Option<usize>,
    /// Where on the timeline, in samples; null if it is about no place.
    pub at: Option<i64>,
    /// What was found, in a sentence.
    pub text: String,
    /// A command that mends it, if one does.
    pub fix: Option<String>,
}

/// What is known about one recording.
#[derive(Debug)]
pub enum Intake {
    /// It is there and the same; what it holds.
    Sound(Box<IntakeReport>),
    /// It is not there, or cannot be read; why.
    Missing(String),
    /// It is another one; why.
    Changed(String),
}

/// What to check.
pub struct CheckRequest<'a> {
    /// The state.
    pub song: &'a Song,
    /// The session's rate in Hz.
    pub rate: u32,
    /// Every recording of the session, by id.
    pub intake: &'a HashMap<AssetId, Intake>,
    /// Rules that the state breaks.
    pub violations: &'a [Violation],
    /// Working copies of the recordings that are there.
    pub copies: &'a [AssetFile],
    /// What was heard in the recordings.
    pub hearing: &'a dyn Hearing,
    /// Whether every lane and the stack are rendered to look for clipping; a bounce knows that already.
    pub levels: bool,
}

/// An edge counts as hard in mid-sound if the sound beside it stands this far above the take's noise floor ...
const ABOVE_FLOOR_DB: f64 = 20.0;
/// ... and above this level, below which nothing matters (common practice, no source) ...
const AUDIBLE_DBFS: f64 = -60.0;
/// ... unless a fade at least so long was put there on purpose (common practice, no source).
const DELIBERATE_MS: f64 = 20.0;
/// The sound beside an edge is measured over this long.
const BESIDE_MS: f64 = 10.0;
/// Takes that begin further from the guide than this are worth a remark.
const START_APART_S: f64 = 10.0;

/// Checks a state; the worst findings come first. Reads the recordings around edges and renders the stack once.
///
/// # Errors
/// A working copy cannot be read.
pub fn check(request: &CheckRequest) -> Result<Vec<Finding>, MediaError> {
    let mut findings = Vec::new();
    for violation in request.violations {
        findings.push(broken_rule(request, violation));
    }
    media_findings(request, &mut findings);
    for (lane, number) in request.song.lanes.iter().zip(1..) {
        lane_findings(request, lane, number, &mut findings)?;
        if request.violations.is_empty() {
            sound_findings(request, lane, number, &mut findings);
        }
    }
    if request.song.guide().is_none() {
        findings.push(Finding {
            severity: Severity::Warning,
            code: "no-guide",
            lane: None,
            at: None,
            text: "no lane is the guide".into(),
            fix: Some("role guide on lane 1".into()),
        });
    }
    if request.levels && request.violations.is_empty() {
        check_levels::findings(request, &mut findings)?;
    }
    findings.sort_by_key(|finding| (finding.severity, finding.lane, finding.at));
    Ok(findings)
}

fn broken_rule(request: &CheckRequest, violation: &Violation) -> Finding {
    let code = match violation.rule {
        Rule::BeyondNeighbour | Rule::Order => "overlap-beyond-neighbours",
        Rule::Crossfade { .. } => "overlap-without-crossfade",
        Rule::OutsideAsset { .. } => "outside-recording",
        _ => "broken-rule",
    };
    Finding {
        severity: Severity::Error,
        code,
        lane: violation.lane.and_then(|lane| request.song.number(lane)),
        at: violation.at.map(|at| at.0),
        text: violation.to_string(),
        fix: None,
    }
}

/// Every recording once, with the first lane that uses it.
fn media_findings(request: &CheckRequest, findings: &mut Vec<Finding>) {
    let mut ids: Vec<AssetId> = request.intake.keys().copied().collect();
    ids.sort();
    for id in ids {
        let uses = |lane: &Lane| lane.asset == id || lane.regions.iter().any(|region| region.asset == id);
        let row = request.song.lanes.iter().position(|lane| uses(lane));
        let number = row.map(|row| row + 1);
        let mut push = |severity, code, text: String, fix: Option<String>| {
            findings.push(Finding { severity, code, lane: number, at: None, text, fix });
        };
        let report = match request.intake.get(&id) {
            Some(Intake::Sound(report)) => report,
            // Also where no lane at the head uses it: other states of the session may.
            Some(Intake::Missing(why)) => {
                push(Severity::Error, "media-missing", why.clone(), None);
                continue;
            }
            Some(Intake::Changed(why)) => {
                push(Severity::Error, "media-changed", why.clone(), None);
                continue;
            }
            None => continue,
        };
        let Some(number) = number else { continue };
        if report.clipped_runs > 0 {
            let text = format!(
                "the recording is clipped in {} places, the longest {} samples long",
                report.clipped_runs, report.longest_clip
            );
            push(Severity::Warning, "clipping", text, None);
        }
        if report.nonfinite > 0 {
            let text = format!("the recording holds {} samples that are no numbers", report.nonfinite);
            push(Severity::Warning, "not-a-number", text, None);
        }
        if report.silent {
            push(
                Severity::Warning,
                "silent",
                "the recording is silent".into(),
                Some(format!("mute on lane {number}")),
            );
        }
        if report.info.rate != request.rate {
            let text = format!(
                "the recording is at {} Hz, the session at {} Hz: it is conformed",
                report.info.rate, request.rate
            );
            push(Severity::Note, "rate-at-odds", text, None);
        }
        for warning in &report.info.warnings {
            push(Severity::Warning, "odd-file", warning.clone(), None);
        }
    }
}

fn lane_findings(
    request: &CheckRequest,
    lane: &Lane,
    number: usize,
    findings: &mut Vec<Finding>,
) -> Result<(), MediaError> {
    if lane.mute {
        findings.push(Finding {
            severity: Severity::Note,
            code: "muted",
            lane: Some(number),
            at: None,
            text: "the lane is muted: it gets a file, but is not part of the stack".into(),
            fix: Some(format!("mute off on lane {number}")),
        });
    }
    if lane.regions.is_empty() {
        findings.push(Finding {
            severity: Severity::Note,
            code: "empty-lane",
            lane: Some(number),
            at: None,
            text: "the lane has no region".into(),
            fix: Some(format!("restore 0s..10s on lane {number}")),
        });
    }
    let origin = |lane: &Lane| lane.regions.first().map(|region| region.source_origin());
    if let Some((guide, start)) = request.song.guide().and_then(|guide| origin(guide)).zip(origin(lane)) {
        let apart = (start - guide).0.unsigned_abs() as f64 / f64::from(request.rate);
        if apart > START_APART_S {
            findings.push(Finding {
                severity: Severity::Warning,
                code: "start-at-odds",
                lane: Some(number),
                at: lane.regions.first().map(|region| region.at.0),
                text: format!("the take begins {apart:.1} s away from the guide's"),
                fix: None,
            });
        }
    }
    let mut samples = open(request.copies, lane)?;
    for index in 0..lane.regions.len() {
        for side in [FadeSide::In, FadeSide::Out] {
            if let Some(finding) = edge_finding(request, lane, number, index, side, &mut samples) {
                findings.push(finding);
            }
        }
    }
    samples.take_failure().map_or(Ok(()), Err)
}

/// Looks at one edge: a cut in the recording without a fade, or one that cuts through sound.
fn edge_finding(
    request: &CheckRequest,
    lane: &Lane,
    number: usize,
    index: usize,
    side: FadeSide,
    samples: &mut FileSamples,
) -> Option<Finding> {
    let region = &lane.regions[index];
    let left = if side == FadeSide::Out { Some(index) } else { index.checked_sub(1) };
    let pair = left.and_then(|left| Some((lane.regions.get(left)?, lane.regions.get(left + 1)?)));
    if pair.is_some_and(|(left, right)| left.flows_into(right) || left.end() > right.at) {
        return None;
    }
    let Some(Intake::Sound(report)) = request.intake.get(&region.asset) else { return None };
    let frames = crate::media::conformed_frames(report.info.frames, report.info.rate, request.rate);
    let (at, word, whole) = match side {
        FadeSide::In => (region.at, "start", region.source_in == 0),
        FadeSide::Out => (region.end(), "end", region.source_end() == frames),
    };
    let fade = region.fade(side).length;
    let level = level_beside(request, region, side, samples);
    let loud = level > AUDIBLE_DBFS && level > report.noise_floor_db.unwrap_or(-144.0) + ABOVE_FLOOR_DB;
    let finding = |severity, code, text: String, fix: String| {
        Some(Finding { severity, code, lane: Some(number), at: Some(at.0), text, fix: Some(fix) })
    };
    let deliberate = fade.0 as f64 >= DELIBERATE_MS / 1000.0 * f64::from(request.rate);
    if loud && !deliberate {
        let text = format!("the {word} of region {} cuts through sound of {level:.0} dBFS", region.id);
        let place = place(if side == FadeSide::In { at } else { at - Length(1) }, request.rate);
        let fix = format!(
            "fade {} 40ms on lane {number} at {place}",
            if side == FadeSide::In { "in" } else { "out" }
        );
        return finding(Severity::Warning, "edge-in-sound", text, fix);
    }
    if fade == Length::ZERO && !whole {
        let text = format!("the {word} of region {} has no fade", region.id);
        return finding(
            Severity::Warning,
            "edit-without-fade",
            text,
            format!("fade missing on lane {number}"),
        );
    }
    None
}

/// A position as a command takes it, exact to the sample: seconds where they are, else samples.
fn place(at: Position, rate: u32) -> String {
    let exact = at.0.checked_mul(10_000).is_some_and(|at| at % i64::from(rate) == 0);
    if exact { crate::command::show_seconds(at, rate) } else { format!("{}smp", at.0) }
}

/// Level in dBFS rms of the recording just inside an edge.
fn level_beside(request: &CheckRequest, region: &Region, side: FadeSide, samples: &mut FileSamples) -> f64 {
    let wanted = BESIDE_MS / 1000.0 * f64::from(request.rate);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hundred samples")]
    let count = (wanted as u64).min(region.length.0).max(1);
    let from = match side {
        FadeSide::In => region.source_in,
        FadeSide::Out => region.source_end().saturating_sub(count),
    };
    let mut block = vec![0.0f32; usize::try_from(count).unwrap_or(0)];
    samples.fill(region.asset, 0, from, &mut block);
    let power =
        block.iter().map(|sample| f64::from(*sample).powi(2)).sum::<f64>() / block.len().max(1) as f64;
    10.0 * power.max(1e-20).log10()
}
