//! The terminal: taken over, given back whatever happens, written to in one piece.

use std::fs::File;
use std::io::{self, IsTerminal, Write};
use std::os::fd::AsFd;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use super::super::CliError;

/// Other screen, no cursor, no wrapping, buttons and drags of the mouse, pastes told from keys.
const ENTER: &[u8] = b"\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[?1002h\x1b[?1006h\x1b[?2004h";
/// The same undone in reverse order, after an update that may have been cut short.
const LEAVE: &[u8] = b"\x1b[?2026l\x1b[0m\x1b[?2004l\x1b[?1006l\x1b[?1002l\x1b[?7h\x1b[?25h\x1b[?1049l";

/// Where the screen is written; a panic elsewhere must find it.
static OUT: Mutex<Option<File>> = Mutex::new(None);
static TAKEN: AtomicBool = AtomicBool::new(false);
/// What a panic said, to be told once the terminal is back.
static PANIC: Mutex<Option<String>> = Mutex::new(None);

/// The terminal while the screen is up. Dropping it gives the terminal back.
#[derive(Debug)]
pub struct Terminal(());

impl Terminal {
    /// Finds the terminal and takes it over.
    ///
    /// # Errors
    /// There is no terminal, or none that can place text.
    pub fn take() -> Result<Terminal, CliError> {
        let out = find()?;
        *lock(&OUT) = Some(out);
        keep_quiet_on_panic();
        let terminal = Terminal(());
        terminal.enter()?;
        Ok(terminal)
    }

    /// Takes the terminal over, again after [`Self::leave`].
    ///
    /// # Errors
    /// It is gone.
    pub fn enter(&self) -> Result<(), CliError> {
        let failed = |error: io::Error| CliError::output(format!("cannot use the terminal: {error}"));
        crossterm::terminal::enable_raw_mode().map_err(failed)?;
        TAKEN.store(true, Ordering::SeqCst);
        self.write(ENTER).map_err(failed)
    }

    /// Gives the terminal back.
    pub fn leave(&self) {
        give_back();
    }

    /// Writes a frame in one piece.
    ///
    /// # Errors
    /// Nobody reads any more.
    pub fn write(&self, bytes: &[u8]) -> io::Result<()> {
        match lock(&OUT).as_mut() {
            Some(out) => out.write_all(bytes),
            None => Ok(()),
        }
    }

    /// Columns and rows; a terminal that does not say has 80 by 24.
    pub fn size(&self) -> (u16, u16) {
        match crossterm::terminal::size() {
            Ok((columns @ 1.., rows @ 1..)) => (columns, rows),
            _ => (80, 24),
        }
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        give_back();
    }
}

/// What a panic said, if there was one.
pub fn panicked() -> Option<String> {
    lock(&PANIC).take()
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

fn give_back() {
    if TAKEN.swap(false, Ordering::SeqCst) {
        if let Some(out) = lock(&OUT).as_mut() {
            let _ = out.write_all(LEAVE);
        }
        let _ = crossterm::terminal::disable_raw_mode();
    }
}

/// Standard output, or the terminal that started the program if sound goes to standard output.
fn find() -> Result<File, CliError> {
    let none = |why: &str| {
        CliError::usage(format!("`tautline open` needs a terminal ({why}); `tautline run` edits without one"))
    };
    if std::env::var("TERM").is_ok_and(|term| term == "dumb") {
        return Err(none("TERM=dumb cannot place text"));
    }
    if !io::stdin().is_terminal() && !std::path::Path::new("/dev/tty").exists() {
        return Err(none("standard input is none"));
    }
    if io::stdout().is_terminal() {
        let owned = io::stdout().as_fd().try_clone_to_owned();
        return owned.map(File::from).map_err(|error| none(&error.to_string()));
    }
    File::options().write(true).open("/dev/tty").map_err(|error| none(&error.to_string()))
}

/// A panic is written down instead of onto the screen; the loop ends, gives the terminal back, and tells it.
fn keep_quiet_on_panic() {
    std::panic::set_hook(Box::new(|info| {
        if crate::media::panic_is_guarded() {
            return;
        }
        lock(&PANIC).get_or_insert_with(|| info.to_string());
    }));
}
