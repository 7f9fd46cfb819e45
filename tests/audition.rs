//! The engine behind every output, played from memory: what it renders is what the bounce would hold, whatever is
//! done to it while it plays.

#[path = "rendering/mod.rs"]
mod rendering;
#[path = "toning/mod.rs"]
mod toning;

#[path = "audition/clicks.rs"]
mod clicks;
#[path = "audition/engine.rs"]
mod engine;
#[path = "audition/exact.rs"]
mod exact;
#[path = "audition/played.rs"]
mod played;
#[path = "audition/safety.rs"]
mod safety;
#[path = "audition/tone.rs"]
mod tone;
