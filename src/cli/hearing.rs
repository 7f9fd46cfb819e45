//! Listening to a session's recordings, once each: results are kept in the cache folder by the recording's content hash,
//! the session's rate and the version of the algorithm.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use rayon::prelude::*;

use super::progress::Bar;
use super::{aside, assets, folders};
use crate::command::{Diagnostic, Hearing};
use crate::edit::Session;
use crate::listen::timing::{Listened, Matches, match_words};
use crate::listen::words::Word;
use crate::listen::{self, Heard, Source, timing};
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
    /// The guide as timing hears it, kept while lanes are matched with it.
    guide: Mutex<Option<(AssetId, Arc<Listened>)>>,
    words: Mutex<HashMap<AssetId, Arc<Vec<Word>>>>,
    matches: Mutex<HashMap<(AssetId, AssetId, u64), Arc<Matches>>>,
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
            guide: Mutex::default(),
            words: Mutex::default(),
            matches: Mutex::default(),
        }
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

    /// The guide as timing hears it.
    fn guide(&self, id: AssetId) -> Result<Arc<Listened>, Diagnostic> {
        let mut guide = self.guide.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((known, listened)) = guide.as_ref()
            && *known == id
        {
            return Ok(Arc::clone(listened));
        }
        let listened = Arc::new(self.listened(id)?);
        *guide = Some((id, Arc::clone(&listened)));
        Ok(listened)
    }

    fn listened(&self, id: AssetId) -> Result<Listened, Diagnostic> {
        let (asset, frames) = self.asset(id)?;
        let mut source = self.source(asset, *frames)?;
        Listened::to(&mut source).map_err(|why| Diagnostic::refusal(format!("{}: {why}", asset.path)))
    }

    /// Where timing results are kept; `None` if a hash is no name for a file.
    fn timing_path(&self, guide: &Asset, rest: &str) -> Option<PathBuf> {
        let name = self.path(guide)?.file_stem()?.to_str()?.split('-').next()?.to_owned();
        Some(self.cache.join(format!("{name}-{}-t{}{rest}.json", self.rate, timing::VERSION)))
    }

    fn matched(
        &self,
        guide: AssetId,
        words: &[Word],
        key: u64,
        lane: AssetId,
    ) -> Result<Arc<Matches>, Diagnostic> {
        let known = |at: &(AssetId, AssetId, u64)| {
            self.matches.lock().unwrap_or_else(PoisonError::into_inner).get(at).cloned()
        };
        if let Some(matches) = known(&(guide, lane, key)) {
            return Ok(matches);
        }
        let (guide_asset, _) = self.asset(guide)?;
        let (lane_asset, _) = self.asset(lane)?;
        let hash = lane_asset.blake3.get(..64).filter(|hash| hash.bytes().all(|b| b.is_ascii_hexdigit()));
        let path = hash.and_then(|hash| self.timing_path(guide_asset, &format!("-{key:016x}-{hash}")));
        let kept = path.as_deref().and_then(read_kept::<Matches>);
        let sound = kept.filter(|kept| kept.is_sound(words.len()));
        let matches = match sound {
            Some(matches) => matches,
            None => {
                let listened = self.guide(guide)?;
                let matches = match lane == guide {
                    true => match_words(&listened, words, &listened),
                    false => match_words(&listened, words, &self.listened(lane)?),
                };
                path.iter().for_each(|path| aside::keep(path, &matches));
                matches
            }
        };
        let matches = Arc::new(matches);
        let mut all = self.matches.lock().unwrap_or_else(PoisonError::into_inner);
        all.insert((guide, lane, key), Arc::clone(&matches));
        Ok(matches)
    }

    fn load(&self, path: &Path, frames: u64) -> Option<Heard> {
        let fits = std::fs::metadata(path).ok()?.len() <= LARGEST;
        let bytes = fits.then(|| std::fs::read(path).ok()).flatten()?;
        let heard: Heard = serde_json::from_slice(&bytes).ok()?;
        heard.is_sound(listen::VERSION, self.rate, frames).then_some(heard)
    }
}

/// Results that were kept earlier, if they can be read.
fn read_kept<T: serde::de::DeserializeOwned>(path: &Path) -> Option<T> {
    let fits = std::fs::metadata(path).ok()?.len() <= LARGEST;
    let bytes = fits.then(|| std::fs::read(path).ok()).flatten()?;
    serde_json::from_slice(&bytes).ok()
}

/// A number that names a list of words.
fn key_of(words: &[Word]) -> u64 {
    let mut hasher = blake3::Hasher::new();
    for word in words {
        for value in [word.onset, word.vowel, word.end] {
            hasher.update(&(value as u64).to_le_bytes());
        }
    }
    let mut first = [0; 8];
    first.copy_from_slice(&hasher.finalize().as_bytes()[..8]);
    u64::from_le_bytes(first)
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
                path.iter().for_each(|path| aside::keep(path, &heard));
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
        let source = match open.entry(id) {
            Entry::Occupied(there) => there.into_mut(),
            Entry::Vacant(place) => place.insert(self.source(asset, *frames)?),
        };
        source.read(from, out).map_err(Diagnostic::refusal)
    }

    fn words(&self, guide: AssetId) -> Result<Arc<Vec<Word>>, Diagnostic> {
        let known = self.words.lock().unwrap_or_else(PoisonError::into_inner).get(&guide).cloned();
        if let Some(words) = known {
            return Ok(words);
        }
        let (asset, frames) = self.asset(guide)?;
        let path = self.timing_path(asset, "-words");
        let kept = path.as_deref().and_then(read_kept::<Vec<Word>>);
        let sound = kept.filter(|words| listen::words::are_sound(words, *frames));
        let words = match sound {
            Some(words) => words,
            None => {
                let words = self.guide(guide)?.words();
                path.iter().for_each(|path| aside::keep(path, &words));
                words
            }
        };
        let words = Arc::new(words);
        self.words.lock().unwrap_or_else(PoisonError::into_inner).insert(guide, Arc::clone(&words));
        Ok(words)
    }

    fn matches(
        &self,
        guide: AssetId,
        words: &[Word],
        lanes: &[AssetId],
    ) -> Result<Vec<Arc<Matches>>, Diagnostic> {
        let bar = Bar::new("matching words");
        let done = AtomicU64::new(0);
        let total = lanes.len() as u64;
        let key = key_of(words);
        let one = |lane: &AssetId| {
            let matches = self.matched(guide, words, key, *lane)?;
            bar.advance(done.fetch_add(1, Ordering::Relaxed) + 1, total);
            Ok(matches)
        };
        lanes.par_iter().map(one).collect()
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
