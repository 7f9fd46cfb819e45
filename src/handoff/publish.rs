//! Complete files get their final names all together or not at all.

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use super::BounceError;

/// A hidden folder inside the target folder in which files grow until all are complete. Dropped before
/// [`publish`](Staging::publish) it vanishes with everything in it.
#[derive(Debug)]
pub(super) struct Staging {
    // First, so that it is gone before the folder around it is tried.
    growing: TempDir,
    folder: NewFolder,
    names: Vec<String>,
    overwrite: bool,
}

/// The target folder; if it was made here it is removed again unless something is put into it.
#[derive(Debug)]
struct NewFolder {
    path: PathBuf,
    made: bool,
}

impl Drop for NewFolder {
    fn drop(&mut self) {
        if self.made {
            // Fails if there is something in it, which is the case that must stay.
            let _ = fs::remove_dir(&self.path);
        }
    }
}

impl Staging {
    /// Prepares to write files called `names` into `folder`, which is made if it does not exist.
    ///
    /// # Errors
    /// Something of these names stands there and `overwrite` is not set, or is no file; the folder cannot
    /// be written to.
    pub(super) fn new(folder: &Path, names: Vec<String>, overwrite: bool) -> Result<Staging, BounceError> {
        let in_the_way = |path: &PathBuf| match fs::symlink_metadata(path) {
            Ok(found) => !overwrite || found.is_dir(),
            Err(_) => false,
        };
        let paths: Vec<PathBuf> = names.iter().map(|name| folder.join(name)).filter(in_the_way).collect();
        if !paths.is_empty() {
            return Err(BounceError::Exists { paths });
        }
        let refused = |source| BounceError::Folder { path: folder.to_path_buf(), source };
        if folder.exists() && !folder.is_dir() {
            return Err(refused(std::io::Error::other("it is a file, not a folder")));
        }
        let made = !folder.exists();
        fs::create_dir_all(folder).map_err(refused)?;
        let folder = NewFolder { path: folder.to_path_buf(), made };
        let growing = tempfile::Builder::new().prefix(".tautline-bounce-").tempdir_in(&folder.path);
        let growing = growing.map_err(|source| BounceError::Folder { path: folder.path.clone(), source })?;
        Ok(Staging { growing, folder, names, overwrite })
    }

    /// Where the file at `index` grows.
    pub(super) fn growing(&self, index: usize) -> PathBuf {
        self.growing.path().join(&self.names[index])
    }

    /// Where the file at `index` will stand.
    pub(super) fn target(&self, index: usize) -> PathBuf {
        self.folder.path.join(&self.names[index])
    }

    /// Names a file in an error as it would have been called: the name under which it grew says nothing to anybody.
    pub(super) fn in_words(&self, error: BounceError) -> BounceError {
        match error {
            BounceError::Media(error) if error.path().starts_with(self.growing.path()) => {
                let name = error.path().file_name().unwrap_or_default().to_owned();
                BounceError::Media(error.with_path(self.folder.path.join(name)))
            }
            other => other,
        }
    }

    /// Gives all files their final names.
    ///
    /// # Errors
    /// The system refuses one of them, or a file of that name has come up meanwhile; files that already
    /// had their names lose them again unless they replaced others.
    pub(super) fn publish(self) -> Result<(), BounceError> {
        for index in 0..self.names.len() {
            if let Err(error) = self.publish_one(index) {
                if !self.overwrite {
                    (0..index).for_each(|earlier| drop(fs::remove_file(self.target(earlier))));
                }
                return Err(error);
            }
        }
        Ok(())
    }

    fn publish_one(&self, index: usize) -> Result<(), BounceError> {
        let (from, to) = (self.growing(index), self.target(index));
        if !self.overwrite {
            // Unlike a rename, a link never replaces; the other name goes with the folder.
            match fs::hard_link(&from, &to) {
                Ok(()) => return Ok(()),
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {
                    return Err(BounceError::Exists { paths: vec![to] });
                }
                // Disks for exchange know no links: look, then rename.
                Err(_) if fs::symlink_metadata(&to).is_ok() => {
                    return Err(BounceError::Exists { paths: vec![to] });
                }
                Err(_) => {}
            }
        }
        fs::rename(&from, &to).map_err(|source| BounceError::Publish { path: to, source })
    }
}
