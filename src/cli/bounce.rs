//! `tautline bounce`: consolidated files.

use std::path::PathBuf;

use super::progress::Bar;
use super::{CliError, assets, opening, output};
use crate::edit::{Access, Session};
use crate::handoff::{Bounce, BounceRequest, FileKind, bounce};
use crate::media::OutputFormat;
use crate::song::Song;

/// What to write, and where.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// The folder to write to; made if it does not exist.
    #[arg(long, value_name = "DIR")]
    to: PathBuf,
    /// How samples are written.
    #[arg(long, value_enum, default_value_t = Format::I24)]
    format: Format,
    /// The state at a mark, at an edit's number, or at `start`; the head's unless told.
    #[arg(long, value_name = "MARK")]
    at: Option<String>,
    /// Whether lanes go through their tone (equaliser, de-esser, compressor, …).
    #[arg(long, value_enum, default_value_t = Switch::On)]
    tone: Switch,
    /// Replace files of the same names.
    #[arg(long)]
    overwrite: bool,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// On or off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Switch {
    /// Yes.
    On,
    /// No.
    Off,
}

/// Formats of bounced files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// WAV, 16-bit integer.
    I16,
    /// WAV, 24-bit integer.
    I24,
    /// WAV, 32-bit float.
    F32,
    /// FLAC, 24 bits.
    Flac,
}

impl From<Format> for OutputFormat {
    fn from(format: Format) -> OutputFormat {
        match format {
            Format::I16 => OutputFormat::I16,
            Format::I24 => OutputFormat::I24,
            Format::F32 => OutputFormat::F32,
            Format::Flac => OutputFormat::Flac24,
        }
    }
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let store = opening::open(&args.session, Access::Read)?;
    opening::refuse_broken(&store)?;
    let (_, song) = opening::state_at(store.session(), args.at.as_deref())?;
    let target = Target {
        folder: &args.to,
        format: args.format.into(),
        overwrite: args.overwrite,
        tone: args.tone == Switch::On,
    };
    let bounced = write(store.session(), store.folder(), &song, &target)?;
    if args.json { output::json(&bounced) } else { output::text(&describe(&bounced)) }
}

/// Where a bounce goes.
pub struct Target<'a> {
    /// The folder.
    pub folder: &'a std::path::Path,
    /// How samples are written.
    pub format: OutputFormat,
    /// Whether files of the same names may be replaced.
    pub overwrite: bool,
    /// Whether lanes go through their tone.
    pub tone: bool,
}

/// Makes sure of the recordings, then bounces a state.
pub fn write(
    session: &Session,
    session_folder: &std::path::Path,
    song: &Song,
    target: &Target,
) -> Result<Bounce, CliError> {
    assets::refuse_troubles(session, session_folder)?;
    let copies = assets::working_copies(session, session_folder)?;
    let request = BounceRequest {
        song,
        rate: session.rate,
        title: &session.title,
        assets: &copies,
        folder: target.folder,
        format: target.format,
        overwrite: target.overwrite,
        tone: target.tone,
    };
    Ok(bounce(&request, &Bar::new("bouncing"))?)
}

/// What was written, as text.
pub fn describe(bounced: &Bounce) -> String {
    let seconds = bounced.length as f64 / f64::from(bounced.rate);
    let mut text = format!(
        "{} files of {seconds:.3}s at {} Hz, all starting at sample {}\n",
        bounced.files.len(),
        bounced.rate,
        bounced.start
    );
    for file in &bounced.files {
        let peak = file.peak_db.map_or("silent".into(), |db| format!("peak {db:.1} dBFS"));
        let muted = if file.muted { ", muted: not in the stack" } else { "" };
        let clipped = match file.clipped {
            0 => String::new(),
            count => format!(", {count} samples CLIPPED: lower the gain or bounce as f32"),
        };
        let what = if file.kind == FileKind::Stack { "  <- the stack's sum" } else { "" };
        text.push_str(&format!("  {}  {peak}{muted}{clipped}{what}\n", file.path.display()));
    }
    text
}
