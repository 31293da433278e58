//! Segments of the archive back into blocks, as they were when they were charted.
//!
//! Knows no chart. The one invariant: a block read back gives the same units as the one written.

use std::collections::HashMap;
use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use polars::error::PolarsError;
use polars::prelude::{DataFrame, DataType};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;

use super::archive::path_part;
use super::{StoreError, file_error};
use crate::block::{Block, Column, FeedIndex, Lines, Values};
use crate::config::{Config, Layout};
use crate::words::{Call, Review, Role};

/// The feed whose rows a segment holds, told by its path.
pub(super) fn feed_of(config: &Config, relative: &str) -> Option<FeedIndex> {
    let (folders, file) = relative.rsplit_once('/')?;
    let (name, _) = file.rsplit_once('-')?;
    config.feeds.iter().position(|feed| {
        let place = format!(
            "line={}/station={}/",
            path_part(&feed.line),
            feed.station.name()
        );
        folders.starts_with(&place) && path_part(&feed.name) == name
    })
}

/// How many rows a segment has.
pub(super) fn rows(path: &Path) -> Result<u64, String> {
    let file = File::open(path).map_err(|error| error.to_string())?;
    let rows = ParquetReader::new(file).num_rows();
    rows.map(|rows| rows as u64)
        .map_err(|error| error.to_string())
}

/// The rows of a segment.
pub(super) fn block(config: &Config, feed: FeedIndex, path: &Path) -> Result<Block, StoreError> {
    read((config, feed), path, None)
}

/// Some rows of a segment that follow one another.
pub(super) fn slice(
    config: &Config,
    feed: FeedIndex,
    path: &Path,
    rows: (usize, usize),
) -> Result<Block, StoreError> {
    read((config, feed), path, Some(rows))
}

fn read(
    (config, feed): (&Config, FeedIndex),
    path: &Path,
    rows: Option<(usize, usize)>,
) -> Result<Block, StoreError> {
    let file = File::open(path).map_err(|source| file_error(path, source))?;
    let frame = ParquetReader::new(file).with_slice(rows).finish();
    frame
        .and_then(|frame| Cells { frame: &frame }.block(config, feed))
        .map_err(|error| unreadable(path, error))
}

/// Why a segment can not be read: what the system says is passed on as such.
fn unreadable(path: &Path, error: PolarsError) -> StoreError {
    let code = match &error {
        PolarsError::IO { error, .. } => error.raw_os_error(),
        _ => None,
    };
    match code {
        Some(code) => file_error(path, std::io::Error::from_raw_os_error(code)),
        None => StoreError::Archive(format!("{}: {error}", path.display())),
    }
}

struct Cells<'a> {
    frame: &'a DataFrame,
}

impl Cells<'_> {
    fn block(&self, config: &Config, feed: FeedIndex) -> Result<Block, PolarsError> {
        let mut keys = [const { Column::Absent }; Role::COUNT];
        for role in Role::ALL.into_iter().filter(|role| role.is_text()) {
            keys[role.index()] = self.texts(role.name())?;
        }
        let call = |word: &str| match word {
            "good" => Call::Good,
            "defect" => Call::Defect,
            "recorded" => Call::Recorded,
            _ => Call::Absent,
        };
        let review = |word: &str| match word {
            "confirmed" => Review::Confirmed,
            "false_call" => Review::FalseCall,
            _ => Review::Pending,
        };
        let small = |number: i64| u16::try_from(number).unwrap_or(u16::MAX);
        let count = |number: i64| u32::try_from(number).unwrap_or(u32::MAX);
        Ok(Block {
            feed,
            rows: self.frame.height(),
            at: self.whole("at", 0)?,
            keys,
            attempt: self.whole("attempt", 1)?.into_iter().map(small).collect(),
            call: self.words("call", call)?,
            review: self.words("review", review)?,
            opportunities: self
                .whole("opportunities", 0)?
                .into_iter()
                .map(count)
                .collect(),
            values: self.values(&config.feeds[feed].layout)?,
            lines: Lines::default(),
        })
    }

    fn values(&self, layout: &Layout) -> Result<Values, PolarsError> {
        Ok(match layout {
            Layout::Wide(measures) if measures.is_empty() => Values::None,
            Layout::Wide(measures) => {
                let columns = measures.iter().map(|measure| self.numbers(&measure.name));
                Values::Wide(columns.collect::<Result<_, _>>()?)
            }
            Layout::Long(_) => Values::Long {
                step: self.texts("step")?,
                value: self.numbers("value")?,
                unit: self.texts("unit")?,
                lower: self.numbers("lower")?,
                upper: self.numbers("upper")?,
            },
        })
    }

    /// A column of whole numbers; one that the feed does not carry has the same in every row.
    fn whole(&self, name: &str, absent: i64) -> Result<Vec<i64>, PolarsError> {
        let Ok(column) = self.frame.column(name) else {
            return Ok(vec![absent; self.frame.height()]);
        };
        let column = column.cast(&DataType::Int64)?;
        let numbers = column.i64()?.iter();
        Ok(numbers.map(|number| number.unwrap_or(absent)).collect())
    }

    fn numbers(&self, name: &str) -> Result<Vec<f64>, PolarsError> {
        let Ok(column) = self.frame.column(name) else {
            return Ok(vec![f64::NAN; self.frame.height()]);
        };
        let numbers = column.f64()?.iter();
        Ok(numbers.map(|number| number.unwrap_or(f64::NAN)).collect())
    }

    fn words<T: Copy>(&self, name: &str, of: impl Fn(&str) -> T) -> Result<Vec<T>, PolarsError> {
        let Ok(column) = self.frame.column(name) else {
            return Ok(vec![of(""); self.frame.height()]);
        };
        let column = column.cast(&DataType::String)?;
        let words = column.str()?.iter();
        Ok(words.map(|word| of(word.unwrap_or(""))).collect())
    }

    fn texts(&self, name: &str) -> Result<Column, PolarsError> {
        let Ok(column) = self.frame.column(name) else {
            return Ok(Column::Absent);
        };
        let column = column.cast(&DataType::String)?;
        let mut places: HashMap<&str, u32> = HashMap::new();
        let mut words: Vec<Arc<str>> = Vec::new();
        let mut codes = Vec::with_capacity(self.frame.height());
        for cell in column.str()?.iter() {
            let word = cell.unwrap_or("");
            let next = u32::try_from(words.len()).unwrap_or(u32::MAX);
            let code = *places.entry(word).or_insert(next);
            if code == next {
                words.push(Arc::from(word));
            }
            codes.push(code);
        }
        Ok(Column::PerRow { codes, words })
    }
}
