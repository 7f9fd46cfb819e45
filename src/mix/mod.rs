//! From a song to sound: an immutable [`Plan`] compiled from it, and the [kernel] that renders any block
//! of a plan. The loudspeaker and the bounce use the same kernel and so get the same samples.
//!
//! The way of a sample: asset → region high-pass, gain and fades → tone → lane gain and polarity → pan → bus.
//!
//! Not here: where samples come from (whoever renders brings a [`Samples`]), what is listened to, files.

pub mod highpass;
pub mod kernel;
mod plan;
mod tone;

pub use highpass::LowPart;
pub use kernel::{Bus, Samples, Scratch, mix_into, pan_into, render_edits, render_lane, set_level};
pub use plan::{Plan, PlanLane, Segment};
pub use tone::{Ear, ToneGroup, ToneStage, preroll};
