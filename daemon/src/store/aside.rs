//! Files that were set aside: which still wait for someone, and what people did about them.
//!
//! Knows no folder of a feed. The one invariant: nothing is deleted; what a person does is added.

use std::path::PathBuf;

use rusqlite::{OptionalExtension, params};

use super::query::count;
use super::{Reader, Store, StoreError, Who, db};

/// A file that was set aside and waits for someone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AsideRow {
    /// Its number in the record.
    pub file: i64,
    /// The feed.
    pub feed: String,
    /// The path.
    pub path: String,
    /// When it was set aside, by the clock.
    pub received_at: i64,
    /// Data rows, as far as it could be read.
    pub rows: u64,
    /// The stable code.
    pub code: String,
    /// Why.
    pub reason: String,
    /// What to do.
    pub fix: String,
    /// Who has asked that it be read again.
    pub retry_by: Option<String>,
}

/// What became of a wish about a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Handled {
    /// It is kept.
    Done,
    /// The file is not on the list.
    Unknown,
}

/// The list: of each path the newest word, where that is a quarantine which nobody has discarded.
const LIST: &str = "FROM (SELECT max(id) AS id FROM file GROUP BY feed, path) newest
    JOIN file f ON f.id = newest.id
    WHERE f.verdict = 'quarantined'
        AND NOT EXISTS (SELECT 1 FROM quarantine WHERE file = f.id AND what = 'discard')";

impl Reader {
    /// The files that were set aside and wait for someone, in the order in which they came.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn aside(&self) -> Result<Vec<AsideRow>, StoreError> {
        let sql = format!(
            "SELECT f.id, f.feed, f.path, f.received_at, f.rows_read,
                 coalesce(f.code, ''), coalesce(f.reason, ''), coalesce(f.fix, ''),
                 (SELECT who FROM quarantine WHERE file = f.id AND what = 'retry'
                     ORDER BY id DESC LIMIT 1)
             {LIST} ORDER BY f.id"
        );
        self.list(&sql, [], |row| {
            Ok(AsideRow {
                file: row.get(0)?,
                feed: row.get(1)?,
                path: row.get(2)?,
                received_at: row.get(3)?,
                rows: count(row, 4)?,
                code: row.get(5)?,
                reason: row.get(6)?,
                fix: row.get(7)?,
                retry_by: row.get(8)?,
            })
        })
    }

    /// Asks that a file be read again at the next scan.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn retry(&self, file: i64, who: Who) -> Result<Handled, StoreError> {
        self.handle(file, "retry", who)
    }

    /// Takes a file off the list.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn discard(&self, file: i64, who: Who) -> Result<Handled, StoreError> {
        self.handle(file, "discard", who)
    }

    fn handle(&self, file: i64, what: &str, who: Who) -> Result<Handled, StoreError> {
        let subject = format!("file {file}");
        self.change(&who.entry(what, &subject), |to| {
            let listed = format!("SELECT f.feed, f.path, f.from_byte {LIST} AND f.id = ?1");
            let found: Option<(String, String, i64)> = to
                .query_row(&listed, [file], |row| {
                    Ok((row.get(0)?, row.get(1)?, row.get(2)?))
                })
                .optional()?;
            let Some((feed, path, from)) = found else {
                return Ok(Handled::Unknown);
            };
            to.execute(
                "INSERT INTO quarantine (file, what, at, who, reason)
                 VALUES (?1, ?2, ?3, ?4, ?5)",
                params![file, what, who.now, who.author, who.reason],
            )?;
            if what == "retry" {
                // A time that no file has: the next look finds this one changed. What counted of
                // it before it was set aside stays read.
                to.execute(
                    "UPDATE path SET modified_ns = -1, consumed = ?3, hash = coalesce((
                             SELECT hash FROM file WHERE feed = ?1 AND path = ?2
                                 AND to_byte = ?3 AND id < ?4 ORDER BY id DESC LIMIT 1), hash)
                     WHERE feed = ?1 AND path = ?2",
                    params![feed, path, from, file],
                )?;
            }
            Ok(Handled::Done)
        })
    }
}

impl Store {
    /// Files that people want read again, after a wish that is known already: the number of the
    /// newest wish, and feed and path of each.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn to_retry(&self, after: i64) -> Result<(i64, Vec<(String, PathBuf)>), StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare_cached(
                "SELECT q.id, f.feed, f.path FROM quarantine q JOIN file f ON f.id = q.file
                 WHERE q.id > ?1 AND q.what = 'retry' ORDER BY q.id",
            )
            .map_err(wrap)?;
        let mut rows = query.query([after]).map_err(wrap)?;
        let (mut newest, mut files) = (after, Vec::new());
        while let Some(row) = rows.next().map_err(wrap)? {
            newest = row.get(0).map_err(wrap)?;
            let path: String = row.get(2).map_err(wrap)?;
            files.push((row.get(1).map_err(wrap)?, PathBuf::from(path)));
        }
        Ok((newest, files))
    }
}
