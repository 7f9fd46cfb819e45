//! The user's folders, by the XDG base directory rules.

use std::path::PathBuf;

use etcetera::BaseStrategy;

/// Where copies that can be made again are kept. Without a home folder: a folder for temporary files.
pub fn cache() -> PathBuf {
    etcetera::choose_base_strategy().map_or_else(
        |_| std::env::temp_dir().join("tautline-cache"),
        |base| base.cache_dir().join("tautline"),
    )
}

/// Where the user's own presets are; `None` without a home folder.
pub fn config() -> Option<PathBuf> {
    etcetera::choose_base_strategy().ok().map(|base| base.config_dir().join("tautline"))
}

/// Where the program remembers what it did, such as how one looked at a session; `None` without a home folder.
pub fn state() -> Option<PathBuf> {
    let base = etcetera::choose_base_strategy().ok()?;
    base.state_dir().or_else(|| Some(base.config_dir())).map(|folder| folder.join("tautline"))
}
