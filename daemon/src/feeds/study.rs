//! A gauge study's file: part, operator, trial and value by column name.
//!
//! Knows no chart and no component of variance. The invariant: every row becomes a measurement, or
//! the file is refused with its line; nothing is skipped but blank lines.

use std::io::Read;
use std::path::{Path, PathBuf};

use encoding_rs::UTF_8;

use super::cells::{Dialect, split_line};
use super::decode::Decoding;
use super::number;
use super::regular::{Links, open_regular};

/// Bytes of a study's file at most.
pub const STUDY_BYTES_MAX: u64 = 8 << 20;

/// Where a study is and how it is written.
#[derive(Clone, Debug, PartialEq)]
pub struct StudyFile {
    /// The file.
    pub path: PathBuf,
    /// The column of the part.
    pub part: String,
    /// The column of the operator or station; `None` looks for `operator` and does without.
    pub operator: Option<String>,
    /// The column of the trial.
    pub trial: String,
    /// The column of the measured value.
    pub value: String,
    /// Between cells.
    pub delimiter: u8,
    /// The decimal mark.
    pub decimal: u8,
}

impl StudyFile {
    /// A file with the usual column names, commas and decimal points.
    #[must_use]
    pub fn new(path: PathBuf) -> StudyFile {
        StudyFile {
            path,
            part: "part".to_owned(),
            operator: None,
            trial: "trial".to_owned(),
            value: "value".to_owned(),
            delimiter: b',',
            decimal: b'.',
        }
    }
}

/// One measurement of a study.
#[derive(Clone, Debug, PartialEq)]
pub struct Measurement {
    /// The part.
    pub part: String,
    /// The operator; empty where the file has none.
    pub operator: String,
    /// The trial.
    pub trial: String,
    /// What was measured.
    pub value: f64,
    /// The line of the file, from 1.
    pub line: usize,
}

/// Why a file is no study.
#[derive(Debug, thiserror::Error)]
pub enum StudyError {
    /// It can not be read.
    #[error("{path}: {source}; check the path")]
    Read {
        /// The file.
        path: PathBuf,
        /// The cause.
        source: std::io::Error,
    },
    /// What it holds is not as it must be.
    #[error("{path}: {reason}; {fix}")]
    Content {
        /// The file, with the line where there is one.
        path: String,
        /// What is wrong.
        reason: String,
        /// What to do.
        fix: String,
    },
}

/// The measurements of a study, in the order of the file.
///
/// # Errors
///
/// When the file can not be read, is too large or not text, lacks a column, or a cell is empty or
/// no number.
pub fn read(file: &StudyFile) -> Result<Vec<Measurement>, StudyError> {
    let unread = |source| StudyError::Read {
        path: file.path.clone(),
        source,
    };
    let Some(mut opened) = open_regular(&file.path, Links::Follow).map_err(unread)? else {
        let reason = "it is no regular file".to_owned();
        return Err(content(file, None, reason, "name the file of a study"));
    };
    // One byte more than may be there tells that more is, also where the file grows meanwhile.
    let mut bytes = Vec::new();
    let mut limited = opened.by_ref().take(STUDY_BYTES_MAX + 1);
    limited.read_to_end(&mut bytes).map_err(unread)?;
    if bytes.len() as u64 > STUDY_BYTES_MAX {
        let reason = format!("more than {STUDY_BYTES_MAX} bytes are too many for a study");
        let fix = "name the file of one study, a row for each measurement";
        return Err(content(file, None, reason, fix));
    }
    let decoding = Decoding::of(&bytes, UTF_8);
    let text = decoding
        .decode(bytes.get(decoding.mark_len..).unwrap_or_default())
        .map_err(|fault| {
            let line = fault.line.and_then(|line| usize::try_from(line).ok());
            content(file, line, fault.reason, "save it as UTF-8")
        })?;
    measurements(file, &text)
}

fn measurements(file: &StudyFile, text: &str) -> Result<Vec<Measurement>, StudyError> {
    let dialect = Dialect {
        delimiter: file.delimiter,
        quote: b'"',
    };
    let mut lines = text
        .lines()
        .enumerate()
        .filter(|(_, line)| !line.trim().is_empty());
    let Some((_, head)) = lines.next() else {
        let fix = "write a header line and a row for each measurement";
        return Err(content(file, None, "the file is empty".to_owned(), fix));
    };
    let columns = Columns::find(file, &split_line(head, dialect))?;
    lines
        .map(|(index, line)| columns.row(file, index + 1, &split_line(line, dialect)))
        .collect()
}

/// The places of the columns.
struct Columns {
    part: usize,
    operator: Option<usize>,
    trial: usize,
    value: usize,
}

impl Columns {
    fn find(file: &StudyFile, head: &[String]) -> Result<Columns, StudyError> {
        let place = |name: &str| head.iter().position(|cell| cell == name);
        let need = |name: &str, option: &str| {
            place(name).ok_or_else(|| {
                let reason = format!("there is no column {name:?}, but {}", head.join(", "));
                let fix = format!("name it with {option}, or the delimiter with --delimiter");
                content(file, Some(1), reason, &fix)
            })
        };
        Ok(Columns {
            part: need(&file.part, "--part")?,
            operator: match &file.operator {
                Some(name) => Some(need(name, "--operator")?),
                None => place("operator"),
            },
            trial: need(&file.trial, "--trial")?,
            value: need(&file.value, "--value")?,
        })
    }

    fn row(
        &self,
        file: &StudyFile,
        line: usize,
        cells: &[String],
    ) -> Result<Measurement, StudyError> {
        let text = |place: usize, what: &str| match cells.get(place) {
            Some(cell) if !cell.is_empty() => Ok(cell.clone()),
            _ => {
                let reason = format!("there is no {what}");
                Err(content(
                    file,
                    Some(line),
                    reason,
                    "fill the cell or take the row out",
                ))
            }
        };
        let written = text(self.value, "value")?;
        let Some(value) = number::parse(written.as_bytes(), file.decimal) else {
            let mark = char::from(file.decimal);
            let reason = format!("{written:?} is no number with the decimal mark {mark:?}");
            let fix = "correct the cell, or name the mark with --decimal";
            return Err(content(file, Some(line), reason, fix));
        };
        Ok(Measurement {
            part: text(self.part, "part")?,
            operator: match self.operator {
                Some(place) => text(place, "operator")?,
                None => String::new(),
            },
            trial: text(self.trial, "trial")?,
            value,
            line,
        })
    }
}

fn content(file: &StudyFile, line: Option<usize>, reason: String, fix: &str) -> StudyError {
    let path = match line {
        Some(line) => format!("{}:{line}", file.path.display()),
        None => file.path.display().to_string(),
    };
    StudyError::Content {
        path,
        reason,
        fix: fix.to_owned(),
    }
}

/// What is wrong with the measurements of a file as a whole.
///
/// For those who arrange measurements: the message is like those of [`read`].
#[must_use]
pub fn refused(file: &Path, line: Option<usize>, reason: String, fix: &str) -> StudyError {
    content(&StudyFile::new(file.to_owned()), line, reason, fix)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(decimal: u8, delimiter: u8) -> StudyFile {
        StudyFile {
            decimal,
            delimiter,
            ..StudyFile::new(PathBuf::from("study.csv"))
        }
    }

    fn refused(text: &str) -> String {
        measurements(&file(b'.', b','), text)
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn rows_come_out_in_any_dialect() {
        let text = "value;part;trial;operator\n1,5;P1;1;Anna\n\n-2,25;\"P;2\";2;Ben\n";
        let found = measurements(&file(b',', b';'), text).unwrap();
        assert_eq!(found.len(), 2);
        assert_eq!((found[1].part.as_str(), found[1].line), ("P;2", 4));
        assert!((found[1].value + 2.25).abs() < 1e-12);
        let text = "part,trial,value\nP1,1,3\n";
        assert_eq!(
            measurements(&file(b'.', b','), text).unwrap()[0].operator,
            ""
        );
    }

    #[test]
    fn what_is_wrong_is_named_with_its_line() {
        let found = refused("part,operator,value\nP1,A,1\n");
        assert!(
            found.contains("study.csv:1") && found.contains("\"trial\""),
            "{found}"
        );
        assert!(
            found.contains("part, operator, value") && found.contains("--trial"),
            "{found}"
        );
        let found = refused("part,trial,value\nP1,1,1\nP1,2,1;5\n");
        assert!(
            found.contains("study.csv:3") && found.contains("\"1;5\""),
            "{found}"
        );
        let found = refused("part,trial,value\nP1,,1\n");
        assert!(found.contains("study.csv:2: there is no trial"), "{found}");
        assert!(refused("").contains("empty"));
        assert!(refused("part,trial,value\nP1,1,nan\n").contains("no number"));
        let missing = read(&file(b'.', b',')).unwrap_err().to_string();
        assert!(missing.contains("check the path"), "{missing}");
    }
}
