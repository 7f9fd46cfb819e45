//! Library code over hostile bytes: a panic in it is a damaged file, and nobody hears of it otherwise.

use std::cell::Cell;
use std::fs::{self, File};
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use super::MediaError;

thread_local! {
    static GUARDED: Cell<bool> = const { Cell::new(false) };
}

/// True while this thread runs code whose panic will be caught and told as an error: a panic hook has nothing to say then.
#[must_use]
pub fn panic_is_guarded() -> bool {
    GUARDED.get()
}

/// Runs library code over hostile bytes: should it panic, the file counts as damaged.
pub(crate) fn guard<T>(path: &Path, work: impl FnOnce() -> T) -> Result<T, MediaError> {
    let before = GUARDED.replace(true);
    let result = catch_unwind(AssertUnwindSafe(work));
    GUARDED.set(before);
    result.map_err(|_| MediaError::damaged(path, "it is damaged in a way that no decoder can follow"))
}

/// Opens a file to be read. To open a pipe would wait until somebody writes to it, so what is no file is refused first.
pub(crate) fn open_file(path: &Path) -> Result<File, MediaError> {
    let reading = |error| MediaError::reading(path, error);
    if !fs::metadata(path).map_err(reading)?.is_file() {
        return Err(reading(io::Error::other("it is not a regular file")));
    }
    File::open(path).map_err(reading)
}
