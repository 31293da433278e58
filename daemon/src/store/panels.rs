//! Which panel each board is of, from the archive.
//!
//! Knows no measure and no alert. The one invariant: a board that was seen in several panels is of
//! the first of their names, in whatever order segments were written.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;

use polars::error::PolarsError;
use polars::prelude::{Column, DataType};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;

use super::query::ReadingFilter;
use super::{Reader, StoreError, file_error};
use crate::config::Key;
use crate::words::Station;

impl Reader {
    /// The panels of the boards of a station on a line, or on all lines, in a window: by the serial
    /// number of the board, where rows name both.
    ///
    /// # Errors
    ///
    /// When the record or a segment of the archive can not be read.
    pub fn panels_of_boards(
        &self,
        (station, line): (Station, Option<&str>),
        (from, to): (i64, i64),
    ) -> Result<BTreeMap<String, String>, StoreError> {
        let line = line.map(|line| (Key::Line, vec![line.to_owned()]));
        let filter = ReadingFilter {
            station,
            measure: "",
            keys: line.into_iter().collect(),
            from,
            to,
        };
        let mut panels = BTreeMap::new();
        for path in self.segments_for(&filter)? {
            let wrap =
                |error: PolarsError| StoreError::Archive(format!("{}: {error}", path.display()));
            add_segment(&path, (from, to), &mut panels, wrap)?;
        }
        Ok(panels)
    }
}

fn add_segment(
    path: &Path,
    (from, to): (i64, i64),
    panels: &mut BTreeMap<String, String>,
    wrap: impl Fn(PolarsError) -> StoreError,
) -> Result<(), StoreError> {
    let open = || File::open(path).map_err(|source| file_error(path, source));
    let schema = ParquetReader::new(open()?).schema().map_err(&wrap)?;
    let columns = ["at", "board", "panel"];
    if !columns.iter().all(|name| schema.contains(name)) {
        return Ok(());
    }
    let frame = ParquetReader::new(open()?)
        .with_columns(Some(columns.map(str::to_owned).to_vec()))
        .finish()
        .map_err(&wrap)?;
    let cast = |name: &str, to: DataType| -> Result<Column, StoreError> {
        let column = frame.column(name).and_then(|column| column.cast(&to));
        column.map_err(&wrap)
    };
    let at = cast("at", DataType::Int64)?;
    let (boards, owners) = (
        cast("board", DataType::String)?,
        cast("panel", DataType::String)?,
    );
    let (at, boards) = (at.i64().map_err(&wrap)?, boards.str().map_err(&wrap)?);
    let rows = at
        .iter()
        .zip(boards.iter())
        .zip(owners.str().map_err(&wrap)?.iter());
    // Rows of a board follow each other.
    let mut last = None;
    for ((at, board), panel) in rows {
        let (Some(at), Some(board), Some(panel)) = (at, board, panel) else {
            continue;
        };
        let is_empty = board.is_empty() || panel.is_empty();
        if is_empty || !(from..to).contains(&at) || last == Some((board, panel)) {
            continue;
        }
        last = Some((board, panel));
        match panels.get_mut(board) {
            Some(known) if known.as_str() <= panel => {}
            Some(known) => panel.clone_into(known),
            None => {
                panels.insert(board.to_owned(), panel.to_owned());
            }
        }
    }
    Ok(())
}
