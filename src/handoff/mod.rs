//! What goes to mixdown: consolidated files of every lane and the stack's sum, and the check before it.
//!
//! Not here: how lanes sound (`mix`), how files are coded (`media`), what is said about it on a terminal.

mod bounce;
mod check;
mod check_levels;
mod error;
mod file_names;
mod file_samples;
mod levels;
mod publish;
mod report;
mod tone;

pub use bounce::{AssetFile, BounceRequest, bounce};
pub use check::{CheckRequest, Finding, Intake, Severity, check};
pub use error::BounceError;
pub use levels::{EssPile, LaneLevels, Levels, LevelsRequest, RoleLevels, StackLevels, levels};
pub use report::{Bounce, BouncedFile, FileKind};
