//! The archive of readings: Parquet segments partitioned by line, station and day.
//!
//! A segment is written and synced under a temporary name, renamed, and only then named by the
//! transaction that commits its files. A segment that no transaction names is swept away.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::BufWriter;
use std::ops::Range;
use std::path::{Path, PathBuf};

use polars::prelude::{
    AnyValue, ChunkTake, Column as Series, DataFrame, DataType, IntoColumn, PlSmallStr, Scalar,
    StringChunked, TimeUnit,
};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;
use polars_io::parquet::write::{
    BatchedWriter, ParquetCompression, ParquetWriter, StatisticsOptions,
};
use rusqlite::Connection;

use super::query::{OutsideCount, ReadingFilter};
use super::{StoreError, db, file_error};
use crate::block::{Block, Column, Values};
use crate::config::{Config, Key, Layout};
use crate::words::{Call, Review, Role};

/// Rows that make a row group: enough to compress well, few enough to bound memory.
const ROW_GROUP_ROWS: usize = 32_768;

/// Microseconds of a day.
const DAY_US: i64 = 86_400_000_000;

/// The segments of one batch, while they are written.
pub struct Segments<'a> {
    config: &'a Config,
    folder: PathBuf,
    /// The name that tells these segments from all others.
    name: String,
    open: BTreeMap<(usize, i64), Segment>,
}

struct Segment {
    path: PathBuf,
    relative: String,
    writer: Option<BatchedWriter<BufWriter<File>>>,
    waiting: Option<DataFrame>,
    rows: u64,
}

impl<'a> Segments<'a> {
    /// Segments below a data folder, told from others by a name.
    #[must_use]
    pub fn new(config: &'a Config, data_folder: &Path, name: String) -> Segments<'a> {
        Segments {
            config,
            folder: data_folder.join("archive"),
            name,
            open: BTreeMap::new(),
        }
    }

    /// Adds the rows of a block.
    ///
    /// # Errors
    ///
    /// When the disk refuses.
    pub fn add(&mut self, block: &Block) -> Result<(), StoreError> {
        for (day, rows) in days(&block.at) {
            let frame = frame(self.config, block, rows).map_err(archive_error)?;
            let segment = self.segment(block.feed, day)?;
            segment.add(frame)?;
        }
        Ok(())
    }

    fn segment(&mut self, feed: usize, day: i64) -> Result<&mut Segment, StoreError> {
        match self.open.entry((feed, day)) {
            std::collections::btree_map::Entry::Occupied(entry) => Ok(entry.into_mut()),
            std::collections::btree_map::Entry::Vacant(entry) => {
                let feed = &self.config.feeds[feed];
                let date = jiff::Timestamp::from_microsecond(day.saturating_mul(DAY_US))
                    .map(|time| time.strftime("%Y-%m-%d").to_string())
                    .unwrap_or_default();
                let relative = format!(
                    "line={}/station={}/day={date}/{}-{}.parquet",
                    path_part(&feed.line),
                    feed.station.name(),
                    path_part(&feed.name),
                    self.name
                );
                Ok(entry.insert(Segment {
                    path: self.folder.join(&relative),
                    relative,
                    writer: None,
                    waiting: None,
                    rows: 0,
                }))
            }
        }
    }

    /// Brings every segment to the disk and gives their names and row counts.
    ///
    /// # Errors
    ///
    /// When the disk refuses.
    pub fn finish(self) -> Result<Vec<(String, u64)>, StoreError> {
        let mut done = Vec::new();
        for (_, segment) in self.open {
            done.push(segment.finish()?);
        }
        Ok(done)
    }
}

impl Segment {
    fn part(&self) -> PathBuf {
        self.path.with_extension("part")
    }

    fn add(&mut self, frame: DataFrame) -> Result<(), StoreError> {
        self.rows += frame.height() as u64;
        let waiting = match self.waiting.take() {
            None => frame,
            Some(mut waiting) => {
                waiting.vstack_mut(&frame).map_err(archive_error)?;
                waiting
            }
        };
        if waiting.height() < ROW_GROUP_ROWS {
            self.waiting = Some(waiting);
            return Ok(());
        }
        self.write(waiting)
    }

    fn write(&mut self, mut frame: DataFrame) -> Result<(), StoreError> {
        frame.rechunk_mut();
        if self.writer.is_none() {
            let folder = self.path.parent().unwrap_or(Path::new("."));
            fs::create_dir_all(folder).map_err(|source| file_error(folder, source))?;
            let part = self.part();
            let file = File::create(&part).map_err(|source| file_error(&part, source))?;
            let writer = ParquetWriter::new(BufWriter::with_capacity(1 << 20, file))
                .with_compression(ParquetCompression::Lz4Raw)
                .with_statistics(StatisticsOptions::empty())
                .set_parallel(true)
                .batched(frame.schema())
                .map_err(archive_error)?;
            self.writer = Some(writer);
        }
        match &mut self.writer {
            Some(writer) => writer.write_batch(&frame).map_err(archive_error),
            None => Ok(()),
        }
    }

    fn finish(mut self) -> Result<(String, u64), StoreError> {
        if let Some(waiting) = self.waiting.take() {
            self.write(waiting)?;
        }
        if let Some(writer) = self.writer.take() {
            writer.finish().map_err(archive_error)?;
        }
        let part = self.part();
        let sync = |path: &Path| {
            File::open(path)
                .and_then(|file| file.sync_all())
                .map_err(|source| file_error(path, source))
        };
        sync(&part)?;
        fs::rename(&part, &self.path).map_err(|source| file_error(&self.path, source))?;
        if let Some(folder) = self.path.parent() {
            sync(folder)?;
        }
        Ok((self.relative, self.rows))
    }
}

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

/// Runs of rows of one day (UTC).
fn days(at: &[i64]) -> Vec<(i64, Range<usize>)> {
    let mut runs: Vec<(i64, Range<usize>)> = Vec::new();
    for (row, time) in at.iter().enumerate() {
        let day = time.div_euclid(DAY_US);
        match runs.last_mut() {
            Some((last, rows)) if *last == day => rows.end = row + 1,
            _ => runs.push((day, row..row + 1)),
        }
    }
    runs
}

fn frame(
    config: &Config,
    block: &Block,
    rows: Range<usize>,
) -> Result<DataFrame, polars::error::PolarsError> {
    let feed = &config.feeds[block.feed];
    let height = rows.len();
    let times = Series::new("at".into(), &block.at[rows.clone()])
        .cast(&DataType::Datetime(TimeUnit::Microseconds, None))?;
    let mut columns = vec![times];
    columns.push(constant("line", &feed.line, height));
    // Which roles there are is the configuration's choice, so all segments of a feed are alike.
    for role in Role::ALL.into_iter().filter(|role| role.is_text()) {
        let column = block.key(role);
        if *column != Column::Absent {
            columns.push(text(role.name(), column, &rows));
        }
    }
    let attempt: Vec<i32> = block.attempt[rows.clone()]
        .iter()
        .map(|&n| i32::from(n))
        .collect();
    columns.push(Series::new("attempt".into(), attempt));
    let call = |call: &Call| match call {
        Call::Absent => 0,
        Call::Good => 1,
        Call::Defect => 2,
    };
    let codes: Vec<u32> = block.call[rows.clone()].iter().map(call).collect();
    columns.push(gathered("call", ["", "good", "defect"].into_iter(), &codes));
    if feed.review.is_some() {
        let review = |review: &Review| match review {
            Review::Pending => 0,
            Review::Confirmed => 1,
            Review::FalseCall => 2,
        };
        let codes: Vec<u32> = block.review[rows.clone()].iter().map(review).collect();
        let few = ["", "confirmed", "false_call"];
        columns.push(gathered("review", few.into_iter(), &codes));
    }
    if feed
        .roles
        .iter()
        .any(|(role, _)| *role == Role::Opportunities)
    {
        let counts = block.opportunities[rows.clone()].iter();
        let counts: Vec<i64> = counts.map(|&n| i64::from(n)).collect();
        columns.push(Series::new("opportunities".into(), counts));
    }
    values(&feed.layout, &block.values, &rows, &mut columns);
    DataFrame::new(height, columns)
}

fn values(layout: &Layout, values: &Values, rows: &Range<usize>, columns: &mut Vec<Series>) {
    match (layout, values) {
        (Layout::Wide(measures), Values::Wide(numbers)) => {
            for (measure, numbers) in measures.iter().zip(numbers) {
                columns.push(floats(&measure.name, &numbers[rows.clone()]));
            }
        }
        (
            _,
            Values::Long {
                step,
                value,
                unit,
                lower,
                upper,
            },
        ) => {
            columns.push(text("step", step, rows));
            columns.push(floats("value", &value[rows.clone()]));
            columns.push(text("unit", unit, rows));
            columns.push(floats("lower", &lower[rows.clone()]));
            columns.push(floats("upper", &upper[rows.clone()]));
        }
        _ => {}
    }
}

/// Numbers of a column; an empty cell becomes null, never a number.
fn floats(name: &str, numbers: &[f64]) -> Series {
    if numbers.iter().any(|number| number.is_nan()) {
        let cells: Vec<Option<f64>> = numbers
            .iter()
            .map(|&number| (!number.is_nan()).then_some(number))
            .collect();
        return Series::new(name.into(), cells);
    }
    Series::new(name.into(), numbers)
}

fn text(name: &str, column: &Column, rows: &Range<usize>) -> Series {
    match column {
        Column::Absent => Series::full_null(name.into(), rows.len(), &DataType::String),
        Column::Constant(word) => constant(name, word, rows.len()),
        Column::PerRow {
            codes,
            words: known,
        } => gathered(name, known.iter().map(AsRef::as_ref), &codes[rows.clone()]),
    }
}

/// Takes the words of each row from the few different ones, which costs no hash a row. The empty
/// word stands for nothing.
fn gathered<'b>(name: &str, few: impl Iterator<Item = &'b str>, codes: &[u32]) -> Series {
    let few: StringChunked = few
        .map(|word| Some(word).filter(|word| !word.is_empty()))
        .collect();
    match few.take(codes) {
        Ok(mut column) => {
            column.rename(PlSmallStr::from_str(name));
            column.into_column()
        }
        // Every code is a place in the words: the feeds see to that.
        Err(_) => Series::full_null(name.into(), codes.len(), &DataType::String),
    }
}

fn constant(name: &str, word: &str, height: usize) -> Series {
    let value = AnyValue::StringOwned(PlSmallStr::from_str(word));
    Series::new_scalar(name.into(), Scalar::new(DataType::String, value), height)
}

/// A line's or a feed's name as a part of a path.
fn path_part(name: &str) -> String {
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

fn archive_error(error: polars::error::PolarsError) -> StoreError {
    StoreError::Archive(error.to_string())
}
