//! The findings about files and rows, with stable codes.
//!
//! Knows no parser: only what a finding is called, what it means and how it reads. The invariant:
//! a code never changes its meaning, because ledgers and reaction plans quote it.

use std::fmt;

use super::looks::is_invisible;

/// A row that was read and not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reject {
    /// The stable code.
    pub code: &'static str,
    /// The line in the file; 1 is the first.
    pub line: u64,
    /// The column by its header, where one is to blame.
    pub column: Option<String>,
    /// What is wrong.
    pub reason: String,
    /// The row as written, cut at [`REJECT_TEXT_MAX`] bytes.
    pub text: String,
}

/// Why a whole file is set aside, and what to do about it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct Quarantine {
    /// The stable code.
    pub code: &'static str,
    /// What is wrong.
    pub reason: String,
    /// What the operator can do.
    pub fix: String,
    /// The line in the file, where one is to blame; 1 is the first.
    pub line: Option<u64>,
}

impl fmt::Display for Quarantine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", self.code)?;
        if let Some(line) = self.line {
            write!(f, "line {line}: ")?;
        }
        write!(f, "{}. {}", self.reason, self.fix)
    }
}

/// How many rejected rows of a file are kept with their text; the others are counted.
pub const REJECTS_KEPT_MAX: usize = 1000;
/// How much of a rejected row is kept, in bytes.
pub const REJECT_TEXT_MAX: usize = 500;

/// The file's bytes are not text in the expected encoding.
pub const NOT_DECODABLE: &str = "F001";
/// The file is full of NUL bytes: UTF-16 without a byte order mark, or not text at all.
pub const NUL_BYTES: &str = "F002";
/// There is no header line where the feed says.
pub const NO_HEADER: &str = "F003";
/// A configured column is not in the header.
pub const MISSING_COLUMN: &str = "F004";
/// A configured column is in the header more than once.
pub const DUPLICATE_COLUMN: &str = "F005";
/// The header is delimited by another character than the feed says.
pub const WRONG_DELIMITER: &str = "F006";
/// Numbers are written with another decimal mark than the feed says.
pub const WRONG_DECIMAL: &str = "F007";
/// The file name does not follow the feed's pattern.
pub const FILE_NAME: &str = "F008";
/// A configured preamble entry is missing.
pub const MISSING_PREAMBLE: &str = "F009";
/// A line is longer than any row may be.
pub const LINE_TOO_LONG: &str = "F010";
/// The file is too large to be converted from its encoding.
pub const TOO_LARGE_TO_DECODE: &str = "F011";
/// A value of the file name, the preamble or a constant cannot be used.
pub const BAD_FILE_VALUE: &str = "F012";
/// The file was written again with visits that had counted. Given by earlier versions only: now
/// the rows that are not recorded count.
pub const REWRITTEN: &str = "F013";
/// The rows can not be compared with those recorded of the same visits; found by the one who knows
/// the record.
pub const NOT_COMPARED: &str = "F014";
/// The system does not let the file be read.
pub const UNREADABLE: &str = "F015";
/// Month and day seem to be exchanged; found by the one who knows when the file was written.
pub const DATE_SWAPPED: &str = "F016";
/// The rows after midnight carry the date of the day before.
pub const STALE_DATE: &str = "F017";
/// The row has another number of cells than the header.
pub const RAGGED_ROW: &str = "F101";
/// The cell is not a finite number.
pub const NOT_A_NUMBER: &str = "F102";
/// The number is outside the plausible range of its measure.
pub const IMPLAUSIBLE: &str = "F103";
/// The row has no time.
pub const EMPTY_TIME: &str = "F104";
/// The time does not follow the feed's format.
pub const BAD_TIME: &str = "F105";
/// The call is none of the feed's words for good or defect.
pub const UNMAPPED_CALL: &str = "F106";
/// The review is none of the feed's words.
pub const UNMAPPED_REVIEW: &str = "F107";
/// The attempt is not a count from 1.
pub const BAD_ATTEMPT: &str = "F108";
/// A quote is opened and not closed, or text follows a closing quote.
pub const UNCLOSED_QUOTE: &str = "F109";
/// The row contains control characters.
pub const CONTROL_CHARACTER: &str = "F110";
/// The number of opportunities is not a count.
pub const BAD_OPPORTUNITIES: &str = "F111";
/// The row of a long layout names no test step.
pub const EMPTY_STEP: &str = "F112";
/// The time lies in the future; found by the one who knows the clock.
pub const FUTURE_TIME: &str = "F113";
/// The row is recorded with another value or verdict; found by the one who knows the record.
pub const CONFLICT: &str = "F114";
/// The time lies before anything that can have been inspected.
pub const TOO_EARLY: &str = "F115";
/// A name is longer than any may be.
pub const TEXT_TOO_LONG: &str = "F116";
/// A name holds a character that can not be seen, or turns the text around it.
pub const INVISIBLE_CHARACTER: &str = "F117";

/// Every code with its meaning in a few words, for reports and the manual.
pub const CODES: &[(&str, &str)] = &[
    (NOT_DECODABLE, "not text in the expected encoding"),
    (NUL_BYTES, "NUL bytes"),
    (NO_HEADER, "no header line"),
    (MISSING_COLUMN, "column missing from the header"),
    (DUPLICATE_COLUMN, "column twice in the header"),
    (WRONG_DELIMITER, "another delimiter"),
    (WRONG_DECIMAL, "another decimal mark"),
    (FILE_NAME, "file name does not follow the pattern"),
    (MISSING_PREAMBLE, "entry missing before the header"),
    (LINE_TOO_LONG, "line too long"),
    (TOO_LARGE_TO_DECODE, "too large to convert"),
    (BAD_FILE_VALUE, "value for the whole file not usable"),
    (REWRITTEN, "written again after it counted"),
    (NOT_COMPARED, "can not be compared with what is recorded"),
    (UNREADABLE, "not readable"),
    (DATE_SWAPPED, "month and day exchanged"),
    (STALE_DATE, "date of the day before after midnight"),
    (RAGGED_ROW, "another number of cells than the header"),
    (NOT_A_NUMBER, "not a number"),
    (IMPLAUSIBLE, "implausible value"),
    (EMPTY_TIME, "no time"),
    (BAD_TIME, "time not readable"),
    (UNMAPPED_CALL, "unknown call"),
    (UNMAPPED_REVIEW, "unknown review"),
    (BAD_ATTEMPT, "attempt not a count from 1"),
    (UNCLOSED_QUOTE, "quote not closed"),
    (CONTROL_CHARACTER, "control character"),
    (BAD_OPPORTUNITIES, "opportunities not a count"),
    (EMPTY_STEP, "no test step"),
    (FUTURE_TIME, "time in the future"),
    (CONFLICT, "recorded with another value or verdict"),
    (TOO_EARLY, "time before 2001"),
    (TEXT_TOO_LONG, "name too long"),
    (INVISIBLE_CHARACTER, "invisible character"),
];

/// The meaning of a code.
#[must_use]
pub fn meaning(code: &str) -> Option<&'static str> {
    CODES
        .iter()
        .find(|(known, _)| *known == code)
        .map(|(_, words)| *words)
}

/// Text of a file made safe for one line of a message: what can not be seen is written out, and it
/// is cut at `max` bytes.
#[must_use]
pub fn quote_text(bytes: &[u8], max: usize) -> String {
    let mut out = String::new();
    for char in String::from_utf8_lossy(&bytes[..bytes.len().min(max + 4)]).chars() {
        let is_hidden = char.is_control() || is_invisible(char);
        let len = if is_hidden { 10 } else { char.len_utf8() };
        if out.len() + len > max {
            break;
        }
        if is_hidden {
            out.extend(char.escape_default());
        } else {
            out.push(char);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_is_in_the_table_once_and_in_order() {
        assert!(CODES.windows(2).all(|pair| pair[0].0 < pair[1].0));
        assert_eq!(meaning("F007"), Some("another decimal mark"));
        assert_eq!(meaning("F999"), None);
    }

    #[test]
    fn quoted_text_is_one_short_line() {
        assert_eq!(quote_text(b"a\nb\0", 50), "a\\nb\\u{0}");
        assert_eq!(quote_text("a\u{202e}b".as_bytes(), 50), "a\\u{202e}b");
        let long = "ä".repeat(1000);
        let quoted = quote_text(long.as_bytes(), 501);
        assert_eq!(quoted.len(), 500);
        assert!(quoted.chars().all(|char| char == 'ä'));
    }
}
