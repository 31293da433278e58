//! The archived readings of a stream, unit by unit.
//!
//! Knows no specification and no statistics. The one invariant: units and their readings come out
//! in an order that does not depend on how files arrived.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::path::Path;

use polars::prelude::{DataFrame, DataType};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;

use super::query::ReadingFilter;
use super::{Reader, StoreError, archive, file_error};

/// Readings kept of one stream; those beyond are only counted.
pub const READINGS_KEPT_MAX: usize = 4_000_000;

/// The columns that tell units apart, the first that a segment has.
const UNITS: [&str; 2] = ["panel", "board"];

/// The first attempts' readings of one panel or board, ascending.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitReadings {
    /// The first event time.
    pub at: i64,
    /// The unit's name; the event time where the feed names none.
    pub unit: String,
    /// The readings.
    pub values: Vec<f64>,
}

/// The readings that a filter wants.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Archived {
    /// The units, by time and name.
    pub units: Vec<UnitReadings>,
    /// Readings in all, those beyond [`READINGS_KEPT_MAX`] included.
    pub readings: u64,
    /// Below the lower limit.
    pub below: u64,
    /// Above the upper limit.
    pub above: u64,
}

impl Archived {
    /// Whether every reading is kept.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.readings <= READINGS_KEPT_MAX as u64
    }
}

/// What is asked of the archive.
#[derive(Clone, Debug)]
pub struct Wanted<'a> {
    /// Which readings.
    pub filter: ReadingFilter<'a>,
    /// The lower limit that they are counted against.
    pub lower: Option<f64>,
    /// The upper limit.
    pub upper: Option<f64>,
}

/// Units by name: the first event time and the readings.
type Units = BTreeMap<String, (i64, Vec<f64>)>;

impl Reader {
    /// The archived readings that a filter wants, and how many lie outside a specification.
    ///
    /// # Errors
    ///
    /// When the record or a segment of the archive can not be read.
    pub fn archived(&self, wanted: &Wanted) -> Result<Archived, StoreError> {
        let found = self.archived_each(std::slice::from_ref(wanted), &BTreeSet::new())?;
        Ok(found.into_iter().next().unwrap_or_default())
    }

    /// The same for several filters in one pass, each segment but those to be left out read once.
    ///
    /// # Errors
    ///
    /// When the record or a segment of the archive can not be read.
    pub fn archived_each(
        &self,
        wanted: &[Wanted],
        leave_out: &BTreeSet<String>,
    ) -> Result<Vec<Archived>, StoreError> {
        let mut found = vec![(Archived::default(), Units::new()); wanted.len()];
        for relative in self.segments_held()? {
            if leave_out.contains(&relative) {
                continue;
            }
            let held = |one: &(usize, &Wanted)| archive::may_hold(&relative, &one.1.filter);
            let here: Vec<(usize, &Wanted)> = wanted.iter().enumerate().filter(held).collect();
            if here.is_empty() {
                continue;
            }
            let path = self.folder.join("archive").join(&relative);
            let filters: Vec<&ReadingFilter> = here.iter().map(|(_, one)| &one.filter).collect();
            readings(&path, &filters, &mut |which, at, unit, value| {
                let (place, one) = here[which];
                let (sum, units) = &mut found[place];
                sum.readings += 1;
                sum.below += u64::from(one.lower.is_some_and(|lower| value < lower));
                sum.above += u64::from(one.upper.is_some_and(|upper| value > upper));
                if sum.is_whole() {
                    keep(units, at, unit, value);
                }
            })?;
        }
        let whole = found.into_iter().map(|(sum, units)| Archived {
            units: ordered(units),
            ..sum
        });
        Ok(whole.collect())
    }
}

/// Looks first: most rows are of a unit that is known, and a new name costs memory.
fn keep(units: &mut Units, at: i64, unit: &str, value: f64) {
    if let Some((first, values)) = units.get_mut(unit) {
        *first = at.min(*first);
        values.push(value);
    } else {
        units.insert(unit.to_owned(), (at, vec![value]));
    }
}

fn ordered(units: Units) -> Vec<UnitReadings> {
    let mut units: Vec<UnitReadings> = units
        .into_iter()
        .map(|(unit, (at, mut values))| {
            values.sort_unstable_by(f64::total_cmp);
            UnitReadings { at, unit, values }
        })
        .collect();
    units.sort_by(|a, b| (a.at, &a.unit).cmp(&(b.at, &b.unit)));
    units
}

/// Hands over the readings of a segment that filters want: which filter, time, unit, value.
fn readings(
    path: &Path,
    filters: &[&ReadingFilter],
    take: &mut impl FnMut(usize, i64, &str, f64),
) -> Result<(), StoreError> {
    let wrap = |error: polars::error::PolarsError| {
        StoreError::Archive(format!("{}: {error}", path.display()))
    };
    let open = || File::open(path).map_err(|source| file_error(path, source));
    let schema = ParquetReader::new(open()?).schema().map_err(wrap)?;
    let long = schema.contains("step") && schema.contains("value");
    let unit = UNITS.into_iter().find(|name| schema.contains(name));
    let measure = |filter: &ReadingFilter| if long { "value" } else { filter.measure }.to_owned();
    let mut columns: BTreeSet<String> = ["at", "attempt"].map(str::to_owned).into();
    for filter in filters {
        columns.insert(measure(filter));
        columns.extend(
            keys_of(filter, long)
                .iter()
                .map(|(name, _)| (*name).to_owned()),
        );
    }
    columns.extend(unit.map(str::to_owned));
    columns.retain(|name| schema.contains(name));
    let frame = ParquetReader::new(open()?)
        .with_columns(Some(columns.into_iter().collect()))
        .finish()
        .map_err(wrap)?;
    for (which, filter) in filters.iter().enumerate() {
        let measure = measure(filter);
        if schema.contains(&measure) {
            let take = &mut |at, unit: &str, value| take(which, at, unit, value);
            let wanted = keys_of(filter, long);
            pick(&frame, (&measure, unit), &wanted, filter, take).map_err(wrap)?;
        }
    }
    Ok(())
}

/// The columns that a filter looks at, each with the values it wants there.
fn keys_of<'a>(filter: &'a ReadingFilter, long: bool) -> Vec<(&'a str, Vec<&'a str>)> {
    let keys = filter.keys.iter();
    let mut wanted: Vec<(&str, Vec<&str>)> = keys
        .map(|(key, values)| (key.name(), values.iter().map(String::as_str).collect()))
        .collect();
    if long {
        wanted.push(("step", vec![filter.measure]));
    }
    wanted
}

/// The numbers of a column in the rows that are wanted, each with its time and unit.
fn pick(
    frame: &DataFrame,
    (measure, unit): (&str, Option<&str>),
    wanted: &[(&str, Vec<&str>)],
    filter: &ReadingFilter,
    take: &mut impl FnMut(i64, &str, f64),
) -> Result<(), polars::error::PolarsError> {
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
    let units = unit
        .map(|name| frame.column(name)?.cast(&DataType::String))
        .transpose()?;
    let names = units.as_ref().map(|units| units.str()).transpose()?;
    let rows = at.i64()?.iter().zip(numbers.f64()?.iter()).zip(keep);
    for (row, ((at, number), _)) in rows.enumerate().filter(|(_, (_, keep))| *keep) {
        let Some((at, number)) = at.zip(number) else {
            continue;
        };
        match names.and_then(|names| names.get(row)).unwrap_or("") {
            "" => take(at, &at.to_string(), number),
            name => take(at, name, number),
        }
    }
    Ok(())
}
