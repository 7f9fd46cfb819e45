//! Analysis: pure functions on samples and on what was measured of them.

pub mod first_onsets;
