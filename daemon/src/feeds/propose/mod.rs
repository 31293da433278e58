//! From an unknown file to a `[[feed]]` that reads it, with a comment wherever a person must look.
//!
//! Knows no chart and no store. The invariant: what is proposed has been tried: the reader of
//! configurations and the preview, the ones used in earnest, say at its head what they make of it.

mod meaning;
mod sheet;
#[cfg(test)]
mod tests;
mod when;
mod words;
mod write;

use std::io;
use std::path::{Path, PathBuf};

use super::preview::preview;
use crate::config::read;
use meaning::Guess;
use sheet::Sheet;

/// Why nothing can be proposed.
#[derive(Debug, thiserror::Error)]
pub enum ProposeError {
    /// The system refused.
    #[error("{path}: {source}; name a file that can be read")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// The cause.
        source: io::Error,
    },
    /// A folder, a pipe, a device.
    #[error("{0}: is no regular file; name one result file of the station")]
    NoFile(PathBuf),
    /// The content is no table.
    #[error("{path}: {what}; export the file as text with a line of column names")]
    NotTabular {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// Nothing reads as a time.
    #[error(
        "{path}: no column ({columns}), no line before the header and no part of the file's name \
         reads as a date with a time of day; every reading needs one, so have the station write it"
    )]
    NoTime {
        /// The file.
        path: PathBuf,
        /// The columns that are there.
        columns: String,
    },
}

/// A `[[feed]]` for an unknown file, as commented TOML.
///
/// # Errors
///
/// Where the file cannot be read, is no table, or has no time.
pub fn propose(path: &Path) -> Result<String, ProposeError> {
    let sheet = Sheet::read(path)?;
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let Some(when) = when::find(&sheet, &stem) else {
        return Err(ProposeError::NoTime {
            path: path.to_owned(),
            columns: sheet.columns.join(", "),
        });
    };
    let guess = Guess::of(&sheet, &when);
    let section = write::section(path, &sheet, &when, &guess);
    let said = tried(path, &section);
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let head = format!(
        "# Proposed from the first {} of {}: a start, not a decision. Lines with\n# \"check:\" \
         need a person; nothing here was asked of the station.\n",
        match sheet.rows.len() {
            1 => "row".to_owned(),
            rows => format!("{rows} rows"),
        },
        write::comment(&name)
    );
    let said: String = said.lines().map(|line| format!("# {line}\n")).collect();
    Ok(format!("{head}{said}\n{section}"))
}

/// What the program makes of the file with the section, in words.
fn tried(path: &Path, section: &str) -> String {
    let whole = format!(
        "[plant]\nname = \"trial\"\ntime_zone = \"UTC\"\n[[shift]]\nname = \"day\"\n\
         starts = \"00:00\"\n{section}"
    );
    let config = match read::read(&whole, Path::new("/")) {
        Ok(config) => config,
        Err(problems) => {
            return format!("check: not accepted as it stands:\n{problems}");
        }
    };
    match preview(&config, 0, path) {
        Ok(found) if found.rejects_total == 0 => {
            format!("Tried: {} rows read, none rejected.", found.rows_read)
        }
        Ok(found) => {
            let first = found.rejects.first().map_or_else(String::new, |reject| {
                format!("; the first in line {}: {}", reject.line, reject.reason)
            });
            format!(
                "check: tried: {} rows read, {} of them rejected{}.",
                found.rows_read,
                found.rejects_total,
                write::comment(&first)
            )
        }
        Err(error) => format!(
            "check: not read as it stands: {}",
            write::comment(&error.to_string())
        ),
    }
}
