//! Hostile input: whatever stands in a file, a line or a stream of keys, reading it ends within two seconds, does not panic,
//! and takes less than 512 MB.
//!
//! Valid seeds are damaged by structure (chunks, numbers, lengths, words, lines), and inputs that come to an outcome not seen
//! before are damaged further. A run is short by default and always the same; `TAUTLINE_HOSTILE_SECONDS=400 cargo test --profile
//! quick --test hostile -- --nocapture --test-threads=1` is a long one with a table, `TAUTLINE_HOSTILE_SEED` another one. What was
//! found is kept in `tests/hostile/corpus` and tried first.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic is the report of a test")]
#![allow(unsafe_code, reason = "an allocator that counts can only be written as an unsafe impl")]

#[path = "media/build.rs"]
#[allow(dead_code, reason = "each test binary uses a part of it")]
mod build;
mod common;
#[path = "hostile/engine.rs"]
mod engine;
mod live;
#[path = "common/numbers.rs"]
mod numbers;
#[path = "hostile/seeds.rs"]
mod seeds;
#[path = "hostile/targets.rs"]
mod targets;
#[path = "hostile/terminal.rs"]
mod terminal;

use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicUsize, Ordering};

/// Counts the bytes that are held, and the most that ever were.
struct Counting;

static HELD: AtomicUsize = AtomicUsize::new(0);
static MOST: AtomicUsize = AtomicUsize::new(0);

// SAFETY: every call goes to the system's allocator unchanged; the counters do not allocate.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        let now = HELD.fetch_add(layout.size(), Ordering::Relaxed) + layout.size();
        MOST.fetch_max(now, Ordering::Relaxed);
        unsafe { System.alloc(layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        let now = HELD.fetch_add(layout.size(), Ordering::Relaxed) + layout.size();
        MOST.fetch_max(now, Ordering::Relaxed);
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        HELD.fetch_sub(layout.size(), Ordering::Relaxed);
        unsafe { System.dealloc(pointer, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// The most bytes that were held since this was last asked.
pub fn most_held() -> usize {
    MOST.swap(HELD.load(Ordering::Relaxed), Ordering::Relaxed)
}

macro_rules! fuzz {
    ($($name:ident: $target:expr;)*) => {
        $(
            #[test]
            fn $name() {
                engine::run(&$target);
            }
        )*
    };
}

fuzz! {
    fuzz_hostile_wav: targets::WAV;
    fuzz_hostile_bext: targets::BEXT;
    fuzz_hostile_aiff: targets::AIFF;
    fuzz_hostile_flac: targets::FLAC;
    fuzz_hostile_lossy: targets::LOSSY;
    fuzz_hostile_session: targets::SESSION;
    fuzz_hostile_journal: targets::JOURNAL;
    fuzz_hostile_commands: targets::COMMANDS;
    fuzz_hostile_keymap: targets::KEYMAP;
    fuzz_hostile_theme: targets::THEME;
    fuzz_hostile_fades: targets::FADES;
    fuzz_hostile_tones: targets::TONES;
    fuzz_hostile_midi: targets::MIDI;
}
