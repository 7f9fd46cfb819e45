//! Tautline: prepares a stack of chorus vocals for mixdown.
//!
//! # The map of the house
//!
//! Data flows downward: a room may use what stands below it, never what stands above.
//!
//! | room | what it does |
//! |---|---|
//! | [`command`] | grammar, scopes, one file per verb: a line of text becomes resolved operations |
//! | [`edit`] | operations and their inverses, edit graph, journal, session file |
//! | [`song`] | the model: lanes, regions, fades, units, ids. Plain data |
//! | [`media`] | recordings on disk: read, measured, conformed; output files |

pub mod command;
pub mod edit;
pub mod media;
pub mod song;
