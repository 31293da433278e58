//! One transaction for everything that a batch of files changes.
//!
//! A failed commit's outcome is unknown: the caller stops and starts again from the record.

use std::collections::BTreeMap;

use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{OptionalExtension, Transaction, TransactionBehavior, params};

use super::chain::{self, Entry, Observed, RowBytes, Sum};
use super::episodes::{self, Changed, Heard};
use super::form::{content_from, limits_text, list_text};
use super::ready::{PointRow, Ready, stream_id};
use super::segment::Written;
use super::state_form::state_text;
use super::visits::{UnitKey, UnitTally, write_units};
use super::{Store, StoreError, db, i64_of, watched};
use crate::config::Config;
use crate::engine::{Effects, PointFacts, StreamFacts, StreamName, late_point, stream_label};

/// What became of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Every row counts.
    Accepted,
    /// Some rows could not be used.
    AcceptedWithRejects,
    /// The same content counted before.
    Duplicate,
    /// Nothing of it counts.
    Quarantined,
}

impl Verdict {
    /// The name in the record and in output.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Verdict::Accepted => "accepted",
            Verdict::AcceptedWithRejects => "accepted_with_rejects",
            Verdict::Duplicate => "duplicate",
            Verdict::Quarantined => "quarantined",
        }
    }
}

/// A file, or a piece of a growing one.
#[derive(Clone, Debug)]
pub struct FileFacts {
    /// The feed's name.
    pub feed: String,
    /// The path as it was found.
    pub path: String,
    /// The digest of the content from its first byte to `to_byte`.
    pub hash: [u8; 32],
    /// Where the piece starts.
    pub from_byte: u64,
    /// Where it ends.
    pub to_byte: u64,
    /// What became of it.
    pub verdict: Verdict,
    /// Data rows in it.
    pub rows_read: u64,
    /// Rows that count.
    pub rows_used: u64,
    /// Rows that could not be used.
    pub rows_rejected: u64,
    /// Rows that counted before.
    pub rows_duplicate: u64,
    /// The earliest event.
    pub first_at: Option<i64>,
    /// The latest event.
    pub last_at: Option<i64>,
    /// Why it is quarantined: code, reason, what to do.
    pub trouble: Option<(String, String, String)>,
    /// The rows that could not be used, up to the bound of the feeds.
    pub rejects: Vec<RejectFacts>,
}

/// A row that could not be used.
#[derive(Clone, Debug)]
pub struct RejectFacts {
    /// Its line in the file.
    pub line: u64,
    /// The stable code of the reason.
    pub code: &'static str,
    /// The column.
    pub column: Option<String>,
    /// The reason in words.
    pub reason: String,
    /// The row as it stands in the file, cut.
    pub text: String,
}

/// How far a path has been read.
#[derive(Clone, Debug)]
pub struct PathFacts {
    /// The feed's name.
    pub feed: String,
    /// The path.
    pub path: String,
    /// The length when it was last looked at.
    pub length: u64,
    /// The time of its last change.
    pub modified_ns: i64,
    /// How many bytes were read.
    pub consumed: u64,
    /// The digest of these bytes.
    pub hash: [u8; 32],
}

/// Everything that a batch of files changes.
#[derive(Debug, Default)]
pub struct Batch {
    /// The files.
    pub files: Vec<FileFacts>,
    /// How far paths were read.
    pub paths: Vec<PathFacts>,
    /// Visits.
    pub units: BTreeMap<UnitKey, UnitTally>,
    /// Requests that the engine has taken over, and the event time they hold from.
    pub taken_requests: Vec<(i64, i64)>,
}

/// An alert that a commit raised or changed, for the log.
#[derive(Clone, Debug)]
pub struct AlertNews {
    /// The alert's number.
    pub alert: i64,
    /// The stream that says most.
    pub stream: String,
    /// What happened.
    pub what: &'static str,
}

impl Store {
    /// From now on batches are heard of by all, or are history that calls nobody.
    pub fn heard(&mut self, heard: Heard) {
        self.heard = heard;
    }

    /// Commits a batch, and with it what the engine asks to keep and the segments of the archive
    /// that are on disk: these, and the names of all streams before, are waited for only when
    /// everything before them is written.
    ///
    /// # Errors
    ///
    /// When the database refuses. Nothing of the batch may be taken as kept or as not kept then.
    pub fn commit<'a>(
        &mut self,
        config: &Config,
        batch: &Batch,
        (names, effects, segments): (
            impl FnOnce() -> &'a [StreamName],
            impl IntoIterator<Item = Ready>,
            impl FnOnce() -> Result<Vec<Written>, StoreError>,
        ),
        now: i64,
    ) -> Result<Vec<AlertNews>, StoreError> {
        self.look_away()?;
        let folder = self.folder.clone();
        let wrap = |source| db(&folder, source);
        self.observed.begin();
        let transaction =
            Transaction::new(&mut self.connection, TransactionBehavior::Immediate).map_err(wrap)?;
        write_batch(&transaction, batch, &self.observed, now).map_err(wrap)?;
        let names = names();
        let mut changed = Changed::nothing();
        for ready in effects {
            let to = (&transaction, &self.observed);
            let with = (&mut changed, now);
            write_ready(to, config, names, &ready, with).map_err(wrap)?;
        }
        let with = (&changed, self.heard);
        let news = episodes::gather(&transaction, (config, names), with, now).map_err(wrap)?;
        write_segments(&transaction, &segments()?).map_err(wrap)?;
        let subject = format!("{} files", batch.files.len());
        let entry = Entry {
            setting: Some(chain::setting(config)),
            ..Entry::own(now, "batch", &subject)
        };
        let newest = self.observed.seal(&transaction, &entry).map_err(wrap)?;
        transaction.commit().map_err(wrap)?;
        self.kept(newest);
        Ok(news)
    }
}

fn write_batch(
    to: &Transaction,
    batch: &Batch,
    observed: &Observed,
    now: i64,
) -> rusqlite::Result<()> {
    observed.added("file", &write_files(to, &batch.files, now)?);
    observed.added("path", &write_paths(to, &batch.paths)?);
    let entry = chain::next(to)?;
    observed.added("unit", &write_units(to, &batch.units, entry)?);
    for (request, at) in &batch.taken_requests {
        to.prepare_cached("UPDATE request SET taken = 1, at = ?2 WHERE id = ?1")?
            .execute(params![request, at])?;
    }
    Ok(())
}

fn write_segments(to: &Transaction, segments: &[Written]) -> rusqlite::Result<()> {
    for segment in segments {
        to.prepare_cached(
            "INSERT INTO segment
             VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute(params![
            segment.path,
            i64_of(segment.rows),
            segment.digest,
            chain::next(to)?
        ])?;
    }
    Ok(())
}

fn write_ready(
    (to, observed): (&Transaction, &Observed),
    config: &Config,
    names: &[StreamName],
    ready: &Ready,
    (changed, now): (&mut Changed, i64),
) -> rusqlite::Result<()> {
    let effects = &ready.effects;
    for facts in &effects.streams {
        write_stream(to, config, names, facts)?;
        watched::write(to, facts)?;
    }
    observed.added("point", &write_points(to, config, names, ready)?);
    write_limits(to, effects, now)?;
    episodes::write(to, effects, changed)
}

/// Writes files, and gives the sum of the digests of their rows.
fn write_files(to: &Transaction, files: &[FileFacts], now: i64) -> rusqlite::Result<Sum> {
    let mut insert = to.prepare_cached(
        "INSERT INTO file VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15,
             ?16, ?17)",
    )?;
    let mut reject = to.prepare_cached("INSERT INTO reject VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
    let (mut sum, mut bytes) = (Sum::default(), RowBytes::default());
    for file in files {
        let mut row = file_row(file, now);
        insert.execute(row.map(ToSqlOutput::Borrowed).each_ref())?;
        let id = to.last_insert_rowid();
        row[0] = ValueRef::Integer(id);
        sum.add(&bytes.of("file", &row));
        for one in &file.rejects {
            let line = i64_of(one.line);
            reject.execute(params![
                id, line, one.code, one.column, one.reason, one.text
            ])?;
        }
    }
    Ok(sum)
}

/// The row of a file; its number is given by the record.
fn file_row(file: &FileFacts, now: i64) -> [ValueRef<'_>; 17] {
    let count = |count: u64| ValueRef::Integer(i64_of(count));
    let time = |time: Option<i64>| time.map_or(ValueRef::Null, ValueRef::Integer);
    let trouble = file.trouble.as_ref();
    let word = |of: fn(&(String, String, String)) -> &String| {
        trouble.map_or(ValueRef::Null, |trouble| text(of(trouble)))
    };
    [
        ValueRef::Null,
        text(&file.feed),
        text(&file.path),
        ValueRef::Blob(&file.hash),
        count(file.from_byte),
        count(file.to_byte),
        text(file.verdict.name()),
        count(file.rows_read),
        count(file.rows_used),
        count(file.rows_rejected),
        count(file.rows_duplicate),
        time(file.first_at),
        time(file.last_at),
        ValueRef::Integer(now),
        word(|(code, _, _)| code),
        word(|(_, reason, _)| reason),
        word(|(_, _, fix)| fix),
    ]
}

/// Writes how far paths were read, and gives the sum of the digests of the rows.
fn write_paths(to: &Transaction, paths: &[PathFacts]) -> rusqlite::Result<Sum> {
    let mut insert =
        to.prepare_cached("INSERT OR REPLACE INTO path VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
    let (mut sum, mut bytes) = (Sum::default(), RowBytes::default());
    for path in paths {
        let row = [
            text(&path.feed),
            text(&path.path),
            ValueRef::Integer(i64_of(path.length)),
            ValueRef::Integer(path.modified_ns),
            ValueRef::Integer(i64_of(path.consumed)),
            ValueRef::Blob(&path.hash),
        ];
        insert.execute(row.map(ToSqlOutput::Borrowed).each_ref())?;
        sum.add(&bytes.of("path", &row));
    }
    Ok(sum)
}

fn text(text: &str) -> ValueRef<'_> {
    ValueRef::Text(text.as_bytes())
}

fn write_stream(
    to: &Transaction,
    config: &Config,
    names: &[StreamName],
    facts: &StreamFacts,
) -> rusqlite::Result<()> {
    let name = &names[facts.stream];
    let what = &config.characteristics[name.characteristic];
    to.prepare_cached(
        "INSERT INTO stream VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
         ON CONFLICT (id) DO UPDATE SET newest = excluded.newest,
             settled_through = excluded.settled_through, state = excluded.state,
             note = excluded.note",
    )?
    .execute(params![
        stream_id(facts.stream),
        what.name,
        list_text(&name.keys),
        stream_label(what, &name.keys),
        facts.newest,
        facts.settled_through,
        state_text(&facts.state),
        facts.note,
    ])?;
    Ok(())
}

/// Writes points, and gives the sum of their digests.
fn write_points(
    to: &Transaction,
    config: &Config,
    names: &[StreamName],
    ready: &Ready,
) -> rusqlite::Result<Sum> {
    let mut gone = to.prepare_cached(
        "DELETE FROM point WHERE stream = ?1 AND at = ?2 AND unit = ?3 AND kind = ?4",
    )?;
    for (stream, at, unit, kind) in &ready.effects.gone_points {
        gone.execute(params![stream_id(*stream), at, unit.as_ref(), *kind as u8])?;
    }
    let mut insert = to.prepare_cached(PointRow::INSERT)?;
    for point in &ready.points {
        point.insert(&mut insert)?;
    }
    let mut sum = ready.sum;
    let mut bytes = RowBytes::default();
    for late in &ready.late {
        let joined = joined_late(to, config, names, late)?;
        let row = PointRow::of(joined.as_ref().unwrap_or(late));
        row.insert(&mut insert)?;
        sum.add(&row.digest(&mut bytes));
    }
    Ok(sum)
}

/// A unit that came too late, with what of it came too late before; the engine has forgotten that.
fn joined_late(
    to: &Transaction,
    config: &Config,
    names: &[StreamName],
    point: &PointFacts,
) -> rusqlite::Result<Option<PointFacts>> {
    let before: Option<Vec<u8>> = to
        .prepare_cached(
            "SELECT content FROM point WHERE stream = ?1 AND at = ?2 AND unit = ?3 AND kind = ?4",
        )?
        .query_row(
            params![
                stream_id(point.stream),
                point.at,
                point.unit.as_ref(),
                point.kind as u8
            ],
            |row| row.get(0),
        )
        .optional()?;
    let Some(before) = before.and_then(|bytes| content_from(&bytes)) else {
        return Ok(None);
    };
    let mut atom = point.atom.clone();
    atom.content.merge(before);
    let what = &config.characteristics[names[point.stream].characteristic];
    Ok(late_point(point.stream, atom, what, point.version))
}

fn write_limits(to: &Transaction, effects: &Effects, now: i64) -> rusqlite::Result<()> {
    for (stream, end) in &effects.limits_end {
        to.prepare_cached("DELETE FROM limits WHERE stream = ?1 AND version > ?2")?
            .execute(params![stream_id(*stream), end])?;
    }
    let mut insert = to.prepare_cached(
        "INSERT OR REPLACE INTO limits VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?;
    for (stream, limits) in &effects.limits {
        insert.execute(params![
            stream_id(*stream),
            limits.version,
            limits.from.0,
            limits.from.1.as_ref(),
            limits.to.0,
            limits.to.1.as_ref(),
            limits_text(limits),
            limits.author,
            limits.reason,
            now,
        ])?;
    }
    Ok(())
}
