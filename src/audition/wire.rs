//! What goes between the callback and the rest: rings of plain messages and a board of atomics.
//!
//! Into the callback: [`Command`]s. Out of it: scenes that are no longer needed, to be dropped elsewhere; [`Mark`]s that
//! tell which sample of the stream shows which position; the sum and each lane for the meters; numbers on the [`Board`].

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};

use ringbuf::traits::{Consumer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};

use super::listening::Scene;
use super::taps::{TapsIn, TapsOut, taps};
use super::tone_set::ToneSet;
use crate::song::rules::MOST_LANES;
use crate::song::{Linear, Position, Span};

/// Commands that can wait.
const COMMANDS: usize = 256;
/// What can wait to be dropped: for each command that is taken in one callback more than can come back for it.
const RETURNS: usize = 1024;
const MARKS: usize = 4096;

/// A scene with the processors of its lanes: two sets, since the place that is left and the one that is gone to sound at once.
#[derive(Debug, Clone)]
pub struct Staged {
    pub(super) scene: Arc<Scene>,
    pub(super) sets: [Option<Box<ToneSet>>; 2],
}

impl Staged {
    /// Makes the processors of a scene. Allocates: for the thread that gives commands.
    #[must_use]
    pub fn new(scene: Arc<Scene>) -> Staged {
        let set = ToneSet::new(&scene);
        Staged { scene, sets: [set.clone(), set] }
    }
}

/// What the callback has done with; to be dropped elsewhere.
#[derive(Debug, Default)]
#[expect(dead_code, reason = "it is owned so as to be dropped by the right thread")]
pub(super) struct Spent {
    pub(super) scene: Option<Arc<Scene>>,
    pub(super) sets: [Option<Box<ToneSet>>; 2],
}

/// What the callback is told. It takes effect at the first sample of the next callback.
#[derive(Debug, Clone)]
pub enum Command {
    /// Another plan, or another choice of lanes: crossfaded in.
    Scene(Staged),
    /// Plays from a position, or from where it stands; stops at `until`, which a loop may never let it reach.
    Play {
        /// Where to begin; `None`: where it stands, or the start of the loop if it stands outside.
        from: Option<Position>,
        /// Where to end.
        until: Option<Position>,
        /// After how many frames of sound to end.
        frames: Option<u64>,
    },
    /// Falls silent and keeps its place.
    Stop,
    /// Goes elsewhere, playing on if it plays.
    Locate(Position),
    /// Loops a span or none. A head outside goes to its start.
    Loop(Option<Span>),
    /// Another monitor level.
    Level(Linear),
    /// The next play rises slowly again, as the first one does.
    RiseAgain,
}

/// From this sample of the stream on it shows this position.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mark {
    /// Number of the sample in the stream.
    pub stream: u64,
    /// The position that it comes from.
    pub at: Position,
    /// Whether the position moves on with the stream.
    pub moving: bool,
}

/// Numbers that the callback keeps up to date. Counters only grow.
#[derive(Debug)]
pub struct Board {
    pub(super) rendered: AtomicU64,
    pub(super) callbacks: AtomicU64,
    pub(super) position: AtomicI64,
    pub(super) playing: AtomicBool,
    pub(super) waiting: AtomicBool,
    pub(super) nonfinite: AtomicU64,
    pub(super) missing: AtomicU64,
    pub(super) lost: AtomicU64,
    /// What the dynamics of each lane take away: the de-esser's dB in the upper half, the compressor's in the lower, as the
    /// bits of an f32 each.
    pub(super) reductions: Vec<AtomicU64>,
}

impl Board {
    fn new() -> Board {
        Board {
            rendered: AtomicU64::new(0),
            callbacks: AtomicU64::new(0),
            position: AtomicI64::new(0),
            playing: AtomicBool::new(false),
            waiting: AtomicBool::new(false),
            nonfinite: AtomicU64::new(0),
            missing: AtomicU64::new(0),
            lost: AtomicU64::new(0),
            reductions: (0..MOST_LANES).map(|_| AtomicU64::new(0)).collect(),
        }
    }

    /// Frames rendered so far.
    #[must_use]
    pub fn rendered(&self) -> u64 {
        self.rendered.load(Ordering::Acquire)
    }

    /// Callbacks so far.
    #[must_use]
    pub fn callbacks(&self) -> u64 {
        self.callbacks.load(Ordering::Relaxed)
    }

    /// Position of the next frame to be rendered; what is heard is earlier.
    #[must_use]
    pub fn position(&self) -> Position {
        Position(self.position.load(Ordering::Relaxed))
    }

    /// True from the start of a play to the end of the fall after a stop.
    #[must_use]
    pub fn is_playing(&self) -> bool {
        self.playing.load(Ordering::Acquire)
    }

    /// True while a start or a change waits for samples.
    #[must_use]
    pub fn is_waiting(&self) -> bool {
        self.waiting.load(Ordering::Acquire)
    }

    /// Samples that were not finite and came out as 0.
    #[must_use]
    pub fn nonfinite(&self) -> u64 {
        self.nonfinite.load(Ordering::Relaxed)
    }

    /// Frames of lanes that were silent because their samples were not at hand.
    #[must_use]
    pub fn missing(&self) -> u64 {
        self.missing.load(Ordering::Relaxed)
    }

    /// Marks, and frames for the meters, that found their ring full.
    #[must_use]
    pub fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }
}

impl Board {
    /// What the de-esser and the compressor of the lane at an index take away at the head, in dB.
    #[must_use]
    pub fn reduction(&self, index: usize) -> (f32, f32) {
        let both = self.reductions.get(index).map_or(0, |both| both.load(Ordering::Relaxed));
        (f32::from_bits((both >> 32) as u32), f32::from_bits((both & 0xFFFF_FFFF) as u32))
    }

    pub(super) fn note_reduction(&self, index: usize, deess_db: f32, compress_db: f32) {
        if let Some(both) = self.reductions.get(index) {
            let value = u64::from(deess_db.to_bits()) << 32 | u64::from(compress_db.to_bits());
            both.store(value, Ordering::Relaxed);
        }
    }
}

/// The callback's ends of the rings.
pub(super) struct Inside {
    pub(super) commands: HeapCons<Command>,
    pub(super) returns: HeapProd<Spent>,
    pub(super) marks: HeapProd<Mark>,
    pub(super) sums: HeapProd<f32>,
    pub(super) taps: TapsIn,
    pub(super) board: Arc<Board>,
}

/// The other ends: for the thread that gives the commands.
pub struct Remote {
    commands: HeapProd<Command>,
    returns: HeapCons<Spent>,
    marks: HeapCons<Mark>,
    board: Arc<Board>,
}

impl Remote {
    /// Sends a command; gives it back if too many are waiting.
    ///
    /// # Errors
    /// The callback has not run for long: send it again later.
    pub fn send(&mut self, command: Command) -> Result<(), Command> {
        self.commands.try_push(command)
    }

    /// Drops the scenes that the callback has done with; gives how many.
    pub fn sweep(&mut self) -> usize {
        self.returns.pop_iter().count()
    }

    /// The marks since the last call.
    pub fn marks(&mut self) -> impl Iterator<Item = Mark> + '_ {
        self.marks.pop_iter()
    }

    /// The numbers.
    #[must_use]
    pub fn board(&self) -> &Arc<Board> {
        &self.board
    }
}

/// What the callback hands to the meters.
pub struct Feed {
    /// The sum of what is heard before the monitor level, interleaved.
    pub(super) sums: HeapCons<f32>,
    /// The lanes before their pans.
    pub(super) taps: TapsOut,
}

/// Both ends, for lanes of so many channels in all. Allocates.
pub(super) fn wire(rate: u32, channels: usize) -> (Inside, Remote, Feed) {
    let (command_in, command_out) = HeapRb::new(COMMANDS).split();
    let (return_in, return_out) = HeapRb::new(RETURNS).split();
    let (mark_in, mark_out) = HeapRb::new(MARKS).split();
    // A second of sound, so that meters may be read late.
    let (sum_in, sum_out) = HeapRb::new(rate.max(1000) as usize * 2).split();
    let (taps_in, taps_out) = taps(rate, channels);
    let board = Arc::new(Board::new());
    let inside = Inside {
        commands: command_out,
        returns: return_in,
        marks: mark_in,
        sums: sum_in,
        taps: taps_in,
        board: Arc::clone(&board),
    };
    let remote = Remote { commands: command_in, returns: return_out, marks: mark_out, board };
    (inside, remote, Feed { sums: sum_out, taps: taps_out })
}
