//! What can go wrong with a recording or an output file.

use std::io;
use std::path::{Path, PathBuf};

/// The kind of a [`MediaError`], from which callers choose an exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MediaErrorKind {
    /// There is no such file.
    Missing,
    /// The file is there, but the system does not let it be read.
    Unreadable,
    /// The bytes are not what the file claims to be, or make no sense.
    Damaged,
    /// A sound file that this program does not take.
    Unsupported,
    /// An output file could not be written.
    Output,
    /// The disk or the quota is full.
    Full,
    /// The caller asked to stop.
    Cancelled,
}

/// What failed, where, why, and what to do about it.
#[derive(Debug, thiserror::Error)]
#[error("{}: {why}; {remedy}", path.display())]
pub struct MediaError {
    kind: MediaErrorKind,
    path: PathBuf,
    why: String,
    remedy: String,
    #[source]
    source: Option<io::Error>,
}

impl MediaError {
    /// An error about `path`: `why` says what is wrong, `remedy` what the user can do.
    #[must_use]
    pub fn new(
        kind: MediaErrorKind,
        path: &Path,
        why: impl Into<String>,
        remedy: impl Into<String>,
    ) -> MediaError {
        MediaError { kind, path: path.to_path_buf(), why: why.into(), remedy: remedy.into(), source: None }
    }

    /// What kind of failure this is.
    #[must_use]
    pub fn kind(&self) -> MediaErrorKind {
        self.kind
    }

    /// The file that it is about.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What is wrong, without the path and the remedy.
    #[must_use]
    pub fn why(&self) -> &str {
        &self.why
    }

    /// What to do about it.
    #[must_use]
    pub fn remedy(&self) -> &str {
        &self.remedy
    }

    /// The same error about `path`: for files that grow under another name than the user knows.
    pub(crate) fn with_path(self, path: PathBuf) -> MediaError {
        MediaError { path, ..self }
    }

    /// The system refused to open or read `path`.
    pub(crate) fn reading(path: &Path, source: io::Error) -> MediaError {
        let (kind, why, remedy) = match source.kind() {
            io::ErrorKind::NotFound => (
                MediaErrorKind::Missing,
                "there is no such file".to_owned(),
                "put it there, or name the place where it is",
            ),
            io::ErrorKind::PermissionDenied => (
                MediaErrorKind::Unreadable,
                "it may not be read".to_owned(),
                "give yourself the permission to read it",
            ),
            _ => (
                MediaErrorKind::Unreadable,
                format!("it cannot be read ({source})"),
                "check that the disk is connected and sound",
            ),
        };
        MediaError { source: Some(source), ..MediaError::new(kind, path, why, remedy) }
    }

    /// The system refused to create, write or rename `path`.
    pub(crate) fn writing(path: &Path, source: io::Error) -> MediaError {
        let (kind, why, remedy) = match source.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => (
                MediaErrorKind::Full,
                "the disk is full, nothing was written".to_owned(),
                "make room or choose another folder",
            ),
            io::ErrorKind::NotFound => (
                MediaErrorKind::Output,
                "its folder does not exist".to_owned(),
                "make the folder or choose another",
            ),
            io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => (
                MediaErrorKind::Output,
                "its folder may not be written to".to_owned(),
                "choose another folder or change its permissions",
            ),
            _ => (
                MediaErrorKind::Output,
                format!("it cannot be written ({source})"),
                "choose another folder or disk",
            ),
        };
        MediaError { source: Some(source), ..MediaError::new(kind, path, why, remedy) }
    }

    pub(crate) fn damaged(path: &Path, why: impl Into<String>) -> MediaError {
        MediaError::new(MediaErrorKind::Damaged, path, why, "copy or export the recording again")
    }

    pub(crate) fn unsupported(path: &Path, why: impl Into<String>, remedy: &str) -> MediaError {
        MediaError::new(MediaErrorKind::Unsupported, path, why, remedy)
    }

    pub(crate) fn cancelled(path: &Path) -> MediaError {
        MediaError::new(MediaErrorKind::Cancelled, path, "stopped as asked", "nothing was written")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_the_file_the_reason_and_the_remedy() {
        let error = MediaError::reading(Path::new("takes/lead.wav"), io::ErrorKind::NotFound.into());
        assert_eq!(error.kind(), MediaErrorKind::Missing);
        let text = error.to_string();
        assert!(text.starts_with("takes/lead.wav: there is no such file; put it there"), "{text}");
    }

    #[test]
    fn a_full_disk_and_a_full_quota_are_told_apart_from_other_failures() {
        for (cause, kind) in [
            (io::ErrorKind::StorageFull, MediaErrorKind::Full),
            (io::ErrorKind::QuotaExceeded, MediaErrorKind::Full),
            (io::ErrorKind::PermissionDenied, MediaErrorKind::Output),
            (io::ErrorKind::BrokenPipe, MediaErrorKind::Output),
        ] {
            assert_eq!(MediaError::writing(Path::new("out.wav"), cause.into()).kind(), kind);
        }
    }
}
