//! The recordings that a state uses, read whole and made sure of before anything is made of them.

use std::collections::BTreeSet;
use std::path::{Component, Path, PathBuf};

use rayon::prelude::*;

use super::progress::Bar;
use super::{CliError, assets, folders};
use crate::edit::Session;
use crate::handoff::{AssetFile, SourceFact, sums};
use crate::media::{self, Progress};
use crate::song::{Asset, AssetId, Song};

/// The recordings of a state.
pub struct Sources {
    /// Those that are there and the same.
    pub facts: Vec<SourceFact>,
    /// What is wrong with the others.
    pub troubles: Vec<(AssetId, String)>,
}

/// Reads every recording that `song` uses and holds it against its hash. Paths are made relative to `folder`, or absolute.
pub fn gather(session: &Session, song: &Song, session_folder: &Path, folder: Option<&Path>) -> Sources {
    let used: BTreeSet<AssetId> =
        song.lanes.iter().flat_map(|lane| &lane.regions).map(|region| region.asset).collect();
    let used: Vec<&Asset> = session.assets.iter().filter(|asset| used.contains(&asset.id)).collect();
    read_all(&used, session_folder, folder)
}

/// As [`gather`], of all recordings of a session, with absolute paths.
pub fn gather_all(session: &Session, session_folder: &Path) -> Sources {
    read_all(&session.assets.iter().collect::<Vec<_>>(), session_folder, None)
}

fn read_all(used: &[&Asset], session_folder: &Path, folder: Option<&Path>) -> Sources {
    let bar = Bar::new("checking recordings");
    let (total, done) = (used.len() as u64, std::sync::atomic::AtomicU64::new(0));
    let read = |asset: &&Asset| {
        let result = read(asset, session_folder, folder);
        bar.advance(done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1, total);
        result.map_err(|text| (asset.id, text))
    };
    let mut sources = Sources { facts: Vec::new(), troubles: Vec::new() };
    for result in used.par_iter().map(read).collect::<Vec<_>>() {
        match result {
            Ok(fact) => sources.facts.push(fact),
            Err(trouble) => sources.troubles.push(trouble),
        }
    }
    sources
}

fn read(asset: &Asset, session_folder: &Path, folder: Option<&Path>) -> Result<SourceFact, String> {
    let path = assets::path_of(asset, session_folder);
    let found = sums(&path).map_err(|error| error.to_string())?;
    if found.blake3 != asset.blake3 {
        return Err(format!(
            "{}: the recording has changed since it was taken in. Put the old file back, or make a new session",
            path.display()
        ));
    }
    let shown = match folder {
        Some(folder) => relative(folder, &path),
        None => path.canonicalize().unwrap_or(path),
    };
    let path = shown.to_string_lossy().into_owned();
    Ok(SourceFact { id: asset.id, path, blake3: found.blake3, sha256: found.sha256, bytes: found.bytes })
}

/// Working copies at the session's rate of the recordings that were gathered, and the channels of all.
pub fn copies(session: &Session, folder: &Path, sources: &Sources) -> Result<Vec<AssetFile>, CliError> {
    let cache = folders::cache().join("conformed");
    let mut copies = Vec::new();
    for asset in &session.assets {
        let mut path = assets::path_of(asset, folder);
        if sources.facts.iter().any(|fact| fact.id == asset.id) {
            let bar = Bar::new(&format!("conforming {}", asset.path));
            let info = media::describe(&path, asset.rate, asset.channels, asset.frames)?;
            path = media::working_copy(&path, &asset.blake3, &info, session.rate, &cache, &bar)?;
        }
        copies.push(AssetFile { id: asset.id, path, channels: asset.channels });
    }
    Ok(copies)
}

/// The way from a folder, which need not exist yet, to a file.
pub fn relative(folder: &Path, file: &Path) -> PathBuf {
    let (folder, file) = (whole(folder), whole(file));
    let (mut from, mut to) = (folder.components().peekable(), file.components().peekable());
    while from.peek().is_some() && from.peek() == to.peek() {
        from.next();
        to.next();
    }
    from.map(|_| Component::ParentDir).chain(to).collect()
}

/// An absolute path without links and dots in the part that exists.
fn whole(path: &Path) -> PathBuf {
    if let Ok(path) = path.canonicalize() {
        return path;
    }
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    match (absolute.parent(), absolute.file_name()) {
        (Some(parent), Some(name)) => whole(parent).join(name),
        _ => absolute,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_to_a_file_is_found_through_folders_that_do_not_exist_yet() {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path().canonicalize().unwrap();
        std::fs::create_dir_all(root.join("takes")).unwrap();
        std::fs::write(root.join("takes/a.wav"), "").unwrap();
        let file = root.join("takes/a.wav");
        assert_eq!(relative(&root.join("out/deep"), &file), Path::new("../../takes/a.wav"));
        assert_eq!(relative(&root, &file), Path::new("takes/a.wav"));
        assert_eq!(relative(&root.join("takes/new"), &file), Path::new("../a.wav"));
    }
}
