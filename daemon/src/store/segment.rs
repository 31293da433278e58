//! Writing the archive: Parquet segments partitioned by line, station and day.
//!
//! A segment is written and synced under a temporary name, renamed, and only then named by the
//! transaction that commits its files. Rows are encoded by [`super::pages`], on any thread; here
//! they only reach the disk.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use polars_parquet::parquet::error::ParquetError;
use polars_parquet::parquet::fallible_streaming_iterator::FallibleStreamingIterator;
use polars_parquet::parquet::metadata::SchemaDescriptor;
use polars_parquet::parquet::page::CompressedPage;
use polars_parquet::parquet::write::{
    DynIter, DynStreamingIterator, FileWriter, Version, WriteOptions,
};

use super::archive::path_part;
use super::pages::{RowGroup, Rows, row_group};
use super::{StoreError, file_error};
use crate::block::Block;
use crate::config::Config;

/// Rows that make a row group: enough for a dictionary to pay, few enough to bound memory.
const ROW_GROUP_ROWS: usize = 32_768;

/// Bytes of a segment that are handed to the system at once.
const WRITE_BYTES: usize = 1 << 20;

/// Microseconds of a day.
pub(crate) const DAY_US: i64 = 86_400_000_000;

/// Where rows belong: the feed's place and the day since 1970 (UTC).
type Place = (usize, i64);

/// Rows of one feed and day, ready to be written.
pub struct Encoded {
    place: Place,
    group: RowGroup,
}

/// Rows of one feed and day, to be encoded together.
pub struct Part<'a> {
    place: Place,
    rows: Vec<Rows<'a>>,
}

/// Which rows of blocks are to be encoded together.
#[must_use]
pub fn plan(blocks: &[Block]) -> Vec<Part<'_>> {
    let mut parts = Vec::new();
    let mut waiting: BTreeMap<Place, (usize, Vec<Rows>)> = BTreeMap::new();
    for block in blocks {
        for (day, ranges) in days(&block.at) {
            let place = (block.feed, day);
            let (count, rows) = waiting.entry(place).or_default();
            *count += ranges.iter().map(ExactSizeIterator::len).sum::<usize>();
            rows.push((block, ranges));
            if *count >= ROW_GROUP_ROWS {
                let rows = std::mem::take(rows);
                parts.push(Part { place, rows });
                waiting.remove(&place);
            }
        }
    }
    let left = waiting.into_iter();
    parts.extend(left.map(|(place, (_, rows))| Part { place, rows }));
    parts
}

/// Encodes rows. Knows no disk: any thread may do it.
#[must_use]
pub fn encode(config: &Config, part: Part) -> Encoded {
    Encoded {
        place: part.place,
        group: row_group(config, &part.rows),
    }
}

/// The rows of each day (UTC).
fn days(at: &[i64]) -> BTreeMap<i64, Vec<Range<usize>>> {
    let mut days: BTreeMap<i64, Vec<Range<usize>>> = BTreeMap::new();
    let mut start = 0;
    while let Some(first) = at.get(start) {
        let day = first.div_euclid(DAY_US);
        let of_day = day * DAY_US..(day + 1) * DAY_US;
        let after = at[start..].iter().position(|time| !of_day.contains(time));
        let end = after.map_or(at.len(), |after| start + after);
        days.entry(day).or_default().push(start..end);
        start = end;
    }
    days
}

/// The segments of one batch, while they are written.
pub struct Segments<'a> {
    config: &'a Config,
    folder: PathBuf,
    /// The name that tells these segments from all others.
    name: String,
    open: BTreeMap<Place, Segment>,
}

/// A segment that is on the disk.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// Its path below the archive.
    pub path: String,
    /// Its rows.
    pub rows: u64,
    /// The digest of its bytes.
    pub digest: [u8; 32],
}

/// A file whose bytes are hashed on their way to the disk.
struct Hashed {
    file: File,
    hasher: blake3::Hasher,
    /// Why the system refused to write, which the layers between do not pass on.
    refused: Arc<OnceLock<std::io::ErrorKind>>,
}

impl Write for Hashed {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let written = self.file.write(bytes).inspect_err(|error| {
            self.refused.get_or_init(|| error.kind());
        })?;
        self.hasher.update(bytes.get(..written).unwrap_or_default());
        Ok(written)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}

struct Segment {
    path: PathBuf,
    relative: String,
    writer: FileWriter<BufWriter<Hashed>>,
    refused: Arc<OnceLock<std::io::ErrorKind>>,
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

    /// Writes encoded rows.
    ///
    /// # Errors
    ///
    /// When the disk refuses.
    pub fn add(&mut self, encoded: Encoded) -> Result<(), StoreError> {
        let Encoded { place, group } = encoded;
        let (types, pages): (Vec<_>, Vec<_>) = group.columns.into_iter().unzip();
        let segment = match self.open.entry(place) {
            Entry::Occupied(entry) => entry.into_mut(),
            Entry::Vacant(entry) => {
                let relative = relative(self.config, place, &self.name);
                let path = self.folder.join(&relative);
                let schema = SchemaDescriptor::new("readings".into(), types);
                entry.insert(Segment::create(path, relative, schema)?)
            }
        };
        segment.write(group.rows, pages)
    }

    /// Brings every segment to the disk.
    ///
    /// # Errors
    ///
    /// When the disk refuses.
    pub fn finish(self) -> Result<Vec<Written>, StoreError> {
        self.open.into_values().map(Segment::finish).collect()
    }
}

/// The path of a segment below the archive.
fn relative(config: &Config, (feed, day): Place, name: &str) -> String {
    format!("{}{name}.parquet", segments_begin(config, feed, day))
}

/// What the paths of a feed's segments of a day begin with.
pub(super) fn segments_begin(config: &Config, feed: usize, day: i64) -> String {
    let feed = &config.feeds[feed];
    let date = jiff::Timestamp::from_microsecond(day.saturating_mul(DAY_US))
        .map(|time| time.strftime("%Y-%m-%d").to_string())
        .unwrap_or_default();
    format!(
        "line={}/station={}/day={date}/{}-",
        path_part(&feed.line),
        feed.station.name(),
        path_part(&feed.name),
    )
}

impl Segment {
    fn create(
        path: PathBuf,
        relative: String,
        schema: SchemaDescriptor,
    ) -> Result<Segment, StoreError> {
        let folder = path.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(folder).map_err(|source| file_error(folder, source))?;
        let part = path.with_extension("part");
        let file = File::create(&part).map_err(|source| file_error(&part, source))?;
        let options = WriteOptions {
            write_statistics: false,
            version: Version::V1,
        };
        let hasher = blake3::Hasher::new();
        let refused = Arc::default();
        let hashed = Hashed {
            file,
            hasher,
            refused: Arc::clone(&refused),
        };
        let to = BufWriter::with_capacity(WRITE_BYTES, hashed);
        let by = Some("driftvane".to_owned());
        Ok(Segment {
            path,
            relative,
            writer: FileWriter::new(to, schema, options, by),
            refused,
            rows: 0,
        })
    }

    fn write(&mut self, rows: usize, pages: Vec<Vec<CompressedPage>>) -> Result<(), StoreError> {
        self.rows += rows as u64;
        let columns = pages.into_iter().map(|pages| {
            let pages = Pages {
                current: None,
                left: pages.into_iter(),
            };
            Ok::<_, ParquetError>(DynStreamingIterator::new(pages))
        });
        let written = self.writer.write(rows as u64, DynIter::new(columns));
        written.map_err(|error| self.failure(error))
    }

    fn failure(&self, error: ParquetError) -> StoreError {
        match self.refused.get() {
            Some(kind) => file_error(&self.path.with_extension("part"), (*kind).into()),
            None => StoreError::Archive(error.to_string()),
        }
    }

    fn finish(mut self) -> Result<Written, StoreError> {
        if let Err(error) = self.writer.end(None) {
            return Err(self.failure(error));
        }
        let part = self.path.with_extension("part");
        let hashed = self.writer.into_inner().into_inner();
        let Hashed { file, hasher, .. } =
            hashed.map_err(|error| file_error(&part, error.into_error()))?;
        let refused = |source| file_error(&part, source);
        file.sync_all().map_err(refused)?;
        fs::rename(&part, &self.path).map_err(refused)?;
        if let Some(folder) = self.path.parent() {
            File::open(folder)
                .and_then(|folder| folder.sync_all())
                .map_err(|source| file_error(folder, source))?;
        }
        Ok(Written {
            path: self.relative,
            rows: self.rows,
            digest: *hasher.finalize().as_bytes(),
        })
    }
}

/// The pages of a column, one after another.
struct Pages {
    current: Option<CompressedPage>,
    left: std::vec::IntoIter<CompressedPage>,
}

impl FallibleStreamingIterator for Pages {
    type Item = CompressedPage;
    type Error = ParquetError;

    fn advance(&mut self) -> Result<(), ParquetError> {
        self.current = self.left.next();
        Ok(())
    }

    fn get(&self) -> Option<&CompressedPage> {
        self.current.as_ref()
    }
}

#[cfg(test)]
mod tests;
