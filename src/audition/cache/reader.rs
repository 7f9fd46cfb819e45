//! The reader thread: keeps in memory what will be heard.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use ringbuf::traits::{Consumer, Observer, Producer};

use super::plan::{Needs, wanted};
use super::{BLOCK, Block, BlockName, Delivery, ReaderEnds, TakeInfo};
use crate::audition::AuditionError;
use crate::audition::listening::Scene;
use crate::audition::wire::Board;
use crate::media::WavReader;
use crate::song::{AssetId, Position, Span};

/// Files held open at a time: a process may usually have 1024.
const MOST_OPEN: usize = 256;
/// How long it sleeps when nothing is to do while it plays; it is woken when another thing is wanted.
const NAP: Duration = Duration::from_millis(4);
/// The same while nothing plays, so that a program that stands still costs next to nothing.
const REST: Duration = Duration::from_millis(50);

/// Where the samples of an asset lie: its working copy at the session's rate, in WAV.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakeFile {
    /// The asset.
    pub asset: AssetId,
    /// Its working copy.
    pub path: PathBuf,
}

/// What the reader is to keep at hand; the thread that gives commands changes it.
#[derive(Debug, Default)]
pub struct Wish {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct State {
    scenes: Vec<Arc<Scene>>,
    places: Vec<Position>,
    looped: Option<Span>,
    seam: u64,
    fresh: bool,
    end: bool,
    trouble: Option<String>,
}

impl Wish {
    fn lock(&self) -> std::sync::MutexGuard<'_, State> {
        // A thread that panicked leaves plain data behind.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Says what is heard (the first scene), what may be heard next, where the head may go next, and the loop with
    /// the frames that its seam needs before it.
    pub fn set(&self, scenes: Vec<Arc<Scene>>, places: Vec<Position>, looped: Option<Span>, seam: u64) {
        let mut state = self.lock();
        (state.scenes, state.places, state.looped, state.seam) = (scenes, places, looped, seam);
        state.fresh = true;
        self.changed.notify_all();
    }

    /// What went wrong with reading since the last call.
    pub fn take_trouble(&self) -> Option<String> {
        self.lock().trouble.take()
    }
}

/// What the reader thread works with.
pub struct Reader {
    files: Vec<TakeFile>,
    infos: Vec<TakeInfo>,
    ends: ReaderEnds,
    open: Vec<(usize, WavReader)>,
    /// Blocks that exist, in samples; the budget is in the same.
    allocated: u64,
    budget: u64,
    #[expect(
        clippy::vec_box,
        reason = "blocks travel boxed; unboxing one here would free and allocate for nothing"
    )]
    spare: Vec<Box<Block>>,
    /// What the callback has, or will have once it has taken in what was sent.
    held: Vec<Vec<bool>>,
    holding: Vec<BlockName>,
    /// Blocks that the callback was asked for and has not given back yet.
    asked: usize,
    damaged: Arc<AtomicU64>,
    nonfinite: Arc<AtomicU64>,
    bytes: Arc<AtomicU64>,
}

/// A running reader thread; it ends when this is dropped.
pub struct ReaderHandle {
    wish: Arc<Wish>,
    thread: Option<JoinHandle<()>>,
    /// Samples of the recordings that were not finite.
    pub nonfinite: Arc<AtomicU64>,
    /// Bytes of blocks that exist.
    pub bytes: Arc<AtomicU64>,
    /// Blocks that could not be read.
    pub damaged: Arc<AtomicU64>,
}

impl Drop for ReaderHandle {
    fn drop(&mut self) {
        self.wish.lock().end = true;
        self.wish.changed.notify_all();
        if let Some(thread) = self.thread.take() {
            // If it panicked there is nothing left to do about it.
            let _ = thread.join();
        }
    }
}

impl ReaderHandle {
    /// What the thread is to keep at hand.
    #[must_use]
    pub fn wish(&self) -> &Arc<Wish> {
        &self.wish
    }
}

/// Reads the header of a take.
pub(super) fn inspect(file: &TakeFile, rate: u32) -> Result<TakeInfo, AuditionError> {
    let reader = WavReader::open(&file.path)?;
    let info = reader.info();
    if info.rate != rate {
        let why = format!("it is at {} Hz where {rate} Hz is expected", info.rate);
        return Err(AuditionError::Take { path: file.path.clone(), why });
    }
    Ok(TakeInfo { asset: file.asset, channels: info.channels, frames: info.frames })
}

impl Reader {
    pub(super) fn new(
        files: Vec<TakeFile>,
        infos: Vec<TakeInfo>,
        ends: ReaderEnds,
        budget: u64,
        damaged: Arc<AtomicU64>,
    ) -> Reader {
        let held = infos.iter().map(|info| vec![false; info.blocks() as usize]).collect();
        Reader {
            files,
            infos,
            ends,
            open: Vec::new(),
            allocated: 0,
            // At least the blocks that a handful of lanes need at once.
            budget: (budget / 4).max(64 * BLOCK as u64),
            spare: Vec::new(),
            held,
            holding: Vec::new(),
            asked: 0,
            damaged,
            nonfinite: Arc::new(AtomicU64::new(0)),
            bytes: Arc::new(AtomicU64::new(0)),
        }
    }

    /// Starts the thread. `rate` is the session's.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(self, rate: u32, board: Arc<Board>) -> Result<ReaderHandle, AuditionError> {
        let wish = Arc::new(Wish::default());
        let (nonfinite, bytes, damaged) =
            (Arc::clone(&self.nonfinite), Arc::clone(&self.bytes), Arc::clone(&self.damaged));
        let seen = Arc::clone(&wish);
        let thread = std::thread::Builder::new()
            .name("tautline-reader".into())
            .spawn(move || self.run(rate, &seen, &board))
            .map_err(AuditionError::thread)?;
        Ok(ReaderHandle { wish, thread: Some(thread), nonfinite, bytes, damaged })
    }

    fn run(mut self, rate: u32, wish: &Wish, board: &Board) {
        let (mut needs, mut list) = (Needs::default(), Vec::new());
        let mut planned_at = None;
        loop {
            let fresh = {
                let mut state = wish.lock();
                if state.end {
                    return;
                }
                let fresh = std::mem::take(&mut state.fresh);
                if fresh {
                    needs = needs_of(&state, rate);
                    planned_at = None;
                }
                fresh
            };
            self.take_back();
            let head = board.position();
            // The order is made anew each time the head has gone a good part of what lies ready before it.
            let moved =
                planned_at.is_none_or(|at: Position| (head.0 - at.0).unsigned_abs() > u64::from(rate) / 4);
            if moved {
                let mut now = needs.clone();
                now.places.insert(0, head);
                list = wanted(&now, &self.infos, self.capacity());
                planned_at = Some(head);
                list.reverse();
            }
            if !self.work(&mut list, &needs, head, wish) && !fresh {
                let state = wish.lock();
                if !state.fresh && !state.end {
                    let busy = board.is_playing() || !list.is_empty();
                    drop(wish.changed.wait_timeout(state, if busy { NAP } else { REST }));
                }
            }
        }
    }

    /// Blocks that the budget has room for, if all are as wide as the widest take.
    fn capacity(&self) -> usize {
        let widest = self.infos.iter().map(|info| u64::from(info.channels)).max().unwrap_or(1);
        usize::try_from(self.budget / (widest * BLOCK as u64)).unwrap_or(usize::MAX)
    }

    fn take_back(&mut self) {
        while let Some((_, block)) = self.ends.returns.try_pop() {
            self.spare.push(block);
            self.asked = self.asked.saturating_sub(1);
        }
    }

    /// Delivers the next wanted blocks; `list` has the most wanted last. False if there was nothing to do.
    fn work(&mut self, list: &mut Vec<BlockName>, needs: &Needs, head: Position, wish: &Wish) -> bool {
        let mut worked = false;
        for _ in 0..16 {
            if self.ends.deliveries.vacant_len() < 4 {
                return worked;
            }
            while list.last().is_some_and(|name| self.holds(*name)) {
                list.pop();
            }
            let Some(name) = list.last().copied() else { return worked };
            let Some(block) = self.room(name, needs, head) else { return worked };
            list.pop();
            let block = self.fill(name, block, wish);
            if let Err(Delivery::Install(_, block)) =
                self.ends.deliveries.try_push(Delivery::Install(name, block))
            {
                self.spare.push(block);
                return worked;
            }
            self.hold(name, true);
            self.holding.push(name);
            worked = true;
        }
        worked
    }

    fn holds(&self, name: BlockName) -> bool {
        self.held
            .get(name.take as usize)
            .and_then(|take| take.get(name.number as usize))
            .copied()
            .unwrap_or(true)
    }

    fn hold(&mut self, name: BlockName, holds: bool) {
        let slot = self.held.get_mut(name.take as usize).and_then(|take| take.get_mut(name.number as usize));
        if let Some(slot) = slot {
            *slot = holds;
        }
    }

    /// Memory for a block: one that came back, a new one, or none until the callback gives one back.
    fn room(&mut self, name: BlockName, needs: &Needs, head: Position) -> Option<Box<Block>> {
        let channels = self.infos.get(name.take as usize).map_or(1, |info| info.channels);
        let width = usize::from(channels);
        if let Some(index) = self.spare.iter().position(|block| block.channels.len() == width) {
            return Some(self.spare.swap_remove(index));
        }
        let size = u64::from(channels) * BLOCK as u64;
        // Spare ones of the other width make room first.
        while self.allocated + size > self.budget
            && let Some(block) = self.spare.pop()
        {
            self.allocated -= (block.channels.len() * BLOCK) as u64;
        }
        if self.allocated + size <= self.budget {
            self.allocated += size;
            self.bytes.store(self.allocated * 4, Ordering::Relaxed);
            return Some(Box::new(Block { channels: vec![vec![0.0; BLOCK]; width], damaged: false }));
        }
        self.evict(needs, head);
        None
    }

    /// Asks the callback for some blocks that are wanted least.
    fn evict(&mut self, needs: &Needs, head: Position) {
        if self.asked > 0 {
            return;
        }
        let mut now = needs.clone();
        now.places.insert(0, head);
        let keep = wanted(&now, &self.infos, self.capacity());
        let mut wanted: Vec<Vec<bool>> = self.held.iter().map(|take| vec![false; take.len()]).collect();
        for name in keep {
            if let Some(slot) =
                wanted.get_mut(name.take as usize).and_then(|take| take.get_mut(name.number as usize))
            {
                *slot = true;
            }
        }
        let is_wanted = |name: &BlockName| {
            wanted
                .get(name.take as usize)
                .and_then(|take| take.get(name.number as usize))
                .copied()
                .unwrap_or(false)
        };
        let mut left = 32.min(self.ends.deliveries.vacant_len().saturating_sub(4));
        let mut kept = Vec::with_capacity(self.holding.len());
        for name in std::mem::take(&mut self.holding) {
            if left > 0 && !is_wanted(&name) && self.ends.deliveries.try_push(Delivery::Evict(name)).is_ok() {
                self.hold(name, false);
                self.asked += 1;
                left -= 1;
            } else {
                kept.push(name);
            }
        }
        self.holding = kept;
    }

    /// Reads a block. What cannot be read becomes silence that counts as missing; the trouble is told once.
    fn fill(&mut self, name: BlockName, mut block: Box<Block>, wish: &Wish) -> Box<Block> {
        block.damaged = false;
        let from = u64::from(name.number) * BLOCK as u64;
        let read = self.take_reader(name.take as usize).and_then(|mut reader| {
            let before = reader.nonfinite();
            let mut slices: Vec<&mut [f32]> = block.channels.iter_mut().map(Vec::as_mut_slice).collect();
            reader.read(from, &mut slices).map_err(|error| error.to_string())?;
            let bad = reader.nonfinite() - before;
            self.open.push((name.take as usize, reader));
            Ok(bad)
        });
        match read {
            Ok(bad) => drop(self.nonfinite.fetch_add(bad, Ordering::Relaxed)),
            Err(error) => {
                block.channels.iter_mut().for_each(|channel| channel.fill(0.0));
                block.damaged = true;
                self.damaged.fetch_add(1, Ordering::Relaxed);
                wish.lock().trouble.get_or_insert(error);
            }
        }
        block
    }

    /// The open file of a take, off the list; the one used longest ago is closed where too many are open.
    fn take_reader(&mut self, take: usize) -> Result<WavReader, String> {
        if let Some(index) = self.open.iter().position(|(open, _)| *open == take) {
            return Ok(self.open.remove(index).1);
        }
        if self.open.len() >= MOST_OPEN {
            self.open.remove(0);
        }
        let (Some(file), Some(info)) = (self.files.get(take), self.infos.get(take)) else {
            return Err("there is no such take".into());
        };
        let reader = WavReader::open(&file.path).map_err(|error| error.to_string())?;
        let there = reader.info();
        if there.frames < info.frames || there.channels != info.channels {
            return Err(format!("{}: it has become shorter while it was in use", file.path.display()));
        }
        Ok(reader)
    }
}

fn needs_of(state: &State, rate: u32) -> Needs {
    let plans = state.scenes.iter().map(|scene| {
        let heard = scene.heard().map(|(_, lane)| lane.id).collect();
        (Arc::clone(scene.plan()), heard)
    });
    Needs {
        plans: plans.collect(),
        places: state.places.clone(),
        looped: state.looped,
        rate,
        seam: state.seam,
        preroll: state.scenes.iter().map(|scene| scene.preroll).max().unwrap_or(0),
    }
}
