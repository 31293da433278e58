//! Where pads lie on a panel and what was measured there, read from the archive.
//!
//! Knows no nominal value and no picture. The one invariant: a mean does not depend on the order
//! in which segments were written.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;

use polars::prelude::{DataFrame, DataType, StringChunked};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;
use spc::moments::Moments;

use super::query::ReadingFilter;
use super::{Reader, StoreError, file_error};
use crate::config::Key;

/// The measures that say where a pad lies.
pub const PLACE_MEASURES: [&str; 2] = ["x", "y"];

/// Pads of a panel that are told apart; what comes beyond is left out.
pub const PADS_MAX: usize = 100_000;

/// The columns that name a pad.
const NAMES: [&str; 5] = ["product", "family", "position", "component", "pin"];

/// A pad and the means of its first attempts.
#[derive(Clone, Debug, PartialEq)]
pub struct PadFacts {
    /// Product, family, position, component, pin; empty where the feed does not carry it.
    pub names: [String; 5],
    /// Its place.
    pub place: (f64, f64),
    /// The mean of the measure.
    pub mean: f64,
    /// Readings behind it.
    pub readings: u64,
}

#[derive(Default)]
struct Sums {
    x: Moments,
    y: Moments,
    value: Moments,
}

impl Reader {
    /// The pads of a line in a window, by name; none where its segments carry no places.
    ///
    /// # Errors
    ///
    /// When the record or a segment of the archive can not be read.
    pub fn pads(&self, filter: &ReadingFilter) -> Result<Vec<PadFacts>, StoreError> {
        let mut pads: BTreeMap<[String; 5], Sums> = BTreeMap::new();
        for path in self.segments_for(filter)? {
            add_segment(&path, filter, &mut pads)?;
        }
        let facts = pads.into_iter().filter_map(|(names, sums)| {
            Some(PadFacts {
                names,
                place: (sums.x.mean()?, sums.y.mean()?),
                mean: sums.value.mean()?,
                readings: sums.value.count(),
            })
        });
        Ok(facts.collect())
    }
}

fn add_segment(
    path: &Path,
    filter: &ReadingFilter,
    pads: &mut BTreeMap<[String; 5], Sums>,
) -> Result<(), StoreError> {
    let wrap = |error: polars::error::PolarsError| {
        StoreError::Archive(format!("{}: {error}", path.display()))
    };
    let open = || File::open(path).map_err(|source| file_error(path, source));
    let schema = ParquetReader::new(open()?).schema().map_err(wrap)?;
    let [x, y] = PLACE_MEASURES;
    if ![x, y, filter.measure, "component"]
        .iter()
        .all(|name| schema.contains(name))
    {
        return Ok(());
    }
    let mut columns: Vec<String> = ["at", "attempt", "line", x, y, filter.measure]
        .iter()
        .chain(&NAMES)
        .filter(|name| schema.contains(name))
        .map(|name| (*name).to_owned())
        .collect();
    columns.sort();
    columns.dedup();
    let frame = ParquetReader::new(open()?)
        .with_columns(Some(columns))
        .finish()
        .map_err(wrap)?;
    add_rows(&frame, filter, pads).map_err(wrap)
}

fn add_rows(
    frame: &DataFrame,
    filter: &ReadingFilter,
    pads: &mut BTreeMap<[String; 5], Sums>,
) -> Result<(), polars::error::PolarsError> {
    let whole = |name: &str| frame.column(name)?.cast(&DataType::Int64);
    let number = |name: &str| frame.column(name)?.cast(&DataType::Float64);
    let (at, attempt) = (whole("at")?, whole("attempt")?);
    let (at, attempt) = (at.i64()?, attempt.i64()?);
    let [x, y] = PLACE_MEASURES;
    let (x, y, value) = (number(x)?, number(y)?, number(filter.measure)?);
    let (x, y, value) = (x.f64()?, y.f64()?, value.f64()?);
    let texts = |name: &str| -> Result<Option<StringChunked>, polars::error::PolarsError> {
        match frame.column(name) {
            Ok(column) => Ok(Some(column.cast(&DataType::String)?.str()?.clone())),
            // A role that the feed does not carry.
            Err(_) => Ok(None),
        }
    };
    let names = NAMES.iter().map(|name| texts(name));
    let names: Vec<Option<StringChunked>> = names.collect::<Result<_, _>>()?;
    let line = texts("line")?;
    let cell = |column: &Option<StringChunked>, row: usize| -> String {
        let text = column.as_ref().and_then(|column| column.get(row));
        text.unwrap_or_default().to_owned()
    };
    let is_wanted = |row: usize| {
        let is_first = attempt.get(row).is_none_or(|attempt| attempt <= 1);
        let in_window = at
            .get(row)
            .is_some_and(|at| (filter.from..filter.to).contains(&at));
        let of_line = filter
            .keys
            .iter()
            .all(|(key, values)| *key != Key::Line || values.contains(&cell(&line, row)));
        is_first && in_window && of_line
    };
    for row in (0..frame.height()).filter(|row| is_wanted(*row)) {
        let (Some(x), Some(y), Some(value)) = (x.get(row), y.get(row), value.get(row)) else {
            continue;
        };
        let key: [String; 5] = std::array::from_fn(|place| cell(&names[place], row));
        if pads.len() >= PADS_MAX && !pads.contains_key(&key) {
            continue;
        }
        let sums = pads.entry(key).or_default();
        for (sum, number) in [(&mut sums.x, x), (&mut sums.y, y), (&mut sums.value, value)] {
            if Moments::accepts(number) {
                sum.push(number);
            }
        }
    }
    Ok(())
}
