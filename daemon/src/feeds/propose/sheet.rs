//! An unknown file as a table: its encoding, delimiter, lines before the header, columns and rows.
//!
//! Knows no role and no unit. The invariant: what comes out was split by the same code that reads
//! files in earnest, so a table that is found here is one that the program can read.

use std::io::Read;
use std::path::Path;

use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};

use super::ProposeError;
use crate::feeds::cells::{self, Dialect};
use crate::feeds::decode::Decoding;
use crate::feeds::head::HEAD_MAX;
use crate::feeds::number;
use crate::feeds::regular::{Links, open_regular};
use crate::feeds::sources::preamble_entry;

/// Lines that decide on delimiter and header.
const LINES_MAX: usize = 400;

/// Rows that decide on the meaning of columns.
const ROWS_MAX: usize = 2_000;

/// What may stand between cells, the likelier first.
const DELIMITERS: [u8; 4] = [b';', b'\t', b',', b'|'];

/// A file as a table.
#[derive(Debug)]
pub(super) struct Sheet {
    pub(super) encoding: &'static Encoding,
    /// Whether the file itself says its encoding.
    pub(super) encoding_is_marked: bool,
    pub(super) delimiter: u8,
    pub(super) quote: u8,
    pub(super) preamble_lines: usize,
    pub(super) preamble: Vec<(String, String)>,
    pub(super) columns: Vec<String>,
    pub(super) rows: Vec<Vec<String>>,
    /// Rows with another number of cells than the header.
    pub(super) ragged: usize,
}

impl Sheet {
    /// Reads the beginning of a file.
    pub(super) fn read(path: &Path) -> Result<Sheet, ProposeError> {
        let failed = |source| ProposeError::Unreadable {
            path: path.to_owned(),
            source,
        };
        let opened = open_regular(path, Links::Follow).map_err(failed)?;
        let file = opened.ok_or_else(|| ProposeError::NoFile(path.to_owned()))?;
        let mut bytes = Vec::new();
        file.take(HEAD_MAX as u64)
            .read_to_end(&mut bytes)
            .map_err(failed)?;
        let is_whole = bytes.len() < HEAD_MAX;
        Sheet::of(&bytes, is_whole).map_err(|what| ProposeError::NotTabular {
            path: path.to_owned(),
            what,
        })
    }

    /// The table in the beginning of a file; says what is missing where there is none.
    pub(super) fn of(bytes: &[u8], is_whole: bool) -> Result<Sheet, String> {
        if bytes.is_empty() {
            return Err("the file is empty".to_owned());
        }
        let (decoding, encoding_is_marked) = decoding_of(bytes)?;
        let body = &bytes[decoding.mark_len..];
        let end = if is_whole {
            body.len()
        } else {
            decoding.last_line_end(body)
        };
        let text = decoding
            .decode(&body[..end])
            .map_err(|found| format!("{}; it may be no text at all", found.reason))?;
        if text.contains('\0') {
            return Err("it holds NUL characters, so it is no text".to_owned());
        }
        let found = find_table(&text)?;
        let mut sheet = Sheet {
            encoding: decoding.encoding,
            encoding_is_marked,
            delimiter: found.dialect.delimiter,
            quote: found.dialect.quote,
            preamble_lines: found.header_line,
            preamble: Vec::new(),
            columns: Vec::new(),
            rows: Vec::new(),
            ragged: 0,
        };
        sheet.fill(&text, found.dialect);
        Ok(sheet)
    }

    fn fill(&mut self, text: &str, dialect: Dialect) {
        let (mut at, mut line) = (0, 0);
        while at < text.len() && self.rows.len() < ROWS_MAX {
            if line < self.preamble_lines {
                let end = text[at..].find('\n').map_or(text.len(), |end| at + end + 1);
                self.preamble
                    .extend(preamble_entry(&text[at..end], dialect));
                (at, line) = (end, line + 1);
                continue;
            }
            let end = cells::row_end(text.as_bytes(), at, dialect).at;
            let cells = cells::split_line(&text[at..end], dialect);
            at = end;
            if self.columns.is_empty() {
                self.columns = cells;
            } else {
                self.take_row(cells);
            }
        }
    }

    fn take_row(&mut self, mut cells: Vec<String>) {
        let wanted = self.columns.len();
        if cells.iter().all(String::is_empty) {
            return;
        }
        if cells.len() == wanted + 1 && cells.last().is_some_and(String::is_empty) {
            cells.pop();
        }
        if cells.len() == wanted {
            self.rows.push(cells);
        } else {
            self.ragged += 1;
        }
    }

    /// The cells of a column that are not empty.
    pub(super) fn cells(&self, column: usize) -> impl Iterator<Item = &str> {
        let cells = self.rows.iter().filter_map(move |row| row.get(column));
        cells
            .map(|cell| cell.trim())
            .filter(|cell| !cell.is_empty())
    }
}

/// How the bytes are to be read, and whether they say so themselves.
fn decoding_of(bytes: &[u8]) -> Result<(Decoding, bool), String> {
    let marked = Decoding::of(bytes, UTF_8);
    if marked.mark_len > 0 {
        return Ok((marked, true));
    }
    let plain = |encoding| Decoding {
        encoding,
        mark_len: 0,
    };
    let start = &bytes[..bytes.len().min(4_096)];
    let nul = |offset: usize| {
        start
            .iter()
            .skip(offset)
            .step_by(2)
            .filter(|b| **b == 0)
            .count()
    };
    let (even, odd, half) = (nul(0), nul(1), start.len() / 2);
    if even + odd > 0 {
        return match (even * 2 > half, odd * 2 > half) {
            (false, true) => Ok((plain(UTF_16LE), false)),
            (true, false) => Ok((plain(UTF_16BE), false)),
            _ => Err("it holds NUL bytes, so it is no text".to_owned()),
        };
    }
    let is_utf8 = match std::str::from_utf8(bytes) {
        Ok(_) => true,
        // The beginning of a longer file may end within a character.
        Err(error) => error.error_len().is_none() && bytes.len() >= HEAD_MAX,
    };
    let encoding = if is_utf8 { UTF_8 } else { WINDOWS_1252 };
    Ok((plain(encoding), false))
}

/// Where the table is.
struct FoundTable {
    dialect: Dialect,
    header_line: usize,
    score: usize,
}

/// The delimiter and header under which most lines make a table with most columns.
fn find_table(text: &str) -> Result<FoundTable, String> {
    let lines: Vec<&str> = text.lines().take(LINES_MAX).collect();
    let quote = quote_of(&lines);
    let tables = DELIMITERS.map(|delimiter| table_with(&lines, Dialect { delimiter, quote }));
    let mut best: Option<FoundTable> = None;
    let mut headless = false;
    for table in tables {
        match table {
            Table::Found(found) if best.as_ref().is_none_or(|one| one.score < found.score) => {
                best = Some(found);
            }
            Table::Headless => headless = true,
            _ => {}
        }
    }
    best.ok_or_else(|| match headless {
        true => "no line with the names of the columns stands above the rows; columns are found \
                 by their names, so have the station write them"
            .to_owned(),
        false => "no semicolon, tab, comma or bar cuts its lines into columns".to_owned(),
    })
}

enum Table {
    Found(FoundTable),
    /// There are columns, but nothing names them.
    Headless,
    Absent,
}

fn table_with(lines: &[&str], dialect: Dialect) -> Table {
    let rows: Vec<Vec<String>> = lines
        .iter()
        .map(|line| cells::split_line(line, dialect))
        .collect();
    let mut widths: Vec<usize> = rows.iter().map(Vec::len).filter(|len| *len > 1).collect();
    widths.sort_unstable();
    widths.dedup();
    let mut best: Option<FoundTable> = None;
    for &width in &widths {
        let fits = |row: &Vec<String>| {
            row.len() == width
                || (row.len() == width + 1 && row.last().is_some_and(String::is_empty))
        };
        let Some(header_line) = rows.iter().position(|row| row.len() == width) else {
            continue;
        };
        if !is_header(&rows[header_line]) {
            continue;
        }
        let below = rows[header_line..].iter().filter(|row| fits(row)).count();
        let score = width * below;
        if best.as_ref().is_none_or(|one| one.score < score) {
            best = Some(FoundTable {
                dialect,
                header_line,
                score,
            });
        }
    }
    match best {
        Some(found) => Table::Found(found),
        None if widths.is_empty() => Table::Absent,
        None => Table::Headless,
    }
}

/// Whether cells look like names: no numbers, hardly any blanks, none twice.
fn is_header(cells: &[String]) -> bool {
    let named: Vec<&str> = cells
        .iter()
        .map(|cell| cell.trim())
        .filter(|cell| !cell.is_empty())
        .collect();
    let mut distinct = named.clone();
    distinct.sort_unstable();
    distinct.dedup();
    let has_letter = |cell: &&str| cell.chars().any(char::is_alphabetic) || *cell == "#";
    named.len() > 1
        && named.len() + 1 >= cells.len()
        && distinct.len() * 5 >= named.len() * 4
        && named.iter().all(has_letter)
        && !named.iter().any(|cell| looks_like_data(cell))
}

fn looks_like_data(cell: &str) -> bool {
    let bytes = cell.as_bytes();
    let is_number = number::parse(bytes, b'.').is_some() || number::parse(bytes, b',').is_some();
    let digits = bytes.iter().filter(|byte| byte.is_ascii_digit()).count();
    is_number || digits >= 6
}

/// The quote: the single one only where cells plainly use it.
fn quote_of(lines: &[&str]) -> u8 {
    let single = lines
        .iter()
        .filter(|line| line.matches('\'').count() >= 2 && !line.contains('"'))
        .count();
    if single > 0 && single * 2 >= lines.len() {
        b'\''
    } else {
        b'"'
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_found_below_a_preamble_and_with_decimal_commas() {
        let text = "Product;LN-200\nOperator;night team\nDate;Time;Panel;Height\n\
                    04.03.2026;06:12:07;P0001;0,1012\n04.03.2026;06:12:07;P0001;0,0987\n";
        let sheet = Sheet::of(text.as_bytes(), true).unwrap();
        assert_eq!((sheet.delimiter, sheet.preamble_lines), (b';', 2));
        assert_eq!(sheet.columns, ["Date", "Time", "Panel", "Height"]);
        assert_eq!(sheet.rows.len(), 2);
        assert_eq!(
            sheet.preamble[0],
            ("Product".to_owned(), "LN-200".to_owned())
        );
    }

    #[test]
    fn a_header_alone_is_a_table() {
        let text = "Panel: P1\nRecipe: a 5\nComponent;Pin;Position;Defect\n";
        let sheet = Sheet::of(text.as_bytes(), true).unwrap();
        assert_eq!(sheet.preamble_lines, 2);
        assert!(sheet.rows.is_empty());
        assert_eq!(sheet.preamble.len(), 2);
    }

    #[test]
    fn utf_16_is_told_with_and_without_its_mark() {
        let text = "Zeit;Höhe\n2026-03-04;1,5\n";
        let little: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let big: Vec<u8> = std::iter::once(0xFEFF)
            .chain(text.encode_utf16())
            .flat_map(u16::to_be_bytes)
            .collect();
        let sheet = Sheet::of(&little, true).unwrap();
        assert_eq!(
            (sheet.encoding, sheet.encoding_is_marked),
            (UTF_16LE, false)
        );
        let sheet = Sheet::of(&big, true).unwrap();
        assert_eq!((sheet.encoding, sheet.encoding_is_marked), (UTF_16BE, true));
        assert_eq!(sheet.columns, ["Zeit", "Höhe"]);
        let sheet = Sheet::of(b"Zeit;H\xf6he\n1;2\n", true).unwrap();
        assert_eq!(sheet.encoding, WINDOWS_1252);
    }

    #[test]
    fn what_is_no_table_is_said() {
        for (bytes, words) in [
            (&b""[..], "empty"),
            (b"\x7fELF\x00\x01\x02\x00\x00", "NUL"),
            (b"just a line\nand another\n", "cuts its lines"),
            (b"1,2,3\n4,5,6\n", "names of the columns"),
        ] {
            let said = Sheet::of(bytes, true).unwrap_err();
            assert!(said.contains(words), "{said}");
        }
    }
}
