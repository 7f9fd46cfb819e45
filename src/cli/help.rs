//! `tautline help`: for a subcommand, for the editing language, or for one verb of it.

use std::path::PathBuf;

use super::{CliError, manual, output};
use crate::command::{VERBS, help_all, help_verb, nearest, verb};

/// What to explain.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A subcommand, or `commands` for the editing language.
    topic: Option<String>,
    /// With `commands`: one verb.
    verb: Option<String>,
    /// Print completions for a shell instead.
    #[arg(long, value_name = "SHELL", value_parser = ["bash", "zsh", "fish"], conflicts_with_all = ["topic", "man"])]
    completions: Option<String>,
    /// Write the manual pages into a folder instead.
    #[arg(long, value_name = "DIR", conflicts_with = "topic")]
    man: Option<PathBuf>,
}

/// Prints help.
pub fn main(args: &Args, mut program: clap::Command) -> Result<(), CliError> {
    if let Some(shell) = &args.completions {
        return manual::completions(shell, program);
    }
    if let Some(folder) = &args.man {
        return manual::pages(folder, program);
    }
    match (args.topic.as_deref(), args.verb.as_deref()) {
        (None, _) => output::text(&program.render_long_help().to_string()),
        (Some("commands"), None) => output::text(&help_all()),
        (Some("commands"), Some(name)) => match verb(name) {
            Some(verb) => output::text(&help_verb(verb)),
            None => Err(unknown(name, VERBS.iter().map(|verb| verb.name), "verb")),
        },
        (Some(topic), _) => {
            let names: Vec<String> =
                program.get_subcommands().map(|command| command.get_name().to_owned()).collect();
            program.build();
            match program.find_subcommand_mut(topic) {
                Some(command) => output::text(&command.render_long_help().to_string()),
                None => match verb(topic) {
                    Some(verb) => output::text(&help_verb(verb)),
                    None => {
                        let verbs = VERBS.iter().map(|verb| verb.name);
                        let topics = names.iter().map(String::as_str).chain(["commands"]).chain(verbs);
                        Err(unknown(topic, topics, "help topic"))
                    }
                },
            }
        }
    }
}

fn unknown<'a>(typed: &str, names: impl Iterator<Item = &'a str>, what: &str) -> CliError {
    let list = if what == "verb" { "`tautline help commands`" } else { "`tautline help`" };
    let hint =
        nearest(typed, names).map_or(format!("{list} lists all"), |near| format!("did you mean `{near}`?"));
    CliError::usage(format!("there is no {what} `{typed}`; {hint}"))
}
