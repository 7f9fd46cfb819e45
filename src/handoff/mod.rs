//! What goes to mixdown: consolidated files of every lane and the stack's sum, and the check before it.
//!
//! Not here: how lanes sound (`mix`), how files are coded (`media`), what is said about it on a terminal.

mod archive;
mod bounce;
mod check;
mod check_levels;
mod check_sound;
mod check_timing;
mod deliver;
mod error;
mod facts;
mod file_names;
mod file_samples;
mod lane_writer;
mod levels;
mod levels_report;
mod manifest;
mod otio;
mod outlet;
mod publish;
mod report;
mod sheet;
mod sheet_html;
mod sheet_markdown;
mod sheet_svg;
mod timeline;
mod timeline_csv;
mod tone;
mod trimmed;

pub use archive::{ArchiveRequest, Content, archive};
pub use bounce::{AssetFile, BounceOptions, BounceRequest, FileNotes, Parts, bounce, bounce_targets, survey};
pub use check::{CheckRequest, Finding, Intake, Severity, check};
pub use check_timing::timing_findings;
pub use deliver::{Delivered, Extras, SheetParts, TimelineForm, deliver, sheet_alone};
pub use error::BounceError;
pub use facts::{LaneFacts, SourceFact, WordFact};
pub use file_names::{DEFAULT_NAMES, portable_name};
pub use file_samples::FileSamples;
pub use levels::{LevelsRequest, levels};
pub use levels_report::{EssPile, LaneLevels, Levels, RoleLevels, StackLevels};
pub use manifest::{Listed, Manifest, Sums, Verdict, Verified, VerifyError, sums, verify};
pub use otio::otio;
pub use report::{Bounce, BouncedFile, FileKind, Picture};
pub use sheet::{CHECKS, Sheet};
pub use sheet_html::{SHEET_TEMPLATE, sheet_html};
pub use sheet_markdown::sheet_markdown;
pub use timeline::Timeline;
pub use timeline_csv::timeline_csv;
pub use trimmed::{Trimmed, trim};
