//! The archive of readings: where what is asked may be, and what no transaction stands for.
//!
//! Segments are written by [`super::segment`]; one that no transaction names is swept away.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, Row};

use super::query::ReadingFilter;
use super::segment::DAY_US;
use super::{Reader, StoreError, db, file_error};
use crate::config::Key;

/// A segment that the record names and that was not let go.
pub(super) struct Named {
    /// Its path below the archive.
    pub(super) path: String,
    pub(super) rows: i64,
    pub(super) digest: Vec<u8>,
    /// The entry of the chain that brought it.
    pub(super) entry: i64,
}

/// The segments that the record names and that were not let go, by path.
pub(super) fn named(record: &Connection) -> rusqlite::Result<Vec<Named>> {
    let sql = "SELECT path, rows, digest, entry FROM segment
         WHERE path NOT IN (SELECT path FROM purged_segment) ORDER BY path";
    let read = |row: &Row| {
        Ok(Named {
            path: row.get(0)?,
            rows: row.get(1)?,
            digest: row.get(2)?,
            entry: row.get(3)?,
        })
    };
    record.prepare_cached(sql)?.query_map([], read)?.collect()
}

/// Whether a segment was let go by age.
pub(super) fn is_gone(record: &Connection, path: &str) -> rusqlite::Result<bool> {
    record
        .prepare_cached("SELECT EXISTS (SELECT 1 FROM purged_segment WHERE path = ?1)")?
        .query_row([path], |row| row.get(0))
}

/// Takes away segments that no committed transaction names. Where a segment that is named is not
/// there, nothing is taken away: what looks left over may be it under another name. Gives the
/// segments that were let go and are still there: who reads them must be able to end.
pub(super) fn sweep(data_folder: &Path, record: &Connection) -> Result<Vec<String>, StoreError> {
    let wrap = |source| db(data_folder, source);
    let mut left = files(data_folder)?;
    let named = named(record).map_err(wrap)?;
    let missing = named.iter().filter(|one| !left.remove(&one.path)).count();
    let mut gone = Vec::new();
    for relative in &left {
        if is_gone(record, relative).map_err(wrap)? {
            gone.push(relative.clone());
        }
    }
    gone.iter().for_each(|relative| {
        left.remove(relative);
    });
    if missing > 0 {
        tracing::error!(
            missing,
            left_over = left.len(),
            "segments of the archive are missing; nothing is removed, run `driftvane verify`"
        );
        return Ok(gone);
    }
    for relative in left {
        let path = data_folder.join("archive").join(&relative);
        tracing::info!(segment = %relative, "removed a segment that no batch names any more");
        fs::remove_file(&path).map_err(|source| file_error(&path, source))?;
    }
    Ok(gone)
}

/// Every file of the archive by its path below it.
pub(super) fn files(data_folder: &Path) -> Result<BTreeSet<String>, StoreError> {
    let root = data_folder.join("archive");
    let mut folders = vec![root.clone()];
    let mut found = BTreeSet::new();
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
            let relative = path.strip_prefix(&root).unwrap_or(&path);
            found.insert(relative.to_string_lossy().into_owned());
        }
    }
    Ok(found)
}

impl Reader {
    /// The segments that can hold what a filter wants, in the order of their names.
    pub(super) fn segments_for(&self, filter: &ReadingFilter) -> Result<Vec<PathBuf>, StoreError> {
        let named = self.segments_held()?;
        let wanted = named.iter().filter(|relative| may_hold(relative, filter));
        let archive = self.folder.join("archive");
        Ok(wanted.map(|relative| archive.join(relative)).collect())
    }

    /// The segments that were not let go, by their paths below the archive, in order.
    pub(super) fn segments_held(&self) -> Result<Vec<String>, StoreError> {
        let named = named(&self.connection).map_err(|source| db(&self.folder, source))?;
        Ok(named.into_iter().map(|one| one.path).collect())
    }
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
