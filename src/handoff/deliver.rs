//! A whole hand-off: the bounced files, and beside them timeline, sheet and manifest, all published together.

use std::fs;
use std::path::Path;

use super::bounce::{BounceOptions, BounceRequest, Layout, Parts, render, survey};
use super::check::{Finding, Severity};
use super::file_names::part;
use super::file_samples::FileSamples;
use super::manifest::{self, Listed, Manifest};
use super::publish::Staging;
use super::report::{Bounce, FileKind, Picture};
use super::sheet::Sheet;
use super::sheet_html::sheet_html;
use super::sheet_markdown::sheet_markdown;
use super::timeline::Timeline;
use super::{BounceError, otio, timeline_csv};
use crate::media::{MediaError, Progress, Silent};
use crate::song::{LaneId, Length, Position, Song};

/// A form of the timeline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimelineForm {
    /// OpenTimelineIO.
    Otio,
    /// CSV (RFC 4180).
    Csv,
}

/// What stands beside the bounced files.
#[derive(Debug, Clone)]
pub struct Extras<'a> {
    /// Forms of the timeline to write.
    pub timelines: &'a [TimelineForm],
    /// What the timeline shows; its start is set to that of the files.
    pub timeline: Timeline<'a>,
    /// The sheet, if one is to be written.
    pub sheet: Option<SheetParts<'a>>,
    /// The manifest without its files, rate, start and length.
    pub manifest: Manifest,
}

/// What the sheet needs beyond the timeline and the bounce.
#[derive(Debug, Clone, Copy)]
pub struct SheetParts<'a> {
    /// The page's template.
    pub template: &'a str,
    /// The state in which the session began.
    pub began: &'a Song,
    /// What the check found; clipping is added from the bounce.
    pub findings: &'a [Finding],
    /// The session file's name.
    pub session: &'a str,
    /// When it was made, in words.
    pub when: &'a str,
}

/// What was handed off.
#[derive(Debug, Clone, PartialEq)]
pub struct Delivered {
    /// The bounced files.
    pub bounce: Bounce,
    /// Names of the other files in the folder; the manifest is the last.
    pub others: Vec<String>,
}

/// Bounces, and writes timeline, sheet and manifest beside the files. All get their names together or not at all.
///
/// # Errors
/// See [`BounceError`]. After an error, or once `progress` said to stop, no file stands under its final name.
pub fn deliver(
    request: &BounceRequest<'_>,
    extras: &Extras<'_>,
    progress: &dyn Progress,
) -> Result<Delivered, BounceError> {
    let layout = Layout::new(request)?;
    let sources = layout.open_sources(request)?;
    let audio = layout.names.len();
    let names = names(request, extras, &layout.names);
    let staging = Staging::new(request.folder, names.clone(), request.overwrite)?;
    let bounce = fill(request, extras, (&layout, sources), &names, &staging, progress);
    let bounce = bounce.map_err(|error| staging.in_words(error))?;
    staging.publish()?;
    Ok(Delivered { bounce, others: names.into_iter().skip(audio).collect() })
}

/// Writes all files where they grow.
fn fill(
    request: &BounceRequest<'_>,
    extras: &Extras<'_>,
    (layout, sources): (&Layout, Vec<FileSamples>),
    names: &[String],
    staging: &Staging,
    progress: &dyn Progress,
) -> Result<Bounce, BounceError> {
    let audio = layout.names.len();
    let bounce = render(request, layout, sources, Some(staging), progress)?;
    let timeline = Timeline { start: layout.start(), ..extras.timeline };
    for (form, index) in extras.timelines.iter().zip(audio..) {
        let text = match form {
            TimelineForm::Otio => otio::otio(&timeline),
            TimelineForm::Csv => timeline_csv::timeline_csv(&timeline),
        };
        write(&staging.growing(index), &text)?;
    }
    let written = audio + extras.timelines.len();
    let growing = |range: std::ops::Range<usize>| {
        manifest::list(range.filter_map(|at| Some((names.get(at)?.clone(), staging.growing(at)))).collect())
    };
    let span = (layout.start(), layout.length());
    let (listed, before) = rayon::join(
        || growing(0..written),
        || extras.sheet.map_or(Vec::new(), |parts| before(request, parts.began, span)),
    );
    let mut listed: Vec<Listed> = listed?;
    if let Some(parts) = &extras.sheet {
        let findings = findings(parts, &bounce);
        let sheet = Sheet {
            before: &before,
            findings: &findings,
            files: &listed,
            ..sheet(request, parts, &timeline, &bounce)
        };
        write(&staging.growing(written), &sheet_html(&sheet, parts.template)?)?;
        write(&staging.growing(written + 1), &sheet_markdown(&sheet))?;
        listed.extend(growing(written..written + 2)?);
    }
    let Bounce { rate, start, length, .. } = bounce;
    let manifest = Manifest { rate, start, length, files: listed, ..extras.manifest.clone() };
    write(&staging.growing(names.len() - 1), &manifest.text())?;
    Ok(bounce)
}

/// A sheet without any bounced file: everything is rendered and measured, nothing is written.
///
/// # Errors
/// See [`BounceError`].
pub fn sheet_alone(
    request: &BounceRequest<'_>,
    timeline: &Timeline<'_>,
    parts: &SheetParts<'_>,
    progress: &dyn Progress,
) -> Result<String, BounceError> {
    let layout = Layout::new(request)?;
    let bounce = survey(request, progress)?;
    let findings = findings(parts, &bounce);
    let timeline = Timeline { start: layout.start(), ..*timeline };
    let before = before(request, parts.began, (layout.start(), layout.length()));
    let sheet = Sheet { before: &before, findings: &findings, ..sheet(request, parts, &timeline, &bounce) };
    sheet_html(&sheet, parts.template)
}

/// What the check found, and what the levels of the files add to it.
fn findings(parts: &SheetParts<'_>, bounce: &Bounce) -> Vec<Finding> {
    let mut findings = parts.findings.to_vec();
    findings.extend(level_findings(bounce));
    findings
}

/// A sheet without pictures, findings and files.
fn sheet<'a>(
    request: &BounceRequest<'_>,
    parts: &SheetParts<'a>,
    timeline: &'a Timeline<'a>,
    bounce: &'a Bounce,
) -> Sheet<'a> {
    Sheet {
        timeline,
        began: parts.began,
        bounce,
        format: request.format,
        before: &[],
        findings: &[],
        files: &[],
        session: parts.session,
        when: parts.when,
    }
}

/// Names of all files: the bounced ones, the timelines, the two forms of the sheet, the manifest.
fn names(request: &BounceRequest<'_>, extras: &Extras<'_>, bounced: &[String]) -> Vec<String> {
    let song = part(request.title, "untitled");
    let mut names = bounced.to_vec();
    names.extend(extras.timelines.iter().map(|form| match form {
        TimelineForm::Otio => format!("{song}_timeline.otio"),
        TimelineForm::Csv => format!("{song}_timeline.csv"),
    }));
    if extras.sheet.is_some() {
        names.extend(["html", "md"].map(|ending| format!("{song}_sheet.{ending}")));
    }
    // A folder may hold several bounces, each with its own manifest.
    let mut manifest = format!("{song}{}.json", manifest::SUFFIX);
    let mut count = 1;
    while !request.overwrite && fs::symlink_metadata(request.folder.join(&manifest)).is_ok() {
        count += 1;
        manifest = format!("{song}{}-{count}.json", manifest::SUFFIX);
    }
    names.push(manifest);
    names
}

fn write(path: &Path, text: &str) -> Result<(), BounceError> {
    fs::write(path, text).map_err(|error| BounceError::from(MediaError::writing(path, error)))
}

/// The lanes as they were in the beginning, over the same stretch as the files.
fn before(
    request: &BounceRequest<'_>,
    began: &Song,
    (start, length): (Position, Length),
) -> Vec<(LaneId, Picture)> {
    let options = BounceOptions {
        from: Some(start),
        until: Some(start + length),
        parts: Parts { lanes: true, roles: false, stack: false },
        ..BounceOptions::default()
    };
    let surveyed = match survey(&BounceRequest { song: began, options, ..*request }, &Silent) {
        Ok(surveyed) => surveyed,
        // The session may have begun with nothing, or with a recording that is not at hand any more and not used any
        // more: then there is no picture of that, and the page does without.
        Err(_) => return Vec::new(),
    };
    let lanes = began.lanes.iter().map(|lane| lane.id);
    lanes.zip(surveyed.files.into_iter().map(|file| file.picture)).collect()
}

/// What the check would find about levels, from what the bounce measured.
fn level_findings(bounce: &Bounce) -> Vec<Finding> {
    let loud = bounce.files.iter().filter(|file| file.peak_db.is_some_and(|peak| peak > 0.0));
    loud.map(|file| {
        let peak = file.peak_db.unwrap_or(0.0);
        let (code, what) = match file.kind {
            FileKind::Lane => ("clipping", "the lane"),
            FileKind::Dry => ("clipping", "the lane without its tone"),
            FileKind::Role => ("clipping", "the sum of a role"),
            FileKind::Stack => ("stack-clipping", "the stack's sum"),
        };
        let text = format!("{what} peaks at {peak:+.1} dBFS: an integer file would clip");
        Finding { severity: Severity::Warning, code, lane: file.lane, at: None, text, fix: None }
    })
    .collect()
}
