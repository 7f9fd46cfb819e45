//! `tautline pack`: the session with its recordings in one archive.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use super::hand_off::{self, Notes};
use super::progress::{Bar, stop_on_interrupt};
use super::sources::{self, Sources};
use super::{CliError, assets, check, opening, output, run};
use crate::command::{Context, Presets, read_time};
use crate::edit::{Access, Session, Store};
use crate::handoff::{
    ArchiveRequest, AssetFile, BounceOptions, BounceRequest, Content, Manifest, SheetParts, Trimmed, archive,
    portable_name, sheet_alone, trim,
};
use crate::media::OutputFormat;
use crate::song::{Asset, Length, Song};

/// Endings that promise another kind of file.
const OTHER_KINDS: [&str; 9] = ["zip", "gz", "tgz", "xz", "zst", "bz2", "7z", "rar", "json"];

/// What to pack, and where to.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// The archive to write, a tar file.
    #[arg(long, value_name = "FILE.tar")]
    to: PathBuf,
    /// Keep of each recording only what sounds at the head, and this much more on both sides, as in 2s. The edits before are
    /// not kept then. Without it all recordings and all edits are kept whole.
    #[arg(long, value_name = "LENGTH")]
    handles: Option<String>,
    /// Leave the page out.
    #[arg(long)]
    no_sheet: bool,
    /// Replace an archive of the same name.
    #[arg(long)]
    overwrite: bool,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    stop_on_interrupt();
    let ending =
        args.to.extension().map(|ending| ending.to_string_lossy().to_lowercase()).unwrap_or_default();
    if OTHER_KINDS.contains(&ending.as_str()) {
        let text =
            format!("archives are plain .tar files, not .{ending}: sound hardly gets smaller that way");
        return Err(CliError::usage(text));
    }
    let store = opening::open(&args.session, Access::Read)?;
    opening::refuse_broken(&store)?;
    let session = store.session();
    let handles = args.handles.as_ref().map(|text| length(session, text)).transpose()?;
    let sources = gather(&store, handles.is_some())?;
    let copies = sources::copies(session, store.folder(), &sources)?;
    let mut files = Vec::new();
    if !args.no_sheet && session.song().extent().is_some() {
        files.push(("sheet.html".to_owned(), Content::Bytes(sheet(&store, &sources, &copies)?.into_bytes())));
    }
    // Trimmed recordings grow beside the archive, where there must be room for them anyway.
    let folder = args.to.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let room = tempfile::Builder::new().prefix(".tautline-pack-").tempdir_in(folder);
    let room = room
        .map_err(|error| CliError::output(format!("{}: {error}; choose another folder", folder.display())))?;
    let (packed, takes) = match handles {
        Some(handles) => trimmed(session, &copies, handles, room.path())?,
        None => whole(session, store.folder()),
    };
    let mut text = Vec::new();
    packed.write_json(&mut text).map_err(|error| CliError::output(error.to_string()))?;
    let name = hand_off::session_name(&store);
    files.insert(0, (name.clone(), Content::Bytes(text)));
    files.extend(takes);
    let count = files.len();
    let mut manifest = Manifest::new(&session.title, &name, session.history.head().0);
    manifest.rate = session.rate;
    manifest.sources = sources.facts.iter().map(crate::handoff::SourceFact::listed).collect();
    let folder = portable_name(&session.title);
    let modified = std::fs::metadata(store.path()).and_then(|metadata| metadata.modified()).ok();
    let modified =
        modified.and_then(|time| time.duration_since(UNIX_EPOCH).ok()).map_or(0, |since| since.as_secs());
    let request = ArchiveRequest {
        to: &args.to,
        folder: &folder,
        files,
        manifest,
        modified,
        overwrite: args.overwrite,
    };
    let bytes = archive(request, &Bar::new("packing"))?;
    output::text(&format!(
        "{}: {count} files and their manifest, {:.1} MB\nunpack it anywhere: tar xf {}; then tautline open {folder}/{name}\n",
        args.to.display(),
        bytes as f64 / 1e6,
        args.to.display(),
    ))
}

fn length(session: &Session, text: &str) -> Result<Length, CliError> {
    let presets = Presets::new();
    let context = Context { session, cursor: None, presets: &presets, hearing: &crate::command::Deaf };
    let wrong = |error: crate::command::Diagnostic| CliError::usage(format!("`{text}`: {error}"));
    let at = context.position(read_time(text).map_err(wrong)?).map_err(wrong)?;
    u64::try_from(at.0).map(Length).map_err(|_| CliError::usage("handles have no sign"))
}

/// All recordings, or only those that sound; every one must be there and the same.
fn gather(store: &Store, used_only: bool) -> Result<Sources, CliError> {
    let session = store.session();
    let sources = if used_only {
        sources::gather(session, session.song(), store.folder(), None)
    } else {
        sources::gather_all(session, store.folder())
    };
    match sources.troubles.first() {
        Some((_, trouble)) => Err(CliError::input(trouble.clone())),
        None => Ok(sources),
    }
}

fn sheet(store: &Store, sources: &Sources, copies: &[AssetFile]) -> Result<String, CliError> {
    let session = store.session();
    let (head, song) = (session.history.head(), session.song());
    let notes = Notes::of(session, head);
    let request = BounceRequest {
        song,
        rate: session.rate,
        title: &session.title,
        assets: copies,
        folder: Path::new(""),
        format: OutputFormat::F32,
        overwrite: false,
        options: BounceOptions {
            loudness: true,
            notes: Some(notes.as_file_notes()),
            ..BounceOptions::default()
        },
    };
    let findings = check::findings_known(session, song, store.folder(), sources, copies)?;
    let (template, name) = (hand_off::template()?, hand_off::session_name(store));
    let when = run::now().replace('T', " ").replace('Z', " UTC");
    let parts = SheetParts {
        template: &template,
        began: session.history.start(),
        findings: &findings,
        session: &name,
        when: &when,
    };
    let facts = hand_off::facts_of(session, song, store.folder());
    let timeline = hand_off::timeline(session, song, head, sources, &facts);
    Ok(sheet_alone(&request, &timeline, &parts, &Bar::new("measuring"))?)
}

/// The session with all edits, and all recordings.
fn whole(session: &Session, folder: &Path) -> (Session, Vec<(String, Content)>) {
    let mut packed = session.clone();
    let mut names = HashSet::new();
    let mut files = Vec::new();
    for asset in &mut packed.assets {
        let from = assets::path_of(asset, folder);
        let ending = from.extension().map(|ending| ending.to_string_lossy().into_owned()).unwrap_or_default();
        asset.path = format!("takes/{}", take_name(asset, &ending, &mut names));
        files.push((asset.path.clone(), Content::File(from, Some(asset.blake3.clone()))));
    }
    (packed, files)
}

/// A session that begins at the head's state, and the recordings cut down to it.
fn trimmed(
    session: &Session,
    copies: &[AssetFile],
    handles: Length,
    room: &Path,
) -> Result<(Session, Vec<(String, Content)>), CliError> {
    let names = std::cell::RefCell::new((HashSet::new(), std::collections::BTreeMap::new()));
    let name = |asset: &Asset| {
        let (taken, known) = &mut *names.borrow_mut();
        known.entry(asset.id).or_insert_with(|| take_name(asset, "wav", taken)).clone()
    };
    let (cut, song): (Vec<Trimmed>, Song) =
        trim(session.song(), session.rate, &session.assets, copies, handles, room, &name)?;
    let mut assets = Vec::new();
    let mut files = Vec::new();
    for Trimmed { mut asset, path } in cut {
        asset.path = format!("takes/{}", asset.path);
        files.push((asset.path.clone(), Content::File(path, Some(asset.blake3.clone()))));
        assets.push(asset);
    }
    let mut packed = Session::new(session.title.clone(), session.rate, session.time_origin, assets, song);
    (packed.tempo, packed.markers) = (session.tempo.clone(), session.markers.clone());
    Ok((packed, files))
}

/// A name for a recording in the archive that no other has, also where capital and small letters count as the same.
fn take_name(asset: &Asset, ending: &str, taken: &mut HashSet<String>) -> String {
    let name = asset.path.rsplit('/').next().unwrap_or(&asset.path);
    let stem = portable_name(name.rsplit_once('.').map_or(name, |(stem, _)| stem));
    let ending = if ending.is_empty() { "wav".to_owned() } else { portable_name(ending) };
    let mut choice = format!("{stem}.{ending}");
    let mut count = 1;
    while !taken.insert(choice.to_lowercase()) {
        count += 1;
        choice = format!("{stem}-{count}.{ending}");
    }
    choice
}
