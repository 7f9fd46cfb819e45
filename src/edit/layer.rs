//! The file layer: every step by which a store changes what is on disk.
//!
//! The steps are few and named, so that a test can make each of them fail in turn (`tests/faults.rs`) and
//! prove that no acknowledged edit is lost. Reading needs no such care: it changes nothing.

use std::ffi::OsStr;
use std::fmt::Debug;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use tempfile::NamedTempFile;

/// How the names of files end that are written aside.
pub(super) const ASIDE_SUFFIX: &str = ".saving";

/// What a store does to a disk. The methods as they are do it to the real one; a test wraps them.
pub trait Disk: Debug + Send + Sync {
    /// Opens a journal for reading and writing, and makes it if it is not there.
    ///
    /// # Errors
    /// Those of the system.
    fn open_journal(&self, path: &Path) -> io::Result<File> {
        OpenOptions::new().read(true).write(true).create(true).truncate(false).open(path)
    }

    /// Makes an empty file with a name of its own that begins with `prefix`; it goes when it is dropped.
    ///
    /// # Errors
    /// Those of the system.
    fn make_aside(&self, folder: &Path, prefix: &OsStr, mode: u32) -> io::Result<NamedTempFile> {
        tempfile::Builder::new()
            .prefix(prefix)
            .suffix(ASIDE_SUFFIX)
            .permissions(fs::Permissions::from_mode(mode))
            .tempfile_in(folder)
    }

    /// Writes some of the bytes, from the file's place on; gives how many.
    ///
    /// # Errors
    /// Those of the system.
    fn write(&self, file: &mut File, bytes: &[u8]) -> io::Result<usize> {
        file.write(bytes)
    }

    /// Cuts a file off at a length in bytes.
    ///
    /// # Errors
    /// Those of the system.
    fn cut(&self, file: &File, length: u64) -> io::Result<()> {
        file.set_len(length)
    }

    /// Waits until the content of a file is on the disk.
    ///
    /// # Errors
    /// Those of the system. What was not on the disk before may be there or not.
    fn sync(&self, file: &File) -> io::Result<()> {
        // Of what is left out here (times, …) nothing is needed to read the bytes back.
        file.sync_data()
    }

    /// Waits until the names in a folder are on the disk.
    ///
    /// # Errors
    /// Those of the system.
    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        File::open(folder)?.sync_all()
    }

    /// Gives a file that was written aside its name; takes the place of another one only with `replace`.
    ///
    /// # Errors
    /// Those of the system; the file that was written aside is gone then.
    fn give_name(&self, aside: NamedTempFile, path: &Path, replace: bool) -> io::Result<()> {
        let named = if replace { aside.persist(path) } else { aside.persist_noclobber(path) };
        named.map(drop).map_err(|error| error.error)
    }

    /// Takes a file away.
    ///
    /// # Errors
    /// Those of the system.
    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }
}

/// The real disk.
#[derive(Debug, Clone, Copy, Default)]
pub struct PlainDisk;

impl Disk for PlainDisk {}

/// A file seen through a layer: short writes are taken up again by `write_all`.
pub(super) struct Through<'a> {
    pub(super) disk: &'a dyn Disk,
    pub(super) file: &'a mut File,
}

impl Write for Through<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.disk.write(self.file, bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
