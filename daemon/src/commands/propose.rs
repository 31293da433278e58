//! `driftvane propose`: a feed for an unknown file.
//!
//! Must not need a configuration: it is where one begins. The one invariant: what goes to standard
//! output is TOML that the program itself accepts, or that says what is still missing.

use std::path::Path;

use super::CommandError;
use crate::feeds::propose::propose;
use crate::output::{self, Format};

/// Prints the section for a file.
///
/// # Errors
///
/// When nothing can be proposed, the format does not fit, or standard output can not be written.
pub fn print(path: &Path, format: Format) -> Result<(), CommandError> {
    if format != Format::Table {
        let text = "propose writes TOML; leave --format out";
        return Err(CommandError::Usage(text.to_owned()));
    }
    let section = propose(path).map_err(|error| CommandError::Refused(error.to_string()))?;
    Ok(output::print(&section)?)
}
