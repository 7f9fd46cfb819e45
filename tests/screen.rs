//! The screen without a terminal: events in, state and effects out, and pictures as text.

mod common;

#[path = "screen/anything.rs"]
mod anything;
#[path = "screen/desk.rs"]
mod desk;
#[path = "screen/hands.rs"]
mod hands;
#[path = "screen/pictures.rs"]
mod pictures;
#[path = "screen/tone.rs"]
mod tone;
