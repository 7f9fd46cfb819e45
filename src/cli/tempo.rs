//! `tautline tempo`: tempo, meter and markers of a session from a Standard MIDI File.

use std::path::{Path, PathBuf};

use super::{CliError, opening, output};
use crate::command::{Context, Presets, read_time, show_seconds};
use crate::edit::{Access, Session};
use crate::media::{self, MidiTimeline};
use crate::song::{Marker, Meter, Position, Tempo, TempoMap};

/// Where the tempo comes from.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// A Standard MIDI File.
    #[arg(value_name = "FILE.mid")]
    file: PathBuf,
    /// Where bar 1 begins on the session's timeline.
    #[arg(long, value_name = "TIME", default_value = "0s")]
    bar_one: String,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let mut store = opening::open(&args.session, Access::Write)?;
    let presets = Presets::new();
    let context =
        Context { session: store.session(), cursor: None, presets: &presets, hearing: &crate::command::Deaf };
    let origin = context.position(read_time(&args.bar_one)?)?;
    let (tempo, markers) = read(&args.file, origin, store.session().rate)?;
    let text = describe(&tempo, &markers, store.session().rate);
    store.set_tempo(tempo, markers)?;
    store.close()?;
    output::text(&text)
}

/// Gives a session that is being made a tempo.
pub fn give(session: &mut Session, file: &Path) -> Result<String, CliError> {
    let (tempo, markers) = read(file, Position(0), session.rate)?;
    let text = describe(&tempo, &markers, session.rate);
    (session.tempo, session.markers) = (Some(tempo), markers);
    Ok(text)
}

fn read(file: &Path, origin: Position, rate: u32) -> Result<(TempoMap, Vec<Marker>), CliError> {
    let MidiTimeline { ticks_per_quarter, tempi, meters, markers } = media::read_midi(file)?;
    let tempo = TempoMap {
        ticks_per_quarter,
        origin,
        tempi: tempi.iter().map(|t| Tempo { tick: t.tick, us_per_quarter: t.us_per_quarter }).collect(),
        meters: meters.iter().map(|m| Meter { tick: m.tick, beats: m.beats, unit: m.unit }).collect(),
    };
    if let Some(fault) = tempo.fault() {
        return Err(CliError::input(format!("{}: it holds {fault}; export it again", file.display())));
    }
    let place = |marker: &media::MidiMarker| {
        let name = if marker.text.is_empty() { "marker".to_owned() } else { marker.text.clone() };
        Some(Marker { at: tempo.position(marker.tick, rate)?, name })
    };
    let markers = markers.iter().filter_map(place).collect();
    Ok((tempo, markers))
}

fn describe(tempo: &TempoMap, markers: &[Marker], rate: u32) -> String {
    let bpm = |tempo: &Tempo| 60_000_000.0 / f64::from(tempo.us_per_quarter);
    let first = tempo.tempi.first().map_or(120.0, bpm);
    let meter = tempo.meters.first().map_or((4, 4), |meter| (meter.beats, meter.unit));
    let mut text = format!("tempo {first:.3} BPM, meter {}/{}", meter.0, meter.1);
    if tempo.tempi.len() > 1 || tempo.meters.len() > 1 {
        text.push_str(&format!(
            "; {} tempi and {} meters in all",
            tempo.tempi.len().max(1),
            tempo.meters.len().max(1)
        ));
    }
    text.push_str(&format!("; {} markers\n", markers.len()));
    for marker in markers.iter().take(50) {
        text.push_str(&format!("  {:>10}  {}\n", show_seconds(marker.at, rate), marker.name));
    }
    text
}
