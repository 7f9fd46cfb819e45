//! One file that holds a folder: a tar archive (POSIX ustar with long names), which every system can unpack.

use std::fs::{self, File};
use std::io::{self, Read};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::BounceError;
use super::manifest::{Listed, Manifest, SUFFIX, Sums};
use crate::media::{MediaError, MediaErrorKind, Progress};

/// What a file in the archive holds.
#[derive(Debug, Clone)]
pub enum Content {
    /// The bytes of a file, which must have this BLAKE3 hash if one is given.
    File(PathBuf, Option<String>),
    /// These bytes.
    Bytes(Vec<u8>),
}

/// What to archive.
#[derive(Debug)]
pub struct ArchiveRequest<'a> {
    /// The archive's own name.
    pub to: &'a Path,
    /// The folder that appears on unpacking.
    pub folder: &'a str,
    /// Names within that folder, and what they hold. A manifest is added.
    pub files: Vec<(String, Content)>,
    /// The manifest without its files.
    pub manifest: Manifest,
    /// Time stamp of all entries, in seconds since 1970.
    pub modified: u64,
    /// Whether an archive of this name may be replaced.
    pub overwrite: bool,
}

/// Writes the archive aside and gives it its name once it is whole. Progress counts bytes.
///
/// # Errors
/// A file cannot be read or is not the one it should be, the archive exists or cannot be written, or `progress` said stop;
/// nothing stands under the archive's name then.
pub fn archive(request: ArchiveRequest<'_>, progress: &dyn Progress) -> Result<u64, BounceError> {
    let to = request.to;
    if !request.overwrite && fs::symlink_metadata(to).is_ok() {
        return Err(BounceError::Exists { paths: vec![to.to_owned()] });
    }
    let folder = to.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let writing = |error: io::Error| BounceError::from(MediaError::writing(to, error));
    let aside = tempfile::Builder::new()
        .prefix(".tautline-")
        // Others in the studio read it; the process's umask still applies.
        .permissions(fs::Permissions::from_mode(0o644))
        .suffix(".part")
        .tempfile_in(folder)
        .map_err(writing)?;
    let file = aside.as_file().try_clone().map_err(writing)?;
    let mut packer = Packer {
        tar: tar::Builder::new(io::BufWriter::with_capacity(1 << 20, file)),
        to,
        folder: request.folder,
        modified: request.modified,
        done: 0,
        total: request.files.iter().map(|(_, content)| content.bytes()).sum(),
        progress,
    };
    let mut manifest = request.manifest;
    for (name, content) in request.files {
        let sums = packer.add(&name, &content)?;
        manifest.files.push(Listed { path: name, sums });
    }
    let name = format!("{}{SUFFIX}.json", request.folder);
    packer.add(&name, &Content::Bytes(manifest.text().into_bytes()))?;
    packer
        .tar
        .into_inner()
        .and_then(|out| out.into_inner().map_err(|e| e.into_error()).map(drop))
        .map_err(writing)?;
    aside.as_file().sync_all().map_err(writing)?;
    let bytes = aside.as_file().metadata().map_or(0, |metadata| metadata.len());
    let named = if request.overwrite { aside.persist(to) } else { aside.persist_noclobber(to) };
    named.map_err(|error| match error.error.kind() {
        io::ErrorKind::AlreadyExists => BounceError::Exists { paths: vec![to.to_owned()] },
        _ => writing(error.error),
    })?;
    Ok(bytes)
}

impl Content {
    fn bytes(&self) -> u64 {
        match self {
            Content::File(path, _) => fs::metadata(path).map_or(0, |metadata| metadata.len()),
            Content::Bytes(bytes) => bytes.len() as u64,
        }
    }
}

struct Packer<'a, W: io::Write> {
    tar: tar::Builder<W>,
    to: &'a Path,
    folder: &'a str,
    modified: u64,
    done: u64,
    total: u64,
    progress: &'a dyn Progress,
}

impl<W: io::Write> Packer<'_, W> {
    fn add(&mut self, name: &str, content: &Content) -> Result<Sums, BounceError> {
        match content {
            Content::Bytes(bytes) => self.append(name, bytes.len() as u64, bytes.as_slice(), self.to),
            Content::File(path, hash) => {
                let file = File::open(path).map_err(|e| MediaError::reading(path, e))?;
                let bytes = file.metadata().map_err(|e| MediaError::reading(path, e))?.len();
                let sums = self.append(name, bytes, file, path)?;
                if sums.bytes == bytes && hash.as_ref().is_none_or(|hash| *hash == sums.blake3) {
                    return Ok(sums);
                }
                let why = "its content has changed since it was taken in".to_owned();
                Err(BounceError::Changed { path: path.clone(), why })
            }
        }
    }

    fn append(&mut self, name: &str, bytes: u64, from: impl Read, path: &Path) -> Result<Sums, BounceError> {
        let mut header = tar::Header::new_gnu();
        header.set_size(bytes);
        header.set_mode(0o644);
        header.set_mtime(self.modified);
        header.set_entry_type(tar::EntryType::Regular);
        let mut counted = Counted {
            // A file that grows meanwhile must not run over what the header says.
            from: from.take(bytes),
            blake3: blake3::Hasher::new(),
            sha256: Sha256::new(),
            bytes: 0,
            failed: false,
            progress: self.progress,
            before: self.done,
            total: self.total,
        };
        let place = format!("{}/{name}", self.folder);
        if let Err(error) = self.tar.append_data(&mut header, place, &mut counted) {
            return Err(match () {
                _ if error.get_ref().is_some_and(|source| source.is::<Stopped>()) => BounceError::Cancelled,
                _ if counted.failed => MediaError::reading(path, error).into(),
                _ => MediaError::writing(self.to, error).into(),
            });
        }
        self.done += counted.bytes;
        if counted.bytes != bytes {
            let why = "it became shorter while it was read";
            return Err(MediaError::new(
                MediaErrorKind::Damaged,
                path,
                why,
                "try again when nobody writes to it",
            )
            .into());
        }
        let sha256 = counted.sha256.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        Ok(Sums { bytes, blake3: counted.blake3.finalize().to_hex().to_string(), sha256 })
    }
}

/// A reader that counts and hashes what passes, and stops when asked to.
struct Counted<'a, R> {
    from: io::Take<R>,
    blake3: blake3::Hasher,
    sha256: Sha256,
    bytes: u64,
    failed: bool,
    progress: &'a dyn Progress,
    before: u64,
    total: u64,
}

impl<R: Read> Read for Counted<'_, R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let got = match self.from.read(out) {
            Ok(got) => got,
            Err(error) => {
                self.failed = true;
                return Err(error);
            }
        };
        let read = out.get(..got).unwrap_or_default();
        self.blake3.update(read);
        self.sha256.update(read);
        self.bytes += got as u64;
        if !self.progress.advance(self.before + self.bytes, self.total) {
            // Not `Interrupted`, on which a copy would try again.
            return Err(io::Error::other(Stopped));
        }
        Ok(got)
    }
}

/// The user asked to stop.
#[derive(Debug, thiserror::Error)]
#[error("stopped as asked")]
struct Stopped;
