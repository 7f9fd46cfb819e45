//! Finding a session's recordings, making sure that they are the same, and their working copies.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::progress::Bar;
use super::{CliError, aside, folders};
use crate::edit::Session;
use crate::handoff::AssetFile;
use crate::media::{self, Progress};
use crate::song::{Asset, AssetId};

/// Two changes of a file may bear one time if they are closer than this: the coarsest file systems count in 2 s.
const TICK_NS: i128 = 2_000_000_000;

/// Where an asset's file lies.
pub fn path_of(asset: &Asset, folder: &Path) -> PathBuf {
    folder.join(&asset.path)
}

/// What is wrong with a recording.
#[derive(Debug)]
pub enum Trouble {
    /// It is not there, or cannot be read.
    Missing(String),
    /// It is another file than the one that was taken in.
    Changed(String),
}

/// A size and a time at which a file had a hash.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Stamp {
    bytes: u64,
    modified_ns: i128,
    /// When the system last noted a change of any kind; unlike the time of modification it cannot be set back.
    changed_ns: i128,
    blake3: String,
}

/// Stamps by path, kept in the cache folder: losing them costs one more reading of the files.
type Stamps = BTreeMap<String, Stamp>;

/// Checks every recording; gives those with which something is wrong. A file that was hashed before and has
/// kept its size and times since is taken as unchanged; all others are hashed.
pub fn verify(session: &Session, folder: &Path) -> Vec<(AssetId, Trouble)> {
    let stamps = load_stamps();
    let bar = Bar::new("checking recordings");
    let total = session.assets.len() as u64;
    let done = std::sync::atomic::AtomicU64::new(0);
    let checked: Vec<_> = session
        .assets
        .par_iter()
        .map(|asset| {
            let path = path_of(asset, folder);
            let known = stamps.get(&key(&path));
            let result = verify_one(asset, &path, known);
            bar.advance(done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1, total);
            (asset.id, path, result)
        })
        .collect();
    let mut fresh = Stamps::new();
    let mut troubles = Vec::new();
    for (id, path, result) in checked {
        match result {
            Ok(Some(stamp)) => drop(fresh.insert(key(&path), stamp)),
            Ok(None) => {}
            Err(trouble) => troubles.push((id, trouble)),
        }
    }
    remember(stamps, fresh);
    troubles
}

/// Refuses a session with missing or changed recordings.
pub fn refuse_troubles(session: &Session, folder: &Path) -> Result<(), CliError> {
    let troubles = verify(session, folder);
    let Some((_, first)) = troubles.first() else { return Ok(()) };
    let text = match first {
        Trouble::Missing(text) | Trouble::Changed(text) => text,
    };
    let more = match troubles.len() {
        1 => String::new(),
        count => format!(" (and {} more recordings; `tautline check` lists all)", count - 1),
    };
    Err(CliError::input(format!("{text}{more}")))
}

/// Remembers that a file has just been hashed.
pub fn note_hash(path: &Path, blake3: &str) {
    if let Some(stamp) = stamp(path, blake3) {
        remember(load_stamps(), Stamps::from([(key(path), stamp)]));
    }
}

/// Working copies of the recordings at the session's rate, made where they are missing.
pub fn working_copies(session: &Session, folder: &Path) -> Result<Vec<AssetFile>, CliError> {
    session.assets.iter().map(|asset| working_copy(asset, session.rate, folder)).collect()
}

/// The working copy of one recording at a rate, made if it is missing.
pub fn working_copy(asset: &Asset, rate: u32, folder: &Path) -> Result<AssetFile, CliError> {
    let cache = folders::cache().join("conformed");
    let path = path_of(asset, folder);
    let bar = Bar::new(&format!("conforming {}", asset.path));
    let info = media::describe(&path, asset.rate, asset.channels, asset.frames)?;
    let path = media::working_copy(&path, &asset.blake3, &info, rate, &cache, &bar)?;
    Ok(AssetFile { id: asset.id, path, channels: asset.channels })
}

/// `Ok(Some)`: hashed and the same. `Ok(None)`: the stamp vouches for it.
fn verify_one(asset: &Asset, path: &Path, known: Option<&Stamp>) -> Result<Option<Stamp>, Trouble> {
    let missing = |why: &str| {
        Trouble::Missing(format!(
            "{}: {why}; put the recording back where the session expects it, or correct its path in the session file",
            path.display()
        ))
    };
    let metadata = fs::metadata(path).map_err(|error| missing(&error.to_string()))?;
    if !metadata.is_file() {
        return Err(missing("what stands in its place is no file"));
    }
    if let Some(known) = known
        && known.blake3 == asset.blake3
        && (known.bytes, known.modified_ns, known.changed_ns)
            == (metadata.len(), modified_ns(&metadata), changed_ns(&metadata))
    {
        return Ok(None);
    }
    let changed = |what: &str| {
        Trouble::Changed(format!(
            "{}: {what}; the recording has changed since it was taken in. Put the old file back, or make a new session",
            path.display()
        ))
    };
    if asset.bytes.is_some_and(|bytes| bytes != metadata.len()) {
        return Err(changed("its size is another one"));
    }
    match media::hash_file(path) {
        Ok(hash) if hash == asset.blake3 => Ok(stamp(path, &hash)),
        Ok(_) => Err(changed("its content is another one")),
        Err(error) => Err(Trouble::Missing(error.to_string())),
    }
}

/// A stamp, unless the file is so young that a change within the clock's tick could go unseen.
fn stamp(path: &Path, blake3: &str) -> Option<Stamp> {
    let metadata = fs::metadata(path).ok()?;
    let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).ok()?.as_nanos();
    let newest = modified_ns(&metadata).max(changed_ns(&metadata));
    let age = i128::try_from(now).ok()? - newest;
    (age > TICK_NS).then(|| Stamp {
        bytes: metadata.len(),
        modified_ns: modified_ns(&metadata),
        changed_ns: changed_ns(&metadata),
        blake3: blake3.to_owned(),
    })
}

fn modified_ns(metadata: &fs::Metadata) -> i128 {
    i128::from(metadata.mtime()) * 1_000_000_000 + i128::from(metadata.mtime_nsec())
}

fn changed_ns(metadata: &fs::Metadata) -> i128 {
    i128::from(metadata.ctime()) * 1_000_000_000 + i128::from(metadata.ctime_nsec())
}

fn key(path: &Path) -> String {
    fs::canonicalize(path).unwrap_or_else(|_| path.to_owned()).to_string_lossy().into_owned()
}

fn stamps_path() -> PathBuf {
    folders::cache().join("stamps.json")
}

fn load_stamps() -> Stamps {
    fs::read(stamps_path()).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok()).unwrap_or_default()
}

/// Adds stamps to the file. That it can fail does no harm: the files are hashed again next time.
fn remember(mut stamps: Stamps, fresh: Stamps) {
    if fresh.is_empty() {
        return;
    }
    stamps.extend(fresh);
    aside::keep(&stamps_path(), &stamps);
}
