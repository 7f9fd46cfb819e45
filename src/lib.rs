//! Tautline: prepares a stack of chorus vocals for mixdown.
//!
//! # The map of the house
//!
//! Data flows downward: a room may use what stands below it, never what stands above.
//!
//! | room | what it does |
//! |---|---|
//! | [`edit`] | operations and their inverses, edit graph, journal, session file |
//! | [`song`] | the model: lanes, regions, fades, units, ids. Plain data |

pub mod edit;
pub mod song;
