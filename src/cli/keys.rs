//! `tautline keys`: the keys in force and what they do.

use super::open::shipped;
use super::{CliError, output};
use crate::screen::{HelpLine, help_lines};

/// Which keys.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Keys: two-hands, left-alone, number-pad, or a file.
    #[arg(long, value_name = "NAME|FILE")]
    keymap: Option<String>,
}

/// Runs the subcommand. What is wrong in the files is said on standard error, and the rest is shown.
pub fn main(args: &Args) -> Result<(), CliError> {
    let (keymap, problems) = shipped::keymap(args.keymap.as_deref())?;
    let mut text = String::new();
    for line in help_lines(&keymap) {
        match line {
            HelpLine::Verb(name, about) => text.push_str(&format!("{name}: {about}\n")),
            HelpLine::Usage(usage) => text.push_str(&format!("{:18}{usage}\n", "")),
            HelpLine::Key(chord, place, line) => {
                let place = if place.is_empty() { String::new() } else { format!("  ({place} view)") };
                text.push_str(&format!("{chord:>16}  {line}{place}\n"));
            }
            HelpLine::Text(line) => text.push_str(&format!("{line}\n")),
            HelpLine::Blank => text.push('\n'),
        }
    }
    output::text(&text)?;
    for problem in &problems {
        output::message(&format!("tautline: {problem}"));
    }
    if problems.is_empty() { Ok(()) } else { Err(CliError::refused("")) }
}
