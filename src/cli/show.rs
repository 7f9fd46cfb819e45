//! `tautline show`: the lanes and regions as they stand.

use std::path::PathBuf;

use serde::Serialize;

use super::{CliError, opening, output};
use crate::command::show_seconds;
use crate::edit::{Access, Session};
use crate::song::{
    Db, EditId, Fade, Lane, Length, Marker, Note, Pan, Polarity, Position, Region, RegionId, Role, Song,
    Span, TempoMap, Tone,
};

/// What to show.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
    /// The state at a mark, at an edit's number, or at `start`; the head's unless told.
    #[arg(long, value_name = "MARK")]
    at: Option<String>,
}

#[derive(Serialize)]
struct Shown<'a> {
    title: &'a str,
    rate: u32,
    head: EditId,
    #[serde(rename = "loop")]
    loop_span: Option<Span>,
    marks: &'a std::collections::BTreeMap<String, EditId>,
    #[serde(skip_serializing_if = "<[Marker]>::is_empty")]
    markers: &'a [Marker],
    #[serde(skip_serializing_if = "Option::is_none")]
    tempo: Option<&'a TempoMap>,
    lanes: Vec<ShownLane<'a>>,
}

#[derive(Serialize)]
struct ShownLane<'a> {
    number: usize,
    name: &'a str,
    role: Role,
    file: &'a str,
    gain_db: Db,
    pan: Pan,
    polarity: Polarity,
    mute: bool,
    solo: bool,
    notes: &'a [Note],
    #[serde(skip_serializing_if = "Option::is_none")]
    tone: Option<&'a Tone>,
    regions: Vec<ShownRegion<'a>>,
}

#[derive(Serialize)]
struct ShownRegion<'a> {
    id: RegionId,
    source_in: u64,
    length: Length,
    at: Position,
    gain_db: Db,
    #[serde(skip_serializing_if = "Option::is_none")]
    highpass_hz: Option<f64>,
    fade_in: Fade,
    fade_out: Fade,
    /// Only where it is not the lane's own.
    #[serde(skip_serializing_if = "Option::is_none")]
    file: Option<&'a str>,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let store = opening::open(&args.session, Access::Read)?;
    let session = store.session();
    let (head, song) = opening::state_at(session, args.at.as_deref())?;
    for asset in session.assets.iter().filter(|asset| !store.folder().join(&asset.path).is_file()) {
        output::message(&format!("note: the recording {} is not where the session expects it", asset.path));
    }
    if args.json {
        return output::json(&shown(session, head, &song));
    }
    output::text(&describe(session, head, &song))
}

fn file_name(session: &Session, asset: crate::song::AssetId) -> &str {
    session.asset(asset).map_or("", |asset| asset.path.rsplit('/').next().unwrap_or(&asset.path))
}

fn shown<'a>(session: &'a Session, head: EditId, song: &'a Song) -> Shown<'a> {
    let region = |lane: &Lane, region: &'a Region| ShownRegion {
        id: region.id,
        source_in: region.source_in,
        length: region.length,
        at: region.at,
        gain_db: region.gain_db,
        highpass_hz: region.highpass_hz,
        fade_in: region.fade_in,
        fade_out: region.fade_out,
        file: (region.asset != lane.asset).then(|| file_name(session, region.asset)),
    };
    let lanes = song.lanes.iter().zip(1..).map(|(lane, number)| ShownLane {
        number,
        name: &lane.name,
        role: lane.role,
        file: file_name(session, lane.asset),
        gain_db: lane.gain_db,
        pan: lane.pan,
        polarity: lane.polarity,
        mute: lane.mute,
        solo: lane.solo,
        notes: &lane.notes,
        tone: lane.tone.as_deref(),
        regions: lane.regions.iter().map(|each| region(lane, each)).collect(),
    });
    Shown {
        title: &session.title,
        rate: session.rate,
        head,
        loop_span: song.loop_span,
        marks: &session.marks,
        markers: &session.markers,
        tempo: session.tempo.as_ref(),
        lanes: lanes.collect(),
    }
}

fn describe(session: &Session, head: EditId, song: &Song) -> String {
    let seconds = |at| show_seconds(at, session.rate);
    let edits = session.history.edits().len();
    let mut text = format!(
        "{}  {} Hz, {}, at edit {head} of {edits}\n",
        session.title,
        session.rate,
        output::count(song.lanes.len(), "lane")
    );
    if let Some(span) = song.loop_span {
        text.push_str(&format!("loop {}..{}\n", seconds(span.start), seconds(span.end)));
    }
    for (name, edit) in &session.marks {
        text.push_str(&format!("mark \"{name}\" is edit {edit}\n"));
    }
    for (lane, number) in song.lanes.iter().zip(1..) {
        text.push_str(&describe_lane(session, lane, number));
    }
    text
}

fn describe_lane(session: &Session, lane: &Lane, number: usize) -> String {
    let seconds = |at| show_seconds(at, session.rate);
    let mut text = format!("\n{number:>3}  {:<8} {}", lane.role.word(), lane.name);
    let mut extras = Vec::new();
    if lane.gain_db.0 != 0.0 {
        extras.push(format!("{:+.1} dB", lane.gain_db.0));
    }
    if lane.pan.0 != 0.0 {
        extras.push(format!("pan {:+.2}", lane.pan.0));
    }
    if lane.polarity == Polarity::Inverted {
        extras.push("inverted".into());
    }
    extras.extend(
        [(lane.mute, "muted"), (lane.solo, "solo")]
            .iter()
            .filter(|(is, _)| *is)
            .map(|(_, word)| (*word).to_owned()),
    );
    if !extras.is_empty() {
        text.push_str(&format!("  ({})", extras.join(", ")));
    }
    text.push_str(&format!("  {}\n", file_name(session, lane.asset)));
    for note in &lane.notes {
        let at = note.at.map_or(String::new(), |at| format!(" at {}", seconds(at)));
        text.push_str(&format!("       note{at}: {}\n", note.text));
    }
    for (region, next) in lane.regions.iter().zip(lane.regions.iter().skip(1).map(Some).chain([None])) {
        let fade = |fade: Fade| match fade.length.0 {
            0 => "-".to_owned(),
            length => {
                format!("{:.1}ms {}", length as f64 * 1000.0 / f64::from(session.rate), fade.curve.word())
            }
        };
        let slid = region.source_origin().0 as f64 * 1000.0 / f64::from(session.rate);
        let seam = match next {
            Some(next) if next.at < region.end() => "crossfade",
            Some(next) if region.flows_into(next) => "cut",
            Some(next) if next.at == region.end() => "butt joint",
            Some(_) => "gap",
            None => "",
        };
        let gain =
            if region.gain_db.0 == 0.0 { String::new() } else { format!(" {:+.1} dB", region.gain_db.0) };
        text.push_str(&format!(
            "     {:>5}  {:>10} .. {:<10} slid {slid:>+8.1}ms  in {:<18} out {:<18}{gain} {seam}\n",
            region.id.0,
            seconds(region.at),
            seconds(region.end()),
            fade(region.fade_in),
            fade(region.fade_out),
        ));
    }
    text
}
