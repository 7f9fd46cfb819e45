//! `tautline levels`: how loud the lanes and their sum are, and what cancels or piles up.

use std::path::PathBuf;

use super::bounce::Switch;
use super::{CliError, assets, opening, output};
use crate::command::show_seconds;
use crate::edit::Access;
use crate::handoff::{LaneLevels, Levels, LevelsRequest, StackLevels, levels};
use crate::listen::stack::{Conflict, band_borders_hz};
use crate::song::Position;

/// What to measure.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// The state at a mark, at an edit's number, or at `start`; the head's unless told.
    #[arg(long, value_name = "MARK")]
    at: Option<String>,
    /// Whether lanes go through their tone.
    #[arg(long, value_enum, default_value_t = Switch::On)]
    tone: Switch,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let store = opening::open(&args.session, Access::Read)?;
    opening::refuse_broken(&store)?;
    let session = store.session();
    let (_, song) = opening::state_at(session, args.at.as_deref())?;
    assets::refuse_troubles(session, store.folder())?;
    let copies = assets::working_copies(session, store.folder())?;
    let request =
        LevelsRequest { song: &song, rate: session.rate, copies: &copies, tone: args.tone == Switch::On };
    let measured = levels(&request)?
        .ok_or_else(|| CliError::refused("the song has no region: there is nothing to measure"))?;
    if args.json { output::json(&measured) } else { output::text(&describe(&measured, session.rate)) }
}

fn db(value: Option<f64>, unit: &str) -> String {
    value.map_or("-".into(), |value| format!("{value:.1} {unit}"))
}

fn signed(value: Option<f64>) -> String {
    value.map_or("-".into(), |value| format!("{value:+.1} LU"))
}

/// What was measured, as text.
fn describe(levels: &Levels, rate: u32) -> String {
    let mut text =
        String::from("lane  role      loudness       to guide   peak          de-esser  compressor  name\n");
    for lane in &levels.lanes {
        text.push_str(&describe_lane(lane));
    }
    text.push_str("\nrole      lanes  loudness       to guide\n");
    for role in &levels.roles {
        let (lufs, against) = (db(role.loudness_lufs, "LUFS"), signed(role.against_guide_lu));
        text.push_str(&format!("{:<9} {:>5}  {lufs:<13}  {against}\n", role.role.word(), role.lanes));
    }
    text.push_str(&describe_stack(&levels.stack, rate));
    text
}

fn describe_lane(lane: &LaneLevels) -> String {
    let out = if lane.in_stack { "" } else { "  (not in the sum)" };
    let taken = |most: f64| if most > 0.05 { format!("-{most:.1} dB") } else { "-".into() };
    format!(
        "{:>4}  {:<8}  {:<13}  {:<9}  {:<12}  {:<8}  {:<10}  {}{out}\n",
        lane.lane,
        lane.role.word(),
        db(lane.loudness_lufs, "LUFS"),
        signed(lane.against_guide_lu),
        db(lane.peak_db, "dBFS"),
        taken(lane.deess_most_db),
        taken(lane.compress_most_db),
        lane.name
    )
}

fn describe_stack(stack: &StackLevels, rate: u32) -> String {
    let loudness = &stack.loudness;
    let mut text = format!(
        "\nthe sum: {} integrated, range {:.1} LU, true peak {}\n",
        db(loudness.integrated_lufs, "LUFS"),
        loudness.range_lu.unwrap_or(0.0),
        db(loudness.true_peak_db, "dBTP")
    );
    if let Some(correlation) = stack.mono.correlation {
        text.push_str(&format!("left and right: correlation {correlation:.2}\n"));
    }
    let borders = band_borders_hz();
    for (band, loss) in stack.mono.loss_db.iter().enumerate() {
        let Some(loss) = loss else { continue };
        let range = match (band.checked_sub(1).and_then(|low| borders.get(low)), borders.get(band)) {
            (None, Some(high)) => format!("below {high:.0} Hz"),
            (Some(low), Some(high)) => format!("{low:.0} to {high:.0} Hz"),
            (Some(low), None) => format!("above {low:.0} Hz"),
            (None, None) => "all".into(),
        };
        text.push_str(&format!("in mono, {range}: {loss:+.1} dB\n"));
    }
    for pair in &stack.pairs {
        let what = match pair.conflict {
            Conflict::Polarity => "the same with the other sign",
            Conflict::Comb => "the same sound, apart in time",
        };
        text.push_str(&format!(
            "lanes {} and {}: {what} (correlation {:.2}, {:+.2} ms)\n",
            pair.first, pair.second, pair.correlation, pair.delay_ms
        ));
    }
    for pile in &stack.piles {
        let (from, to) = (show_seconds(Position(pile.from), rate), show_seconds(Position(pile.to), rate));
        text.push_str(&format!("esses of {} lanes at once: {from}..{to}\n", pile.lanes));
    }
    text
}
