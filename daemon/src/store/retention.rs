//! What is let go by age: archived readings, points, and the points around alerts.
//!
//! Knows no clock: the caller says what time it is. The invariants: nothing goes that the
//! configuration does not name; what went is an entry of the chain before its files go; and no
//! point goes that could still change.

use std::fs;

use rusqlite::{Connection, Transaction, params};

use super::archive;
use super::chain::Entry;
use super::segment::DAY_US;
use super::{Store, StoreError, db, file_error, i64_of};
use crate::config::Keep;
use crate::engine::{PointKind, counted_since};

/// Points that one transaction lets go at most; what is left goes in the next.
const PURGED_POINTS_MAX: usize = 20_000;

/// Segments that one transaction lets go at most.
const PURGED_SEGMENTS_MAX: usize = 1_000;

/// How long the files of segments that were let go stay for those who are reading them: a day.
const GRACE_US: i64 = DAY_US;

/// Points before and after an alert's first signal that are its evidence.
const EVIDENCE_POINTS: usize = 75;

/// What went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Gone {
    /// Segments of the archive.
    pub segments: usize,
    /// Points.
    pub points: usize,
    /// Whether more has to go.
    pub is_more: bool,
}

/// The event times before which each class went, as the record has it; absent where nothing went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Before {
    pub(super) readings: Option<i64>,
    pub(super) points: Option<i64>,
}

impl Store {
    /// Lets go what is older than the configuration keeps, a bounded piece of it. Age is counted
    /// from the newest event, so that a clock that is put forward takes nothing away.
    ///
    /// # Errors
    ///
    /// When the record or the archive refuses.
    pub fn let_go(&mut self, keep: &Keep, lateness_us: i64, now: i64) -> Result<Gone, StoreError> {
        self.remove_left(now)?;
        let newest: Option<i64> = self
            .connection
            .query_row("SELECT max(newest) FROM stream", [], |row| row.get(0))
            .map_err(|source| db(&self.folder, source))?;
        let Some(newest) = newest.map(|newest| newest.min(now)) else {
            return Ok(Gone::default());
        };
        let before = |age: Option<i64>| age.map(|age| newest.saturating_sub(age));
        let mut gone = Gone::default();
        if let Some(before) = before(keep.readings_us) {
            self.let_readings_go(before, now, &mut gone)?;
        }
        if let Some(points) = before(keep.points_us) {
            let evidence = before(keep.evidence_us);
            self.let_points_go((points, evidence), lateness_us, now, &mut gone)?;
        }
        Ok(gone)
    }

    /// Whole days of the archive. The entry comes first: files that are left over by a crash go at
    /// the next start.
    fn let_readings_go(
        &mut self,
        before: i64,
        now: i64,
        gone: &mut Gone,
    ) -> Result<(), StoreError> {
        let day = before.div_euclid(DAY_US);
        let before = day.saturating_mul(DAY_US);
        let date = jiff::Timestamp::from_microsecond(before)
            .map(|time| time.strftime("%Y-%m-%d").to_string())
            .unwrap_or_default();
        let old = |path: &str| {
            let named = path.split('/').find_map(|part| part.strip_prefix("day="));
            named.is_some_and(|named| *named < *date)
        };
        let all = archive::named(&self.connection).map_err(|source| db(&self.folder, source))?;
        let all = all.into_iter().map(|one| one.path);
        let mut paths: Vec<String> = all.filter(|path| old(path)).collect();
        gone.is_more |= paths.len() > PURGED_SEGMENTS_MAX;
        paths.truncate(PURGED_SEGMENTS_MAX);
        if paths.is_empty() {
            return Ok(());
        }
        let subject = format!("readings before {date}: {} segments", paths.len());
        self.write(&Entry::own(now, "purged", &subject), |to| {
            note(to, "readings", before, paths.len(), now)?;
            for path in &paths {
                to.prepare_cached("INSERT INTO purged_segment VALUES (?1)")?
                    .execute([path])?;
            }
            Ok(())
        })?;
        tracing::info!(segments = paths.len(), before = %date, "readings were let go by age");
        gone.segments += paths.len();
        self.leaving
            .extend(paths.into_iter().map(|path| (now, path)));
        Ok(())
    }

    /// Takes the files of segments away that were let go long enough ago: who has begun to read
    /// them, for a page or a backup, is done by then.
    fn remove_left(&mut self, now: i64) -> Result<(), StoreError> {
        let is_over = |since: i64| now.abs_diff(since) >= GRACE_US.unsigned_abs();
        for (since, relative) in std::mem::take(&mut self.leaving) {
            if !is_over(since) {
                self.leaving.push((since, relative));
                continue;
            }
            let path = self.folder.join("archive").join(&relative);
            match fs::remove_file(&path) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    return Err(file_error(&path, error));
                }
                Ok(()) | Err(_) => {}
            }
        }
        Ok(())
    }

    fn let_points_go(
        &mut self,
        (before, evidence): (i64, Option<i64>),
        lateness_us: i64,
        now: i64,
        gone: &mut Gone,
    ) -> Result<(), StoreError> {
        let wrap = |source| db(&self.folder, source);
        let gaps = gaps(&self.connection, (before, evidence), lateness_us).map_err(wrap)?;
        if gaps.is_empty() {
            return Ok(());
        }
        let time = jiff::Timestamp::from_microsecond(before).map(|time| time.to_string());
        let subject = format!("points before {}", time.unwrap_or_default());
        let (points, is_more) = self.write(&Entry::own(now, "purged", &subject), |to| {
            let mut points = 0;
            for (stream, from, until) in gaps {
                let room = PURGED_POINTS_MAX - points;
                points += to
                    .prepare_cached(
                        "DELETE FROM point WHERE stream = ?1 AND (at, unit, kind) IN (
                             SELECT at, unit, kind FROM point
                             WHERE stream = ?1 AND at >= ?2 AND at < ?3
                             ORDER BY at, unit, kind LIMIT ?4)",
                    )?
                    .execute(params![stream, from, until, i64_of(room as u64)])?;
                if points == PURGED_POINTS_MAX {
                    break;
                }
            }
            note(to, "points", before, points, now)?;
            Ok((points, points == PURGED_POINTS_MAX))
        })?;
        tracing::info!(points, "points were let go by age");
        gone.points += points;
        gone.is_more |= is_more;
        Ok(())
    }
}

/// Keeps that something went.
fn note(
    to: &Transaction,
    class: &str,
    before: i64,
    count: usize,
    now: i64,
) -> rusqlite::Result<()> {
    to.execute(
        "INSERT INTO purge (class, before, count, at) VALUES (?1, ?2, ?3, ?4)",
        params![class, before, i64_of(count as u64), now],
    )?;
    Ok(())
}

/// The event times before which each class went.
pub(super) fn before(of: &Connection) -> rusqlite::Result<Before> {
    let newest = |class: &str| {
        let query = "SELECT max(before) FROM purge WHERE class = ?1";
        of.query_row(query, [class], |row| row.get(0))
    };
    Ok(Before {
        readings: newest("readings")?,
        points: newest("points")?,
    })
}

/// The stretches of each stream's points that may go: before a time, settled, and no evidence of
/// an alert. Only stretches that hold points.
fn gaps(
    of: &Connection,
    (before, evidence): (i64, Option<i64>),
    lateness_us: i64,
) -> rusqlite::Result<Vec<(i64, i64, i64)>> {
    let mut streams = of.prepare("SELECT id, settled_through, newest FROM stream ORDER BY id")?;
    let mut rows = streams.query([])?;
    let mut gaps = Vec::new();
    while let Some(row) = rows.next()? {
        let (stream, settled, newest): (i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        // What a start reads back, because late rows may still belong to it.
        let open = counted_since(newest, lateness_us);
        let until = before.min(settled).min(open);
        let mut from = i64::MIN;
        let mut stretch = |from: i64, until: i64| -> rusqlite::Result<()> {
            let query = "SELECT EXISTS (SELECT 1 FROM point
                WHERE stream = ?1 AND at >= ?2 AND at < ?3)";
            let holds = from < until
                && of
                    .prepare_cached(query)?
                    .query_row(params![stream, from, until], |row| row.get(0))?;
            if holds {
                gaps.push((stream, from, until));
            }
            Ok(())
        };
        for (first, last) in evidence_of(of, stream, evidence)? {
            stretch(from, first.min(until))?;
            from = from.max(last.saturating_add(1));
        }
        stretch(from, until)?;
    }
    Ok(gaps)
}

/// The stretches of a stream around its alerts, by their beginning.
fn evidence_of(
    of: &Connection,
    stream: i64,
    evidence: Option<i64>,
) -> rusqlite::Result<Vec<(i64, i64)>> {
    let mut alerts = of.prepare_cached(
        "SELECT first_at FROM episode WHERE stream = ?1 AND first_at >= ?2 ORDER BY first_at",
    )?;
    let mut rows = alerts.query(params![stream, evidence.unwrap_or(i64::MIN)])?;
    let mut found = Vec::new();
    let edge = |order: &str, first: i64| -> rusqlite::Result<i64> {
        let sign = if order == "DESC" { "<" } else { ">" };
        let sql = format!(
            "SELECT at FROM (SELECT at FROM point WHERE stream = ?1 AND at {sign}= ?2
                 AND kind <> ?3 ORDER BY at {order} LIMIT ?4)
             ORDER BY at {reverse} LIMIT 1",
            reverse = if order == "DESC" { "ASC" } else { "DESC" }
        );
        let part = PointKind::Part as u8;
        let count = i64_of(EVIDENCE_POINTS as u64 + 1);
        let at = of
            .prepare_cached(&sql)?
            .query_map(params![stream, first, part, count], |row| row.get(0))?
            .next();
        at.unwrap_or(Ok(first))
    };
    while let Some(row) = rows.next()? {
        let first: i64 = row.get(0)?;
        found.push((edge("DESC", first)?, edge("ASC", first)?));
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use std::path::{Path, PathBuf};

    use super::*;

    /// 2026-03-02, 12:00 UTC, and the day by itself.
    const NOON: i64 = 1_772_452_800_000_000;
    const KEEP: Keep = Keep {
        readings_us: Some(10 * DAY_US),
        points_us: Some(10 * DAY_US),
        evidence_us: None,
    };

    fn folder(name: &str) -> PathBuf {
        let name = format!("driftvane-{}-retention-{name}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        fs::remove_dir_all(&folder).ok();
        folder
    }

    /// A record with one stream that has come to noon.
    fn store(folder: &Path, more: impl FnOnce(&Transaction) -> rusqlite::Result<()>) -> Store {
        let mut store = Store::open(folder).unwrap();
        let written = store.write(&Entry::own(NOON, "batch", "made"), |to| {
            let stream =
                "INSERT INTO stream VALUES (1, 'height', '[]', 'height', ?1, ?1, '', NULL)";
            to.execute(stream, [NOON])?;
            more(to)
        });
        written.unwrap();
        store
    }

    #[test]
    fn files_of_segments_that_were_let_go_stay_for_a_day_and_no_longer() {
        let folder = folder("files");
        let segment = |day: &str| format!("line=L1/station=paste/day={day}/paste-{day}.parquet");
        let (old, young) = (segment("2026-02-01"), segment("2026-03-01"));
        let path = |segment: &str| folder.join("archive").join(segment);
        let mut store = store(&folder, |to| {
            for segment in [&old, &young] {
                to.execute("INSERT INTO segment VALUES (?1, 1, x'00', 1)", [segment])?;
            }
            Ok(())
        });
        for segment in [&old, &young] {
            fs::create_dir_all(path(segment).parent().unwrap()).unwrap();
            fs::write(path(segment), "rows").unwrap();
        }
        let there = || [&old, &young].map(|segment| path(segment).exists());
        let mut pass = |later| store.let_go(&KEEP, 0, NOON + later).unwrap().segments;
        assert_eq!((pass(0), there()), (1, [true, true]));
        assert_eq!((pass(DAY_US - 1), there()), (0, [true, true]));
        assert_eq!((pass(DAY_US), there()), (0, [false, true]));
        drop(store);
        // What was let go is no loss to the next start.
        assert_eq!(Store::open(&folder).unwrap().leaving.len(), 0);
        fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn more_points_than_go_in_one_transaction_go_in_several_also_of_one_time() {
        let folder = folder("points");
        let at = NOON - 20 * DAY_US;
        let mut store = store(&folder, |to| {
            let mut insert = to.prepare(
                "INSERT INTO point VALUES (1, ?1, ?2, 0, 1, 1, NULL, 1, 0, '', x'', '[]')",
            )?;
            for unit in 0..PURGED_POINTS_MAX + 10 {
                insert.execute(params![at, format!("P{unit}")])?;
            }
            insert.execute(params![NOON, "P"])?;
            Ok(())
        });
        let mut pass = || store.let_go(&KEEP, 0, NOON).unwrap();
        let first = pass();
        assert_eq!((first.points, first.is_more), (PURGED_POINTS_MAX, true));
        let second = pass();
        assert_eq!((second.points, second.is_more), (10, false));
        assert_eq!(pass(), Gone::default());
        drop(store);
        fs::remove_dir_all(&folder).unwrap();
    }
}
