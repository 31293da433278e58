//! What is known of feeds beside their files: silences, and entries of folders that nobody reads.
//!
//! Knows no folder and no clock. The one invariant: nothing is noted twice.

use std::collections::BTreeSet;

use rusqlite::params;

use super::chain::Entry;
use super::query::count;
use super::{Notice, Reader, Store, StoreError, Who, db};

/// A time in which nothing came from a feed that should have.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SilenceRow {
    /// Its number.
    pub id: i64,
    /// The feed.
    pub feed: String,
    /// When something came last.
    pub since: i64,
    /// When it was noticed.
    pub raised_at: i64,
    /// When something came again.
    pub returned_at: Option<i64>,
    /// When, by whom and with what words it was seen last.
    pub seen: Option<(i64, String, String)>,
}

/// An entry of a feed's folder that looks like its file and is never read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct IgnoredRow {
    /// The feed.
    pub feed: String,
    /// Its name.
    pub name: String,
    /// What it is.
    pub what: String,
    /// When it was first seen.
    pub seen_at: i64,
}

/// Visits that have another number of rows than their product's should have.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OddVisits {
    /// How many have fewer, and how many more.
    pub fewer: u64,
    /// How many have more.
    pub more: u64,
    /// The first of them, and its rows.
    pub example: Option<(String, u64)>,
}

impl Store {
    /// The feeds whose silence has not ended.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn open_silences(&self) -> Result<BTreeSet<String>, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare_cached("SELECT feed FROM silence WHERE returned_at IS NULL")
            .map_err(wrap)?;
        let rows = query.query_map([], |row| row.get(0)).map_err(wrap)?;
        rows.collect::<rusqlite::Result<_>>().map_err(wrap)
    }

    /// When a file of a feed came last, by the clock.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn last_received(&self, feed: &str) -> Result<Option<i64>, StoreError> {
        self.connection
            .prepare_cached("SELECT max(received_at) FROM file WHERE feed = ?1")
            .and_then(|mut query| query.query_row([feed], |row| row.get(0)))
            .map_err(|source| db(&self.folder, source))
    }

    /// Notes that a feed has fallen silent, and what is told of it.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn begin_silence(
        &mut self,
        feed: &str,
        (since, now): (i64, i64),
        notice: &Notice,
    ) -> Result<(), StoreError> {
        self.write(&Entry::own(now, "silent", feed), |to| {
            let fresh = to.execute(
                "INSERT INTO silence (feed, since, raised_at) SELECT ?1, ?2, ?3
                 WHERE NOT EXISTS (
                     SELECT 1 FROM silence WHERE feed = ?1 AND returned_at IS NULL)",
                params![feed, since, now],
            )?;
            if fresh > 0 {
                notice.write(to, None)?;
            }
            Ok(())
        })
    }

    /// Notes that a feed is heard again, and what is told of it.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn end_silence(&mut self, feed: &str, now: i64, notice: &Notice) -> Result<(), StoreError> {
        self.write(&Entry::own(now, "heard", feed), |to| {
            let ended = to.execute(
                "UPDATE silence SET returned_at = ?2 WHERE feed = ?1 AND returned_at IS NULL",
                params![feed, now],
            )?;
            if ended > 0 {
                notice.write(to, None)?;
            }
            Ok(())
        })
    }

    /// Notes entries of a feed's folder that are never read; gives back those that are new.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn note_ignored(
        &mut self,
        feed: &str,
        entries: &[(String, &'static str)],
        now: i64,
    ) -> Result<Vec<String>, StoreError> {
        let folder = self.folder.clone();
        let known = "SELECT EXISTS (SELECT 1 FROM ignored WHERE feed = ?1 AND name = ?2)";
        let mut fresh = Vec::new();
        for (name, what) in entries {
            let is_known: bool = self
                .connection
                .prepare_cached(known)
                .and_then(|mut query| query.query_row([feed, name], |row| row.get(0)))
                .map_err(|source| db(&folder, source))?;
            if !is_known {
                fresh.push((name, what));
            }
        }
        if !fresh.is_empty() {
            let subject = format!("{} entries of {feed}", fresh.len());
            self.write(&Entry::own(now, "ignored", &subject), |to| {
                for (name, what) in &fresh {
                    to.execute(
                        "INSERT INTO ignored VALUES (?1, ?2, ?3, ?4)",
                        params![feed, name, what, now],
                    )?;
                }
                Ok(())
            })?;
        }
        Ok(fresh.into_iter().map(|(name, _)| name.clone()).collect())
    }
}

impl Reader {
    /// Notes that someone has seen a silence; gives whether it lasts.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn see_silence(&self, silence: i64, who: Who) -> Result<bool, StoreError> {
        let subject = format!("silence {silence}");
        self.change(&who.entry("seen", &subject), |to| {
            let lasts: bool = to.query_row(
                "SELECT EXISTS (SELECT 1 FROM silence WHERE id = ?1 AND returned_at IS NULL)",
                [silence],
                |row| row.get(0),
            )?;
            if lasts {
                to.execute(
                    "INSERT INTO silence_seen (silence, at, who, comment) VALUES (?1, ?2, ?3, ?4)",
                    params![silence, who.now, who.author, who.reason],
                )?;
            }
            Ok(lasts)
        })
    }

    /// Silences that had not ended before a time and began before another, by feed and time.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn silences(&self, from: i64, to: i64) -> Result<Vec<SilenceRow>, StoreError> {
        self.list(
            // With max() the bare columns come from the row that holds the maximum.
            "SELECT s.id, feed, since, raised_at, returned_at, max(o.id), o.at, o.who, o.comment
             FROM silence s LEFT JOIN silence_seen o ON o.silence = s.id
             WHERE coalesce(returned_at, ?1) >= ?1 AND raised_at < ?2
             GROUP BY s.id ORDER BY feed, since",
            params![from, to],
            silence,
        )
    }

    /// Entries of folders that are never read and were first seen in a window, by feed and name.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn ignored(&self, from: i64, to: i64) -> Result<Vec<IgnoredRow>, StoreError> {
        self.list(
            "SELECT feed, name, what, seen_at FROM ignored
             WHERE seen_at >= ?1 AND seen_at < ?2 ORDER BY feed, name",
            params![from, to],
            |row| {
                Ok(IgnoredRow {
                    feed: row.get(0)?,
                    name: row.get(1)?,
                    what: row.get(2)?,
                    seen_at: row.get(3)?,
                })
            },
        )
    }

    /// The first visits of a feed and a product in a window that have another number of rows than
    /// stated.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn odd_visits(
        &self,
        (feed, product): (&str, &str),
        rows: u32,
        (from, to): (i64, i64),
    ) -> Result<OddVisits, StoreError> {
        let found = self.list(
            "SELECT coalesce(sum(rows < ?3), 0), coalesce(sum(rows > ?3), 0), min(at), unit, rows
             FROM unit WHERE feed = ?1 AND product = ?2 AND attempt = 1 AND rows <> ?3
                 AND at >= ?4 AND at < ?5",
            params![feed, product, rows, from, to],
            |row| {
                let unit: Option<String> = row.get(3)?;
                let rows: Option<i64> = row.get(4)?;
                let rows = rows.and_then(|rows| u64::try_from(rows).ok());
                Ok(OddVisits {
                    fewer: count(row, 0)?,
                    more: count(row, 1)?,
                    example: unit.zip(rows),
                })
            },
        )?;
        Ok(found.into_iter().next().unwrap_or_default())
    }

    /// Whether anything came from boards in a window of event time, or was set aside in it.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn has_news_between(&self, from: i64, to: i64) -> Result<bool, StoreError> {
        let found = self.list(
            "SELECT EXISTS (SELECT 1 FROM unit WHERE at >= ?1 AND at < ?2)
                 OR EXISTS (SELECT 1 FROM file WHERE received_at >= ?1 AND received_at < ?2
                     AND verdict = 'quarantined')",
            params![from, to],
            |row| row.get(0),
        )?;
        Ok(found.first().copied().unwrap_or(false))
    }
}

fn silence(row: &rusqlite::Row) -> rusqlite::Result<SilenceRow> {
    Ok(SilenceRow {
        id: row.get(0)?,
        feed: row.get(1)?,
        since: row.get(2)?,
        raised_at: row.get(3)?,
        returned_at: row.get(4)?,
        seen: match row.get(6)? {
            Some(at) => Some((at, row.get(7)?, row.get(8)?)),
            None => None,
        },
    })
}
