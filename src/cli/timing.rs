//! `tautline timing`: words, offsets and endings of every lane against the guide.

use std::path::PathBuf;

use super::hearing::Ears;
use super::{CliError, assets, opening, output, presets};
use crate::command::timing;
use crate::command::timing::report::{self, Report};
use crate::command::timing::scorecard::Scorecard;
use crate::command::{Context, Diagnostic, EditRef};
use crate::edit::{Access, Session};

/// What to measure.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
    /// A scorecard instead: how the lanes lay at a mark, or at the start, and how they lie now.
    #[arg(long, value_name = "MARK|start")]
    against: Option<String>,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let store = opening::open(&args.session, Access::Read)?;
    opening::refuse_broken(&store)?;
    let session = store.session();
    assets::refuse_troubles(session, store.folder())?;
    let refused = |error: Diagnostic| CliError::refused(error.to_string());
    let (presets, ears) = (presets::load()?, Ears::new(session, store.folder()));
    let context = Context { session, cursor: None, presets: &presets, hearing: &ears };
    let measured = |context: &Context| -> Result<Report, CliError> {
        let rows = timing::rows_of(context.session.song());
        let timing = timing::measure(context, &rows).map_err(refused)?;
        Ok(report::report(&timing, context.session))
    };
    let report = measured(&context)?;
    let Some(against) = &args.against else {
        return if args.json { output::json(&report) } else { output::text(&report.text()) };
    };
    let old = state(session, &context, against)?;
    let before = measured(&Context { session: &old, ..context })?;
    let card = Scorecard::of(against, &before, &report);
    if args.json { output::json(&card) } else { output::text(&card.text()) }
}

/// A session that is at another of its states.
fn state(session: &Session, context: &Context, name: &str) -> Result<Session, CliError> {
    let edit = match name {
        "start" => EditRef::Start,
        _ => EditRef::Mark(name.to_owned()),
    };
    let edit = context.edit(&edit).map_err(|error| CliError::refused(error.to_string()))?;
    let song = session.history.song_at(edit).map_err(|error| CliError::refused(error.to_string()))?;
    Ok(session.over_same(song))
}
