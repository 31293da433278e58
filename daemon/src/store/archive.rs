//! The archive of readings: what is asked of it, and what no transaction stands for.
//!
//! Segments are written by [`super::segment`]; one that no transaction names is swept away.

use std::fs::{self, File};
use std::path::Path;

use polars::prelude::{DataFrame, DataType};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;
use rusqlite::Connection;

use super::query::{OutsideCount, ReadingFilter};
use super::segment::DAY_US;
use super::{StoreError, db, file_error};
use crate::config::Key;

/// Takes away segments that no committed transaction names.
pub(super) fn sweep(data_folder: &Path, record: &Connection) -> Result<(), StoreError> {
    let root = data_folder.join("archive");
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        let entries = match fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
            Err(source) => return Err(file_error(&folder, source)),
        };
        for entry in entries {
            let path = entry.map_err(|source| file_error(&folder, source))?.path();
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            let relative = path
                .strip_prefix(&root)
                .unwrap_or(&path)
                .to_string_lossy()
                .into_owned();
            let named: bool = record
                .prepare_cached("SELECT EXISTS (SELECT 1 FROM segment WHERE path = ?1)")
                .and_then(|mut query| query.query_row([&relative], |row| row.get(0)))
                .map_err(|source| db(data_folder, source))?;
            if !named {
                tracing::info!(segment = %relative, "removed a segment that was never committed");
                fs::remove_file(&path).map_err(|source| file_error(&path, source))?;
            }
        }
    }
    Ok(())
}

/// How many of the readings that a filter wants lie outside a specification.
///
/// # Errors
///
/// When a segment can not be read.
pub(super) fn count_outside(
    data_folder: &Path,
    segments: &[String],
    filter: &ReadingFilter,
    lower: Option<f64>,
    upper: Option<f64>,
) -> Result<OutsideCount, StoreError> {
    let mut found = OutsideCount::default();
    for relative in segments.iter().filter(|path| may_hold(path, filter)) {
        let path = data_folder.join("archive").join(relative);
        for value in readings(&path, filter)? {
            found.readings += 1;
            found.below += u64::from(lower.is_some_and(|lower| value < lower));
            found.above += u64::from(upper.is_some_and(|upper| value > upper));
        }
    }
    Ok(found)
}

/// Whether a segment can hold what a filter wants, told by its path alone.
pub(super) fn may_hold(relative: &str, filter: &ReadingFilter) -> bool {
    let mut parts = relative.split('/');
    let mut part = |name: &str| parts.next().and_then(|part| part.strip_prefix(name));
    let (line, station, day) = (part("line="), part("station="), part("day="));
    let wanted_line = filter.keys.iter().all(|(key, values)| {
        *key != Key::Line || values.iter().any(|value| Some(&*path_part(value)) == line)
    });
    let start = day
        .and_then(|day| day.parse::<jiff::civil::Date>().ok())
        .and_then(|day| jiff::tz::TimeZone::UTC.to_timestamp(day.into()).ok())
        .map(|start| start.as_microsecond());
    let in_window =
        start.is_none_or(|start| start < filter.to && start.saturating_add(DAY_US) > filter.from);
    wanted_line && station == Some(filter.station.name()) && in_window
}

/// The readings of a segment that a filter wants.
fn readings(path: &Path, filter: &ReadingFilter) -> Result<Vec<f64>, StoreError> {
    let wrap = |error: polars::error::PolarsError| {
        StoreError::Archive(format!("{}: {error}", path.display()))
    };
    let open = || File::open(path).map_err(|source| file_error(path, source));
    let schema = ParquetReader::new(open()?).schema().map_err(wrap)?;
    let long = schema.contains("step") && schema.contains("value");
    let measure = if long { "value" } else { filter.measure };
    if !schema.contains(measure) {
        return Ok(Vec::new());
    }
    let mut wanted: Vec<(&str, Vec<&str>)> = filter
        .keys
        .iter()
        .map(|(key, values)| (key.name(), values.iter().map(String::as_str).collect()))
        .collect();
    if long {
        wanted.push(("step", vec![filter.measure]));
    }
    let mut columns: Vec<String> = ["at", "attempt", measure].map(str::to_owned).to_vec();
    columns.extend(wanted.iter().map(|(name, _)| (*name).to_owned()));
    columns.retain(|name| schema.contains(name));
    columns.sort();
    columns.dedup();
    let frame = ParquetReader::new(open()?)
        .with_columns(Some(columns))
        .finish()
        .map_err(wrap)?;
    pick(&frame, measure, &wanted, filter).map_err(wrap)
}

/// The numbers of a column in the rows that are wanted.
fn pick(
    frame: &DataFrame,
    measure: &str,
    wanted: &[(&str, Vec<&str>)],
    filter: &ReadingFilter,
) -> Result<Vec<f64>, polars::error::PolarsError> {
    let at = frame.column("at")?.cast(&DataType::Int64)?;
    let attempt = frame.column("attempt")?.cast(&DataType::Int64)?;
    let mut keep: Vec<bool> = at
        .i64()?
        .iter()
        .zip(attempt.i64()?.iter())
        .map(|(at, attempt)| {
            let in_window = at.is_some_and(|at| at >= filter.from && at < filter.to);
            in_window && attempt.is_none_or(|attempt| attempt <= 1)
        })
        .collect();
    for (name, values) in wanted {
        // A role that the feed does not carry is the empty text in every row.
        if frame.column(name).is_err() {
            let any = values.contains(&"");
            keep.iter_mut().for_each(|keep| *keep = *keep && any);
            continue;
        }
        let cells = frame.column(name)?.cast(&DataType::String)?;
        for (keep, cell) in keep.iter_mut().zip(cells.str()?.iter()) {
            *keep = *keep && values.contains(&cell.unwrap_or(""));
        }
    }
    let numbers = frame.column(measure)?.cast(&DataType::Float64)?;
    Ok(numbers
        .f64()?
        .iter()
        .zip(keep)
        .filter_map(|(number, keep)| number.filter(|_| keep))
        .collect())
}

/// A line's or a feed's name as a part of a path.
pub(super) fn path_part(name: &str) -> String {
    let safe = |c: char| {
        if c.is_alphanumeric() || "-_.".contains(c) {
            c
        } else {
            '_'
        }
    };
    let part: String = name.chars().map(safe).collect();
    // A part of dots alone would lead out of the archive.
    if part.chars().all(|c| c == '.') {
        "_".to_owned()
    } else {
        part
    }
}
