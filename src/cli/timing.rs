//! `tautline timing`: words, offsets and endings of every lane against the guide.

use std::path::PathBuf;

use super::hearing::Ears;
use super::{CliError, assets, opening, output, presets};
use crate::command::timing::{self, report};
use crate::command::{Context, Diagnostic};
use crate::edit::Access;

/// What to measure.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let store = opening::open(&args.session, Access::Read)?;
    opening::refuse_broken(&store)?;
    let session = store.session();
    assets::refuse_troubles(session, store.folder())?;
    let (presets, ears) = (presets::load()?, Ears::new(session, store.folder()));
    let context = Context { session, cursor: None, presets: &presets, hearing: &ears };
    let refused = |error: Diagnostic| CliError::refused(error.to_string());
    let timing = timing::measure(&context, &timing::rows_of(session.song())).map_err(refused)?;
    let report = report::report(&timing, session);
    if args.json { output::json(&report) } else { output::text(&report.text()) }
}
