//! Background work: peaks, starts of words, samples for close looks. All of it answers by message.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};

use super::Message;
use crate::audition::cache::TakeFile;
use crate::cli::{assets, folders};
use crate::edit::Session;
use crate::handoff::FileSamples;
use crate::listen::first_onsets::{EnergyOnsets, OnsetFinder};
use crate::listen::{ToneLook, tone_look};
use crate::media::peaks::BASE;
use crate::media::{self, MediaError, MediaErrorKind, Peaks, Progress, WavReader};
use crate::screen::{Event, Starts, Weight};
use crate::song::{Asset, AssetId, Lane, Song};

/// All background work of one run.
pub struct Work {
    stop: Arc<AtomicBool>,
    samples: Sender<(AssetId, u64, u64)>,
    tones: Sender<Arc<Lane>>,
}

/// What the threads share.
struct Shared {
    assets: Vec<Asset>,
    folder: PathBuf,
    rate: u32,
    to: Sender<Message>,
    stop: Arc<AtomicBool>,
    next: AtomicU64,
    /// Frames done so far and in all.
    done: AtomicU64,
    all: u64,
}

impl Work {
    /// Starts reading the takes of a session, those of the upper lanes first.
    pub fn begin(session: &Session, folder: &Path, to: &Sender<Message>) -> Work {
        let stop = Arc::new(AtomicBool::new(false));
        let lanes = session.song().lanes.iter();
        let place: BTreeMap<AssetId, usize> =
            lanes.enumerate().map(|(row, lane)| (lane.asset, row)).collect();
        let mut assets = session.assets.clone();
        assets.sort_by_key(|asset| place.get(&asset.id).copied().unwrap_or(usize::MAX));
        let all = assets.iter().map(|asset| asset.frames_at(session.rate)).sum();
        let shared = Arc::new(Shared {
            assets,
            folder: folder.to_owned(),
            rate: session.rate,
            to: to.clone(),
            stop: Arc::clone(&stop),
            next: AtomicU64::new(0),
            done: AtomicU64::new(0),
            all,
        });
        let threads = std::thread::available_parallelism().map_or(2, |count| count.get().clamp(1, 4));
        for _ in 0..threads {
            let shared = Arc::clone(&shared);
            std::thread::spawn(move || guarded(&shared.to.clone(), || shared.read_takes()));
        }
        let (samples, asked) = channel();
        let reads = Arc::clone(&shared);
        std::thread::spawn(move || guarded(&reads.to.clone(), || reads.read_samples(&asked)));
        let (tones, lanes) = channel();
        std::thread::spawn(move || guarded(&shared.to.clone(), || shared.look_at_tones(&lanes)));
        Work { stop, samples, tones }
    }

    /// Stops reading takes.
    pub fn cancel(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Asks for samples of a recording.
    pub fn samples(&self, asset: AssetId, from: u64, to: u64) {
        // The reader goes on as long as the loop does.
        let _ = self.samples.send((asset, from, to));
    }
}

impl Work {
    /// Asks for a look at a lane's tone.
    pub fn tone_look(&self, lane: Arc<Lane>) {
        let _ = self.tones.send(lane);
    }
}

/// Looks whether the recordings are those that were taken in, and says which are not.
pub fn verify(session: &Session, folder: &Path, to: &Sender<Message>) {
    let (session, folder, to) = (session.over_same(Song::default()), folder.to_owned(), to.clone());
    std::thread::spawn(move || {
        guarded(&to.clone(), || {
            for (_, trouble) in assets::verify(&session, &folder) {
                let (assets::Trouble::Missing(text) | assets::Trouble::Changed(text)) = trouble;
                let _ = to.send(Message::Event(Event::Note(Weight::Wrong, text)));
            }
        });
    });
}

/// Makes the working copies that sound is played from, and tells when they are there.
pub fn copies(session: &Session, folder: &Path, to: &Sender<Message>) {
    let (session, folder, to) = (session.over_same(Song::default()), folder.to_owned(), to.clone());
    std::thread::spawn(move || {
        guarded(&to.clone(), || {
            let takes = assets::working_copies(&session, &folder)
                .map(|copies| {
                    copies.into_iter().map(|copy| TakeFile { asset: copy.id, path: copy.path }).collect()
                })
                .map_err(|error| error.text);
            let _ = to.send(Message::Takes(takes));
        });
    });
}

/// A panic in the background is a message, not an end.
pub fn guarded(to: &Sender<Message>, work: impl FnOnce()) {
    if catch_unwind(AssertUnwindSafe(work)).is_err() {
        let why = super::terminal::panicked().unwrap_or_default();
        let text = format!("background work failed: {why}; the session is safe");
        let _ = to.send(Message::Event(Event::Note(Weight::Wrong, text)));
    }
}

impl Shared {
    fn say(&self, event: Event) {
        let _ = self.to.send(Message::Event(event));
    }

    fn read_takes(&self) {
        while !self.stop.load(Ordering::Relaxed) {
            let index = self.next.fetch_add(1, Ordering::Relaxed);
            let Some(asset) = usize::try_from(index).ok().and_then(|index| self.assets.get(index)) else {
                return;
            };
            let frames = asset.frames_at(self.rate);
            match self.peaks(asset, frames) {
                Ok(peaks) => {
                    self.say(Event::Peaks(asset.id, Arc::new(peaks)));
                }
                Err(error) if error.kind() == MediaErrorKind::Cancelled => {}
                Err(error) => self.say(Event::Note(Weight::Wrong, error.to_string())),
            }
            let done = self.done.fetch_add(frames, Ordering::Relaxed) + frames;
            self.say(Event::Progress(done, self.all));
        }
        self.say(Event::Progress(0, 0));
    }

    /// From the cache, or from the recording.
    fn peaks(&self, asset: &Asset, frames: u64) -> Result<Peaks, MediaError> {
        let cache = folders::cache().join("peaks").join(format!("{}-{}.peaks", asset.blake3, self.rate));
        let peaks = match Peaks::load(&cache, frames).filter(|_| is_hash(&asset.blake3)) {
            Some(peaks) => peaks,
            None => {
                let path = self.working_copy(asset)?;
                let peaks = Peaks::of_file(&path, self)?;
                if is_hash(&asset.blake3) {
                    // Without the cache the next run reads the recording again.
                    let _ = peaks.save(&cache);
                }
                peaks
            }
        };
        let finder = EnergyOnsets::default();
        let rms: Vec<f32> = peaks.envelope().collect();
        let at = finder.starts(&rms, BASE, peaks.rate()).into();
        self.say(Event::Starts(asset.id, Starts { at, by: finder.name() }));
        Ok(peaks)
    }

    fn working_copy(&self, asset: &Asset) -> Result<PathBuf, MediaError> {
        let path = assets::path_of(asset, &self.folder);
        let info = media::describe(&path, asset.rate, asset.channels, asset.frames)?;
        media::working_copy(&path, &asset.blake3, &info, self.rate, &folders::cache().join("conformed"), self)
    }

    fn read_samples(&self, asked: &Receiver<(AssetId, u64, u64)>) {
        let mut open = BTreeMap::new();
        while let Ok((id, from, to)) = asked.recv() {
            match self.stretch(&mut open, id, from, to) {
                Ok(samples) => self.say(Event::Samples(id, from, samples.into())),
                Err(error) => self.say(Event::Note(Weight::Wrong, error.to_string())),
            }
        }
    }

    fn look_at_tones(&self, lanes: &Receiver<Arc<Lane>>) {
        while let Ok(lane) = lanes.recv() {
            match self.look_at(&lane) {
                Ok(Some(look)) => self.say(Event::Toned(lane, Arc::new(look))),
                Ok(None) => return,
                Err(error) => self.say(Event::Note(Weight::Wrong, error.to_string())),
            }
        }
    }

    fn look_at(&self, lane: &Arc<Lane>) -> Result<Option<ToneLook>, MediaError> {
        let mut samples = FileSamples::default();
        for region in &lane.regions {
            let asset = self.assets.iter().find(|asset| asset.id == region.asset);
            if let Some(asset) = asset.filter(|asset| !samples.has(asset.id)) {
                samples.add(asset.id, WavReader::open(&self.working_copy(asset)?)?);
            }
        }
        let channels = |id| self.assets.iter().find(|asset| asset.id == id).map(|asset| asset.channels);
        let go_on = || !self.stop.load(Ordering::Relaxed);
        let look = tone_look(lane, self.rate, &channels, &mut samples, &go_on);
        samples.take_failure().map_or(Ok(look), Err)
    }

    /// Samples of a recording, both channels as one: what is seen is where it is, not on which side.
    fn stretch(
        &self,
        open: &mut BTreeMap<AssetId, WavReader>,
        id: AssetId,
        from: u64,
        to: u64,
    ) -> Result<Vec<f32>, MediaError> {
        let Some(asset) = self.assets.iter().find(|asset| asset.id == id) else { return Ok(Vec::new()) };
        let reader = match open.entry(id) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(place) => place.insert(WavReader::open(&self.working_copy(asset)?)?),
        };
        let to = to.min(reader.info().frames);
        let length = usize::try_from(to.saturating_sub(from)).unwrap_or(0);
        let mut left = vec![0.0; length];
        if reader.info().channels == 1 {
            reader.read(from, &mut [left.as_mut_slice()])?;
            return Ok(left);
        }
        let mut right = vec![0.0; length];
        reader.read(from, &mut [left.as_mut_slice(), right.as_mut_slice()])?;
        for (left, right) in left.iter_mut().zip(right) {
            *left = (*left + right) / 2.0;
        }
        Ok(left)
    }
}

impl Progress for Shared {
    fn advance(&self, _: u64, _: u64) -> bool {
        !self.stop.load(Ordering::Relaxed)
    }
}

/// Whether a text may be part of a file name in the cache: a session file is as hostile as any other.
fn is_hash(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|byte| byte.is_ascii_hexdigit())
}
