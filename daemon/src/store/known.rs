//! What the loop asks the record between two batches: what is known of a path and its content.
//!
//! Knows no feed and no file. The one invariant: it only reads.

use rusqlite::{OptionalExtension, params};

use super::{PathFacts, Store, StoreError, db};

impl Store {
    /// What is known of a path.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn path(&self, feed: &str, path: &str) -> Result<Option<PathFacts>, StoreError> {
        self.connection
            .prepare_cached(
                "SELECT length, modified_ns, consumed, hash FROM path
                 WHERE feed = ?1 AND path = ?2",
            )
            .and_then(|mut query| {
                query
                    .query_row(params![feed, path], |row| {
                        Ok(PathFacts {
                            feed: feed.to_owned(),
                            path: path.to_owned(),
                            length: count(row.get(0)?),
                            modified_ns: row.get(1)?,
                            consumed: count(row.get(2)?),
                            hash: row.get(3)?,
                        })
                    })
                    .optional()
            })
            .map_err(|source| db(&self.folder, source))
    }

    /// Whether a file of a feed counts whose last event lies in a window.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn has_events(&self, feed: &str, (from, to): (i64, i64)) -> Result<bool, StoreError> {
        let query = "SELECT EXISTS (SELECT 1 FROM file WHERE feed = ?1
             AND verdict IN ('accepted', 'accepted_with_rejects') AND last_at BETWEEN ?2 AND ?3)";
        self.connection
            .prepare_cached(query)
            .and_then(|mut query| query.query_row(params![feed, from, to], |row| row.get(0)))
            .map_err(|source| db(&self.folder, source))
    }

    /// Whether any path of a feed between two is known.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn knows_between(&self, feed: &str, first: &str, last: &str) -> Result<bool, StoreError> {
        let query = "SELECT EXISTS (SELECT 1 FROM path WHERE feed = ?1 AND path BETWEEN ?2 AND ?3)";
        self.connection
            .prepare_cached(query)
            .and_then(|mut query| query.query_row(params![feed, first, last], |row| row.get(0)))
            .map_err(|source| db(&self.folder, source))
    }

    /// Whether this content counts already.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn knows_content(&self, hash: &[u8; 32]) -> Result<bool, StoreError> {
        self.connection
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM file WHERE hash = ?1
                     AND verdict IN ('accepted', 'accepted_with_rejects'))",
            )
            .and_then(|mut query| query.query_row(params![hash], |row| row.get(0)))
            .map_err(|source| db(&self.folder, source))
    }

    /// How far the files of a feed have been read, below a length: bytes, their digest and a file
    /// that has them, in the order of bytes.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn beginnings(
        &self,
        feed: &str,
        below: u64,
    ) -> Result<Vec<(u64, [u8; 32], String)>, StoreError> {
        self.connection
            .prepare_cached(
                "SELECT consumed, hash, min(path) FROM path
                 WHERE feed = ?1 AND consumed > 0 AND consumed < ?2
                 GROUP BY consumed, hash ORDER BY consumed, hash",
            )
            .and_then(|mut query| {
                query
                    .query_map(
                        params![feed, i64::try_from(below).unwrap_or(i64::MAX)],
                        |row| Ok((count(row.get(0)?), row.get(1)?, row.get(2)?)),
                    )?
                    .collect()
            })
            .map_err(|source| db(&self.folder, source))
    }
}

/// Counts are never negative in the record.
fn count(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}
