//! `tautline new`: makes a session from recordings.

mod intake;
mod listing;

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::{CliError, assets, intake_cache, output, tempo};
use crate::edit::{Session, Store};
use crate::media;
use crate::song::{
    Asset, AssetId, Db, Fade, Lane, LaneId, Length, Pan, Polarity, Position, Region, RegionId, Song,
};
use intake::{Take, guide, intake};
use listing::{describe, list};

/// What to make a session from.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session file to write.
    session: PathBuf,
    /// The guide take, which sets the timing; without it a file name must say which one it is.
    #[arg(long, value_name = "TAKE")]
    guide: Option<PathBuf>,
    /// The music it was sung to.
    #[arg(long, value_name = "MIX")]
    backing: Option<PathBuf>,
    /// Takes, or folders of takes.
    #[arg(value_name = "TAKE")]
    takes: Vec<PathBuf>,
    /// The song's title; the session's file name unless told.
    #[arg(long)]
    title: Option<String>,
    /// Sample rate of the session in Hz; the guide's unless told.
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(8_000..=384_000))]
    rate: Option<u32>,
    /// A Standard MIDI File with the song's tempo, meter and markers; bar 1 begins at the song's origin.
    #[arg(long, value_name = "FILE.mid")]
    tempo: Option<PathBuf>,
    /// Place all takes at the song's origin, whatever start times their files carry.
    #[arg(long)]
    ignore_start: bool,
    /// Take in recordings whose end is missing as far as they go.
    #[arg(long)]
    accept_cut_short: bool,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// Makes a session from a folder of takes whose names say what they are for.
pub fn make(session: &Path, takes: &Path, title: &str) -> Result<(), CliError> {
    main(&Args {
        session: session.to_owned(),
        guide: None,
        backing: None,
        takes: vec![takes.to_owned()],
        title: Some(title.to_owned()),
        rate: None,
        tempo: None,
        ignore_start: false,
        accept_cut_short: false,
        json: false,
    })
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let folder = match args.session.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    };
    let folder = folder.canonicalize().map_err(|error| {
        CliError::output(format!(
            "cannot write a session to the folder {} ({error}); make it first, or choose another",
            folder.display()
        ))
    })?;
    if args.session.symlink_metadata().is_ok() {
        return Err(CliError::output(format!(
            "{} exists already; nothing was written. Choose another name, or move it away first",
            args.session.display()
        )));
    }
    let takes = intake(args)?;
    let rate = args.rate.unwrap_or_else(|| guide(&takes).map_or(48_000, |take| take.report.info.rate));
    let mut session = build(args, &folder, &takes, rate)?;
    let bars = args.tempo.as_ref().map(|file| tempo::give(&mut session, file)).transpose()?;
    for take in &takes {
        intake_cache::store(&take.report);
        assets::note_hash(&take.path, &take.report.blake3);
    }
    // Written before it is announced: a listing on standard output means that the session is there.
    Store::create(&args.session, session.clone())?.close()?;
    let listing = list(args, &session, &takes);
    if args.json {
        return output::json(&listing);
    }
    output::text(&format!("{}{}", describe(&listing), bars.unwrap_or_default()))
}

fn build(args: &Args, folder: &Path, takes: &[Take], rate: u32) -> Result<Session, CliError> {
    let reference = |take: &Take| take.report.info.time_reference.filter(|_| !args.ignore_start);
    // A time reference counts in samples of the file's own rate.
    let in_session = |take: &Take| {
        reference(take).map(|start| media::conformed_frames(start, take.report.info.rate, rate))
    };
    let origin = takes.iter().filter_map(in_session).min();
    let mut names = HashSet::new();
    let (mut assets, mut lanes) = (Vec::new(), Vec::new());
    for (take, id) in takes.iter().zip(1..) {
        let info = &take.report.info;
        let asset = Asset {
            id: AssetId(id),
            path: stored_path(&take.path, folder)?,
            blake3: take.report.blake3.clone(),
            frames: info.frames,
            channels: info.channels,
            rate: info.rate,
            bytes: Some(info.bytes),
            time_reference: info.time_reference,
        };
        let start = in_session(take).zip(origin).map_or(0, |(start, origin)| start - origin);
        let region = Region {
            id: RegionId(id),
            asset: asset.id,
            source_in: 0,
            length: Length(asset.frames_at(rate)),
            at: Position(0) + Length(start),
            gain_db: Db(0.0),
            highpass_hz: None,
            fade_in: Fade::NONE,
            fade_out: Fade::NONE,
        };
        lanes.push(Arc::new(Lane {
            id: LaneId(id),
            name: unique_name(&take.path, &mut names),
            role: take.role,
            asset: asset.id,
            gain_db: Db(0.0),
            pan: Pan(0.0),
            polarity: Polarity::Normal,
            mute: false,
            solo: false,
            tone: None,
            notes: Vec::new(),
            holds: Vec::new(),
            regions: vec![Arc::new(region)],
        }));
        assets.push(asset);
    }
    let stem = args.session.file_stem().map(|stem| stem.to_string_lossy().into_owned());
    let title = args.title.clone().or(stem).unwrap_or_else(|| "untitled".into());
    Ok(Session::new(title, rate, origin, assets, Song { lanes, ..Song::default() }))
}

/// Paths below the session's folder are kept relative, so that the folder can move as a whole.
fn stored_path(path: &Path, folder: &Path) -> Result<String, CliError> {
    let whole = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let stored = whole.strip_prefix(folder).unwrap_or(&whole).to_str().map(str::to_owned);
    stored.ok_or_else(|| {
        CliError::input(format!(
            "{}: its path is not Unicode, so a session cannot name it; rename the file or its folder",
            path.display()
        ))
    })
}

fn unique_name(path: &Path, names: &mut HashSet<String>) -> String {
    let stem = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    let clean: String = stem.chars().filter(|c| !c.is_control()).take(200).collect();
    let clean = if clean.trim().is_empty() { "take".to_owned() } else { clean.trim().to_owned() };
    let mut name = clean.clone();
    let mut count = 1;
    while !names.insert(name.clone()) {
        count += 1;
        name = format!("{clean}-{count}");
    }
    name
}
