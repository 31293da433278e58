//! When what a stream's baseline depends on became another: its stencil, its recipe.
//!
//! Knows no chart. The one invariant: a point that came late tells of no changeover, for it was
//! judged by nothing.

use std::sync::Arc;

use rusqlite::params;

use super::form::list_from;
use super::{Reader, StoreError};
use crate::engine::PointKind;

/// Changeovers of a stream that are told at once, the newest.
const CHANGEOVERS_MAX: usize = 200;

/// From which point on what a baseline depends on was another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Changeover {
    /// The event time of the point.
    pub at: i64,
    /// Its unit.
    pub unit: String,
    /// What held before, in the order of the characteristic's keys.
    pub before: Vec<Arc<str>>,
    /// What holds from then on.
    pub after: Vec<Arc<str>>,
}

impl Reader {
    /// The changeovers of a stream among its points from one time to another, both included, in
    /// order.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn changeovers(
        &self,
        stream: i64,
        (from, to): (i64, i64),
    ) -> Result<Vec<Changeover>, StoreError> {
        let mut found = self.list(
            "SELECT at, unit, before, setup FROM (
                 SELECT at, unit, kind, setup,
                        lag(setup) OVER (ORDER BY at, unit, kind) AS before
                 FROM point
                 WHERE stream = ?1 AND at >= ?2 AND at <= ?3 AND kind NOT IN (?4, ?5))
             WHERE before <> setup ORDER BY at DESC, unit DESC, kind DESC LIMIT ?6",
            params![
                stream,
                from,
                to,
                PointKind::Part as u8,
                PointKind::Late as u8,
                CHANGEOVERS_MAX as i64
            ],
            |row| {
                let [before, after] = [row.get::<_, String>(2)?, row.get::<_, String>(3)?];
                Ok(Changeover {
                    at: row.get(0)?,
                    unit: row.get(1)?,
                    before: list_from(&before).unwrap_or_default(),
                    after: list_from(&after).unwrap_or_default(),
                })
            },
        )?;
        found.reverse();
        Ok(found)
    }
}
