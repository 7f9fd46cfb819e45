//! The content hash by which a session knows its recordings.

use std::io::Read;
use std::path::Path;

use super::guard::open_file;
use super::{MediaError, Progress, Silent};

const BLOCK: usize = 256 * 1024;

/// BLAKE3 of the file's bytes as 64 lower-case hexadecimal digits, read in blocks.
///
/// # Errors
/// The file is missing or cannot be read.
pub fn hash_file(path: &Path) -> Result<String, MediaError> {
    hash_with(path, &Silent)
}

/// As [`hash_file`], with progress in bytes.
pub(crate) fn hash_with(path: &Path, progress: &dyn Progress) -> Result<String, MediaError> {
    let mut file = open_file(path)?;
    let total = file.metadata().map_err(|e| MediaError::reading(path, e))?.len();
    let mut hasher = blake3::Hasher::new();
    let mut block = vec![0; BLOCK];
    let mut done = 0;
    loop {
        let got = match file.read(&mut block) {
            Ok(0) => return Ok(hasher.finalize().to_hex().to_string()),
            Ok(got) => got,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(MediaError::reading(path, e)),
        };
        hasher.update(&block[..got]);
        done += got as u64;
        if !progress.advance(done, total) {
            return Err(MediaError::cancelled(path));
        }
    }
}
