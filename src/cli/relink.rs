//! Finding recordings again that are not where the session expects them: near the session, by their content.

use std::fs;
use std::path::{Path, PathBuf};

use super::{assets, output};
use crate::edit::Store;
use crate::media;
use crate::song::{Asset, AssetId};

/// Folders within folders that are looked into.
const DEEPEST: usize = 6;
/// Files that are looked at.
const MOST_FILES: usize = 20_000;
/// Files that are hashed in search of one recording.
const MOST_HASHED: usize = 50;

/// A file near the session.
struct Candidate {
    path: PathBuf,
    name: String,
    bytes: u64,
}

/// Looks for every recording that is missing: in the session's folder and those below it, files of the same name first,
/// then any of the same size. Only a file of the very same content counts. Says what it did; what it did not find is left
/// to be reported by whoever needs it.
pub fn relink(store: &mut Store) {
    let folder = store.folder().to_owned();
    let missing: Vec<Asset> = store
        .session()
        .assets
        .iter()
        .filter(|asset| assets::path_of(asset, &folder).symlink_metadata().is_err())
        .cloned()
        .collect();
    if missing.is_empty() {
        return;
    }
    let mut candidates = Vec::new();
    collect(&folder, 0, &mut candidates);
    for asset in missing {
        let Some(found) = search(&asset, &candidates) else { continue };
        let path = found.strip_prefix(&folder).unwrap_or(&found).to_string_lossy().into_owned();
        let lasting = if store.is_writable() { "the session now names it there" } else { "used from there" };
        output::message(&format!(
            "note: the recording {} was not in its place; its content was found in {path}, {lasting}",
            asset.path
        ));
        take(store, asset.id, path);
    }
}

fn take(store: &mut Store, id: AssetId, path: String) {
    store.set_asset_path(id, path);
}

fn collect(folder: &Path, depth: usize, candidates: &mut Vec<Candidate>) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    let mut folders = Vec::new();
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        // Links are not followed: they could lead round in circles.
        let Ok(metadata) = entry.metadata() else { continue };
        if candidates.len() >= MOST_FILES || name.starts_with('.') {
            continue;
        }
        if metadata.is_dir() {
            folders.push(entry.path());
        } else if metadata.is_file() {
            candidates.push(Candidate { path: entry.path(), name, bytes: metadata.len() });
        }
    }
    if depth < DEEPEST {
        folders.sort();
        folders.iter().for_each(|folder| collect(folder, depth + 1, candidates));
    }
}

fn search(asset: &Asset, candidates: &[Candidate]) -> Option<PathBuf> {
    let name = asset.path.rsplit(['/', '\\']).next().unwrap_or(&asset.path);
    let fits = |candidate: &&Candidate| asset.bytes.is_none_or(|bytes| bytes == candidate.bytes);
    let same_name = candidates.iter().filter(|candidate| candidate.name == name);
    // Without a size every file would have to be hashed.
    let same_size = candidates.iter().filter(|candidate| candidate.name != name && asset.bytes.is_some());
    let likely = same_name.chain(same_size).filter(fits).take(MOST_HASHED);
    let same =
        |candidate: &&Candidate| media::hash_file(&candidate.path).is_ok_and(|hash| hash == asset.blake3);
    likely.filter(|candidate| candidate.bytes > 0).find(same).map(|candidate| candidate.path.clone())
}
