//! Listening to a session's recordings, once each: results are kept in the cache folder by the recording's content hash,
//! the session's rate and the version of the algorithm.

use std::collections::HashMap;
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use rayon::prelude::*;

use super::progress::Bar;
use super::{assets, folders};
use crate::command::{Diagnostic, Hearing};
use crate::edit::Session;
use crate::listen::{self, Heard, Source};
use crate::media::{Progress, WavReader};
use crate::song::rules::AssetFrames;
use crate::song::{Asset, AssetId};

/// Larger files are no results of ours.
const LARGEST: u64 = 64 << 20;

/// What was heard in the recordings of a session; listened to when first asked for.
pub struct Ears {
    rate: u32,
    folder: PathBuf,
    cache: PathBuf,
    /// The recordings, with their frames at the session's rate.
    assets: HashMap<AssetId, (Asset, u64)>,
    heard: Mutex<HashMap<AssetId, Arc<Heard>>>,
    open: Mutex<HashMap<AssetId, FileSource>>,
}

impl fmt::Debug for Ears {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Ears").field("rate", &self.rate).field("assets", &self.assets.len()).finish()
    }
}

impl Ears {
    /// For the recordings of a session whose file lies in `folder`. Nothing is opened yet.
    pub fn new(session: &Session, folder: &Path) -> Ears {
        let frames = |asset: &Asset| session.frames(asset.id).unwrap_or(0);
        Ears {
            rate: session.rate,
            folder: folder.to_owned(),
            cache: folders::cache().join("heard"),
            assets: session.assets.iter().map(|asset| (asset.id, (asset.clone(), frames(asset)))).collect(),
            heard: Mutex::default(),
            open: Mutex::default(),
        }
    }

    /// Whatever could be heard of some recordings; those that cannot be listened to are left out.
    pub fn what_there_is(&self, assets: &[AssetId]) -> HashMap<AssetId, Arc<Heard>> {
        let bar = Bar::new("listening");
        let done = AtomicU64::new(0);
        let total = assets.len() as u64;
        let one = |asset: &AssetId| {
            let heard = self.heard(*asset).ok();
            bar.advance(done.fetch_add(1, Ordering::Relaxed) + 1, total);
            Some((*asset, heard?))
        };
        assets.par_iter().filter_map(one).collect()
    }

    /// The session's rate in Hz.
    pub fn rate(&self) -> u32 {
        self.rate
    }

    fn known(&self, asset: AssetId) -> Option<Arc<Heard>> {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).get(&asset).cloned()
    }

    fn asset(&self, id: AssetId) -> Result<&(Asset, u64), Diagnostic> {
        self.assets.get(&id).ok_or_else(|| Diagnostic::refusal(format!("the session lists no asset {id}")))
    }

    fn source(&self, asset: &Asset, frames: u64) -> Result<FileSource, Diagnostic> {
        let file = assets::working_copy(asset, self.rate, &self.folder)
            .and_then(|file| Ok(WavReader::open(&file.path)?))
            .map_err(|error| Diagnostic::refusal(error.text))?;
        Ok(FileSource { reader: file, rate: self.rate, frames, right: Vec::new() })
    }

    /// Where the results for a recording are kept; `None` if its hash is no name for a file.
    fn path(&self, asset: &Asset) -> Option<PathBuf> {
        let hash = &asset.blake3;
        let is_hash = hash.len() == 64 && hash.bytes().all(|b| b.is_ascii_hexdigit());
        is_hash.then(|| self.cache.join(format!("{hash}-{}-v{}.json", self.rate, listen::VERSION)))
    }

    fn load(&self, path: &Path, frames: u64) -> Option<Heard> {
        let fits = std::fs::metadata(path).ok()?.len() <= LARGEST;
        let bytes = fits.then(|| std::fs::read(path).ok()).flatten()?;
        let heard: Heard = serde_json::from_slice(&bytes).ok()?;
        heard.is_sound(listen::VERSION, self.rate, frames).then_some(heard)
    }
}

/// Keeps results. That it can fail does no harm: the recording is listened to again next time.
fn keep(path: &Path, heard: &Heard) {
    let Some(folder) = path.parent() else { return };
    let write = || -> std::io::Result<()> {
        std::fs::create_dir_all(folder)?;
        let mut aside = tempfile::NamedTempFile::new_in(folder)?;
        serde_json::to_writer(std::io::BufWriter::new(aside.as_file_mut()), heard)?;
        aside.persist(path).map_err(|error| error.error)?;
        Ok(())
    };
    let _ = write();
}

impl Hearing for Ears {
    fn prepare(&self, assets: &[AssetId]) -> Result<(), Diagnostic> {
        let missing: Vec<AssetId> =
            assets.iter().copied().filter(|asset| self.known(*asset).is_none()).collect();
        if missing.is_empty() {
            return Ok(());
        }
        let bar = Bar::new("listening");
        let done = AtomicU64::new(0);
        let total = missing.len() as u64;
        missing.par_iter().try_for_each(|asset| {
            self.heard(*asset)?;
            bar.advance(done.fetch_add(1, Ordering::Relaxed) + 1, total);
            Ok(())
        })
    }

    fn heard(&self, id: AssetId) -> Result<Arc<Heard>, Diagnostic> {
        if let Some(heard) = self.known(id) {
            return Ok(heard);
        }
        let (asset, frames) = self.asset(id)?;
        let path = self.path(asset);
        let kept = path.as_deref().and_then(|path| self.load(path, *frames));
        let heard = match kept {
            Some(heard) => heard,
            None => {
                let mut source = self.source(asset, *frames)?;
                let heard = listen::listen(&mut source).map_err(Diagnostic::refusal)?;
                path.iter().for_each(|path| keep(path, &heard));
                heard
            }
        };
        let heard = Arc::new(heard);
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).insert(id, Arc::clone(&heard));
        Ok(heard)
    }

    fn samples(&self, id: AssetId, from: u64, out: &mut [f32]) -> Result<(), Diagnostic> {
        let (asset, frames) = self.asset(id)?;
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        if !open.contains_key(&id) {
            open.insert(id, self.source(asset, *frames)?);
        }
        match open.get_mut(&id) {
            Some(source) => source.read(from, out).map_err(Diagnostic::refusal),
            None => Ok(()),
        }
    }
}

/// A working copy as a source: its channels averaged.
struct FileSource {
    reader: WavReader,
    rate: u32,
    frames: u64,
    right: Vec<f32>,
}

impl Source for FileSource {
    fn rate(&self) -> u32 {
        self.rate
    }

    fn frames(&self) -> u64 {
        self.frames
    }

    fn read(&mut self, from: u64, out: &mut [f32]) -> Result<(), String> {
        if self.reader.info().channels == 1 {
            return self.reader.read(from, &mut [out]).map(drop).map_err(|error| error.to_string());
        }
        self.right.resize(out.len(), 0.0);
        self.reader
            .read(from, &mut [&mut *out, self.right.as_mut_slice()])
            .map_err(|error| error.to_string())?;
        out.iter_mut().zip(&self.right).for_each(|(left, right)| *left = 0.5 * (*left + right));
        Ok(())
    }
}
