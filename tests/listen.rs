//! The room `listen` and the commands that hear, on material with known truth.

// In tests a panic is the report, also in their helpers.
#![allow(clippy::unwrap_used, clippy::panic)]

#[path = "listen/cli.rs"]
mod cli;
mod common;
#[path = "listen/demo.rs"]
mod demo;
#[path = "listen/endings.rs"]
mod endings;
#[path = "listen/material.rs"]
mod material;
#[path = "listen/seams.rs"]
mod seams;
#[path = "listen/trouble.rs"]
mod trouble;
#[path = "listen/verbs.rs"]
mod verbs;
