//! Alerts of the system itself: what hindered the program, since when and until when.
//!
//! Knows no channel and no words. The invariants: the rows without an end are what was hindering
//! the program at the last call of [`Store::keep_hindrances`]; each beginning and each end gets its
//! notice in the transaction that keeps it.

use rusqlite::params;

use super::chain::Entry;
use super::{Notice, Store, StoreError, db};
use crate::health::Hindrance;

/// An alert of the system.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TroubleRow {
    /// The kind.
    pub kind: String,
    /// What is wrong and what to do.
    pub words: String,
    /// When it began, by the clock.
    pub raised_at: i64,
}

impl From<&Hindrance> for TroubleRow {
    fn from(hindrance: &Hindrance) -> TroubleRow {
        TroubleRow {
            kind: hindrance.kind.name().to_owned(),
            words: hindrance.words.clone(),
            raised_at: hindrance.since,
        }
    }
}

impl Store {
    /// Keeps what hinders the program now: what is new begins, what is gone ends. `notice` says it:
    /// of which alert, what happened, and when.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn keep_hindrances(
        &mut self,
        all: &[Hindrance],
        notice: impl Fn(&TroubleRow, &'static str, i64) -> Notice,
        now: i64,
    ) -> Result<(), StoreError> {
        let open = self.open_troubles()?;
        let all: Vec<TroubleRow> = all.iter().map(TroubleRow::from).collect();
        let is_same = |one: &TroubleRow, other: &TroubleRow| {
            (&one.kind, one.raised_at) == (&other.kind, other.raised_at)
        };
        let fresh: Vec<&TroubleRow> = all
            .iter()
            .filter(|one| !open.iter().any(|(_, row)| is_same(row, one)))
            .collect();
        let gone: Vec<&(i64, TroubleRow)> = open
            .iter()
            .filter(|(_, row)| !all.iter().any(|one| is_same(row, one)))
            .collect();
        if fresh.is_empty() && gone.is_empty() {
            return Ok(());
        }
        let subject = format!("{} raised, {} over", fresh.len(), gone.len());
        self.write(&Entry::own(now, "trouble", &subject), |to| {
            for row in fresh {
                to.execute(
                    "INSERT INTO trouble (kind, words, raised_at) VALUES (?1, ?2, ?3)",
                    params![row.kind, row.words, row.raised_at],
                )?;
                notice(row, "raised", row.raised_at).write(to, None)?;
            }
            for (id, row) in gone {
                let end = "UPDATE trouble SET returned_at = ?2 WHERE id = ?1";
                to.execute(end, params![id, now])?;
                notice(row, "returned", now).write(to, None)?;
            }
            Ok(())
        })
    }

    fn open_troubles(&self) -> Result<Vec<(i64, TroubleRow)>, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare_cached(
                "SELECT id, kind, words, raised_at FROM trouble
                 WHERE returned_at IS NULL ORDER BY id",
            )
            .map_err(wrap)?;
        let rows = query
            .query_map([], |row| {
                let trouble = TroubleRow {
                    kind: row.get(1)?,
                    words: row.get(2)?,
                    raised_at: row.get(3)?,
                };
                Ok((row.get(0)?, trouble))
            })
            .map_err(wrap)?;
        rows.collect::<rusqlite::Result<_>>().map_err(wrap)
    }
}
