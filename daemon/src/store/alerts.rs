//! Alerts as they are kept, with the episodes that each gathers.
//!
//! Rows come out as plain facts in a fixed order. The one invariant: nothing here writes.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, Row, params};

use super::life::since_closing;
use super::query::count;
use super::{Reader, StoreError};
use crate::words::Severity;

/// A stream out of control: its first signal and all that follow before it is quiet again.
#[derive(Clone, Debug, PartialEq)]
pub struct EpisodeRow {
    /// Its number.
    pub id: i64,
    /// The stream.
    pub stream: i64,
    /// The time of the first signal.
    pub first_at: i64,
    /// The unit of the first signal.
    pub first_unit: String,
    /// The time of the last signal.
    pub last_at: i64,
    /// Signals so far.
    pub signals: u64,
    /// The rules that fired, in the order in which they first did.
    pub rules: Vec<String>,
    /// The side of the first signal.
    pub side: String,
    /// The largest distance from the centre in sigma.
    pub size_sigma: f64,
    /// The plotted value there.
    pub size_value: f64,
    /// When it most likely began, where what signalled first tells that itself.
    pub since: Option<i64>,
    /// When the stream was quiet again.
    pub returned_at: Option<i64>,
}

/// An alert: episodes with one cause.
#[derive(Clone, Debug, PartialEq)]
pub struct AlertRow {
    /// Its number.
    pub id: i64,
    /// The episode that says most.
    pub lead: EpisodeRow,
    /// The episodes that stand, in the order of their first signals; none where late data took the
    /// alert's ground away.
    pub members: Vec<EpisodeRow>,
    /// The time of the first signal of all.
    pub first_at: i64,
    /// When the last stream was quiet again.
    pub returned_at: Option<i64>,
    /// How much it matters.
    pub severity: Severity,
    /// When it was raised, by the clock.
    pub raised_at: i64,
    /// Whether late data took the ground from it.
    pub revised: bool,
    /// The alert that has its episodes since then.
    pub merged_into: Option<i64>,
    /// When, by whom and with what words it was acknowledged.
    pub acknowledged: Option<(i64, String, String)>,
    /// Why nobody is called for it, by design.
    pub suppressed: Option<String>,
    /// Until when it is shelved.
    pub shelved_until: Option<i64>,
    /// How it was closed.
    pub closed: Option<Closed>,
}

/// How an alert was closed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Closed {
    /// When.
    pub at: i64,
    /// Who.
    pub by: String,
    /// One of the plant's causes.
    pub cause: String,
    /// What was done.
    pub action: String,
    /// When enough points in control had verified it.
    pub verified_at: Option<i64>,
    /// The fewest points that any of its streams has had since.
    pub points: u64,
    /// The newest event at the closing.
    pub through: Option<i64>,
}

/// A stream that is out of service.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ServiceRow {
    /// The stream.
    pub stream: i64,
    /// Since when, by the clock.
    pub at: i64,
    /// Who took it out.
    pub who: String,
    /// Why.
    pub reason: String,
}

impl AlertRow {
    /// Its episode on a stream; the newest where there are several.
    #[must_use]
    pub fn on(&self, stream: i64) -> Option<&EpisodeRow> {
        let standing = self.members.iter().rfind(|one| one.stream == stream);
        standing.or_else(|| (self.lead.stream == stream).then_some(&self.lead))
    }

    /// Whether a stream of it is out of control now.
    #[must_use]
    pub fn is_active_on(&self, stream: i64) -> bool {
        !self.revised && self.on(stream).is_some_and(|one| one.returned_at.is_none())
    }
}

/// What befell an alert.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AlertEventRow {
    /// When, by the clock.
    pub at: i64,
    /// What.
    pub what: String,
    /// Who.
    pub who: String,
    /// What was said.
    pub comment: String,
}

const EPISODE: &str = "e.id, e.stream, e.first_at, e.first_unit, e.last_at, e.signals, e.rules, \
     e.side, e.size_sigma, e.size_value, e.returned_at";

impl Reader {
    /// Every alert, the newest first.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn alerts(&self) -> Result<Vec<AlertRow>, StoreError> {
        self.alerts_where("1 = 1")
    }

    /// One alert.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn alert(&self, id: i64) -> Result<Option<AlertRow>, StoreError> {
        Ok(self.alerts_where(&format!("a.id = {id}"))?.pop())
    }

    fn alerts_where(&self, condition: &str) -> Result<Vec<AlertRow>, StoreError> {
        let mut members: BTreeMap<i64, Vec<EpisodeRow>> = BTreeMap::new();
        let standing = self.list(
            &format!(
                "SELECT {EPISODE}, a.id, n.since AS since
                 FROM episode e JOIN alert a ON a.id = e.alert
                     JOIN stream s ON s.id = e.stream LEFT JOIN episode_since n ON n.episode = e.id
                 WHERE e.revised = 0 AND {condition} ORDER BY e.first_at, e.first_unit, s.label"
            ),
            [],
            |row| Ok((row.get(11)?, episode(row)?)),
        )?;
        for (alert, one) in standing {
            members.entry(alert).or_default().push(one);
        }
        self.list(
            &format!(
                "SELECT {EPISODE}, a.id, a.first_at, a.returned_at, a.severity, a.raised_at,
                     a.revised, a.merged_into, a.acknowledged_at, a.acknowledged_by, a.comment,
                     a.suppressed, a.shelved_until, a.closed_at, a.closed_by, a.cause, a.action,
                     a.verified_at, a.closed_through, n.since AS since
                 FROM alert a JOIN episode e ON e.id = a.lead
                     LEFT JOIN episode_since n ON n.episode = e.id
                 WHERE {condition} ORDER BY a.first_at DESC, a.id DESC"
            ),
            [],
            |row| alert(&self.connection, row, &mut members),
        )
    }

    /// The first and the last event of all files that count.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn span(&self) -> Result<Option<(i64, i64)>, StoreError> {
        let sql = "SELECT min(first_at), max(last_at) FROM file
             WHERE verdict IN ('accepted', 'accepted_with_rejects')";
        let found = self.list(sql, [], |row| {
            let (first, last): (Option<i64>, Option<i64>) = (row.get(0)?, row.get(1)?);
            Ok(first.zip(last))
        })?;
        Ok(found.into_iter().next().flatten())
    }

    /// The alerts to which something has happened up to a time by the clock.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn alerts_with(&self, what: &str, until: i64) -> Result<BTreeSet<i64>, StoreError> {
        let sql = "SELECT DISTINCT alert FROM alert_event WHERE what = ?1 AND at <= ?2";
        Ok(self
            .list(sql, params![what, until], |row| row.get(0))?
            .into_iter()
            .collect())
    }

    /// What befell an alert, in order.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn alert_events(&self, alert: i64) -> Result<Vec<AlertEventRow>, StoreError> {
        self.list(
            "SELECT at, what, who, comment FROM alert_event WHERE alert = ?1 ORDER BY id",
            [alert],
            |row| {
                Ok(AlertEventRow {
                    at: row.get(0)?,
                    what: row.get(1)?,
                    who: row.get(2)?,
                    comment: row.get(3)?,
                })
            },
        )
    }
}

/// The columns of an episode, first in a row.
fn episode(row: &Row) -> rusqlite::Result<EpisodeRow> {
    let rules: String = row.get(6)?;
    let rules = rules.split(',').filter(|rule| !rule.is_empty());
    Ok(EpisodeRow {
        id: row.get(0)?,
        stream: row.get(1)?,
        first_at: row.get(2)?,
        first_unit: row.get(3)?,
        last_at: row.get(4)?,
        signals: count(row, 5)?,
        rules: rules.map(str::to_owned).collect(),
        side: row.get(7)?,
        size_sigma: row.get(8)?,
        size_value: row.get(9)?,
        since: row.get("since")?,
        returned_at: row.get(10)?,
    })
}

/// The columns of an alert, after those of its lead.
fn alert(
    of: &Connection,
    row: &Row,
    members: &mut BTreeMap<i64, Vec<EpisodeRow>>,
) -> rusqlite::Result<AlertRow> {
    let id = row.get(11)?;
    let severity: u8 = row.get(14)?;
    let at: Option<i64> = row.get(18)?;
    let said: (Option<String>, Option<String>) = (row.get(19)?, row.get(20)?);
    let said = (said.0.unwrap_or_default(), said.1.unwrap_or_default());
    Ok(AlertRow {
        id,
        lead: episode(row)?,
        members: members.remove(&id).unwrap_or_default(),
        first_at: row.get(12)?,
        returned_at: row.get(13)?,
        severity: Severity::ALL
            .get(usize::from(severity))
            .map_or(Severity::High, |(_, severity)| *severity),
        raised_at: row.get(15)?,
        revised: row.get(16)?,
        merged_into: row.get(17)?,
        acknowledged: at.map(|at| (at, said.0, said.1)),
        suppressed: row.get(21)?,
        shelved_until: row.get(22)?,
        closed: closed(of, row, id)?,
    })
}

/// The columns of a closing; what still has to be verified is counted.
fn closed(of: &Connection, row: &Row, alert: i64) -> rusqlite::Result<Option<Closed>> {
    let Some(at) = row.get(23)? else {
        return Ok(None);
    };
    let verified_at: Option<i64> = row.get(27)?;
    let through: Option<i64> = row.get(28)?;
    let points = match (verified_at, through) {
        (None, Some(through)) => since_closing(of, alert, through)?.0,
        _ => 0,
    };
    Ok(Some(Closed {
        at,
        by: row.get(24)?,
        cause: row.get(25)?,
        action: row.get(26)?,
        verified_at,
        points: u64::try_from(points).unwrap_or_default(),
        through,
    }))
}
