//! The takes of a new session: found, read, and their roles told or guessed from their names.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use super::Args;
use crate::cli::CliError;
use crate::cli::progress::Bar;
use crate::media::{self, IntakeReport};
use crate::song::Role;

/// Endings of the files that are taken from a folder.
const ENDINGS: [&str; 12] =
    ["wav", "wave", "bwf", "rf64", "aif", "aiff", "aifc", "flac", "mp3", "m4a", "aac", "ogg"];

/// One recording that becomes a lane.
pub(super) struct Take {
    pub(super) path: PathBuf,
    pub(super) role: Role,
    pub(super) role_from: Option<String>,
    pub(super) report: IntakeReport,
}

pub(super) fn guide(takes: &[Take]) -> Option<&Take> {
    takes.iter().find(|take| take.role == Role::Guide)
}

/// Reads all recordings; the guide first, the backing last.
pub(super) fn intake(args: &Args) -> Result<Vec<Take>, CliError> {
    let mut paths: Vec<(PathBuf, Option<Role>)> = Vec::new();
    paths.extend(args.guide.iter().map(|path| (path.clone(), Some(Role::Guide))));
    for path in &args.takes {
        if path.is_dir() {
            paths.extend(recordings_in(path)?.into_iter().map(|path| (path, None)));
        } else {
            paths.push((path.clone(), None));
        }
    }
    paths.extend(args.backing.iter().map(|path| (path.clone(), Some(Role::Backing))));
    // The backing and the guide may lie in the folder of takes as well; what was told goes first.
    paths.sort_by_key(|(_, told)| told.is_none());
    let mut seen = HashSet::new();
    paths.retain(|(path, _)| seen.insert(path.canonicalize().unwrap_or_else(|_| path.clone())));
    if paths.is_empty() {
        return Err(CliError::usage("no recordings were named; give files, or a folder of them"));
    }
    let mut takes = Vec::new();
    for (path, told) in paths {
        let take = read(path, told)?;
        if take.report.info.cut_short && !args.accept_cut_short {
            return Err(cut_short(&take));
        }
        takes.push(take);
    }
    choose_guide(&mut takes)?;
    takes.sort_by_key(|take| match take.role {
        Role::Guide => 0,
        Role::Double => 1,
        Role::Harmony => 2,
        Role::Adlib => 3,
        Role::Backing => 4,
    });
    Ok(takes)
}

fn read(path: PathBuf, told: Option<Role>) -> Result<Take, CliError> {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let report = media::inspect(&path, &Bar::new(&format!("reading {name}")))?;
    let (role, role_from) = match (told, Role::guess(&name)) {
        (Some(role), _) => (role, None),
        (None, Some((role, part))) => (role, Some(part)),
        (None, None) => (Role::Double, None),
    };
    Ok(Take { path, role, role_from, report })
}

/// A take whose end is missing is money lost: whoever takes it in must know, not find a remark in a list.
fn cut_short(take: &Take) -> CliError {
    let warnings = &take.report.info.warnings;
    let what = warnings.iter().find(|warning| warning.contains("cut short")).or(warnings.first());
    CliError::input(format!(
        "{}: {}; copy or export the recording again, or take in what is there with --accept-cut-short",
        take.path.display(),
        what.map_or("it is cut short", String::as_str)
    ))
}

/// Makes sure that one take is the guide: the one that was told, else the first whose name says so.
fn choose_guide(takes: &mut [Take]) -> Result<(), CliError> {
    let told = takes.iter().position(|take| take.role == Role::Guide && take.role_from.is_none());
    let Some(chosen) = told.or_else(|| takes.iter().position(|take| take.role == Role::Guide)) else {
        return Err(CliError::usage("no file name says which take is the guide; name it with --guide"));
    };
    for (index, take) in takes.iter_mut().enumerate() {
        if index != chosen && take.role == Role::Guide {
            (take.role, take.role_from) = (Role::Double, None);
        }
    }
    Ok(())
}

fn recordings_in(folder: &Path) -> Result<Vec<PathBuf>, CliError> {
    let failed =
        |error: std::io::Error| CliError::input(format!("cannot read {}: {error}", folder.display()));
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
        let hidden = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.'));
        if path.is_file() && !hidden && ending.is_some_and(|ending| ENDINGS.contains(&ending.as_str())) {
            found.push(path);
        }
    }
    found.sort();
    if found.is_empty() {
        return Err(CliError::input(format!("{} holds no recordings", folder.display())));
    }
    Ok(found)
}
