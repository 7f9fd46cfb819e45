//! `tautline open`: the screen. This file and those in `open/` are the only ones that know terminals,
//! threads and clocks; what is shown and what keys do stands in the room `screen`.

pub mod abilities;
mod engine;
mod input;
mod player;
mod remember;
pub mod shipped;
mod sounding;
mod terminal;
mod words;
mod work;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::channel;

use super::hearing::Ears;
use super::{CliError, audition, opening, output, presets, progress};
use crate::audition::cache::TakeFile;
use crate::edit::{Access, Store};
use crate::screen::{App, Event, Setup, Weight};
use abilities::Switches;
use engine::Engine;
use terminal::Terminal;

/// What to open, and how.
#[derive(Debug, Clone, clap::Args)]
pub struct Args {
    /// The session.
    pub session: PathBuf,
    /// Keys: two-hands, left-alone, number-pad, or a file.
    #[arg(long, value_name = "NAME|FILE")]
    pub keymap: Option<String>,
    /// Colours of a theme: ember, paper, signal, or one of your own.
    #[arg(long, value_name = "NAME")]
    pub theme: Option<String>,
    /// Where the sound goes: device:NAME, pipe:- (standard output), file:PATH, or none. The default device
    /// unless told; without one the screen goes on in silence.
    #[arg(long, value_name = "OUT", default_value = "device")]
    pub out: String,
    #[command(flatten)]
    pub switches: Switches,
}

impl Args {
    /// The usual way to open a session.
    pub fn of(session: &Path) -> Args {
        Args {
            session: session.to_owned(),
            keymap: None,
            theme: None,
            out: "device".to_owned(),
            switches: Switches::AUTO,
        }
    }
}

/// What reaches the loop.
#[derive(Debug)]
pub enum Message {
    /// Something for the screen.
    Event(Event),
    /// Working copies of the takes are there, or cannot be.
    Takes(Result<Vec<TakeFile>, String>),
    /// A signal.
    Signal(i32),
    /// Nobody types any more.
    Gone,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let (mut store, notes) = Store::open(&args.session, Access::Write)?;
    opening::refuse_broken(&store)?;
    let presets = presets::load()?;
    let (keymap, mut problems) = shipped::keymap(args.keymap.as_deref())?;
    let (themes, theme_problems) = shipped::themes();
    problems.extend(theme_problems);
    let mut view = remember::view(store.path());
    if let Some(theme) = &args.theme {
        if !themes.iter().any(|known| known.name == *theme) {
            let names: Vec<&str> = themes.iter().map(|theme| theme.name.as_str()).collect();
            return Err(CliError::usage(format!("there is no theme {theme}: {}", names.join(", "))));
        }
        view.theme.clone_from(theme);
    }
    let player = player::open(&args.out, &store)?;
    progress::quiet();
    let terminal = Terminal::take()?;
    let (to, messages) = channel();
    let app = App::new(Setup {
        size: terminal.size(),
        keymap,
        themes,
        colours: args.switches.colours(),
        shapes: args.switches.shapes(),
        view,
        history: remember::lines(),
        sound: player.name(),
    });
    let ears = Arc::new(Ears::new(store.session(), store.folder()));
    let mut engine = Engine::new(app, terminal, player, presets, ears, to, messages);
    if let Some(caution) = args.out.parse().ok().and_then(|out| audition::caution_once(&out)) {
        engine.tell(Weight::Note, caution);
    }
    for note in notes {
        engine.tell(Weight::Note, &note.to_string());
    }
    for problem in problems {
        engine.tell(Weight::Wrong, &problem);
    }
    let ended = catch_unwind(AssertUnwindSafe(|| {
        #[cfg(debug_assertions)]
        fail_if_asked();
        engine.run(&mut store)
    }));
    engine.leave();
    remember::keep(store.path(), engine.view(), engine.typed());
    // Standard error leads elsewhere as long as a device is open.
    drop(engine);
    let closed = store.close();
    match ended {
        Ok(result) => result?,
        Err(_) => {
            let why = terminal::panicked().unwrap_or_default();
            output::message(&format!(
                "tautline: a fault of the program ended it: {why}\nEvery edit is on disk. Please report what you did."
            ));
            closed?;
            return Err(CliError::output(""));
        }
    }
    closed?;
    Ok(())
}

/// Development builds fail on request, so that a test can see the terminal come back.
#[cfg(debug_assertions)]
fn fail_if_asked() {
    #[expect(clippy::panic, reason = "it is what is asked for")]
    if std::env::var_os("TAUTLINE_TEST_FAULT").is_some() {
        panic!("asked for by TAUTLINE_TEST_FAULT");
    }
}
