//! Audition: what is edited is heard, at once, in a loop, in any combination of lanes.
//!
//! ```text
//!   commands ─ring─▶ ┌────────────────────────────────┐ ─ring─▶ scenes to drop, marks, sum for the meters
//!   blocks   ─ring─▶ │ Renderer: voices → swap → ramp  │ ─ring─▶ blocks to use again
//!                    │ × level → ceiling               │
//!                    └───────────────┬────────────────┘
//!                     device · pipe · file · none
//! ```
mod ceiling;
mod glide;
mod head;
mod listening;
mod renderer;
mod setup;
mod source;
mod voice;
mod wire;

pub use ceiling::CEILING;
pub use listening::{Choice, Listening, Scene};
pub use renderer::Renderer;
pub use setup::Setup;
pub use source::Source;
pub use wire::{Board, Command, Mark, Remote};
