//! `tautline bounce`: consolidated files, and what goes to mixdown beside them.

use std::path::PathBuf;

use serde::Serialize;

use super::hand_off::{Target, describe, write};
use super::progress::stop_on_interrupt;
use super::{CliError, check, opening, output};
use crate::command::{Context, Deaf, Presets, read_time};
use crate::edit::{Access, Session};
use crate::handoff::{Bounce, BounceOptions, DEFAULT_NAMES, Finding, Parts, Severity, TimelineForm};
use crate::media::OutputFormat;
use crate::song::{Length, Position};

/// A tail may be this long.
const LONGEST_TAIL_S: u64 = 600;

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
    /// Which files: one per lane, one per role, the stack's sum.
    #[arg(long, value_enum, value_delimiter = ',', default_values_t = [Part::Lanes, Part::Stack])]
    parts: Vec<Part>,
    /// Where all files begin, as in 12.5s or "bar 33"; the song's origin unless told.
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Where all files end, before the tail; the end of the last region unless told.
    #[arg(long, value_name = "TIME")]
    until: Option<String>,
    /// How much longer all files are, as in 2s.
    #[arg(long, value_name = "LENGTH")]
    tail: Option<String>,
    /// Sample rate of the files in Hz; the session's unless told.
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(8_000..=384_000))]
    rate: Option<u32>,
    /// Names of the files, from {song}, {number}, {role}, {name}, {rate} and {format}.
    #[arg(long, value_name = "TEMPLATE", default_value = DEFAULT_NAMES)]
    names: String,
    /// Noise of triangular density where an integer file loses bits.
    #[arg(long, value_enum, default_value_t = Switch::On)]
    dither: Switch,
    /// Write the edit as a timeline too.
    #[arg(long, value_enum, value_delimiter = ',')]
    timeline: Vec<Form>,
    /// How the timeline names the recordings.
    #[arg(long, value_enum, default_value_t = Paths::Relative)]
    paths: Paths,
    /// Write a page, and the same as Markdown, that says what was done.
    #[arg(long)]
    sheet: bool,
    /// Run the check before, and write nothing if it finds a warning.
    #[arg(long)]
    strict: bool,
    /// Write although recordings are missing or changed: their lanes are silent there.
    #[arg(long, conflicts_with = "strict")]
    anyway: bool,
    /// The state at a mark, at an edit's number, or at `start`; the head's unless told.
    #[arg(long, value_name = "MARK")]
    at: Option<String>,
    /// Whether lanes go through their tone (equaliser, de-esser, compressor, …); both writes lanes that have one twice.
    #[arg(long, value_enum, default_value_t = ToneFiles::On)]
    tone: ToneFiles,
    /// Replace files of the same names.
    #[arg(long)]
    overwrite: bool,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
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
    /// FLAC, 16 bits.
    Flac16,
}

impl From<Format> for OutputFormat {
    fn from(format: Format) -> OutputFormat {
        match format {
            Format::I16 => OutputFormat::I16,
            Format::I24 => OutputFormat::I24,
            Format::F32 => OutputFormat::F32,
            Format::Flac => OutputFormat::Flac24,
            Format::Flac16 => OutputFormat::Flac16,
        }
    }
}

/// Files of a bounce.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Part {
    /// One file per lane.
    Lanes,
    /// One file per role.
    Roles,
    /// The stack's sum.
    Stack,
}

/// On or off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Switch {
    /// On.
    On,
    /// Off.
    Off,
}

/// Whether lanes go through their tone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum ToneFiles {
    /// They do.
    On,
    /// They do not.
    Off,
    /// They do, and are written without it beside: NAME_dry.
    Both,
}

/// Forms of the timeline.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Form {
    /// OpenTimelineIO.
    Otio,
    /// CSV.
    Csv,
}

/// How recordings are named.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Paths {
    /// From the folder of the hand-off.
    Relative,
    /// From the root.
    Absolute,
}

#[derive(Serialize)]
struct Report<'a> {
    #[serde(flatten)]
    bounce: &'a Bounce,
    others: Vec<String>,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    stop_on_interrupt();
    let store = opening::open(&args.session, Access::Read)?;
    opening::refuse_broken(&store)?;
    let (head, song) = opening::state_at(store.session(), args.at.as_deref())?;
    if args.strict {
        refuse_findings(&check::findings_of(store.session(), &song, store.folder(), true)?)?;
    }
    let mut timelines: Vec<TimelineForm> = args.timeline.iter().map(|form| (*form).into()).collect();
    timelines.dedup();
    let target = Target {
        folder: &args.to,
        format: args.format.into(),
        overwrite: args.overwrite,
        options: options(args, store.session())?,
        timelines: &timelines,
        absolute: args.paths == Paths::Absolute,
        sheet: args.sheet,
        anyway: args.anyway,
    };
    let delivered = write(&store, head, song, &target)?;
    if args.json {
        let others = delivered.others.iter().map(|name| args.to.join(name).to_string_lossy().into_owned());
        output::json(&Report { bounce: &delivered.bounce, others: others.collect() })
    } else {
        output::text(&describe(&delivered))
    }
}

impl From<Form> for TimelineForm {
    fn from(form: Form) -> TimelineForm {
        match form {
            Form::Otio => TimelineForm::Otio,
            Form::Csv => TimelineForm::Csv,
        }
    }
}

fn options<'a>(args: &'a Args, session: &Session) -> Result<BounceOptions<'a>, CliError> {
    let presets = Presets::default();
    let context = Context { session, cursor: None, presets: &presets, hearing: &Deaf };
    let place = |text: &String| -> Result<Position, CliError> {
        let wrong = |error: crate::command::Diagnostic| CliError::usage(format!("`{text}`: {error}"));
        context.position(read_time(text).map_err(wrong)?).map_err(wrong)
    };
    let tail = args.tail.as_ref().map(place).transpose()?.unwrap_or_default();
    if !(0..=i64::from(session.rate) * LONGEST_TAIL_S as i64).contains(&tail.0) {
        return Err(CliError::usage(format!("a tail is 0 to {LONGEST_TAIL_S} seconds long")));
    }
    Ok(BounceOptions {
        from: args.from.as_ref().map(place).transpose()?,
        until: args.until.as_ref().map(place).transpose()?,
        tail: Length(tail.0.unsigned_abs()),
        parts: Parts {
            lanes: args.parts.contains(&Part::Lanes),
            roles: args.parts.contains(&Part::Roles),
            stack: args.parts.contains(&Part::Stack),
        },
        names: &args.names,
        rate: args.rate,
        dither: args.dither == Switch::On,
        tone: args.tone != ToneFiles::Off,
        dry_too: args.tone == ToneFiles::Both,
        loudness: true,
        notes: None,
    })
}

fn refuse_findings(findings: &[Finding]) -> Result<(), CliError> {
    let grave = |finding: &&Finding| finding.severity != Severity::Note;
    let Some(first) = findings.iter().find(grave) else { return Ok(()) };
    let lane = first.lane.map_or(String::new(), |lane| format!("lane {lane}: "));
    Err(CliError::refused(format!(
        "nothing was written, since the check has {} findings: {lane}{}; `tautline check` lists all, with commands that mend them",
        findings.iter().filter(grave).count(),
        first.text
    )))
}
