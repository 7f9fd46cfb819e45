//! The `tautline` program.
fn main() {}
