//! The few things that commands write: acknowledgements, requests, and reports that were made.
//!
//! Each is one transaction of its own beside the writer. Knows no stream label and no output.

use rusqlite::{Transaction, TransactionBehavior, params};

use super::chain::{Entry, Observed};
use super::{Reader, StoreError, db, folder};

/// What became of an acknowledgement.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Acknowledged {
    /// It is kept.
    Done,
    /// Someone did so before: when and who.
    Before(i64, String),
}

/// A report that was made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReportRow {
    /// Its revision, from 1.
    pub revision: u32,
    /// Where it was written.
    pub path: String,
    /// The digest of what it says.
    pub digest: Vec<u8>,
}

/// What a person asked of a stream.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RequestRow {
    /// Its number.
    pub id: i64,
    /// The stream.
    pub stream: i64,
    /// `freeze` or `restart`.
    pub kind: String,
    /// The event time it holds from.
    pub at: i64,
    /// Who.
    pub author: String,
    /// Why.
    pub reason: String,
}

impl Reader {
    /// Acknowledges an alert.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn acknowledge(
        &self,
        alert: i64,
        by: &str,
        comment: &str,
        now: i64,
    ) -> Result<Acknowledged, StoreError> {
        let subject = format!("alert {alert}");
        let entry = Entry {
            at: now,
            kind: "acknowledged",
            who: by,
            subject: &subject,
            reason: comment,
            setting: None,
        };
        self.change(&entry, |to| {
            let known: (Option<i64>, Option<String>) = to.query_row(
                "SELECT acknowledged_at, acknowledged_by FROM alert WHERE id = ?1",
                [alert],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )?;
            if let (Some(at), who) = known {
                return Ok(Acknowledged::Before(at, who.unwrap_or_default()));
            }
            to.execute(
                "UPDATE alert SET acknowledged_at = ?2, acknowledged_by = ?3, comment = ?4
                 WHERE id = ?1",
                params![alert, now, by, comment],
            )?;
            to.execute(
                "INSERT INTO alert_event (alert, at, what, who, comment)
                 VALUES (?1, ?2, 'acknowledged', ?3, ?4)",
                params![alert, now, by, comment],
            )?;
            Ok(Acknowledged::Done)
        })
    }

    /// Asks something of a stream, and gives the number of the request.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn ask(&self, stream: i64, kind: &str, at: i64, who: Who) -> Result<i64, StoreError> {
        let subject = format!("stream {stream}");
        self.change(&who.entry(kind, &subject), |to| {
            to.execute(
                "INSERT INTO request (stream, kind, at, author, reason, asked_at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![stream, kind, at, who.author, who.reason, who.now],
            )?;
            Ok(to.last_insert_rowid())
        })
    }

    /// The event time that a request holds from: as asked, or as the engine could take it.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn holds_from(&self, request: i64) -> Result<Option<i64>, StoreError> {
        let found = self.list(
            "SELECT at FROM request WHERE id = ?1",
            params![request],
            |row| row.get(0),
        )?;
        Ok(found.into_iter().next())
    }

    /// The requests whose event time lies in a window, in order.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn requests(&self, from: i64, to: i64) -> Result<Vec<RequestRow>, StoreError> {
        self.list(
            "SELECT id, stream, kind, at, author, reason FROM request
             WHERE at >= ?1 AND at < ?2 ORDER BY at, id",
            params![from, to],
            |row| {
                Ok(RequestRow {
                    id: row.get(0)?,
                    stream: row.get(1)?,
                    kind: row.get(2)?,
                    at: row.get(3)?,
                    author: row.get(4)?,
                    reason: row.get(5)?,
                })
            },
        )
    }

    /// The latest revision of the report of the shift that started then.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn last_report(&self, shift_start: i64) -> Result<Option<ReportRow>, StoreError> {
        let rows = self.list(
            "SELECT revision, path, digest FROM report WHERE shift_start = ?1
             ORDER BY revision DESC LIMIT 1",
            params![shift_start],
            |row| {
                Ok(ReportRow {
                    revision: row.get(0)?,
                    path: row.get(1)?,
                    digest: row.get(2)?,
                })
            },
        )?;
        Ok(rows.into_iter().next())
    }

    /// The newest reports: when their shift started and their revision, the newest first; and how
    /// many there are in all.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn reports(&self, most: usize) -> Result<(Vec<(i64, u32)>, usize), StoreError> {
        let rows = self.list(
            "SELECT shift_start, revision FROM report
             ORDER BY shift_start DESC, revision DESC LIMIT ?1",
            [i64::try_from(most).unwrap_or(i64::MAX)],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )?;
        let all: Vec<i64> = self.list("SELECT count(*) FROM report", [], |row| row.get(0))?;
        let all = all.first().and_then(|all| usize::try_from(*all).ok());
        Ok((rows, all.unwrap_or_default()))
    }

    /// Where a revision of a shift's report was written.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn report(&self, shift_start: i64, revision: u32) -> Result<Option<String>, StoreError> {
        let found = self.list(
            "SELECT path FROM report WHERE shift_start = ?1 AND revision = ?2",
            params![shift_start, revision],
            |row| row.get(0),
        )?;
        Ok(found.into_iter().next())
    }

    /// The figures that a revision of a report had; absent where none were kept.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn report_figures(
        &self,
        shift_start: i64,
        revision: u32,
    ) -> Result<Option<String>, StoreError> {
        let figures = self.list(
            "SELECT figures FROM report_figures WHERE shift_start = ?1 AND revision = ?2",
            params![shift_start, revision],
            |row| row.get(0),
        )?;
        Ok(figures.into_iter().next())
    }

    /// The last report of the newest shift before one that has figures: the start of its shift, its
    /// revision and its figures.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn report_before(
        &self,
        shift_start: i64,
    ) -> Result<Option<(i64, u32, String)>, StoreError> {
        let newest = self.list(
            "SELECT shift_start, revision, figures FROM report_figures WHERE shift_start < ?1
             ORDER BY shift_start DESC, revision DESC LIMIT 1",
            params![shift_start],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )?;
        Ok(newest.into_iter().next())
    }

    /// Keeps that a report was made, and its figures.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn keep_report(
        &self,
        shift_start: i64,
        report: &ReportRow,
        figures: &str,
        now: i64,
    ) -> Result<(), StoreError> {
        self.change(&Entry::own(now, "report", &report.path), |to| {
            to.execute(
                "INSERT INTO report VALUES (?1, ?2, ?3, ?4)",
                params![shift_start, report.revision, report.path, report.digest],
            )?;
            to.execute(
                "INSERT INTO report_figures VALUES (?1, ?2, ?3)",
                params![shift_start, report.revision, figures],
            )?;
            Ok(())
        })
    }

    /// One transaction, with its entry in the chain where it changes anything.
    pub(super) fn change<T>(
        &self,
        entry: &Entry,
        body: impl FnOnce(&Transaction) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let observed = Observed::of(&self.connection).map_err(wrap)?;
        // Immediate: what is read before the write still holds when it is written.
        let transaction =
            Transaction::new_unchecked(&self.connection, TransactionBehavior::Immediate)
                .map_err(wrap)?;
        let result = body(&transaction).map_err(wrap)?;
        let newest = observed.seal(&transaction, entry).map_err(wrap)?;
        transaction.commit().map_err(wrap)?;
        if let Some(newest) = newest {
            folder::note_newest(&self.folder, newest);
        }
        Ok(result)
    }
}

/// Who asks, why and when.
#[derive(Clone, Copy, Debug)]
pub struct Who<'a> {
    /// Who.
    pub author: &'a str,
    /// Why.
    pub reason: &'a str,
    /// When, by the clock.
    pub now: i64,
}

impl<'a> Who<'a> {
    /// The entry of what they did.
    pub(super) fn entry(&self, kind: &'a str, subject: &'a str) -> Entry<'a> {
        Entry {
            at: self.now,
            kind,
            who: self.author,
            subject,
            reason: self.reason,
            setting: None,
        }
    }
}
