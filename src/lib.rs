//! Tautline: prepares a stack of chorus vocals for mixdown.
//!
//! # The map of the house
//!
//! Data flows downward: a room may use what stands below it, never what stands above.
//!
//! | room | what it does |
//! |---|---|
//! | [`handoff`] | the bounce: consolidated files of every lane and the stack's sum |
//! | [`mix`] | the plan compiled from a song, and the kernel that renders any block of it |
//! | [`sound`] | DSP parts: fade laws, pan laws |
//! | [`song`] | the model: lanes, regions, fades, units, ids. Plain data |
//! | [`media`] | recordings on disk: read, measured, conformed; output files |

pub mod handoff;
pub mod media;
pub mod mix;
pub mod song;
pub mod sound;
