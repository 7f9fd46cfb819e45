//! The program itself, run as a user runs it: what it prints, how it ends, what it leaves on disk.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic is the report of a test")]

#[path = "common/decoded.rs"]
mod decoded;
mod program;

#[path = "cli/bouncing.rs"]
mod bouncing;
#[path = "cli/checking.rs"]
mod checking;
#[path = "cli/demo.rs"]
mod demo;
#[path = "cli/editing.rs"]
mod editing;
#[path = "cli/intake.rs"]
mod intake;
#[path = "cli/packaging.rs"]
mod packaging;
#[path = "cli/words.rs"]
mod words;
