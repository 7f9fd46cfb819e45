//! Library code over hostile bytes: a panic in it is a damaged file, and nobody hears of it otherwise.

use std::cell::Cell;
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
