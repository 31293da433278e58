//! What the loop asks the record between two batches: what is known of a path, and which alert
//! news have not yet left.

use rusqlite::{OptionalExtension, Transaction, TransactionBehavior, params};

use super::chain::Entry;
use super::{PathFacts, Store, StoreError, db};

/// News of an alert that has not left yet.
#[derive(Clone, Debug)]
pub struct News {
    /// The event's number: the stable key of the news.
    pub event: i64,
    /// The alert's number.
    pub alert: i64,
    /// What happened: raised, returned, revised, acknowledged.
    pub what: String,
    /// Who did it.
    pub who: String,
    /// What was said.
    pub comment: String,
    /// When, in microseconds.
    pub at: i64,
    /// The stream.
    pub stream: String,
    /// The unit of the first signal.
    pub first_unit: String,
    /// The time of the first signal.
    pub first_at: i64,
    /// The rules that fired.
    pub rules: String,
    /// The side.
    pub side: String,
    /// The largest distance in sigma.
    pub size_sigma: f64,
}

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

    /// News that have not left yet, oldest first, a bounded number at a time.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn untold(&self, most: usize) -> Result<Vec<News>, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare_cached(
                "SELECT e.id, e.alert, e.what, e.who, e.comment, e.at, s.label, a.first_unit,
                     a.first_at, a.rules, a.side, a.size_sigma
                 FROM alert_event e JOIN alert a ON a.id = e.alert JOIN stream s ON s.id = a.stream
                 WHERE e.told = 0 ORDER BY e.id LIMIT ?1",
            )
            .map_err(wrap)?;
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        let rows = query
            .query_map(params![most], |row| {
                Ok(News {
                    event: row.get(0)?,
                    alert: row.get(1)?,
                    what: row.get(2)?,
                    who: row.get(3)?,
                    comment: row.get(4)?,
                    at: row.get(5)?,
                    stream: row.get(6)?,
                    first_unit: row.get(7)?,
                    first_at: row.get(8)?,
                    rules: row.get(9)?,
                    side: row.get(10)?,
                    size_sigma: row.get(11)?,
                })
            })
            .map_err(wrap)?;
        rows.collect::<rusqlite::Result<_>>().map_err(wrap)
    }

    /// Notes that news up to this one have left.
    ///
    /// # Errors
    ///
    /// When the record can not be written.
    pub fn told(&mut self, through: i64, now: i64) -> Result<(), StoreError> {
        let wrap = |source| db(&self.folder, source);
        self.observed.begin();
        let transaction =
            Transaction::new_unchecked(&self.connection, TransactionBehavior::Immediate)
                .map_err(wrap)?;
        transaction
            .prepare_cached("UPDATE alert_event SET told = 1 WHERE told = 0 AND id <= ?1")
            .and_then(|mut update| update.execute(params![through]))
            .map_err(wrap)?;
        let subject = format!("news up to {through}");
        self.observed
            .seal(&transaction, &Entry::own(now, "told", &subject))
            .map_err(wrap)?;
        transaction.commit().map_err(wrap)
    }
}

/// Counts are never negative in the record.
fn count(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}
