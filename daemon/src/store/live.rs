//! What the live page asks of the record: the newest of each kind, never all.
//!
//! Knows no page. The one invariant: nothing given here grows with the age of the record.

use rusqlite::params;

use super::placed::{POINT, point};
use super::query::{PointRow, count};
use super::{DATABASE, Reader, StoreError, connect, db};
use crate::engine::PointKind;

/// What a feed delivered since a time.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FeedCounts {
    /// The feed.
    pub feed: String,
    /// Files that count, all rows used.
    pub accepted: u64,
    /// Files that count, some rows rejected.
    pub with_rejects: u64,
    /// Files whose content counted before.
    pub duplicate: u64,
    /// Files set aside.
    pub quarantined: u64,
    /// Rows read, used, rejected, duplicate.
    pub rows: [u64; 4],
}

/// A file that arrived lately.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LatestFile {
    /// Its number.
    pub id: i64,
    /// The feed.
    pub feed: String,
    /// The path.
    pub path: String,
    /// The verdict.
    pub verdict: String,
    /// Rows read and rejected.
    pub rows: (u64, u64),
    /// When it came, by the clock.
    pub received_at: i64,
    /// Its last event.
    pub last_at: Option<i64>,
    /// Why it is set aside: code, reason, what to do.
    pub trouble: Option<(String, String, String)>,
}

/// What the record holds, in numbers.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Stock {
    /// Alerts by state; every state is there.
    pub alerts: Vec<(&'static str, u64)>,
    /// Events without a notice, and notices that wait for a channel.
    pub untold: u64,
    /// Streams.
    pub streams: u64,
    /// Bytes of the database.
    pub record_bytes: u64,
    /// Bytes of its write-ahead log.
    pub wal_bytes: u64,
}

/// The states of alerts in metrics.
const STATES: [&str; 8] = [
    "active",
    "active_acknowledged",
    "returned",
    "returned_acknowledged",
    "shelved",
    "suppressed",
    "closed",
    "revised",
];

/// The files among some rows of `file`, with their sums and the worst that became of them. One that
/// grows is one file, however often it was looked at; another content under its name is another.
pub(super) fn files(among: &str) -> String {
    format!(
        "SELECT feed, max(CASE verdict WHEN 'quarantined' THEN 3
                 WHEN 'accepted_with_rejects' THEN 2 WHEN 'accepted' THEN 1 ELSE 0 END) AS worst,
             sum(rows_read) AS rows_read, sum(rows_used) AS rows_used,
             sum(rows_rejected) AS rows_rejected, sum(rows_duplicate) AS rows_duplicate
         FROM (SELECT *, sum(from_byte = 0) OVER (PARTITION BY feed, path ORDER BY id) AS begun
             FROM file WHERE {among})
         GROUP BY feed, path, begun"
    )
}

impl Reader {
    /// What the record holds, in numbers.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn stock(&self, now: i64) -> Result<Stock, StoreError> {
        let counted = self.list(
            "SELECT CASE WHEN revised THEN 'revised' WHEN closed_at IS NOT NULL THEN 'closed'
                 WHEN suppressed IS NOT NULL THEN 'suppressed'
                 WHEN shelved_until > ?1 THEN 'shelved'
                 ELSE iif(returned_at IS NULL, 'active', 'returned')
                     || iif(acknowledged_at IS NULL, '', '_acknowledged') END, count(*)
             FROM alert WHERE merged_into IS NULL GROUP BY 1",
            [now],
            |row| Ok((row.get::<_, String>(0)?, count(row, 1)?)),
        )?;
        let alerts = STATES.iter().map(|state| {
            let found = counted.iter().find(|(name, _)| name == state);
            (*state, found.map_or(0, |(_, count)| *count))
        });
        let number = |sql: &str| -> Result<u64, StoreError> {
            let rows = self.list(sql, [], |row| count(row, 0))?;
            Ok(rows.into_iter().next().unwrap_or(0))
        };
        let bytes = |name: &str| {
            let found = std::fs::metadata(self.folder.join(name));
            found.map_or(0, |found| found.len())
        };
        Ok(Stock {
            alerts: alerts.collect(),
            untold: number(
                "SELECT (SELECT count(*) FROM alert_event WHERE told = 0)
                     + (SELECT count(*) FROM delivery WHERE state = 'waiting')",
            )?,
            streams: number("SELECT count(*) FROM stream")?,
            record_bytes: bytes(DATABASE),
            wal_bytes: bytes(&format!("{DATABASE}-wal")),
        })
    }

    /// Opens the record for one look: nothing can be written, and all queries see one state.
    ///
    /// # Errors
    ///
    /// When there is no record, or it can not be read.
    pub fn look(folder: &std::path::Path) -> Result<Reader, StoreError> {
        let reader = Reader::watching(folder)?;
        reader
            .connection
            .execute_batch("BEGIN")
            .map_err(|source| db(folder, source))?;
        Ok(reader)
    }

    /// Opens the record to see when it changes: nothing can be written.
    ///
    /// # Errors
    ///
    /// When there is no record, or it can not be read.
    pub fn watching(folder: &std::path::Path) -> Result<Reader, StoreError> {
        let connection = connect(folder, "PRAGMA query_only = ON;")?;
        Ok(Reader {
            connection,
            folder: folder.to_owned(),
        })
    }

    /// A number that changes whenever another connection has committed something.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn data_version(&self) -> Result<i64, StoreError> {
        self.connection
            .query_row("PRAGMA data_version", [], |row| row.get(0))
            .map_err(|source| db(&self.folder, source))
    }

    /// The newest plotted points of a stream up to a time, by time and unit.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn newest_points(
        &self,
        stream: i64,
        through: i64,
        max: usize,
    ) -> Result<Vec<PointRow>, StoreError> {
        let mut points = self.list(
            &format!(
                "SELECT {POINT} FROM point
                 WHERE stream = ?1 AND kind <> ?2 AND at <= ?3
                 ORDER BY at DESC, unit DESC, kind DESC LIMIT ?4"
            ),
            params![stream, PointKind::Part as u8, through, rows(max)],
            point,
        )?;
        points.reverse();
        self.placed(stream, points)
    }

    /// What each feed delivered since a time on the clock, by name.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn feed_counts(&self, since: i64) -> Result<Vec<FeedCounts>, StoreError> {
        self.list(
            &format!(
                "SELECT feed, sum(worst = 1), sum(worst = 2), sum(worst = 0), sum(worst = 3),
                     sum(rows_read), sum(rows_used), sum(rows_rejected), sum(rows_duplicate)
                 FROM ({}) GROUP BY feed ORDER BY feed",
                files("received_at >= ?1")
            ),
            params![since],
            |row| {
                Ok(FeedCounts {
                    feed: row.get(0)?,
                    accepted: count(row, 1)?,
                    with_rejects: count(row, 2)?,
                    duplicate: count(row, 3)?,
                    quarantined: count(row, 4)?,
                    rows: [
                        count(row, 5)?,
                        count(row, 6)?,
                        count(row, 7)?,
                        count(row, 8)?,
                    ],
                })
            },
        )
    }

    /// The newest files of a feed, or of all, with one of the verdicts; the newest first.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn latest_files(
        &self,
        feed: Option<&str>,
        verdicts: &[&str],
        max: usize,
    ) -> Result<Vec<LatestFile>, StoreError> {
        let verdicts = verdicts.join(",");
        self.list(
            "SELECT id, feed, path, verdict, rows_read, rows_rejected, received_at, last_at, code,
                 reason, fix
             FROM file WHERE (?1 IS NULL OR feed = ?1)
                 AND (?2 = '' OR instr(',' || ?2 || ',', ',' || verdict || ',') > 0)
             ORDER BY id DESC LIMIT ?3",
            params![feed, verdicts, rows(max)],
            |row| {
                let trouble: (Option<String>, Option<String>, Option<String>) =
                    (row.get(8)?, row.get(9)?, row.get(10)?);
                Ok(LatestFile {
                    id: row.get(0)?,
                    feed: row.get(1)?,
                    path: row.get(2)?,
                    verdict: row.get(3)?,
                    rows: (count(row, 4)?, count(row, 5)?),
                    received_at: row.get(6)?,
                    last_at: row.get(7)?,
                    trouble: match trouble {
                        (Some(code), Some(reason), fix) => {
                            Some((code, reason, fix.unwrap_or_default()))
                        }
                        _ => None,
                    },
                })
            },
        )
    }
}

/// A number of rows for a query.
fn rows(max: usize) -> i64 {
    i64::try_from(max).unwrap_or(i64::MAX)
}
