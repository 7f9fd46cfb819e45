//! Audition: what is edited is heard, at once, in a loop, in any combination of lanes.
//!
//! ```text
//!   commands ─ring─▶ ┌─────────────────────────────────┐ ─ring─▶ scenes to drop, marks, sum and lanes for the meters
//!   blocks   ─ring─▶ │ Renderer: voices → swap → ramp  │ ─ring─▶ blocks to fill again
//!                    │           × level → ceiling     │
//!                    └────────────────┬────────────────┘
//!                      device · pipe · file · nowhere
//! ```
//!
//! - [`Renderer`] is the realtime side: plan and kernel of the bounce, changes crossfaded over 3 ms, a ceiling at −1 dBTP.
//! - [`cache`] keeps samples at hand within a budget; a reader thread looks ahead, and keeps the loop.
//! - [`Player`] is the other side, for the thread that gives commands; [`Listening`] says what is heard.
//! - [`Output`]: a sound device (only with the feature `audio`), a pipe, a file, or nowhere in real time.
//!
//! **Real-time safety.** [`Renderer::render`] and what it calls neither allocate nor free, lock, wait, log, nor call the
//! system; a test counts. What it needs arrives whole over rings, what it has done with goes back whole and is dropped
//! by others.
//!
//! **Tone.** Lanes go through the processors of the bounce, between the same halves of the kernel. They are made outside the
//! callback and travel with the scene ([`Staged`]); what they do where sound begins stands in [`ToneSet`].
//!
//! **Latency**, from a command to the loudspeaker: at most one callback until it is taken, at most 3 ms if a
//! crossfade is under way, the ceiling (1 ms + 11 samples), then the device. A change whose samples are not in memory
//! waits for them, 12 ms at most for an edit and 120 ms for a jump, while what was heard sounds on. A jump among lanes that
//! have a tone also waits for their pre-roll: 20 ms for some lanes, 100 ms for 64.
//!
//! **Exact.** Away from changes, at unity and below the ceiling, what comes out is what the bounce writes, bit for bit;
//! none of the monitor path is ever in a bounce.
//!
//! Not here: terminals, sessions, commands' text. The room is told a plan and files.

pub mod cache;
mod ceiling;
mod ends;
mod error;
mod glide;
mod head;
#[cfg(test)]
mod interleavings;
mod lane_meter;
mod listening;
mod master;
mod meters;
mod outputs;
mod pace;
mod pending;
mod player;
mod quiet;
mod renderer;
mod setup;
mod source;
mod taps;
mod tone_set;
mod voice;
mod wire;

pub use ceiling::CEILING;
pub use error::AuditionError;
pub use lane_meter::LaneReading;
pub use listening::{Choice, Listening, Scene, Through};
pub use meters::{MeterBank, MeterDesk, Meters, Readings};
pub use outputs::{
    DeviceInfo, Engine, Lease, Output, OutputChoice, OutputInfo, OutputOptions, OutputState, devices,
};
pub use player::{Event, Player, Status};
pub use quiet::Quiet;
pub use renderer::Renderer;
pub use setup::Setup;
pub use source::Source;
pub use tone_set::ToneSet;
pub use wire::{Board, Command, Feed, Mark, Remote, Staged};
