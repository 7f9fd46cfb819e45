//! Keeps what libraries print on standard error away from the screen.
//!
//! ALSA's library writes there whatever it likes, from threads of its own, and tears the screen. While a [`Quiet`] lives,
//! descriptor 2 of the whole process leads elsewhere; who has something to say writes to [`Quiet::stderr`].

use std::fs::{File, OpenOptions};
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::path::Path;

/// Standard error of the process, led elsewhere until this is dropped.
#[derive(Debug)]
pub struct Quiet {
    kept: File,
}

impl Quiet {
    /// Leads standard error to the end of a file, or to nowhere.
    ///
    /// # Errors
    /// The file cannot be opened, or the system refuses; nothing has changed then.
    pub fn new(log: Option<&Path>) -> io::Result<Quiet> {
        let kept: OwnedFd = io::stderr().as_fd().try_clone_to_owned()?;
        let target = match log {
            Some(path) => OpenOptions::new().append(true).create(true).open(path)?,
            None => OpenOptions::new().write(true).open("/dev/null")?,
        };
        rustix::stdio::dup2_stderr(&target)?;
        Ok(Quiet { kept: File::from(kept) })
    }

    /// Standard error as it was: where messages for the user go.
    #[must_use]
    pub fn stderr(&self) -> &File {
        &self.kept
    }
}

impl Drop for Quiet {
    fn drop(&mut self) {
        // It came from there, so it fits there; if not, messages are lost and nothing else.
        let _ = rustix::stdio::dup2_stderr(&self.kept);
    }
}
