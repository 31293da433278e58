//! Rows under column names: how figures leave for other programs.
//!
//! Must not know what a row means. Invariant: a text cell stays text, in whatever program it is
//! opened.

use serde::{Deserialize, Serialize};

/// A cell.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Cell {
    /// Nothing is known.
    Empty,
    /// A count or a number of a list.
    Count(u64),
    /// A number.
    Number(f64),
    /// Text.
    Text(String),
}

impl From<&str> for Cell {
    fn from(text: &str) -> Cell {
        Cell::Text(text.to_owned())
    }
}

impl From<String> for Cell {
    fn from(text: String) -> Cell {
        Cell::Text(text)
    }
}

impl From<u64> for Cell {
    fn from(count: u64) -> Cell {
        Cell::Count(count)
    }
}

impl From<u32> for Cell {
    fn from(count: u32) -> Cell {
        Cell::Count(u64::from(count))
    }
}

impl From<f64> for Cell {
    fn from(number: f64) -> Cell {
        Cell::Number(number)
    }
}

impl<T: Into<Cell>> From<Option<T>> for Cell {
    fn from(cell: Option<T>) -> Cell {
        cell.map_or(Cell::Empty, Into::into)
    }
}

/// A named table.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    /// What it is called: a word or two.
    pub name: String,
    /// How many columns, from the first, tell its rows apart.
    pub keys: usize,
    /// The names of the columns.
    pub columns: Vec<String>,
    /// The rows, with a cell a column.
    pub rows: Vec<Vec<Cell>>,
}

impl Sheet {
    /// A table without rows.
    #[must_use]
    pub fn new(name: &str, keys: usize, columns: &[&str]) -> Sheet {
        Sheet {
            name: name.to_owned(),
            keys,
            columns: columns.iter().map(|name| (*name).to_owned()).collect(),
            rows: Vec::new(),
        }
    }

    /// Adds a row. A number that is none is taken for one that is not known.
    pub fn push(&mut self, mut row: Vec<Cell>) {
        for cell in &mut row {
            if matches!(cell, Cell::Number(number) if !number.is_finite()) {
                *cell = Cell::Empty;
            }
        }
        self.rows.push(row);
    }

    /// The table as comma-separated values with a line of names.
    #[must_use]
    pub fn csv(&self) -> String {
        let names: Vec<Cell> = self
            .columns
            .iter()
            .map(|name| Cell::from(&**name))
            .collect();
        let mut text = csv_line(&names);
        for row in &self.rows {
            text += &csv_line(row);
        }
        text
    }
}

/// Cells as a line of comma-separated values. A spreadsheet takes text with certain first
/// characters for a formula; an apostrophe before it makes it plain text.
#[must_use]
pub fn csv_line(cells: &[Cell]) -> String {
    let mut line = String::new();
    for (place, cell) in cells.iter().enumerate() {
        if place > 0 {
            line.push(',');
        }
        match cell {
            Cell::Empty => {}
            Cell::Count(count) => line += &count.to_string(),
            Cell::Number(number) => line += &number.to_string(),
            Cell::Text(text) => quoted(&mut line, text),
        }
    }
    line + "\r\n"
}

fn quoted(line: &mut String, text: &str) {
    let risky = ['=', '+', '-', '@', '\t', '\r', '\n', '\0'];
    let guard = if text.starts_with(risky) { "'" } else { "" };
    if text.contains([',', '"', '\r', '\n']) {
        line.push('"');
        line.push_str(guard);
        line.push_str(&text.replace('"', "\"\""));
        line.push('"');
    } else {
        line.push_str(guard);
        line.push_str(text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_of_a_cell_never_starts_a_formula() {
        for first in ["=", "+", "-", "@", "\t", "\r", "\n", "\0"] {
            let line = csv_line(&[Cell::Text(format!("{first}x"))]);
            assert!(line.trim_start_matches('"').starts_with('\''), "{line:?}");
        }
        let cells = ["a,\"b\"".into(), Cell::Empty, (-2.5).into(), 3u64.into()];
        assert_eq!(csv_line(&cells), "\"a,\"\"b\"\"\",,-2.5,3\r\n");
    }

    #[test]
    fn cells_come_back_from_json_as_they_were() {
        let mut sheet = Sheet::new("figures", 1, &["stream", "n", "mean", "low", "note"]);
        let numbers = [0.1, 3.0, -1e-300, 1.0 / 3.0, f64::MAX];
        for number in numbers {
            sheet.push(vec![
                "2".into(),
                7u64.into(),
                number.into(),
                f64::NAN.into(),
                Cell::Empty,
            ]);
        }
        let text = serde_json::to_string(&sheet).unwrap();
        assert_eq!(serde_json::from_str::<Sheet>(&text).unwrap(), sheet);
        assert_eq!(sheet.rows[1][2], Cell::Number(3.0));
        assert_eq!(sheet.rows[1][3], Cell::Empty);
    }
}
