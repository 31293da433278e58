//! The one place that writes to standard output and standard error.
//!
//! Knows no command. Invariants: a text cell can not become a formula in a spreadsheet, and can
//! not move the cursor of a terminal.

use std::io::{self, Write};

pub use reports::tables::Cell;
use reports::tables::csv_line;
use serde::Serialize;

/// Columns of a screen that a table for people keeps to, where its names and numbers let it.
const WIDTH: usize = 100;

/// How far the lines beneath a row stand in.
const INDENT: &str = "    ";

/// How a result is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// Columns for a person.
    Table,
    /// JSON, numbers at full precision.
    Json,
    /// Comma-separated values, numbers at full precision.
    Csv,
    /// A picture, of charts only.
    Svg,
}

/// Rows under column names.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Table {
    columns: Vec<&'static str>,
    /// The columns that people read on lines of their own, beneath the row.
    beneath: Vec<&'static str>,
    rows: Vec<Vec<Cell>>,
}

impl Table {
    /// A table without rows.
    #[must_use]
    pub fn new(columns: &[&'static str]) -> Table {
        Table {
            columns: columns.to_vec(),
            ..Table::default()
        }
    }

    /// A table with texts that are too long to stand beside each other: for people, some columns
    /// come beneath the row, a line each.
    #[must_use]
    pub fn with_lines(columns: &[&'static str], beneath: &[&'static str]) -> Table {
        Table {
            beneath: beneath.to_vec(),
            ..Table::new(columns)
        }
    }

    /// Adds a row with a cell a column.
    pub fn push(&mut self, row: Vec<Cell>) {
        self.rows.push(row);
    }
}

/// Writes rows to standard output. A reader that has seen enough is no failure.
///
/// # Errors
///
/// When standard output can not be written, or a picture is asked for.
pub fn print_rows(format: Format, table: &Table, json: &impl Serialize) -> io::Result<()> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    let written = write(&mut out, format, table, json).and_then(|()| out.flush());
    forgive_closed(written)
}

/// Writes a result to standard output as it is.
///
/// # Errors
///
/// When standard output can not be written, other than because its reader has gone.
pub fn print(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    forgive_closed(out.write_all(text.as_bytes()).and_then(|()| out.flush()))
}

/// Says on standard error what went wrong. Where that can not be written the exit code still says
/// so.
pub fn complain(text: &str) {
    match writeln!(io::stderr().lock(), "{text}") {
        Ok(()) | Err(_) => {}
    }
}

fn forgive_closed(written: io::Result<()>) -> io::Result<()> {
    match written {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

/// Writes a result.
///
/// # Errors
///
/// When the target can not be written, or a picture is asked for.
pub fn write(
    out: &mut impl Write,
    format: Format,
    table: &Table,
    json: &impl Serialize,
) -> io::Result<()> {
    match format {
        Format::Table => write_table(out, table),
        Format::Csv => write_csv(out, table),
        Format::Json => {
            serde_json::to_writer_pretty(&mut *out, json)?;
            writeln!(out)
        }
        Format::Svg => Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "only a chart has a picture; ask for table, json or csv",
        )),
    }
}

fn write_table(out: &mut impl Write, table: &Table) -> io::Result<()> {
    let is_beneath: Vec<bool> = table
        .columns
        .iter()
        .map(|name| table.beneath.contains(name))
        .collect();
    let rows: Vec<Vec<String>> = table
        .rows
        .iter()
        .map(|row| row.iter().map(shown).collect())
        .collect();
    let width = |column: usize| {
        let cells = rows.iter().filter_map(|row| row.get(column));
        let widest = cells.map(|cell| cell.chars().count()).max().unwrap_or(0);
        widest.max(table.columns[column].chars().count())
    };
    let widths: Vec<usize> = (0..table.columns.len()).map(width).collect();
    let is_number = |column: usize| {
        let mut cells = table.rows.iter().filter_map(|row| row.get(column));
        cells.any(|cell| matches!(cell, Cell::Count(_) | Cell::Number(_)))
    };
    let right: Vec<bool> = (0..table.columns.len()).map(is_number).collect();
    let head: Vec<String> = table.columns.iter().map(|&name| name.to_owned()).collect();
    for (number, row) in std::iter::once(&head).chain(&rows).enumerate() {
        let mut line = String::new();
        for (column, (cell, &width)) in row.iter().zip(&widths).enumerate() {
            if is_beneath[column] {
                continue;
            }
            let gap = " ".repeat(width.saturating_sub(cell.chars().count()));
            let (before, after) = if right[column] {
                (&*gap, "")
            } else {
                ("", &*gap)
            };
            line.push_str(before);
            line.push_str(cell);
            line.push_str(after);
            line.push_str("  ");
        }
        writeln!(out, "{}", line.trim_end())?;
        for (column, cell) in row.iter().enumerate() {
            if number > 0 && is_beneath[column] && !cell.is_empty() && cell != NOTHING {
                write_beneath(out, table.columns[column], cell)?;
            }
        }
    }
    Ok(())
}

/// A text beneath its row, with its column's name, in lines that fit.
fn write_beneath(out: &mut impl Write, name: &str, text: &str) -> io::Result<()> {
    let mut line = format!("{INDENT}{name}:");
    let mut width = line.chars().count();
    for word in text.split_whitespace() {
        let more = word.chars().count() + 1;
        if width + more > WIDTH {
            writeln!(out, "{line}")?;
            line = INDENT.repeat(2);
            width = line.chars().count();
            line.push_str(word);
            width += more - 1;
        } else {
            line.push(' ');
            line.push_str(word);
            width += more;
        }
    }
    writeln!(out, "{line}")
}

/// What stands where there is nothing.
const NOTHING: &str = "-";

/// A cell for people: five significant digits, and nothing that moves a cursor or turns the text.
fn shown(cell: &Cell) -> String {
    match cell {
        Cell::Empty => NOTHING.to_owned(),
        Cell::Text(text) => text.chars().map(visible).collect(),
        Cell::Count(count) => count.to_string(),
        Cell::Number(number) => significant(*number),
    }
}

fn visible(c: char) -> char {
    if reports::is_hidden(c) { '\u{fffd}' } else { c }
}

/// A number with its noun: 1 board, 2 boards.
#[must_use]
pub fn number_of(number: u64, noun: &str) -> String {
    match number {
        1 => format!("1 {noun}"),
        number => format!("{number} {noun}s"),
    }
}

/// A number with its sign and some decimals, in a sentence for people.
#[must_use]
pub fn signed(number: f64, decimals: usize) -> String {
    with_minus(&format!("{number:+.decimals$}"))
}

/// A number in a sentence for people: with a minus sign where programs have a hyphen.
#[must_use]
pub fn with_minus(number: &str) -> String {
    number.replace('-', "\u{2212}")
}

/// A number with five significant digits.
#[must_use]
pub fn significant(number: f64) -> String {
    significant_to(number, 5)
}

/// A number with so many significant digits, at least one.
#[must_use]
pub fn significant_to(number: f64, digits: usize) -> String {
    let size = number.abs();
    if !number.is_finite() {
        return "-".to_owned();
    }
    if size == 0.0 {
        return "0".to_owned();
    }
    if !(1e-5..1e9).contains(&size) {
        return format!("{number:.*e}", digits.saturating_sub(1));
    }
    let before: i32 = size.log10().floor() as i32 + 1;
    let wanted = i32::try_from(digits).unwrap_or(i32::MAX);
    let decimals = usize::try_from(wanted.saturating_sub(before).clamp(0, 9)).unwrap_or(0);
    let text = format!("{number:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

fn write_csv(out: &mut impl Write, table: &Table) -> io::Result<()> {
    let names: Vec<Cell> = table.columns.iter().map(|name| Cell::from(*name)).collect();
    for row in std::iter::once(&names).chain(&table.rows) {
        out.write_all(csv_line(row).as_bytes())?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(format: Format, table: &Table) -> String {
        let mut out = Vec::new();
        write(&mut out, format, table, &serde_json::json!([1.5])).unwrap();
        String::from_utf8(out).unwrap()
    }

    fn table() -> Table {
        let mut table = Table::new(&["name", "n", "mean"]);
        table.push(vec!["=1+1".into(), 3u64.into(), 0.1.into()]);
        table.push(vec!["a,\"b\"\x1b[2J".into(), Cell::Empty, (-2.5).into()]);
        table
    }

    #[test]
    fn csv_text_never_starts_a_formula() {
        assert_eq!(
            text(Format::Csv, &table()),
            "name,n,mean\r\n'=1+1,3,0.1\r\n\"a,\"\"b\"\"\u{1b}[2J\",,-2.5\r\n"
        );
    }

    #[test]
    fn table_text_never_moves_the_cursor() {
        assert_eq!(
            text(Format::Table, &table()),
            "name       n  mean\n=1+1       3   0.1\na,\"b\"\u{fffd}[2J  -  -2.5\n"
        );
    }

    #[test]
    fn hidden_marks_are_shown() {
        assert_eq!(
            shown(&Cell::from("a\u{202e}b\u{2066}c")),
            "a\u{fffd}b\u{fffd}c"
        );
    }

    #[test]
    fn long_texts_stand_beneath_their_row_in_lines_that_fit() {
        let mut table = Table::with_lines(&["id", "reason", "n", "by"], &["reason", "by"]);
        let long = "word ".repeat(25);
        table.push(vec![
            "A".into(),
            long.as_str().into(),
            3u64.into(),
            "x".into(),
        ]);
        table.push(vec!["B".into(), "".into(), 12u64.into(), Cell::Empty]);
        let shown = text(Format::Table, &table);
        let line = "word ".repeat(17);
        assert_eq!(
            shown,
            format!(
                "id   n\nA    3\n    reason: {}\n        {}\n    by: x\nB   12\n",
                line.trim_end(),
                "word ".repeat(8).trim_end()
            )
        );
        assert!(shown.lines().all(|line| line.chars().count() <= WIDTH));
        let csv = text(Format::Csv, &table);
        assert!(csv.starts_with("id,reason,n,by\r\nA,word word"), "{csv}");
    }

    #[test]
    fn numbers_keep_five_digits_for_people() {
        let cases = [
            (123_456.7, "123457"),
            (0.1, "0.1"),
            (120.123_49, "120.12"),
            (0.000_012_345_6, "0.000012346"),
            (-2.0, "-2"),
            (1.0e12, "1.0000e12"),
        ];
        for (number, wanted) in cases {
            assert_eq!(significant(number), wanted);
        }
    }
}
