//! The two ends of a ring as the callback sees them, so that the tests of interleavings can put a ring in their place
//! whose every step is under control.

use ringbuf::traits::{Consumer, Observer, Producer};
use ringbuf::{HeapCons, HeapProd};

/// The taking end. Realtime-safe.
pub(super) trait Pull<T> {
    /// The oldest item, if there is one.
    fn pull(&mut self) -> Option<T>;
}

/// The giving end. Realtime-safe.
pub(super) trait Push<T> {
    /// Items that there is room for, at least: the other end may have made more room since.
    fn room(&self) -> usize;

    /// Gives an item; gives it back if the ring is full.
    fn push(&mut self, item: T) -> Result<(), T>;
}

impl<T> Pull<T> for HeapCons<T> {
    fn pull(&mut self) -> Option<T> {
        self.try_pop()
    }
}

impl<T> Push<T> for HeapProd<T> {
    fn room(&self) -> usize {
        self.vacant_len()
    }

    fn push(&mut self, item: T) -> Result<(), T> {
        self.try_push(item)
    }
}

/// Gives back what is to be freed elsewhere.
pub(super) fn give_back<T>(returns: &mut impl Push<T>, old: T) {
    if let Err(old) = returns.push(old) {
        // Room was made sure of before anything was taken. Were it not there, losing the memory would be better than
        // freeing it here.
        std::mem::forget(old);
    }
}

/// Takes a command if whatever it can send back has room: so many things at most.
pub(super) fn take_if_room<C, T>(
    commands: &mut impl Pull<C>,
    returns: &impl Push<T>,
    most: usize,
) -> Option<C> {
    if returns.room() < most { None } else { commands.pull() }
}
