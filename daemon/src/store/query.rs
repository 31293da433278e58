//! What the commands and reports read of the record.
//!
//! Rows come out as plain facts in a fixed order. Knows no output format and no time zone. The one
//! invariant: nothing here writes.

use std::sync::Arc;

use rusqlite::{Params, Row, params};
use spc::chart::Limits;
use spc::moments::Moments;

use super::form::{content_from, limits_from, list_from};
use super::placed::{POINT, point};
use super::state_form::{Unusable, state_from};
use super::{Reader, StoreError, db};
use crate::config::Key;
use crate::engine::{Content, Detection, Findings, PointKind};

/// A stream as it stands.
#[derive(Clone, Debug)]
pub struct StreamRow {
    /// Its number.
    pub id: i64,
    /// The characteristic's name.
    pub characteristic: String,
    /// The values of its keys.
    pub keys: Vec<Arc<str>>,
    /// Its readable name.
    pub label: String,
    /// The newest event.
    pub newest: i64,
    /// Whether points are judged: otherwise a baseline is being collected.
    pub monitoring: bool,
    /// Why no limits can be set, where that is so.
    pub note: Option<String>,
}

/// What a stream's stored points add up to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PointCounts {
    /// Plotted points.
    pub points: u64,
    /// Points that were judged against limits.
    pub judged: u64,
    /// Points with a signal.
    pub signalled: u64,
    /// The newest point.
    pub last_at: Option<i64>,
}

/// A plotted point.
#[derive(Clone, Debug, PartialEq)]
pub struct PointRow {
    /// The event time.
    pub at: i64,
    /// The unit.
    pub unit: String,
    /// Whether it came after its time was settled.
    pub late: bool,
    /// Readings, boards or opportunities.
    pub size: f64,
    /// The plotted value.
    pub value: f64,
    /// The spread within.
    pub spread: Option<f64>,
    /// The version of the limits, or of the baseline.
    pub version: u32,
    /// Whether it belongs to a baseline.
    pub baseline: bool,
    /// The rules that fired: name and side.
    pub signals: Vec<(String, String)>,
    /// The place of the measure that contributes most to a signal, where several are charted
    /// together.
    pub leading: Option<usize>,
}

/// The readings of one unit.
#[derive(Clone, Debug)]
pub struct ContentRow {
    /// The event time.
    pub at: i64,
    /// Whether the unit is a plotted subgroup by itself.
    pub whole: bool,
    /// What was measured.
    pub moments: Moments,
}

/// A version of limits.
#[derive(Clone, Debug, PartialEq)]
pub struct LimitsRow {
    /// The stream.
    pub stream: i64,
    /// Its number within the stream.
    pub version: u32,
    /// The first unit of the baseline, by time.
    pub from_at: i64,
    /// The last unit of the baseline, by time.
    pub to_at: i64,
    /// The numbers.
    pub limits: Limits,
    /// What they are watched with.
    pub detection: Detection,
    /// What was found out about the baseline.
    pub findings: Findings,
    /// Who set them.
    pub author: String,
    /// Why.
    pub reason: String,
    /// When, by the clock.
    pub set_at: i64,
}

/// The first visits of boards in a window, added up by feed and product.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct YieldFacts {
    /// The feed.
    pub feed: String,
    /// The product.
    pub product: String,
    /// Boards.
    pub units: u64,
    /// Boards without a call.
    pub without_call: u64,
    /// Boards without a confirmed defect.
    pub without_confirmed: u64,
    /// Boards whose last visit had no call.
    pub last_without_call: u64,
    /// Boards whose last visit had no confirmed defect.
    pub last_without_confirmed: u64,
    /// Rows.
    pub rows: u64,
    /// Locations called.
    pub calls: u64,
    /// Confirmed defects.
    pub confirmed: u64,
    /// False calls.
    pub false_calls: u64,
    /// Opportunities that the feed states.
    pub opportunities: u64,
}

/// A kind of defect and how often it was met.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DefectFacts {
    /// The feed.
    pub feed: String,
    /// The component.
    pub component: String,
    /// The pin.
    pub pin: String,
    /// The defect.
    pub defect: String,
    /// The review: 0 none, 1 confirmed, 2 false call.
    pub review: u8,
    /// How often.
    pub count: u64,
}

/// A file of the ledger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileRow {
    /// Its number.
    pub id: i64,
    /// The feed.
    pub feed: String,
    /// The path.
    pub path: String,
    /// The verdict.
    pub verdict: String,
    /// The BLAKE3 digest of the bytes that were read.
    pub hash: Vec<u8>,
    /// Where it starts: behind 0 it is a later look at a file that grows.
    pub from_byte: u64,
    /// Where it ends.
    pub to_byte: u64,
    /// Rows read, used, rejected, duplicate.
    pub rows: [u64; 4],
    /// When its events were, as near as can be told.
    pub at: i64,
    /// Why it is quarantined: code and reason.
    pub trouble: Option<(String, String)>,
}

/// Rows of a file refused for one reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RejectRow {
    /// The stable code.
    pub code: String,
    /// The reason in words, as at the example.
    pub reason: String,
    /// The line of the example.
    pub line: u64,
    /// How often.
    pub count: u64,
}

/// A change of product at a feed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProductChange {
    /// The feed.
    pub feed: String,
    /// When.
    pub at: i64,
    /// From.
    pub from: String,
    /// To.
    pub to: String,
}

/// Which archived readings to count.
#[derive(Clone, Debug)]
pub struct ReadingFilter<'a> {
    /// The kind of station.
    pub station: crate::words::Station,
    /// The measure or test step.
    pub measure: &'a str,
    /// Keys and the values that are wanted of them; an empty value means that the key is absent.
    pub keys: Vec<(Key, Vec<String>)>,
    /// From this event time on.
    pub from: i64,
    /// Up to this event time, exclusive.
    pub to: i64,
}

impl Reader {
    pub(super) fn list<T>(
        &self,
        sql: &str,
        values: impl Params,
        read: impl FnMut(&Row) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self.connection.prepare_cached(sql).map_err(wrap)?;
        let rows = query.query_map(values, read).map_err(wrap)?;
        rows.collect::<rusqlite::Result<_>>().map_err(wrap)
    }

    pub(super) fn unreadable(&self, what: String) -> StoreError {
        StoreError::Damaged {
            path: self.folder.join(super::DATABASE),
            reason: format!("{what} can not be read"),
        }
    }

    /// Every stream, by label.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn streams(&self) -> Result<Vec<StreamRow>, StoreError> {
        let rows = self.list(
            "SELECT id, characteristic, keys, label, newest, state, note FROM stream
             ORDER BY label",
            [],
            |row| {
                let (keys, state): (String, String) = (row.get(2)?, row.get(5)?);
                let stream = StreamRow {
                    id: row.get(0)?,
                    characteristic: row.get(1)?,
                    keys: Vec::new(),
                    label: row.get(3)?,
                    newest: row.get(4)?,
                    monitoring: false,
                    note: row.get(6)?,
                };
                Ok((stream, keys, state))
            },
        )?;
        let whole = |(stream, keys, state): (StreamRow, String, String)| {
            let unreadable = || self.unreadable(format!("stream {}", stream.label));
            let keys = list_from(&keys).ok_or_else(unreadable)?;
            let monitoring = match state_from(&state) {
                Ok(state) => self.is_judged(&stream, state.version)?,
                // The next start begins a new baseline.
                Err(Unusable::Older(_)) => false,
                Err(Unusable::Newer(_) | Unusable::Damaged) => return Err(unreadable()),
            };
            Ok(StreamRow {
                keys,
                monitoring,
                ..stream
            })
        };
        rows.into_iter().map(whole).collect()
    }

    /// Whether the next point of a stream is judged. The settled state lags behind by the lateness:
    /// what the newest point belongs to decides, and a restart that holds from after it.
    fn is_judged(&self, stream: &StreamRow, settled: u32) -> Result<bool, StoreError> {
        let restarts = self.list(
            "SELECT 1 FROM request WHERE stream = ?1 AND kind = 'restart' AND at > ?2 LIMIT 1",
            params![stream.id, stream.newest],
            |_| Ok(()),
        )?;
        if !restarts.is_empty() {
            return Ok(false);
        }
        let newest = self.list(
            "SELECT version FROM point WHERE stream = ?1 AND kind IN (?2, ?3)
             ORDER BY at DESC, unit DESC LIMIT 1",
            params![stream.id, PointKind::Whole as u8, PointKind::Group as u8],
            |row| row.get::<_, u32>(0),
        )?;
        let wanted = newest.first().copied().unwrap_or(settled);
        let found = self.list(
            "SELECT 1 FROM limits WHERE stream = ?1 AND version = ?2",
            params![stream.id, wanted],
            |_| Ok(()),
        )?;
        Ok(!found.is_empty())
    }

    /// What the points of a stream in a window add up to.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn point_counts(&self, stream: i64, from: i64, to: i64) -> Result<PointCounts, StoreError> {
        let rows = self.list(
            "SELECT count(*), coalesce(sum(kind <> ?4 AND baseline = 0), 0),
                 coalesce(sum(signals <> ''), 0), max(at)
             FROM point WHERE stream = ?1 AND at >= ?2 AND at < ?3 AND kind <> ?5",
            params![
                stream,
                from,
                to,
                PointKind::Late as u8,
                PointKind::Part as u8
            ],
            |row| {
                Ok(PointCounts {
                    points: count(row, 0)?,
                    judged: count(row, 1)?,
                    signalled: count(row, 2)?,
                    last_at: row.get(3)?,
                })
            },
        )?;
        Ok(rows.into_iter().next().unwrap_or_default())
    }

    /// The plotted points of a stream in a window, by time and unit.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn points(&self, stream: i64, from: i64, to: i64) -> Result<Vec<PointRow>, StoreError> {
        let rows = self.list(
            &format!(
                "SELECT {POINT} FROM point
                 WHERE stream = ?1 AND at >= ?2 AND at < ?3 AND kind <> ?4
                 ORDER BY at, unit, kind"
            ),
            params![stream, from, to, PointKind::Part as u8],
            point,
        )?;
        self.placed(stream, rows)
    }

    /// The number of a stream's newest baseline, and how many subgroups it has.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn collected(&self, stream: i64) -> Result<(u32, u64), StoreError> {
        let found = self.list(
            "SELECT version, sum(baseline) FROM point WHERE stream = ?1 AND kind IN (?2, ?3)
             GROUP BY version ORDER BY version DESC LIMIT 1",
            params![stream, PointKind::Whole as u8, PointKind::Group as u8],
            |row| Ok((row.get(0)?, count(row, 1)?)),
        )?;
        Ok(found.into_iter().next().unwrap_or((1, 0)))
    }

    /// What was measured on the units of a stream in a window, by time and unit.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn contents(&self, stream: i64, from: i64, to: i64) -> Result<Vec<ContentRow>, StoreError> {
        let rows = self.list(
            "SELECT at, unit, kind, content FROM point
             WHERE stream = ?1 AND at >= ?2 AND at < ?3 AND kind <> ?4 ORDER BY at, unit, kind",
            params![stream, from, to, PointKind::Group as u8],
            |row| {
                let at: i64 = row.get(0)?;
                let unit: String = row.get(1)?;
                let kind: u8 = row.get(2)?;
                Ok((at, unit, kind, row.get::<_, Vec<u8>>(3)?))
            },
        )?;
        let mut found = Vec::new();
        for (at, unit, kind, bytes) in rows {
            match content_from(&bytes) {
                Some(Content::Measured(moments)) => found.push(ContentRow {
                    at,
                    whole: kind == PointKind::Whole as u8,
                    moments,
                }),
                Some(Content::Several(_) | Content::Counted(_)) => {}
                None => return Err(self.unreadable(format!("the readings of {unit}"))),
            }
        }
        Ok(found)
    }

    /// How many units a stream has had in each minute of a window that count as judged: of charts
    /// between events, those with an event.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn units_by_minute(
        &self,
        stream: i64,
        window: (i64, i64),
        with_event: bool,
    ) -> Result<Vec<(i64, u64)>, StoreError> {
        super::load::units(&self.connection, stream, window, with_event)
            .map_err(|source| super::db(&self.folder, source))
    }

    /// The units of a stream in a window, both ends included, in order: when and which.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn units_between(
        &self,
        stream: i64,
        from: i64,
        last: i64,
    ) -> Result<Vec<(i64, String)>, StoreError> {
        self.list(
            "SELECT at, unit FROM point
             WHERE stream = ?1 AND at BETWEEN ?2 AND ?3 AND kind <> ?4 ORDER BY at, unit",
            params![stream, from, last, PointKind::Group as u8],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
    }

    /// The versions of limits of one stream, or of all, in order.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn limits(&self, stream: Option<i64>) -> Result<Vec<LimitsRow>, StoreError> {
        let rows = self.list(
            "SELECT stream, version, from_at, to_at, numbers, author, reason, set_at FROM limits
             WHERE ?1 IS NULL OR stream = ?1 ORDER BY stream, version",
            params![stream],
            |row| {
                let numbers: String = row.get(4)?;
                let (stream, version): (i64, u32) = (row.get(0)?, row.get(1)?);
                let (from_at, to_at): (i64, i64) = (row.get(2)?, row.get(3)?);
                let words: (String, String, i64) = (row.get(5)?, row.get(6)?, row.get(7)?);
                Ok((stream, version, from_at, to_at, numbers, words))
            },
        )?;
        let whole = |(stream, version, from_at, to_at, numbers, words)| {
            let numbers: String = numbers;
            let (author, reason, set_at) = words;
            let (limits, detection, findings) = limits_from(&numbers).ok_or_else(|| {
                self.unreadable(format!(
                    "version {version} of the limits of stream {stream}"
                ))
            })?;
            Ok(LimitsRow {
                stream,
                version,
                from_at,
                to_at,
                limits,
                detection,
                findings,
                author,
                reason,
                set_at,
            })
        };
        rows.into_iter().map(whole).collect()
    }
}

/// A count; the record never holds a negative one.
pub(super) fn count(row: &Row, column: usize) -> rusqlite::Result<u64> {
    Ok(u64::try_from(row.get::<_, i64>(column)?).unwrap_or(0))
}
