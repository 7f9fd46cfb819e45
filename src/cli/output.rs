//! Writing to the two standard streams without ever panicking: a closed pipe ends the writing, no more.

use std::io::{self, Write};

use serde::Serialize;

use super::CliError;

/// Writes text to standard output. A reader that has gone away is not an error.
pub fn text(text: &str) -> Result<(), CliError> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(CliError::output(format!("cannot write to standard output: {error}")))
        }
        _ => Ok(()),
    }
}

/// Writes one JSON document to standard output.
pub fn json(document: &impl Serialize) -> Result<(), CliError> {
    let mut line = serde_json::to_string_pretty(document)
        .map_err(|error| CliError::output(format!("cannot write JSON: {error}")))?;
    line.push('\n');
    text(&line)
}

/// Writes a line to standard error; if even this fails there is nobody to tell.
pub fn message(text: &str) {
    let _ = writeln!(io::stderr().lock(), "{text}");
}
