//! Means of archived readings by unit and stratum, for telling which strata moved.
//!
//! Knows no chart and no cause. The one invariant: a mean depends neither on the order in which
//! segments were written nor on how rows were cut into files.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fs::File;
use std::path::Path;

use polars::error::PolarsError;
use polars::prelude::{DataFrame, DataType, Float64Chunked, StringChunked};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;
use rusqlite::params;
use spc::moments::Moments;

use super::query::ReadingFilter;
use super::{Reader, StoreError, file_error};
use crate::engine::PointKind;
use crate::words::Role;

/// Strata of all units together that are told apart.
const STRATA_MAX: usize = 100_000;

/// Which means are wanted.
#[derive(Clone, Debug)]
pub struct StrataFilter<'a> {
    /// Which readings; its measure is the first of the means.
    pub readings: ReadingFilter<'a>,
    /// Measures beside it; a segment without one gives no mean of it.
    pub beside: Vec<&'a str>,
    /// What names a unit: the first of these roles that a row has.
    pub unit: [Role; 2],
    /// The roles that tell strata apart.
    pub by: Vec<Role>,
}

/// The readings of one unit in one stratum.
#[derive(Clone, Debug, PartialEq)]
pub struct Stratum {
    /// The unit.
    pub unit: String,
    /// The values of the roles, in their order; empty where a row has none.
    pub keys: Vec<String>,
    /// The earliest event.
    pub at: i64,
    /// The mean of each measure and the readings behind it.
    pub means: Vec<Option<(f64, u64)>>,
}

struct Sums {
    at: i64,
    moments: Vec<Moments>,
}

type Found = BTreeMap<(String, Vec<String>), Sums>;

impl Reader {
    /// Means by unit and stratum, in the order of their names; first attempts only. Nothing where
    /// there are more strata than can be held.
    ///
    /// # Errors
    ///
    /// When the record or a segment of the archive can not be read.
    pub fn strata(&self, filter: &StrataFilter) -> Result<Vec<Stratum>, StoreError> {
        let mut found = Found::new();
        for path in self.segments_for(&filter.readings)? {
            add_segment(&path, filter, &mut found)?;
            if found.len() > STRATA_MAX {
                return Ok(Vec::new());
            }
        }
        let mean = |moments: &Moments| moments.mean().map(|mean| (mean, moments.count()));
        let stratum = |((unit, keys), sums): ((String, Vec<String>), Sums)| Stratum {
            unit,
            keys,
            at: sums.at,
            means: sums.moments.iter().map(mean).collect(),
        };
        Ok(found.into_iter().map(stratum).collect())
    }

    /// The units that came too late for all of some streams, in windows without their ends.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn late_units(
        &self,
        streams: &[i64],
        windows: &[(i64, i64)],
    ) -> Result<BTreeSet<String>, StoreError> {
        let of_kinds = |kinds: [PointKind; 2]| {
            let mut units = BTreeSet::new();
            for &stream in streams {
                for (from, to) in windows {
                    units.extend(self.list(
                        "SELECT unit FROM point
                         WHERE stream = ?1 AND at >= ?2 AND at < ?3 AND kind IN (?4, ?5)",
                        params![stream, from, to, kinds[0] as u8, kinds[1] as u8],
                        |row| row.get::<_, String>(0),
                    )?);
                }
            }
            Ok::<_, StoreError>(units)
        };
        let mut late = of_kinds([PointKind::Late; 2])?;
        // That is rare, so the others are hardly ever looked at.
        if !late.is_empty() {
            let on_time = of_kinds([PointKind::Whole, PointKind::Group])?;
            late.retain(|unit| !on_time.contains(unit));
        }
        Ok(late)
    }
}

fn add_segment(path: &Path, filter: &StrataFilter, found: &mut Found) -> Result<(), StoreError> {
    if let Some(columns) = read_columns(path, filter)? {
        columns.add(filter, found);
    }
    Ok(())
}

/// The columns of a segment that are wanted; nothing where it does not hold the measure.
pub(super) fn read_columns(
    path: &Path,
    filter: &StrataFilter,
) -> Result<Option<Columns>, StoreError> {
    let wrap = |error: PolarsError| StoreError::Archive(format!("{}: {error}", path.display()));
    let open = || File::open(path).map_err(|source| file_error(path, source));
    let schema = ParquetReader::new(open()?).schema().map_err(wrap)?;
    let is_long = schema.contains("step") && schema.contains("value");
    let measure = if is_long {
        "value"
    } else {
        filter.readings.measure
    };
    if !schema.contains(measure) {
        return Ok(None);
    }
    let mut columns: Vec<&str> = vec!["at", "attempt", measure];
    if is_long {
        columns.push("step");
    } else {
        columns.extend(&filter.beside);
    }
    columns.extend(filter.readings.keys.iter().map(|(key, _)| key.name()));
    columns.extend(filter.unit.iter().chain(&filter.by).map(|role| role.name()));
    columns.retain(|name| schema.contains(name));
    columns.sort_unstable();
    columns.dedup();
    let columns = columns.into_iter().map(str::to_owned).collect();
    let frame = ParquetReader::new(open()?)
        .with_columns(Some(columns))
        .finish()
        .map_err(wrap)?;
    Columns::of(&frame, filter, is_long).map_err(wrap).map(Some)
}

/// A row of a segment.
pub(super) struct Seen<'a> {
    pub(super) unit: &'a str,
    /// The values of the roles, in their order; empty where the row has none.
    pub(super) names: &'a [&'a str],
    pub(super) at: i64,
    /// The reading of the first measure.
    pub(super) value: f64,
    /// Those of the measures beside it.
    pub(super) beside: &'a [Option<f64>],
}

/// The columns of a segment; one that the feed does not carry is absent.
pub(super) struct Columns {
    at: Vec<Option<i64>>,
    attempt: Vec<Option<i64>>,
    measures: Vec<Option<Float64Chunked>>,
    units: Vec<Option<StringChunked>>,
    by: Vec<Option<StringChunked>>,
    /// What must have one of these values.
    wanted: Vec<(Option<StringChunked>, Vec<String>)>,
}

impl Columns {
    fn of(frame: &DataFrame, filter: &StrataFilter, is_long: bool) -> Result<Self, PolarsError> {
        let whole = |name: &str| -> Result<Vec<Option<i64>>, PolarsError> {
            let column = frame.column(name)?.cast(&DataType::Int64)?;
            Ok(column.i64()?.iter().collect())
        };
        let text = |name: &str| -> Result<Option<StringChunked>, PolarsError> {
            match frame.column(name) {
                Ok(column) => Ok(Some(column.cast(&DataType::String)?.str()?.clone())),
                Err(_) => Ok(None),
            }
        };
        let number = |name: &str| -> Result<Option<Float64Chunked>, PolarsError> {
            match frame.column(name) {
                Ok(column) => Ok(Some(column.cast(&DataType::Float64)?.f64()?.clone())),
                Err(_) => Ok(None),
            }
        };
        let roles = |roles: &[Role]| -> Result<Vec<Option<StringChunked>>, PolarsError> {
            roles.iter().map(|role| text(role.name())).collect()
        };
        let readings = &filter.readings;
        let first = if is_long { "value" } else { readings.measure };
        let measures = std::iter::once(first).chain(filter.beside.iter().copied());
        let mut wanted = Vec::new();
        for (key, values) in &readings.keys {
            wanted.push((text(key.name())?, values.clone()));
        }
        if is_long {
            wanted.push((text("step")?, vec![readings.measure.to_owned()]));
        }
        Ok(Columns {
            at: whole("at")?,
            attempt: whole("attempt")?,
            measures: measures.map(number).collect::<Result<_, _>>()?,
            units: roles(&filter.unit)?,
            by: roles(&filter.by)?,
            wanted,
        })
    }

    fn is_wanted(&self, row: usize, window: (i64, i64)) -> bool {
        let in_window = self.at[row].is_some_and(|at| (window.0..window.1).contains(&at));
        let is_first = self.attempt[row].is_none_or(|attempt| attempt <= 1);
        let fits = |(column, values): &(Option<StringChunked>, Vec<String>)| {
            let cell = cell(column, row);
            values.iter().any(|value| value == cell)
        };
        in_window && is_first && self.wanted.iter().all(fits)
    }

    /// Every wanted row that has a reading of the first measure.
    pub(super) fn each(&self, filter: &StrataFilter, mut visit: impl FnMut(&Seen)) {
        let window = (filter.readings.from, filter.readings.to);
        let (mut names, mut beside): (Vec<&str>, Vec<Option<f64>>) = Default::default();
        for row in (0..self.at.len()).filter(|&row| self.is_wanted(row, window)) {
            let unit = self.units.iter().map(|column| cell(column, row));
            let unit = unit.into_iter().find(|unit| !unit.is_empty());
            let number = |column: &Option<Float64Chunked>| column.as_ref()?.get(row);
            let value = self.measures.first().and_then(number);
            let (Some(unit), Some(at), Some(value)) = (unit, self.at[row], value) else {
                continue;
            };
            names.clear();
            names.extend(self.by.iter().map(|column| cell(column, row)));
            beside.clear();
            beside.extend(self.measures.iter().skip(1).map(number));
            visit(&Seen {
                unit,
                names: &names,
                at,
                value,
                beside: &beside,
            });
        }
    }

    fn add(&self, filter: &StrataFilter, found: &mut Found) {
        let window = (filter.readings.from, filter.readings.to);
        // Within a segment strata are told apart without making a text of each cell.
        let mut places: HashMap<Vec<&str>, usize> = HashMap::new();
        let mut sums: Vec<(Vec<&str>, Sums)> = Vec::new();
        let mut names: Vec<&str> = Vec::new();
        for row in (0..self.at.len()).filter(|&row| self.is_wanted(row, window)) {
            let unit = self.units.iter().map(|column| cell(column, row));
            let Some(unit) = unit.into_iter().find(|unit| !unit.is_empty()) else {
                continue;
            };
            names.clear();
            names.push(unit);
            names.extend(self.by.iter().map(|column| cell(column, row)));
            let place = match places.get(&names) {
                Some(&place) => place,
                None => {
                    places.insert(names.clone(), sums.len());
                    sums.push((names.clone(), Sums::new(self.measures.len())));
                    sums.len() - 1
                }
            };
            let own = &mut sums[place].1;
            own.at = own.at.min(self.at[row].unwrap_or(i64::MAX));
            for (moments, column) in own.moments.iter_mut().zip(&self.measures) {
                if let Some(value) = column.as_ref().and_then(|column| column.get(row)) {
                    moments.push(value);
                }
            }
        }
        for (names, sums) in sums {
            let mut names = names.into_iter().map(str::to_owned);
            let unit = names.next().unwrap_or_default();
            let own = found
                .entry((unit, names.collect()))
                .or_insert_with(|| Sums::new(self.measures.len()));
            own.at = own.at.min(sums.at);
            for (mine, theirs) in own.moments.iter_mut().zip(&sums.moments) {
                mine.merge(theirs);
            }
        }
    }
}

impl Sums {
    fn new(measures: usize) -> Self {
        Sums {
            at: i64::MAX,
            moments: vec![Moments::new(); measures],
        }
    }
}

fn cell(column: &Option<StringChunked>, row: usize) -> &str {
    let found = column.as_ref().and_then(|column| column.get(row));
    found.unwrap_or_default()
}
