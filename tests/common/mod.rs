//! What several integration tests share: sessions made in memory, and commands run on them.
#![allow(dead_code, reason = "each test binary uses a part of it")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a panic in a test is its report")]

use std::path::Path;
use std::sync::Arc;

use tautline::command::{Context, Deaf, Diagnostic, Done, Presets, carry_out, parse};
use tautline::edit::{Session, Store};
use tautline::song::{
    Asset, AssetId, Db, Fade, Lane, LaneId, Length, Pan, Polarity, Position, Region, RegionId, Role, Song,
};

pub const RATE: u32 = 48_000;
pub const TIME: &str = "2026-11-25T10:00:00Z";

/// A session of `lanes` takes of `frames` each, the first one the guide.
pub fn session(lanes: u64, frames: u64) -> Session {
    session_of((0..lanes).map(|_| frames))
}

/// A session of takes with so many frames, the first one the guide.
pub fn session_of(takes: impl Iterator<Item = u64>) -> Session {
    let asset = |id, frames| Asset {
        id: AssetId(id),
        path: format!("take-{id}.wav"),
        blake3: format!("{id:064x}"),
        frames,
        channels: 1,
        rate: RATE,
        bytes: None,
        time_reference: None,
    };
    let (assets, lanes) =
        (1..).zip(takes).map(|(id, frames)| (asset(id, frames), Arc::new(lane(id, frames)))).unzip();
    Session::new("Lantern Row".into(), RATE, None, assets, Song { lanes, ..Song::default() })
}

/// The lane of a take that stands as it was sung.
pub fn lane(id: u64, frames: u64) -> Lane {
    Lane {
        id: LaneId(id),
        name: format!("take-{id}"),
        role: if id == 1 { Role::Guide } else { Role::Double },
        asset: AssetId(id),
        gain_db: Db(0.0),
        pan: Pan(0.0),
        polarity: Polarity::Normal,
        mute: false,
        solo: false,
        tone: None,
        notes: vec![],
        holds: Vec::new(),
        regions: vec![Arc::new(whole(id, id, frames))],
    }
}

pub fn whole(id: u64, asset: u64, frames: u64) -> Region {
    Region {
        id: RegionId(id),
        asset: AssetId(asset),
        source_in: 0,
        length: Length(frames),
        at: Position(0),
        gain_db: Db(0.0),
        highpass_hz: None,
        fade_in: Fade::NONE,
        fade_out: Fade::NONE,
    }
}

/// A store in a folder.
pub fn store(folder: &Path, lanes: u64, frames: u64) -> Store {
    Store::create(&folder.join("song.json"), session(lanes, frames)).unwrap()
}

/// Runs a line; gives what the last command did.
pub fn run(store: &mut Store, line: &str) -> Result<Done, Diagnostic> {
    let presets = Presets::new();
    let mut done = Err(Diagnostic::refusal("empty line"));
    for command in parse(line)? {
        let context = Context { session: store.session(), cursor: None, presets: &presets, hearing: &Deaf };
        let action = command.call.resolve(&context)?;
        done = Ok(carry_out(store, action, &command.text, TIME)
            .map_err(|error| Diagnostic::refusal(error.to_string()))?);
    }
    done
}

/// (at, source_in, length, fade-in, fade-out) of each region of a lane.
pub fn shape(store: &Store, number: usize) -> Vec<(i64, u64, u64, u64, u64)> {
    store.session().song().lanes[number - 1]
        .regions
        .iter()
        .map(|r| (r.at.0, r.source_in, r.length.0, r.fade_in.length.0, r.fade_out.length.0))
        .collect()
}

/// The text of a refusal.
pub fn refusal(store: &mut Store, line: &str) -> String {
    let before = store.session().song().clone();
    let text = run(store, line).expect_err(line).to_string();
    assert_eq!(*store.session().song(), before, "{line} changed something");
    text
}

/// A temporary folder in memory where the machine has one, so that thousands of synced writes stay
/// quick; what is synced there goes the same way through the program.
pub fn quick_folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    if memory.is_dir()
        && let Ok(folder) = tempfile::tempdir_in(memory)
    {
        return folder;
    }
    tempfile::tempdir().unwrap()
}

/// Names and contents of all files in a folder.
pub fn contents(folder: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let content = std::fs::read_link(&path)
                .map(|to| to.to_string_lossy().into_owned().into_bytes())
                .or_else(|_| std::fs::read(&path))
                .unwrap_or_default();
            (name, content)
        })
        .collect()
}
