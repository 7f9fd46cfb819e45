//! Hands a state of a session off: its recordings made sure of, the files written, and what is said about them.

use std::path::Path;
use std::sync::Arc;

use super::progress::Bar;
use super::sources::{self, Sources};
use super::{CliError, assets, check, facts, folders, output, run};
use crate::edit::{Session, Store};
use crate::handoff::{
    BounceOptions, BounceRequest, Delivered, Extras, FileKind, FileNotes, LaneFacts, Manifest,
    SHEET_TEMPLATE, SheetParts, Timeline, TimelineForm, bounce_targets, deliver,
};
use crate::media::OutputFormat;
use crate::song::rules;
use crate::song::{AssetId, EditId, Position, Song};

/// Larger templates are not read.
const LARGEST_TEMPLATE: u64 = 4 << 20;

/// Where a bounce goes.
pub struct Target<'a> {
    /// The folder.
    pub folder: &'a Path,
    /// How samples are written.
    pub format: OutputFormat,
    /// Whether files of the same names may be replaced.
    pub overwrite: bool,
    /// Which files, from where to where, and so on.
    pub options: BounceOptions<'a>,
    /// Forms of the timeline.
    pub timelines: &'a [TimelineForm],
    /// Whether the timeline names recordings from the root.
    pub absolute: bool,
    /// Whether a sheet is written.
    pub sheet: bool,
    /// Whether missing and changed recordings become silence.
    pub anyway: bool,
}

impl<'a> Target<'a> {
    /// Lanes and stack as 24-bit WAV, nothing replaced.
    pub fn plain(folder: &'a Path) -> Target<'a> {
        Target {
            folder,
            format: OutputFormat::I24,
            overwrite: false,
            options: BounceOptions { loudness: true, ..BounceOptions::default() },
            timelines: &[],
            absolute: false,
            sheet: false,
            anyway: false,
        }
    }
}

/// Makes sure of the recordings, then hands a state off.
pub fn write(store: &Store, head: EditId, song: Song, target: &Target) -> Result<Delivered, CliError> {
    let session = store.session();
    let base = (!target.absolute).then_some(target.folder);
    let sources = sources::gather(session, &song, store.folder(), base);
    let whole = song.clone();
    let song = without_troubles(song, &sources, target.anyway)?;
    let copies = sources::copies(session, store.folder(), &sources)?;
    let notes = Notes::of(session, head);
    let request = BounceRequest {
        song: &song,
        rate: session.rate,
        title: &session.title,
        assets: &copies,
        folder: target.folder,
        format: target.format,
        overwrite: target.overwrite,
        options: BounceOptions { notes: Some(notes.as_file_notes()), ..target.options },
    };
    spare_recordings(session, store.folder(), &request)?;
    let name = session_name(store);
    let facts = match target.sheet || !target.timelines.is_empty() {
        true => facts_of(session, &song, store.folder()),
        false => Vec::new(),
    };
    let findings = match target.sheet {
        true => check::findings_known(session, &whole, store.folder(), &sources, &copies)?,
        false => Vec::new(),
    };
    let template = if target.sheet { template()? } else { String::new() };
    let when = run::now().replace('T', " ").replace('Z', " UTC");
    let mut manifest = Manifest::new(&session.title, &name, head.0);
    manifest.sources = sources.facts.iter().map(crate::handoff::SourceFact::listed).collect();
    let extras = Extras {
        timelines: target.timelines,
        timeline: timeline(session, &song, head, &sources, &facts),
        sheet: target.sheet.then(|| SheetParts {
            template: &template,
            began: session.history.start(),
            findings: &findings,
            session: &name,
            when: &when,
        }),
        manifest,
    };
    Ok(deliver(&request, &extras, &Bar::new("bouncing"))?)
}

/// What listening knows of the lanes; says why where it knows nothing.
pub fn facts_of(session: &Session, song: &Song, folder: &Path) -> Vec<LaneFacts> {
    let (facts, trouble) = facts::gather(session, song, folder);
    if let Some(why) = trouble {
        output::message(&format!("note: no word was measured: {why}"));
    }
    facts
}

/// What the timeline and the sheet show of a session.
pub fn timeline<'a>(
    session: &'a Session,
    song: &'a Song,
    head: EditId,
    sources: &'a Sources,
    facts: &'a [LaneFacts],
) -> Timeline<'a> {
    Timeline {
        song,
        rate: session.rate,
        title: &session.title,
        assets: &session.assets,
        sources: &sources.facts,
        start: Position(0),
        origin: session.time_origin,
        markers: &session.markers,
        marks: &session.marks,
        head,
        facts,
    }
}

/// The session file's name.
pub fn session_name(store: &Store) -> String {
    store.path().file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// The page's template: the user's own, or the one that ships.
pub fn template() -> Result<String, CliError> {
    let Some(path) = folders::config().map(|folder| folder.join("sheet.html")) else {
        return Ok(SHEET_TEMPLATE.to_owned());
    };
    match std::fs::metadata(&path) {
        Err(_) => Ok(SHEET_TEMPLATE.to_owned()),
        Ok(metadata) if metadata.len() > LARGEST_TEMPLATE => {
            Err(CliError::input(format!("{} is too large for a template", path.display())))
        }
        Ok(_) => std::fs::read_to_string(&path)
            .map_err(|error| CliError::input(format!("cannot read {}: {error}", path.display()))),
    }
}

/// Refuses recordings that are missing or changed; with `anyway` takes their regions off instead, and says so.
fn without_troubles(mut song: Song, sources: &Sources, anyway: bool) -> Result<Song, CliError> {
    let Some((_, first)) = sources.troubles.first() else { return Ok(song) };
    if !anyway {
        let more = match sources.troubles.len() {
            1 => String::new(),
            count => format!(" (and {} more recordings; `tautline check` lists all)", count - 1),
        };
        return Err(CliError::input(format!("{first}{more}; --anyway bounces without it")));
    }
    for (_, trouble) in &sources.troubles {
        output::message(&format!("warning: {trouble}; it is left out and silent"));
    }
    let bad: Vec<AssetId> = sources.troubles.iter().map(|(id, _)| *id).collect();
    for lane in &mut song.lanes {
        if lane.regions.iter().any(|region| bad.contains(&region.asset)) {
            Arc::make_mut(lane).regions.retain(|region| !bad.contains(&region.asset));
        }
    }
    Ok(song)
}

/// What the files say about themselves; no clock is read, so that the same state gives the same files.
pub struct Notes {
    origin: u64,
    date: String,
    time: String,
    reference: String,
}

impl Notes {
    /// From the edit that is handed off.
    pub fn of(session: &Session, head: EditId) -> Notes {
        let edited = session.history.edit(head).map(|edit| edit.time.clone()).unwrap_or_default();
        let stamp = edited.parse::<jiff::Timestamp>().map(|stamp| stamp.to_string()).unwrap_or_default();
        let (date, time) = stamp.split_once('T').unwrap_or(("", ""));
        Notes {
            origin: session.time_origin.unwrap_or(0),
            date: date.to_owned(),
            time: time.chars().take(8).collect(),
            reference: format!("{}\n{head}\n{edited}", session.title),
        }
    }

    /// As the bounce takes them.
    pub fn as_file_notes(&self) -> FileNotes<'_> {
        FileNotes { origin: self.origin, date: &self.date, time: &self.time, reference: &self.reference }
    }
}

/// Rules that a state of a session breaks.
pub fn violations(session: &Session, song: &Song) -> Vec<rules::Violation> {
    rules::check_song(song, session)
}

/// Refuses to write over a recording of the session, whatever `--overwrite` allows.
fn spare_recordings(session: &Session, folder: &Path, request: &BounceRequest) -> Result<(), CliError> {
    let recordings: Vec<_> = session
        .assets
        .iter()
        .filter_map(|asset| std::fs::canonicalize(assets::path_of(asset, folder)).ok())
        .collect();
    let taken = bounce_targets(request)?
        .into_iter()
        .find(|target| std::fs::canonicalize(target).is_ok_and(|target| recordings.contains(&target)));
    taken.map_or(Ok(()), |target| {
        Err(CliError::output(format!(
            "{} is a recording of this session, and recordings are never written over; bounce to another folder",
            target.display()
        )))
    })
}

/// What was written, as text.
pub fn describe(delivered: &Delivered) -> String {
    let bounced = &delivered.bounce;
    let seconds = bounced.length as f64 / f64::from(bounced.rate);
    let mut text = format!(
        "{} of {seconds:.3}s at {} Hz, all starting at sample {}\n",
        output::count(bounced.files.len(), "file"),
        bounced.rate,
        bounced.start
    );
    for file in &bounced.files {
        let peak = file.peak_db.map_or("silent".into(), |db| format!("peak {db:.1} dBFS"));
        let loudness = file.loudness.and_then(|loudness| loudness.integrated_lufs);
        let loudness = loudness.map_or(String::new(), |lufs| format!(", {lufs:.1} LUFS"));
        let muted = if file.muted { ", muted: not in the stack" } else { "" };
        let clipped = match file.clipped {
            0 => String::new(),
            count => format!(", {count} samples CLIPPED: lower the gain or bounce as f32"),
        };
        let what = match file.kind {
            FileKind::Lane => "",
            FileKind::Dry => "  <- without its tone",
            FileKind::Role => "  <- the sum of a role",
            FileKind::Stack => "  <- the stack's sum",
        };
        text.push_str(&format!("  {}  {peak}{loudness}{muted}{clipped}{what}\n", file.path.display()));
    }
    for name in &delivered.others {
        text.push_str(&format!("  {name}\n"));
    }
    text
}
