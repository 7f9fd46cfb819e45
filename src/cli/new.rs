//! `tautline new`: makes a session from recordings.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Serialize;

use super::progress::Bar;
use super::{CliError, assets, intake_cache, output, tempo};
use crate::command::show_seconds;
use crate::edit::{Session, Store};
use crate::media::{self, IntakeReport};
use crate::song::{
    Asset, AssetId, Db, Fade, Lane, LaneId, Length, Pan, Polarity, Position, Region, RegionId, Role, Song,
};

/// Endings of the files that are taken from a folder.
const ENDINGS: [&str; 12] =
    ["wav", "wave", "bwf", "rf64", "aif", "aiff", "aifc", "flac", "mp3", "m4a", "aac", "ogg"];
/// Starts this far apart are worth a remark.
const FAR_APART_S: f64 = 600.0;

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

/// One recording that becomes a lane.
struct Take {
    path: PathBuf,
    role: Role,
    role_from: Option<String>,
    report: IntakeReport,
}

#[derive(Serialize)]
struct Listing<'a> {
    session: String,
    rate: u32,
    lanes: Vec<ListedLane<'a>>,
}

#[derive(Serialize)]
struct ListedLane<'a> {
    number: usize,
    name: &'a str,
    role: Role,
    /// The part of the file name from which the role was guessed; null if it was told, or taken for want of a hint.
    role_guessed_from: Option<&'a str>,
    file: String,
    start: i64,
    #[serde(flatten)]
    report: &'a IntakeReport,
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

fn guide(takes: &[Take]) -> Option<&Take> {
    takes.iter().find(|take| take.role == Role::Guide)
}

/// Reads all recordings; the guide first, the backing last.
fn intake(args: &Args) -> Result<Vec<Take>, CliError> {
    let mut paths: Vec<(PathBuf, Option<Role>)> = Vec::new();
    paths.extend(args.guide.iter().map(|path| (path.clone(), Some(Role::Guide))));
    for path in &args.takes {
        if path.is_dir() {
            paths.extend(recordings_in(path)?.into_iter().map(|path| (path, None)));
        } else {
            paths.push((path.clone(), None));
        }
    }
    paths.extend(args.backing.iter().map(|path| (path.clone(), Some(Role::Backing))));
    // The backing and the guide may lie in the folder of takes as well; what was told goes first.
    paths.sort_by_key(|(_, told)| told.is_none());
    let mut seen = HashSet::new();
    paths.retain(|(path, _)| seen.insert(path.canonicalize().unwrap_or_else(|_| path.clone())));
    if paths.is_empty() {
        return Err(CliError::usage("no recordings were named; give files, or a folder of them"));
    }
    let mut takes = Vec::new();
    for (path, told) in paths {
        let take = read(path, told)?;
        if take.report.info.cut_short && !args.accept_cut_short {
            return Err(cut_short(&take));
        }
        takes.push(take);
    }
    choose_guide(&mut takes)?;
    takes.sort_by_key(|take| match take.role {
        Role::Guide => 0,
        Role::Double => 1,
        Role::Harmony => 2,
        Role::Adlib => 3,
        Role::Backing => 4,
    });
    Ok(takes)
}

fn read(path: PathBuf, told: Option<Role>) -> Result<Take, CliError> {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let report = media::inspect(&path, &Bar::new(&format!("reading {name}")))?;
    let (role, role_from) = match (told, Role::guess(&name)) {
        (Some(role), _) => (role, None),
        (None, Some((role, part))) => (role, Some(part)),
        (None, None) => (Role::Double, None),
    };
    Ok(Take { path, role, role_from, report })
}

/// A take whose end is missing is money lost: whoever takes it in must know, not find a remark in a list.
fn cut_short(take: &Take) -> CliError {
    let warnings = &take.report.info.warnings;
    let what = warnings.iter().find(|warning| warning.contains("cut short")).or(warnings.first());
    CliError::input(format!(
        "{}: {}; copy or export the recording again, or take in what is there with --accept-cut-short",
        take.path.display(),
        what.map_or("it is cut short", String::as_str)
    ))
}

/// Makes sure that one take is the guide: the one that was told, else the first whose name says so.
fn choose_guide(takes: &mut [Take]) -> Result<(), CliError> {
    let told = takes.iter().position(|take| take.role == Role::Guide && take.role_from.is_none());
    let Some(chosen) = told.or_else(|| takes.iter().position(|take| take.role == Role::Guide)) else {
        return Err(CliError::usage("no file name says which take is the guide; name it with --guide"));
    };
    for (index, take) in takes.iter_mut().enumerate() {
        if index != chosen && take.role == Role::Guide {
            (take.role, take.role_from) = (Role::Double, None);
        }
    }
    Ok(())
}

fn recordings_in(folder: &Path) -> Result<Vec<PathBuf>, CliError> {
    let failed =
        |error: std::io::Error| CliError::input(format!("cannot read {}: {error}", folder.display()));
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
        let hidden = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.'));
        if path.is_file() && !hidden && ending.is_some_and(|ending| ENDINGS.contains(&ending.as_str())) {
            found.push(path);
        }
    }
    found.sort();
    if found.is_empty() {
        return Err(CliError::input(format!("{} holds no recordings", folder.display())));
    }
    Ok(found)
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

fn list<'a>(args: &Args, session: &'a Session, takes: &'a [Take]) -> Listing<'a> {
    let lanes = session.song().lanes.iter().zip(takes).zip(1..);
    let lanes = lanes.map(|((lane, take), number)| ListedLane {
        number,
        name: &lane.name,
        role: lane.role,
        role_guessed_from: take.role_from.as_deref(),
        file: take.path.display().to_string(),
        start: lane.regions.first().map_or(0, |region| region.at.0),
        report: &take.report,
    });
    Listing { session: args.session.display().to_string(), rate: session.rate, lanes: lanes.collect() }
}

fn describe(listing: &Listing) -> String {
    let mut text = format!(
        "{}: {} at {} Hz\n",
        listing.session,
        output::count(listing.lanes.len(), "lane"),
        listing.rate
    );
    for lane in &listing.lanes {
        let report = lane.report;
        let info = &report.info;
        let seconds = info.frames as f64 / f64::from(info.rate);
        let peak = match report.peak {
            0.0 => "silent".to_owned(),
            peak => format!("peak {:>6.1} dBFS", 20.0 * peak.log10()),
        };
        let floor = report.noise_floor_db.map_or("digital black".into(), |db| format!("{db:.1} dBFS"));
        text.push_str(&format!(
            "{:>3}  {:<8} {:<24} {:>6} Hz  {}ch  {seconds:>8.3}s  {peak:<16}  floor {floor}\n",
            lane.number,
            lane.role.word(),
            lane.name,
            info.rate,
            info.channels
        ));
        for remark in remarks(lane, listing.rate) {
            text.push_str(&format!("       - {remark}\n"));
        }
    }
    let starts = listing.lanes.iter().map(|lane| lane.start);
    let spread = starts.clone().max().unwrap_or(0) - starts.min().unwrap_or(0);
    if spread as f64 / f64::from(listing.rate) > FAR_APART_S {
        text.push_str("note: the start times in the files lie more than ten minutes apart; --ignore-start places all takes at the origin\n");
    }
    text
}

fn remarks(lane: &ListedLane, rate: u32) -> Vec<String> {
    let report = lane.report;
    let mut remarks = report.info.warnings.clone();
    match (lane.role_guessed_from, lane.role) {
        (Some(part), role) => {
            remarks.push(format!("taken for the role {} because its name says \"{part}\"", role.word()))
        }
        (None, Role::Double) => remarks
            .push("nothing in its name says what it is for: taken for a double (`role` changes it)".into()),
        _ => {}
    }
    if lane.start != 0 {
        remarks.push(format!(
            "starts at {} by its own time reference",
            show_seconds(Position(lane.start), rate)
        ));
    }
    if report.info.rate != rate {
        remarks.push(format!(
            "is at {} Hz; it will be conformed to {rate} Hz in a cached copy",
            report.info.rate
        ));
    }
    if report.clipped_runs > 0 {
        let first = report.first_clip.map_or(String::new(), |frame| {
            format!(", the first at {:.3}s", frame as f64 / f64::from(report.info.rate))
        });
        remarks.push(format!("clipped {} times{first}", report.clipped_runs));
    }
    if report.dc_offset.abs() > 0.001 {
        remarks.push(format!("has a DC offset of {:.4}", report.dc_offset));
    }
    if report.nonfinite > 0 {
        remarks
            .push(format!("holds {} samples that are no numbers; they sound as silence", report.nonfinite));
    }
    if report.silent {
        remarks.push("is silent".into());
    }
    if report.black_share > 0.05 {
        remarks.push(format!(
            "is digital black for {:.0} % of its time: it was cut before",
            report.black_share * 100.0
        ));
    }
    remarks
}
