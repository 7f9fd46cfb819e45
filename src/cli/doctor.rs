//! `tautline doctor`: what was found of the terminal, its colours, the sound and the configuration.

use std::io::IsTerminal;

use super::open::abilities::{self, Switches};
use super::open::shipped;
use super::{CliError, folders, output, presets};

/// What to look at.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Keys: two-hands, left-alone, number-pad, or a file.
    #[arg(long, value_name = "NAME|FILE")]
    keymap: Option<String>,
    #[command(flatten)]
    switches: Switches,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let mut text = format!("tautline {}\n", env!("CARGO_PKG_VERSION"));
    terminal(args, &mut text);
    sound(&mut text);
    let wrong = configuration(args, &mut text);
    output::text(&text)?;
    if wrong { Err(CliError::refused("")) } else { Ok(()) }
}

fn line(text: &mut String, name: &str, value: &str) {
    text.push_str(&format!("  {name:<14} {value}\n"));
}

fn terminal(args: &Args, text: &mut String) {
    text.push_str("terminal\n");
    let is = |yes: bool| if yes { "a terminal" } else { "no terminal" };
    line(text, "input", is(std::io::stdin().is_terminal()));
    line(text, "output", is(std::io::stdout().is_terminal()));
    if let Ok((columns, rows)) = crossterm::terminal::size() {
        let fits = if columns < 60 || rows < 16 { " (too small: 60x16 at least)" } else { "" };
        line(text, "size", &format!("{columns}x{rows}{fits}"));
    }
    for name in ["TERM", "COLORTERM", "NO_COLOR"] {
        line(text, name, &abilities::variable(name).unwrap_or_else(|| "not set".to_owned()));
    }
    line(text, "locale", &abilities::locale().unwrap_or_else(|| "not set".to_owned()));
    let by = |chosen: bool| if chosen { "as asked" } else { "by the environment" };
    let colours = args.switches.colours().word();
    line(text, "colours", &format!("{colours} ({})", by(args.switches.color.0.is_some())));
    let shapes = args.switches.shapes().word();
    line(text, "glyphs", &format!("{shapes} ({})", by(args.switches.glyphs.0.is_some())));
    let remote = abilities::variable("SSH_CONNECTION").is_some();
    line(text, "connection", if remote { "over SSH" } else { "on this machine" });
}

fn sound(text: &mut String) {
    text.push_str("sound\n");
    match crate::audition::devices() {
        Ok(devices) if devices.is_empty() => line(text, "devices", "none found"),
        Ok(devices) => {
            for device in devices.iter().take(20) {
                let default = if device.default { " (the default)" } else { "" };
                line(text, "device", &format!("{}{default}", device.name));
            }
        }
        Err(error) => line(text, "devices", &error.to_string()),
    }
    line(text, "always there", "pipe:- (through the connection), file:PATH, none (keeps time)");
}

/// Gives true if something is wrong.
fn configuration(args: &Args, text: &mut String) -> bool {
    text.push_str("configuration\n");
    let folder = |path: Option<std::path::PathBuf>| match path {
        Some(path) if path.exists() => path.display().to_string(),
        Some(path) => format!("{} (not there)", path.display()),
        None => "no home folder".to_owned(),
    };
    line(text, "own files", &folder(folders::config()));
    line(text, "cache", &folder(Some(folders::cache())));
    line(text, "views", &folder(folders::state()));
    let mut problems = Vec::new();
    match shipped::keymap(args.keymap.as_deref()) {
        Ok((keymap, wrong)) => {
            line(text, "keymap", &format!("{}, {} bindings", keymap.name, keymap.all().count()));
            problems.extend(wrong);
        }
        Err(error) => problems.push(error.text),
    }
    let (themes, wrong) = shipped::themes();
    problems.extend(wrong);
    let names: Vec<&str> = themes.iter().map(|theme| theme.name.as_str()).collect();
    line(text, "themes", &names.join(", "));
    match presets::load() {
        Ok(presets) => {
            line(text, "fade presets", &presets.fades.keys().cloned().collect::<Vec<_>>().join(", "))
        }
        Err(error) => problems.push(error.text),
    }
    for problem in &problems {
        text.push_str(&format!("! {problem}\n"));
    }
    !problems.is_empty()
}
