//! What goes to mixdown: consolidated files of every lane and the stack's sum, and the check before it.
//!
//! Not here: how lanes sound (`mix`), how files are coded (`media`), what is said about it on a terminal.

mod bounce;
mod check;
mod check_sound;
mod check_timing;
mod error;
mod file_names;
mod file_samples;
mod publish;
mod report;

pub use bounce::{AssetFile, BounceRequest, bounce};
pub use check::{CheckRequest, Finding, Intake, Severity, check};
pub use check_timing::timing_findings;
pub use error::BounceError;
pub use report::{Bounce, BouncedFile, FileKind};
