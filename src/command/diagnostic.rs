//! What is wrong with a line, where, and what could stand there.

use std::fmt;
use std::ops::Range;

/// A refusal of a line or of a command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostic {
    /// Bytes of the line that are to blame; empty if the line as such is well formed.
    pub span: Range<usize>,
    /// What is wrong.
    pub message: String,
    /// What to do instead.
    pub help: Option<String>,
    /// 1-based column in characters, once the line is known.
    pub column: Option<usize>,
}

impl Diagnostic {
    /// Something wrong with a place in the line.
    #[must_use]
    pub fn new(span: Range<usize>, message: impl Into<String>) -> Diagnostic {
        Diagnostic { span, message: message.into(), help: None, column: None }
    }

    /// A well-formed command that cannot be carried out.
    #[must_use]
    pub fn refusal(message: impl Into<String>) -> Diagnostic {
        Diagnostic::new(0..0, message)
    }

    /// The same, said of the lane in a row.
    #[must_use]
    pub fn on_lane(mut self, row: usize) -> Diagnostic {
        self.message = format!("lane {}: {}", row + 1, self.message);
        self
    }

    /// Adds what to do instead.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Diagnostic {
        self.help = Some(help.into());
        self
    }

    /// The same, `by` bytes later in the line.
    #[must_use]
    pub fn moved(mut self, by: usize) -> Diagnostic {
        self.span = self.span.start + by..self.span.end + by;
        self
    }

    /// Finds the column in the line that was read.
    #[must_use]
    pub fn in_line(mut self, line: &str) -> Diagnostic {
        if !self.span.is_empty() {
            let before = line.get(..self.span.start.min(line.len())).unwrap_or(line);
            self.column = Some(before.chars().count() + 1);
        }
        self
    }
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(column) = self.column {
            write!(f, "column {column}: ")?;
        }
        write!(f, "{}", self.message)?;
        if let Some(help) = &self.help {
            write!(f, " ({help})")?;
        }
        Ok(())
    }
}
