//! The room `media` from outside: files of our own making, good, damaged and hostile, read, conformed and written, with
//! hound and symphonia as readers of another origin.

// In tests a panic is the report, also in their helpers.
#![allow(clippy::unwrap_used, clippy::panic)]

#[path = "media/bad_input.rs"]
mod bad_input;
#[path = "media/build.rs"]
mod build;
#[path = "media/conform.rs"]
mod conform;
#[path = "common/decoded.rs"]
mod decoded;
#[path = "media/hostile.rs"]
mod hostile;
#[path = "media/intake.rs"]
mod intake;
#[path = "media/output.rs"]
mod output;
#[path = "media/wave.rs"]
mod wave;
