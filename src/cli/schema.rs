//! `tautline schema`: the JSON Schema of session files.

use super::{CliError, output};

/// Prints the schema.
pub fn main() -> Result<(), CliError> {
    output::json(&crate::edit::schema())
}
