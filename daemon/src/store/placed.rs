//! Plotted points as they are read: those of several measures get what follows from the limits.
//!
//! How far out a unit is whose measures are charted together is not known before limits are set,
//! so a point of a baseline, and a late one, is placed when it is read. Knows no chart's formulas.
//! The one invariant: a point that is handed on has a value that its limits give or judged.

use std::collections::BTreeMap;

use rusqlite::{Row, params};
use spc::chart::Limits;

use super::form::{SEVERAL, content_from};
use super::query::PointRow;
use super::{Reader, StoreError};
use crate::engine::{PointKind, placed};

/// The columns of a point; the last one is the content of several measures where it is needed:
/// 0x76 is what such content starts with, 3 a late point.
pub(super) const POINT: &str = "at, unit, kind, size, value, spread, version, baseline, signals,
    CASE WHEN (baseline OR kind = 3 OR signals <> '') AND substr(content, 1, 1) = x'76'
    THEN content END";

// The query spells these numbers out.
const _: () = assert!(PointKind::Late as u8 == 3 && SEVERAL == 0x76);

/// A point, and its content where that is needed.
pub(super) type Read = (PointRow, Option<Vec<u8>>);

/// Reads the columns of [`POINT`].
pub(super) fn point(row: &Row) -> rusqlite::Result<Read> {
    let signals: String = row.get(8)?;
    let point = PointRow {
        at: row.get(0)?,
        unit: row.get(1)?,
        late: row.get::<_, u8>(2)? == PointKind::Late as u8,
        size: row.get(3)?,
        value: row.get(4)?,
        spread: row.get(5)?,
        version: row.get(6)?,
        baseline: row.get(7)?,
        signals: signals_of(&signals),
        leading: None,
    };
    Ok((point, row.get(9)?))
}

fn signals_of(text: &str) -> Vec<(String, String)> {
    text.split(',')
        .filter_map(|one| one.split_once(':'))
        .map(|(by, side)| (by.to_owned(), side.to_owned()))
        .collect()
}

/// Means of several measures by time and unit.
pub type Means = BTreeMap<(i64, String), Vec<f64>>;

impl Reader {
    /// The mean of each of several measures that are charted together, for the plotted points from
    /// one time to another, both included.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn means(&self, stream: i64, from: i64, to: i64) -> Result<Means, StoreError> {
        let rows = self.list(
            "SELECT at, unit, content FROM point
             WHERE stream = ?1 AND at >= ?2 AND at <= ?3 AND kind <> ?4",
            params![stream, from, to, PointKind::Late as u8],
            |row| {
                let content: Vec<u8> = row.get(2)?;
                Ok(((row.get(0)?, row.get(1)?), content))
            },
        )?;
        let mean = |(key, content): ((i64, String), Vec<u8>)| {
            let means = content_from(&content)?.means()?;
            Some((key, means))
        };
        Ok(rows.into_iter().filter_map(mean).collect())
    }

    /// Gives points of several measures together their place. Those whose limits are not set yet
    /// have none and are left out.
    pub(super) fn placed(&self, stream: i64, rows: Vec<Read>) -> Result<Vec<PointRow>, StoreError> {
        if rows.iter().all(|(_, content)| content.is_none()) {
            return Ok(rows.into_iter().map(|(point, _)| point).collect());
        }
        let versions = self.limits(Some(stream))?;
        let limits_of = |version| {
            let found = versions.iter().find(|row| row.version == version);
            found.map(|row| &row.limits)
        };
        let mut points = Vec::with_capacity(rows.len());
        for (point, content) in rows {
            match (content, limits_of(point.version)) {
                (None, _) => points.push(point),
                (Some(_), None) => {}
                (Some(content), Some(limits)) => points.push(self.place(point, &content, limits)?),
            }
        }
        Ok(points)
    }

    fn place(
        &self,
        mut point: PointRow,
        content: &[u8],
        limits: &Limits,
    ) -> Result<PointRow, StoreError> {
        let content = content_from(content)
            .ok_or_else(|| self.unreadable(format!("the readings of {}", point.unit)))?;
        if point.baseline || point.late {
            point.value = placed(limits, &content).unwrap_or(point.value);
        }
        if !point.signals.is_empty() {
            let means = content.means();
            point.leading = means.and_then(|means| limits.leading_measure(&means));
        }
        Ok(point)
    }
}
