//! Where columns, captures and preamble entries are found, and what is said when they are not.
//!
//! Knows names, not what they are for. The invariant: all missing columns are reported at once,
//! with the near ones that are there.

use super::cells::{self, Dialect};
use super::diagnostics::{self as codes, Quarantine, quote_text};
use super::head::CellSource;
use super::names;
use crate::config::{Feed, Source};

/// A `key: value` or `key<delimiter>value` line.
pub(super) fn preamble_entry(line: &str, dialect: Dialect) -> Option<(String, String)> {
    let line = line.trim_end_matches(['\r', '\n']);
    let cells = cells::split_line(line, dialect);
    let entry = match (&cells[..], line.split_once(':')) {
        ([key, value, ..], _) if !key.contains(':') => (key.clone(), value.clone()),
        (_, Some((key, value))) => {
            let value = value.trim_end_matches(char::from(dialect.delimiter));
            (key.trim().to_owned(), value.trim().to_owned())
        }
        _ => return None,
    };
    Some((entry.0.trim_end_matches(':').trim().to_owned(), entry.1))
}

/// Finds columns and constants, and remembers what is missing.
pub(super) struct Sources<'a> {
    pub(super) feed: &'a Feed,
    pub(super) dialect: Dialect,
    pub(super) columns: &'a [String],
    pub(super) header_line: u64,
    pub(super) file_name: &'a str,
    pub(super) captures: Option<Vec<(&'a str, &'a str)>>,
    pub(super) preamble: &'a [(String, String)],
    pub(super) missing: Vec<String>,
}

impl Sources<'_> {
    pub(super) fn column(&mut self, name: &str) -> Result<usize, Quarantine> {
        let mut places = (0..self.columns.len()).filter(|&at| self.columns[at] == name);
        let place = places.next();
        if let (Some(first), Some(second)) = (place, places.next()) {
            return Err(Quarantine {
                code: codes::DUPLICATE_COLUMN,
                reason: format!(
                    "The header has \"{name}\" twice, as columns {} and {}",
                    first + 1,
                    second + 1
                ),
                fix: "Give the two columns different names in the station's export".into(),
                line: Some(self.header_line),
            });
        }
        if place.is_none() && !self.missing.iter().any(|missing| missing == name) {
            self.missing.push(name.to_owned());
        }
        Ok(place.unwrap_or(0))
    }

    pub(super) fn source(&mut self, source: &Source) -> Result<CellSource, Quarantine> {
        match source {
            Source::Column(name) => self.column(name).map(CellSource::Column),
            Source::Constant(text) => Ok(CellSource::Text(text.as_str().into())),
            Source::FileName(name) => self.capture(name),
            Source::Preamble(key) => self.entry(key),
        }
    }

    fn capture(&self, name: &str) -> Result<CellSource, Quarantine> {
        let captures = self.captures.as_deref().unwrap_or_default();
        if let Some((_, text)) = captures.iter().find(|(known, _)| *known == name) {
            return Ok(CellSource::Text((*text).into()));
        }
        Err(Quarantine {
            code: codes::FILE_NAME,
            reason: format!(
                "The file name \"{}\" does not follow \"{}\", which gives {{{name}}}",
                quote_text(self.file_name.as_bytes(), 200),
                self.feed.file_name.as_deref().unwrap_or_default()
            ),
            fix: "Rename the file, or correct the feed's file_name pattern".into(),
            line: None,
        })
    }

    fn entry(&self, key: &str) -> Result<CellSource, Quarantine> {
        if let Some((_, text)) = self.preamble.iter().find(|(known, _)| known == key) {
            return Ok(CellSource::Text(text.as_str().into()));
        }
        let known: Vec<&str> = self.preamble.iter().map(|(key, _)| key.as_str()).collect();
        let near = names::nearest(key, &known);
        let listed = if near.is_empty() { known } else { near };
        Err(Quarantine {
            code: codes::MISSING_PREAMBLE,
            reason: format!(
                "No line before the header gives \"{key}\"; found: {}",
                quote_text(listed.join(", ").as_bytes(), 300)
            ),
            fix: "Correct the key in the feed's settings, or the station's export".into(),
            line: None,
        })
    }

    /// The verdict on columns that were asked for and not found.
    pub(super) fn missing_columns(&self) -> Result<(), Quarantine> {
        if self.missing.is_empty() {
            return Ok(());
        }
        if let Some(delimiter) = self.likely_delimiter() {
            return Err(Quarantine {
                code: codes::WRONG_DELIMITER,
                reason: format!(
                    "The header seems to be delimited by {}; the feed says {}",
                    delimiter_name(delimiter),
                    delimiter_name(self.dialect.delimiter)
                ),
                fix: "Set the feed's csv.delimiter to what the station writes".into(),
                line: Some(self.header_line),
            });
        }
        let known: Vec<&str> = self.columns.iter().map(String::as_str).collect();
        let wanted = self.missing.iter().map(|name| {
            let near = names::nearest(name, &known);
            let near: Vec<String> = near.iter().map(|name| format!("\"{name}\"")).collect();
            if near.is_empty() {
                format!("\"{name}\"")
            } else {
                format!("\"{name}\" (near: {})", near.join(", "))
            }
        });
        let reason = format!("The header lacks {}", wanted.collect::<Vec<_>>().join(", "));
        Err(Quarantine {
            code: codes::MISSING_COLUMN,
            reason: quote_text(reason.as_bytes(), 1000),
            fix: "Correct the column names in the feed's settings, or the station's export".into(),
            line: Some(self.header_line),
        })
    }

    /// Another delimiter by which the header has more of the missing columns.
    fn likely_delimiter(&self) -> Option<u8> {
        let line = self
            .columns
            .join(&String::from(char::from(self.dialect.delimiter)));
        let others = b",;\t|"
            .iter()
            .copied()
            .filter(|other| *other != self.dialect.delimiter);
        let found = |delimiter| {
            let cells = cells::split_line(
                &line,
                Dialect {
                    delimiter,
                    ..self.dialect
                },
            );
            self.missing
                .iter()
                .filter(|name| cells.contains(name))
                .count()
        };
        others
            .map(|other| (found(other), other))
            .filter(|(found, _)| *found > 0)
            .max()
            .map(|it| it.1)
    }
}

fn delimiter_name(delimiter: u8) -> String {
    match delimiter {
        b'\t' => "tabs".into(),
        _ => format!("\"{}\"", char::from(delimiter)),
    }
}
