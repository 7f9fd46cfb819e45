//! Every order in which two threads can meet, tried out by loom (C11 memory model, bounded): the swap of scenes, and the
//! reader's sleep. The ring is a model of the one that is used; what takes from it and gives to it is the product's own code.
//!
//! `cargo test --lib interleavings` runs these; `LOOM_MAX_PREEMPTIONS=4` looks deeper.
#![allow(unsafe_code, reason = "a cell that two threads share can only be reached through a pointer")]

use loom::cell::UnsafeCell;
use loom::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use loom::sync::{Arc, Condvar, Mutex};
use loom::thread;

use super::ends::{Pull, Push, give_back, take_if_room};

/// A ring for one giver and one taker, with the orderings that such a ring needs; loom reports every access to a cell
/// that is not ordered after the other side's.
pub(super) struct Ring<T> {
    cells: Vec<UnsafeCell<Option<T>>>,
    given: AtomicUsize,
    taken: AtomicUsize,
}

// SAFETY: a cell is reached by the giver while it is vacant and by the taker while it is full, never by both; loom checks it.
unsafe impl<T: Send> Sync for Ring<T> {}

pub(super) struct Giver<T>(Arc<Ring<T>>);
pub(super) struct Taker<T>(Arc<Ring<T>>);

pub(super) fn ring<T>(size: usize) -> (Giver<T>, Taker<T>) {
    let ring = Arc::new(Ring {
        cells: (0..size).map(|_| UnsafeCell::new(None)).collect(),
        given: AtomicUsize::new(0),
        taken: AtomicUsize::new(0),
    });
    (Giver(Arc::clone(&ring)), Taker(ring))
}

impl<T> Push<T> for Giver<T> {
    fn room(&self) -> usize {
        let ring = &self.0;
        ring.cells.len() - (ring.given.load(Ordering::Relaxed) - ring.taken.load(Ordering::Acquire))
    }

    fn push(&mut self, item: T) -> Result<(), T> {
        if self.room() == 0 {
            return Err(item);
        }
        let at = self.0.given.load(Ordering::Relaxed);
        // SAFETY: the cell is vacant, and only this end fills it.
        self.0.cells[at % self.0.cells.len()].with_mut(|cell| unsafe { *cell = Some(item) });
        self.0.given.store(at + 1, Ordering::Release);
        Ok(())
    }
}

impl<T> Pull<T> for Taker<T> {
    fn pull(&mut self) -> Option<T> {
        let at = self.0.taken.load(Ordering::Relaxed);
        if self.0.given.load(Ordering::Acquire) == at {
            return None;
        }
        // SAFETY: the cell is full, and only this end empties it.
        let item = self.0.cells[at % self.0.cells.len()].with_mut(|cell| unsafe { (*cell).take() });
        self.0.taken.store(at + 1, Ordering::Release);
        item
    }
}

/// Looks at all orders with up to two forced changes of thread, unless told otherwise.
pub(super) fn explore(model: impl Fn() + Sync + Send + 'static) {
    let mut builder = loom::model::Builder::new();
    builder.preemption_bound.get_or_insert(2);
    builder.check(model);
}

/// A scene that must not be freed by the callback.
struct Plan {
    number: usize,
    in_callback: Arc<Mutex<Option<thread::ThreadId>>>,
    freed: Arc<AtomicUsize>,
}

impl Drop for Plan {
    fn drop(&mut self) {
        let callback = self.in_callback.lock().unwrap();
        assert_ne!(*callback, Some(thread::current().id()), "plan {} was freed in the callback", self.number);
        self.freed.fetch_add(1, Ordering::Relaxed);
    }
}

/// Scenes go in one after the other and come back by the other ring; the callback frees none, none is lost, none freed twice.
#[test]
fn a_scene_is_swapped_whole_and_freed_outside_the_callback() {
    explore(|| {
        let (in_callback, freed) = (Arc::new(Mutex::new(None)), Arc::new(AtomicUsize::new(0)));
        let plan = |number| Plan { number, in_callback: Arc::clone(&in_callback), freed: Arc::clone(&freed) };
        let (mut commands_in, mut commands) = ring::<Plan>(2);
        // Room for one thing at a time: the callback has to wait for it.
        let (mut returns, mut returned) = ring::<Plan>(1);
        let mut current = plan(0);
        let known = Arc::clone(&in_callback);
        let callback = thread::spawn(move || {
            *known.lock().unwrap() = Some(thread::current().id());
            for _ in 0..3 {
                if let Some(next) = take_if_room(&mut commands, &returns, 1) {
                    assert!(next.number > current.number, "commands keep their order");
                    give_back(&mut returns, std::mem::replace(&mut current, next));
                }
            }
            *known.lock().unwrap() = None;
            // What the thread still has goes back to where it may be freed.
            (current, commands, returns)
        });
        let mut waiting = Vec::new();
        for number in 1..3 {
            waiting.extend(commands_in.push(plan(number)).err());
            drop(returned.pull());
        }
        let (current, mut commands, _returns) = callback.join().unwrap();
        let mut left = vec![current];
        left.extend(std::iter::from_fn(|| commands.pull()));
        left.extend(std::iter::from_fn(|| returned.pull()));
        let alive = left.len() + waiting.len();
        assert_eq!(freed.load(Ordering::Relaxed) + alive, 3, "a plan was lost");
    });
}

/// What the reader sleeps by: a wish or the end that comes at any moment wakes it, also without its nap's limit.
#[test]
fn the_reader_never_sleeps_through_a_wish_or_the_end() {
    explore(|| {
        let state = Arc::new((Mutex::new((false, false)), Condvar::new()));
        let seen = Arc::new(AtomicBool::new(false));
        let (theirs, noted) = (Arc::clone(&state), Arc::clone(&seen));
        let reader = thread::spawn(move || {
            let (state, changed) = &*theirs;
            loop {
                let fresh = {
                    let mut state = state.lock().unwrap();
                    if state.1 {
                        return;
                    }
                    std::mem::take(&mut state.0)
                };
                if fresh {
                    noted.store(true, Ordering::Relaxed);
                    continue;
                }
                let state = state.lock().unwrap();
                if !state.0 && !state.1 {
                    drop(changed.wait(state).unwrap());
                }
            }
        });
        let (shared, changed) = &*state;
        shared.lock().unwrap().0 = true;
        changed.notify_all();
        shared.lock().unwrap().1 = true;
        changed.notify_all();
        // A reader that slept through either would hang here, which loom reports.
        reader.join().unwrap();
    });
}
