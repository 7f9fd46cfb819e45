//! `tautline verify`: holds a hand-off against its checksums.

use std::path::PathBuf;

use serde::Serialize;

use super::{CliError, output};
use crate::handoff::{Verdict, Verified, VerifyError, verify};

/// What to verify.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The folder of a hand-off, or of an unpacked archive.
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Report<'a> {
    ok: bool,
    files: &'a [Verified],
}

/// Runs the subcommand; exit code 1 if a file is not as it was.
pub fn main(args: &Args) -> Result<(), CliError> {
    let files = verify(&args.folder).map_err(|error| match error {
        VerifyError::Folder { .. } | VerifyError::NoManifest(_) => CliError::input(error.to_string()),
    })?;
    let bad = |file: &&Verified| !matches!(file.verdict, Verdict::Same | Verdict::Unlisted);
    let wrong = files.iter().filter(bad).count();
    if args.json {
        output::json(&Report { ok: wrong == 0, files: &files })?;
    } else {
        output::text(&describe(&files, wrong))?;
    }
    if wrong == 0 { Ok(()) } else { Err(CliError::refused("")) }
}

fn describe(files: &[Verified], wrong: usize) -> String {
    let mut text = String::new();
    for file in files {
        let word = match file.verdict {
            Verdict::Same => "same     ",
            Verdict::Changed => "CHANGED  ",
            Verdict::Missing => "MISSING  ",
            Verdict::Unreadable => "UNREADABLE",
            Verdict::Unlisted => "unlisted ",
        };
        let more = if file.text.is_empty() { String::new() } else { format!("  ({})", file.text) };
        text.push_str(&format!("{word} {}{more}\n", file.path));
    }
    let count = files.iter().filter(|file| file.verdict != Verdict::Unlisted).count();
    text.push_str(&match wrong {
        0 => format!("all {count} files are as they were handed off\n"),
        _ => format!("{wrong} of {count} files are not as they were handed off; ask for them again\n"),
    });
    text
}
