//! Tautline: prepares a stack of chorus vocals for mixdown.
//!
//! # The map of the house
//!
//! Data flows downward: a room may use what stands below it, never what stands above.
//!
//! | room | what it does |
//! |---|---|
//! | [`song`] | the model: lanes, regions, fades, units, ids. Plain data |
//! | [`media`] | recordings on disk: read, measured, conformed; output files |

pub mod media;
pub mod song;
