//! `tautline check`: findings; exit code 1 if one is an error.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::Serialize;

use super::hearing::Ears;
use super::progress::Bar;
use super::sources::Sources;
use super::{CliError, assets, folders, hand_off, intake_cache, opening, output};
use crate::command::{Context, Hearing, show_seconds, timing};
use crate::edit::{Access, Session};
use crate::handoff::{AssetFile, CheckRequest, Finding, Intake, Severity, check, timing_findings};
use crate::media::{self, MediaErrorKind, Silent};
use crate::song::{Asset, AssetId, Position, Song};

/// What to check.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// Warnings count as errors.
    #[arg(long)]
    strict: bool,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Findings<'a> {
    findings: &'a [Finding],
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let store = opening::open(&args.session, Access::Read)?;
    let session = store.session();
    let mut findings = findings_of(session, session.song(), store.folder(), true)?;
    if args.strict {
        let warnings = findings.iter_mut().filter(|finding| finding.severity == Severity::Warning);
        warnings.for_each(|finding| finding.severity = Severity::Error);
    }
    if args.json {
        output::json(&Findings { findings: &findings })?;
    } else {
        output::text(&describe(session, &findings))?;
    }
    match findings.iter().any(|finding| finding.severity == Severity::Error) {
        true => Err(CliError::refused("")),
        false => Ok(()),
    }
}

/// All findings about a state. Reads every recording whole; `levels` also renders every lane to look for clipping.
pub fn findings_of(
    session: &Session,
    song: &Song,
    folder: &Path,
    levels: bool,
) -> Result<Vec<Finding>, CliError> {
    let intake = intake(session, folder);
    let copies = copies(session, folder, &intake)?;
    look(session, song, folder, &intake, &copies, levels)
}

/// All findings about a state but those about levels, for `sources` whose content was just made sure of: what was found in
/// a recording before is not looked for again.
pub fn findings_known(
    session: &Session,
    song: &Song,
    folder: &Path,
    sources: &Sources,
    copies: &[AssetFile],
) -> Result<Vec<Finding>, CliError> {
    let used = |asset: &&Asset| song.lanes.iter().flat_map(|lane| &lane.regions).any(|r| r.asset == asset.id);
    let known = |asset: &Asset| {
        if let Some((_, trouble)) = sources.troubles.iter().find(|(id, _)| *id == asset.id) {
            return (asset.id, Intake::Missing(trouble.clone()));
        }
        let report = intake_cache::load(&asset.blake3).map(|report| Intake::Sound(Box::new(report)));
        (asset.id, report.unwrap_or_else(|| look_at(asset, &assets::path_of(asset, folder))))
    };
    let assets: Vec<&Asset> = session.assets.iter().filter(used).collect();
    let intake: HashMap<AssetId, Intake> = assets.into_par_iter().map(known).collect();
    let sound = |copy: &&AssetFile| matches!(intake.get(&copy.id), Some(Intake::Sound(_)));
    let copies: Vec<AssetFile> = copies.iter().filter(sound).cloned().collect();
    look(session, song, folder, &intake, &copies, false)
}

fn look(
    session: &Session,
    song: &Song,
    folder: &Path,
    intake: &HashMap<AssetId, Intake>,
    copies: &[AssetFile],
    levels: bool,
) -> Result<Vec<Finding>, CliError> {
    let violations = hand_off::violations(session, song);
    let ears = Ears::new(session, folder);
    // Those that cannot be listened to are named lane by lane.
    let there: Vec<AssetId> = copies.iter().map(|copy| copy.id).collect();
    let _ = ears.prepare(&there);
    let mut findings = check(&CheckRequest {
        song,
        rate: session.rate,
        intake,
        violations: &violations,
        copies,
        hearing: &ears,
        levels,
    })?;
    // Without a guide, or with recordings that cannot be listened to, there is nothing to say about timing.
    if violations.is_empty() && there.len() == session.assets.len() {
        let presets = crate::command::Presets::new();
        let context = Context { session, cursor: None, presets: &presets, hearing: &ears };
        if let Ok(timing) = timing::measure(&context, &timing::rows_of(session.song())) {
            findings.extend(timing_findings(&timing));
        }
    }
    Ok(findings)
}

/// Reads every recording whole: it is hashed and measured in one pass.
fn intake(session: &Session, folder: &Path) -> HashMap<AssetId, Intake> {
    let bar = Bar::new("reading recordings");
    let done = std::sync::atomic::AtomicU64::new(0);
    let total = session.assets.len() as u64;
    let look = |asset: &Asset| {
        let found = look_at(asset, &assets::path_of(asset, folder));
        let count = done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1;
        media::Progress::advance(&bar, count, total);
        (asset.id, found)
    };
    session.assets.par_iter().map(look).collect()
}

fn look_at(asset: &Asset, path: &Path) -> Intake {
    match media::inspect(path, &Silent) {
        Ok(report) if report.blake3 == asset.blake3 => {
            intake_cache::store(&report);
            Intake::Sound(Box::new(report))
        }
        Ok(_) => Intake::Changed(format!(
            "{} is not the recording that was taken in: its content is another one",
            path.display()
        )),
        Err(error) => match (error.kind(), media::hash_file(path)) {
            // The same bytes as ever, but nothing that can be read: it was so when it was taken in.
            (MediaErrorKind::Damaged | MediaErrorKind::Unsupported, Ok(hash)) if hash != asset.blake3 => {
                Intake::Changed(format!("the recording has changed since it was taken in: {error}"))
            }
            _ => Intake::Missing(error.to_string()),
        },
    }
}

fn copies(
    session: &Session,
    folder: &Path,
    intake: &HashMap<AssetId, Intake>,
) -> Result<Vec<AssetFile>, CliError> {
    let cache = folders::cache().join("conformed");
    let mut copies = Vec::new();
    for asset in &session.assets {
        if let Some(Intake::Sound(report)) = intake.get(&asset.id) {
            let path = assets::path_of(asset, folder);
            let bar = Bar::new(&format!("conforming {}", asset.path));
            let path = media::working_copy(&path, &asset.blake3, &report.info, session.rate, &cache, &bar)?;
            copies.push(AssetFile { id: asset.id, path, channels: asset.channels });
        }
    }
    Ok(copies)
}

/// Findings as text.
pub fn describe(session: &Session, findings: &[Finding]) -> String {
    let mut text = String::new();
    for finding in findings {
        let severity = match finding.severity {
            Severity::Error => "ERROR  ",
            Severity::Warning => "warning",
            Severity::Note => "note   ",
        };
        let lane = finding.lane.map_or("     -".into(), |number| format!("lane {number}"));
        let at = finding.at.map_or(String::new(), |at| show_seconds(Position(at), session.rate));
        text.push_str(&format!("{severity}  {lane:<8} {at:>10}  {} [{}]\n", finding.text, finding.code));
        if let Some(fix) = &finding.fix {
            text.push_str(&format!("{:31}try: {fix}\n", ""));
        }
    }
    let count = |severity| findings.iter().filter(|finding| finding.severity == severity).count();
    text.push_str(&format!(
        "{}, {}, {}\n",
        output::count(count(Severity::Error), "error"),
        output::count(count(Severity::Warning), "warning"),
        output::count(count(Severity::Note), "note")
    ));
    text
}
