//! How one looked at a session, and what one typed, from one run to the next.

use std::path::{Path, PathBuf};

use crate::cli::{aside, folders};
use crate::screen::View;

/// Larger files are none of ours.
const LARGEST: u64 = 1 << 20;
/// Lines of history kept.
const LINES: usize = 500;

fn view_path(session: &Path) -> Option<PathBuf> {
    let whole = std::fs::canonicalize(session).unwrap_or_else(|_| session.to_owned());
    let hash = blake3::hash(whole.as_os_str().as_encoded_bytes()).to_hex();
    Some(folders::state()?.join("views").join(format!("{}.json", &hash[..24])))
}

/// How one looked at this session last time; as for the first time if that cannot be read.
pub fn view(session: &Path) -> View {
    let text = view_path(session).and_then(|path| read(&path));
    text.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default()
}

/// Lines typed in earlier runs, the newest last.
pub fn lines() -> Vec<String> {
    let text = folders::state().and_then(|folder| read(&folder.join("lines"))).unwrap_or_default();
    let all: Vec<String> = text.lines().map(str::to_owned).collect();
    all[all.len().saturating_sub(LINES)..].to_vec()
}

/// Keeps both. That it can fail does no harm to any session.
pub fn keep(session: &Path, view: &View, lines: &[String]) {
    if let (Some(path), Ok(text)) = (view_path(session), serde_json::to_string(view)) {
        let _ = aside::write(&path, &text);
    }
    if let Some(folder) = folders::state() {
        let mut text = lines[lines.len().saturating_sub(LINES)..].join("\n");
        text.push('\n');
        let _ = aside::write(&folder.join("lines"), &text);
    }
}

fn read(path: &Path) -> Option<String> {
    let size = std::fs::metadata(path).ok()?.len();
    if size > LARGEST { None } else { std::fs::read_to_string(path).ok() }
}
