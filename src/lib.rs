//! Tautline: prepares a stack of chorus vocals for mixdown.
//!
//! # The map of the house
//!
//! Data flows downward: a room may use what stands below it, never what stands above.
//!
//! | room | what it does |
//! |---|---|
//! | [`cli`] | the command line: one file per subcommand; terminals, clocks and exit codes live here |
//! | [`handoff`] | the check, the bounce (consolidated files of every lane and the stack's sum), timeline, sheet, manifest |
//! | [`screen`] | the terminal UI: state, update, views, widgets, keymaps, themes. No files, no DSP |
//! | [`audition`] | transport, realtime engine, block cache, devices and other outputs: edits heard at once |
//! | [`command`] | grammar, scopes, one file per verb: a line of text becomes resolved operations |
//! | [`listen`] | what a recording holds: phrases, consonants, breaths, floor; where two sounds join best |
//! | [`mix`] | the plan compiled from a song, and the kernel that renders any block of it |
//! | [`sound`] | DSP parts: fade laws, pan laws, filters, the processors of a tone, dither, loudness |
//! | [`edit`] | operations and their inverses, edit graph, journal, session file |
//! | [`song`] | the model: lanes, regions, fades, units, ids. Plain data |
//! | [`media`] | recordings on disk: read, measured, conformed; output files |
//!
//! `song`, `edit`, `command`, `listen`, `mix` and `sound` are silent and deterministic: no terminal, clock,
//! environment or device in them. Time stamps, folders and presets are handed in.

// Product code has no way to panic; tests may, since there a panic is the report.
#![deny(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

pub mod audition;
pub mod cli;
pub mod command;
pub mod edit;
pub mod handoff;
pub mod listen;
pub mod media;
pub mod mix;
pub mod screen;
pub mod song;
pub mod sound;
