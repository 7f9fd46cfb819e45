//! The program with a cache and a configuration of its own.

use std::path::Path;

use assert_cmd::Command;

/// The program, which keeps what it keeps in `folder`.
pub fn tautline(folder: &Path) -> Command {
    let mut command = Command::cargo_bin("tautline").unwrap();
    command.env("XDG_CACHE_HOME", folder.join("cache"));
    command.env("XDG_CONFIG_HOME", folder.join("config"));
    command
}
