//! The files of a session: read with limits, locked, written aside and renamed.

use std::ffi::{OsStr, OsString};
use std::fs::{self, File};
use std::io::{self, BufWriter, Read, Write};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::Path;

use super::error::StoreError;
use super::journal;
use super::layer::{ASIDE_SUFFIX, Disk, Through};
use super::session::Session;

/// Larger files are not sessions: this is room for millions of edits.
const LARGEST_FILE: u64 = 1 << 30;

/// How often one who does not hold the lock looks again because the writer was just saving.
const LOOKS: usize = 50;

/// Reads the journal before the session: a writer saves the session before it clears the journal, so
/// in this order no edit can be missed.
///
/// One who does not hold the lock may read the journal while it is cleared and written anew, and have
/// the beginning of one line before the end of another. What was read holds only if the journal still
/// begins with it afterwards.
pub(super) fn load(
    path: &Path,
    journal_path: &Path,
    locked: bool,
) -> Result<(Session, journal::Contents), StoreError> {
    for _ in 0..LOOKS {
        let journal_bytes = read_journal(journal_path)?;
        let session_bytes = read_limited(path)?;
        if locked || journal_bytes.is_empty() || read_journal(journal_path)?.starts_with(&journal_bytes) {
            return fold(path, &session_bytes, journal_path, &journal_bytes);
        }
    }
    Err(StoreError::Restless { path: path.to_owned() })
}

fn fold(
    path: &Path,
    session_bytes: &[u8],
    journal_path: &Path,
    journal_bytes: &[u8],
) -> Result<(Session, journal::Contents), StoreError> {
    let mut session = Session::from_json(path, session_bytes)?;
    let mut contents = journal::parse(journal_path, journal_bytes)?;
    for (index, record) in std::mem::take(&mut contents.records).into_iter().enumerate() {
        session.fold(record.clone()).map_err(|why| StoreError::Journal {
            path: journal_path.to_owned(),
            why: format!("line {}: {why}", index + 1),
        })?;
        contents.records.push(record);
    }
    Ok((session, contents))
}

/// The bytes of the journal; none where there is no journal.
fn read_journal(path: &Path) -> Result<Vec<u8>, StoreError> {
    match read_limited(path) {
        Err(StoreError::Read { source, .. }) if source.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        read => read,
    }
}

fn read_limited(path: &Path) -> Result<Vec<u8>, StoreError> {
    let failed = |source| StoreError::read(path, source);
    // Asked before opening: to open a pipe would wait until somebody writes to it.
    if !fs::metadata(path).map_err(failed)?.is_file() {
        return Err(StoreError::damaged(path, "it is not a regular file"));
    }
    let file = File::open(path).map_err(failed)?;
    let bytes = file.metadata().map_err(failed)?.len();
    if bytes > LARGEST_FILE {
        return Err(StoreError::TooLarge { path: path.to_owned(), bytes, limit: LARGEST_FILE });
    }
    let mut content = Vec::new();
    file.take(LARGEST_FILE).read_to_end(&mut content).map_err(failed)?;
    Ok(content)
}

/// Why a session cannot be edited here and now.
#[derive(Debug, Clone)]
pub(super) struct Denial {
    /// In words.
    pub(super) why: String,
    /// The disk or its rights are in the way, not another program.
    pub(super) unwritable: bool,
}

impl Denial {
    fn unwritable(why: String) -> Denial {
        Denial { why, unwritable: true }
    }

    pub(super) fn busy(why: &str) -> Denial {
        Denial { why: why.into(), unwritable: false }
    }
}

/// Why a file is not to be written, if nobody may.
pub(super) fn protection(path: &Path) -> Option<Denial> {
    let protected = fs::metadata(path).is_ok_and(|metadata| metadata.permissions().readonly());
    protected.then(|| Denial::unwritable(format!("{} is write-protected", path.display())))
}

/// Opens the journal and takes the lock on it.
pub(super) fn lock_journal(disk: &dyn Disk, path: &Path) -> Result<File, Denial> {
    // Somebody closing the session removes the journal while holding the lock; a file opened just
    // before that is locked in vain, since a third one would make a new file. So look again.
    for _ in 0..50 {
        let unwritable = |what: &str, error: &dyn std::fmt::Display| {
            Denial::unwritable(format!("{} cannot be {what}: {error}", path.display()))
        };
        let file = disk.open_journal(path).map_err(|error| unwritable("written", &error))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(fs::TryLockError::WouldBlock) => {
                return Err(Denial::busy("another tautline is editing this session"));
            }
            Err(fs::TryLockError::Error(error)) => {
                return Err(unwritable("locked", &error));
            }
        }
        let same = file.metadata().ok().zip(fs::metadata(path).ok());
        if same.is_some_and(|(held, named)| held.ino() == named.ino() && held.dev() == named.dev()) {
            let synced = disk.sync_folder(folder_of(path));
            synced.map_err(|error| unwritable("kept in its folder", &error))?;
            return Ok(file);
        }
    }
    Err(Denial::busy("its journal keeps vanishing; another tautline opens and closes this session"))
}

/// Removes the journal whose lock is held, if nothing is in it.
pub(super) fn remove_if_empty(disk: &dyn Disk, file: &File, path: &Path) {
    if file.metadata().is_ok_and(|metadata| metadata.len() == 0) {
        // An empty journal left behind does no harm.
        let _ = disk.remove(path);
    }
}

/// Writes a session aside, syncs it, and gives it its name.
pub(super) fn write_whole(disk: &dyn Disk, path: &Path, session: &Session, replace: bool) -> io::Result<()> {
    let folder = folder_of(path);
    let mode = fs::metadata(path).map_or(0o644, |metadata| metadata.permissions().mode() & 0o777);
    let mut aside = disk.make_aside(folder, &aside_prefix(path), mode)?;
    let mut out = BufWriter::with_capacity(1 << 16, Through { disk, file: aside.as_file_mut() });
    session.write_json(&mut out)?;
    out.flush()?;
    drop(out);
    disk.sync(aside.as_file())?;
    disk.give_name(aside, path, replace)?;
    let synced = disk.sync_folder(folder);
    if synced.is_err() && !replace {
        // The error will say that nothing was made. Where it cannot be taken away either, a whole session stays.
        let _ = disk.remove(path);
    }
    synced
}

/// How the names of files begin that are written aside for a session, so that each has its own.
fn aside_prefix(path: &Path) -> OsString {
    let mut prefix = OsString::from(".");
    prefix.push(path.file_name().unwrap_or_default());
    prefix.push(".");
    prefix
}

/// Takes away what a program that was killed while saving has left half written. Only for the one
/// who holds the lock: nobody else saves this session then.
pub(super) fn remove_left_aside(disk: &dyn Disk, path: &Path) {
    let prefix = aside_prefix(path);
    let is_aside = |name: &OsStr| {
        let name = name.as_encoded_bytes();
        let rest = name.strip_prefix(prefix.as_encoded_bytes());
        // Without the test for a dot, `song` would take away what `song.json` is just saving.
        rest.and_then(|rest| rest.strip_suffix(ASIDE_SUFFIX.as_bytes()))
            .is_some_and(|rest| !rest.contains(&b'.'))
    };
    for entry in fs::read_dir(folder_of(path)).into_iter().flatten().flatten() {
        if is_aside(&entry.file_name()) {
            // One that stays does no harm.
            let _ = disk.remove(&entry.path());
        }
    }
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}
