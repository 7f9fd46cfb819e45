//! Progress bars on standard error, if that is a terminal.

use std::io::IsTerminal;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::media::Progress;

/// Set once the user asked to stop.
static STOP: OnceLock<Arc<AtomicBool>> = OnceLock::new();
/// Set while the screen is up: a bar would be drawn into it.
static QUIET: AtomicBool = AtomicBool::new(false);

/// Shows no more bars.
pub fn quiet() {
    QUIET.store(true, Ordering::Relaxed);
}

/// From now on an interrupt (SIGINT) or a request to end (SIGTERM) stops the work that a [`Bar`] shows, so that it can
/// clean up behind itself; a second one ends the program at once.
pub fn stop_on_interrupt() {
    let stop = STOP.get_or_init(Arc::default);
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        // In this order: the first signal finds the flag down. Where a signal cannot be caught it ends the program, as ever.
        let _ = signal_hook::flag::register_conditional_shutdown(signal, 130, Arc::clone(stop));
        let _ = signal_hook::flag::register(signal, Arc::clone(stop));
    }
}

/// A bar for one piece of work; invisible if standard error is not a terminal.
pub struct Bar {
    bar: ProgressBar,
    total: AtomicU64,
}

impl Bar {
    /// A bar called `what`.
    pub fn new(what: &str) -> Bar {
        let visible = std::io::stderr().is_terminal() && !QUIET.load(Ordering::Relaxed);
        let target = if visible { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let bar = ProgressBar::with_draw_target(Some(1), target);
        let style = ProgressStyle::with_template("{msg:24!} {wide_bar} {percent:>3} %  {eta} left");
        if let Ok(style) = style {
            bar.set_style(style);
        }
        bar.set_message(what.to_owned());
        Bar { bar, total: AtomicU64::new(0) }
    }
}

impl Progress for Bar {
    fn advance(&self, done: u64, total: u64) -> bool {
        if self.total.swap(total, Ordering::Relaxed) != total {
            self.bar.set_length(total.max(1));
        }
        self.bar.set_position(done);
        !STOP.get().is_some_and(|stop| stop.load(Ordering::Relaxed))
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
