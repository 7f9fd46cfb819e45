//! What ends the program early: an exit code and what to say.

use crate::audition::AuditionError;
use crate::command::Diagnostic;
use crate::edit::{ErrorKind, StoreError};
use crate::handoff::BounceError;
use crate::media::{MediaError, MediaErrorKind};

/// An exit code with what to say on standard error; nothing is said if the text is empty.
#[derive(Debug)]
pub struct CliError {
    /// 1 to 4; see the room's docs.
    pub code: u8,
    /// What failed, why, and what to do.
    pub text: String,
}

impl CliError {
    /// Findings, or a command that was refused.
    pub fn refused(text: impl Into<String>) -> CliError {
        CliError { code: 1, text: text.into() }
    }

    /// A wrong command line.
    pub fn usage(text: impl Into<String>) -> CliError {
        CliError { code: 2, text: text.into() }
    }

    /// Unreadable or damaged input.
    pub fn input(text: impl Into<String>) -> CliError {
        CliError { code: 3, text: text.into() }
    }

    /// Output or device failed.
    pub fn output(text: impl Into<String>) -> CliError {
        CliError { code: 4, text: text.into() }
    }
}

impl From<StoreError> for CliError {
    fn from(error: StoreError) -> CliError {
        let code = match error.kind() {
            ErrorKind::Refused => 1,
            ErrorKind::Input => 3,
            ErrorKind::Output => 4,
        };
        CliError { code, text: error.to_string() }
    }
}

impl From<Diagnostic> for CliError {
    fn from(diagnostic: Diagnostic) -> CliError {
        CliError::refused(format!("refused: {diagnostic}"))
    }
}

impl From<MediaError> for CliError {
    fn from(error: MediaError) -> CliError {
        let code = match error.kind() {
            MediaErrorKind::Output | MediaErrorKind::Full => 4,
            MediaErrorKind::Cancelled => 1,
            _ => 3,
        };
        CliError { code, text: error.to_string() }
    }
}

impl From<BounceError> for CliError {
    fn from(error: BounceError) -> CliError {
        let text = error.to_string();
        match error {
            BounceError::Media(error) => CliError { text, ..CliError::from(error) },
            BounceError::Nothing => CliError::refused(text),
            _ => CliError::output(text),
        }
    }
}

impl From<AuditionError> for CliError {
    fn from(error: AuditionError) -> CliError {
        let text = error.to_string();
        match error {
            AuditionError::Media(error) => CliError { text, ..CliError::from(error) },
            AuditionError::Take { .. } => CliError::input(text),
            AuditionError::ShortLoop { .. } => CliError::refused(text),
            _ => CliError::output(text),
        }
    }
}
