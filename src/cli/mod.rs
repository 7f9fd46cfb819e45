//! The command line: one file per subcommand. Only this room (and the screen) knows terminals, clocks,
//! folders of the user and exit codes.
//!
//! Exit codes: 0 done, 1 findings or a command refused, 2 usage, 3 unreadable or damaged input, 4
//! output or device failed. With `--json` one JSON document stands on standard output and nothing else;
//! messages go to standard error.

mod aside;
mod assets;
mod audition;
mod bounce;
mod check;
mod demo;
mod devices;
mod doctor;
mod error;
mod facts;
mod folders;
mod hand_off;
mod hearing;
mod help;
mod intake_cache;
mod keys;
mod levels;
mod manual;
mod new;
mod open;
mod opening;
mod output;
mod pack;
mod presets;
mod progress;
mod relink;
mod run;
mod schema;
mod show;
mod sources;
mod tempo;
mod timing;
mod tone_presets;
mod verify;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};

pub use error::CliError;
pub use presets::read as read_fades;
pub use tone_presets::read as read_tones;

/// Prepares a stack of chorus vocals for mixdown: takes in, cuts, shifts, fades and tails by commands,
/// consolidated files out. Takes are never changed on disk, and no edit is ever lost.
///
/// Turn the monitor gain down before you start or solo a track: loud sound harms hearing for good.
#[derive(Debug, Parser)]
#[command(name = "tautline", version, max_term_width = 100, disable_help_subcommand = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Make a session from recordings or folders of recordings.
    New(new::Args),
    /// Open the screen: lanes, keys, sound.
    Open(open::Args),
    /// Apply commands without a screen.
    Run(run::Args),
    /// Show the lanes and regions as they stand.
    Show(show::Args),
    /// Measure every word of every lane against the guide.
    Timing(timing::Args),
    /// Look for what would be heard, or would go wrong, in mixdown.
    Check(check::Args),
    /// Measure the loudness of lanes and of their sum, and what cancels or piles up.
    Levels(levels::Args),
    /// Write one consolidated file per lane, and the sum of the stack.
    Bounce(bounce::Args),
    /// Play without a screen: all lanes or some, once or in a loop.
    Audition(audition::Args),
    /// List the sound devices that can play.
    Devices(devices::Args),
    /// Check a hand-off by its checksums.
    Verify(verify::Args),
    /// Put the session and its recordings into one archive.
    Pack(pack::Args),
    /// Give the session tempo, meter and markers from a Standard MIDI File.
    Tempo(tempo::Args),
    /// Lay out a demo chorus, edit it by a script and bounce it.
    Demo(demo::Args),
    /// Print the keys of the screen and what they do.
    Keys(keys::Args),
    /// Say what was found of the terminal, its colours, the sound and the configuration.
    Doctor(doctor::Args),
    /// Print the JSON Schema of session files.
    Schema,
    /// Print help: for a subcommand, for all commands of the editing language, or for one verb of it; manual pages; completions.
    Help(help::Args),
}

/// Runs the program with the given command line and gives its exit code.
pub fn main(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    quiet_guarded_panics();
    let cli = match Cli::try_parse_from(args) {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are "errors" of code 0. A closed pipe while printing them is none of our business.
            let _ = error.print();
            return ExitCode::from(u8::try_from(error.exit_code()).unwrap_or(2));
        }
    };
    let result = match cli.command {
        Command::New(args) => new::main(&args),
        Command::Open(args) => open::main(&args),
        Command::Keys(args) => keys::main(&args),
        Command::Doctor(args) => doctor::main(&args),
        Command::Run(args) => run::main(&args),
        Command::Show(args) => show::main(&args),
        Command::Timing(args) => timing::main(&args),
        Command::Check(args) => check::main(&args),
        Command::Levels(args) => levels::main(&args),
        Command::Bounce(args) => bounce::main(&args),
        Command::Audition(args) => audition::main(&args),
        Command::Devices(args) => devices::main(&args),
        Command::Verify(args) => verify::main(&args),
        Command::Pack(args) => pack::main(&args),
        Command::Tempo(args) => tempo::main(&args),
        Command::Demo(args) => demo::main(&args),
        Command::Schema => schema::main(),
        Command::Help(args) => help::main(&args, Cli::command()),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            if !error.text.is_empty() {
                output::message(&format!("tautline: {}", error.text));
            }
            ExitCode::from(error.code)
        }
    }
}

/// A decoder that panics over a damaged file is told as an error of that file; what it has to say itself helps nobody.
fn quiet_guarded_panics() {
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        if !crate::media::panic_is_guarded() {
            before(info);
        }
    }));
}
