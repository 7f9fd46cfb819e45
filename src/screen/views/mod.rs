//! Views: each fills the screen between the bar and the line of facts.

pub mod close;
pub mod graph;
pub mod help;
pub mod lanes;
pub mod log;
pub mod proposals;
pub mod tone;
