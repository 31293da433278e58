//! Notices: what is to leave for people and programs outside, written once.
//!
//! Knows no channel and no words. The one invariant: an event of an alert is marked as told in the
//! transaction that writes its notice, so none is lost and none has two.

use rusqlite::{Row, Transaction, params};

use super::chain::Entry;
use super::{Reader, StoreError};
use crate::words::Severity;

/// An event of an alert that has no notice yet.
#[derive(Clone, Debug)]
pub struct News {
    /// The event's number.
    pub event: i64,
    /// The alert's number.
    pub alert: i64,
    /// What happened: raised, worsened, returned, acknowledged, closed and so on.
    pub what: String,
    /// Who did it.
    pub who: String,
    /// What was said.
    pub comment: String,
    /// When, in microseconds.
    pub at: i64,
    /// Whether nobody is to be called for it: it is for the record and its file.
    pub quiet: bool,
}

/// News as they leave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    /// The key that stays the same however often it is sent.
    pub key: String,
    /// The alert; none for a summary, a test, and what is about a feed or the program.
    pub alert: Option<i64>,
    /// What happened: raised, worsened, returned and so on; `summary`, `test`; `silent` or `heard`.
    pub kind: String,
    /// When, in microseconds.
    pub at: i64,
    /// The line; empty where the news are of no single line.
    pub line: String,
    /// How much it matters.
    pub severity: Severity,
    /// How the alert, the feed or the program stands then: active, returned, revised or
    /// acknowledged; `summary` or `test`.
    pub state: String,
    /// The streams that show it, up to a bound.
    pub streams: Vec<String>,
    /// One line.
    pub subject: String,
    /// All of it, for people.
    pub text: String,
    /// All of it, for programs: a JSON object.
    pub body: String,
}

/// The columns of a notice, in the order in which they are read.
pub(super) const NOTICE: &str = "n.key, n.alert, n.kind, n.at, n.line, n.severity, n.state,
    n.streams, n.subject, n.text, n.body";

impl Notice {
    /// Reads a notice whose columns begin at a place.
    pub(super) fn read(row: &Row, from: usize) -> rusqlite::Result<Notice> {
        let severity: String = row.get(from + 5)?;
        let streams: String = row.get(from + 7)?;
        Ok(Notice {
            key: row.get(from)?,
            alert: row.get(from + 1)?,
            kind: row.get(from + 2)?,
            at: row.get(from + 3)?,
            line: row.get(from + 4)?,
            severity: Severity::from_name(&severity).unwrap_or(Severity::Medium),
            state: row.get(from + 6)?,
            streams: serde_json::from_str(&streams).unwrap_or_default(),
            subject: row.get(from + 8)?,
            text: row.get(from + 9)?,
            body: row.get(from + 10)?,
        })
    }

    /// Writes a notice, for one channel or for all, and gives its number.
    pub(super) fn write(&self, to: &Transaction, channel: Option<&str>) -> rusqlite::Result<i64> {
        to.prepare_cached(
            "INSERT INTO notice (key, alert, kind, at, line, severity, state, streams, subject,
                 text, body, channel)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
        )?
        .execute(params![
            self.key,
            self.alert,
            self.kind,
            self.at,
            self.line,
            self.severity.name(),
            self.state,
            serde_json::Value::from(self.streams.as_slice()).to_string(),
            self.subject,
            self.text,
            self.body,
            channel,
        ])?;
        Ok(to.last_insert_rowid())
    }
}

impl Reader {
    /// Events of alerts that have no notice yet, oldest first, a bounded number at a time.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn untold(&self, most: usize) -> Result<Vec<News>, StoreError> {
        self.list(
            "SELECT id, alert, what, who, comment, at, quiet FROM alert_event
             WHERE told = 0 ORDER BY id LIMIT ?1",
            [i64::try_from(most).unwrap_or(i64::MAX)],
            |row| {
                Ok(News {
                    event: row.get(0)?,
                    alert: row.get(1)?,
                    what: row.get(2)?,
                    who: row.get(3)?,
                    comment: row.get(4)?,
                    at: row.get(5)?,
                    quiet: row.get(6)?,
                })
            },
        )
    }

    /// What tells this record from any other: digits of its first entry.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn identity(&self) -> Result<String, StoreError> {
        let sql = "SELECT lower(substr(hex(digest), 1, 12)) FROM chain ORDER BY seq LIMIT 1";
        let found = self.list(sql, [], |row| row.get(0))?;
        Ok(found.into_iter().next().unwrap_or_default())
    }

    /// Keeps the notices of all events up to one that have none yet, each for one channel or for
    /// all.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn tell(
        &self,
        notices: &[(Notice, Option<&str>)],
        through: i64,
        now: i64,
    ) -> Result<(), StoreError> {
        let subject = format!("events up to {through}");
        self.change(&Entry::own(now, "told", &subject), |to| {
            for (notice, channel) in notices {
                notice.write(to, *channel)?;
            }
            to.prepare_cached("UPDATE alert_event SET told = 1 WHERE told = 0 AND id <= ?1")?
                .execute([through])?;
            Ok(())
        })
    }
}
