//! `driftvane quarantine`: the files that were set aside, and what people decide about them.
//!
//! Reads no file itself: the next scan does. The one invariant: a decision without a name and a
//! reason is not kept, and none deletes anything.

use serde::Serialize;

use super::{CommandError, decide_each, number, said, utc, when};
use crate::config::Config;
use crate::output::{self, Format, Table};
use crate::store::{AsideRow, Handled, Reader, Who};

/// A file that was set aside.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Aside {
    /// Its name.
    pub id: String,
    /// The feed.
    pub feed: String,
    /// The path.
    pub path: String,
    /// When it was set aside, RFC 3339 in UTC.
    pub set_aside_at: String,
    /// The stable code.
    pub code: String,
    /// Why.
    pub reason: String,
    /// What to do.
    pub fix: String,
    /// Data rows, as far as it could be read.
    pub rows: u64,
    /// Who has asked that it be read again; it waits for the next scan.
    pub retry_by: Option<String>,
    #[serde(skip)]
    pub(crate) received_at: i64,
}

/// What a person decides about a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decision {
    /// Read it again.
    Retry,
    /// Take it off the list.
    Discard,
}

fn name(file: i64) -> String {
    format!("Q-{file:04}")
}

/// The files that wait for someone, in the order in which they came.
///
/// # Errors
///
/// When the record can not be read.
pub fn rows(reader: &Reader) -> Result<Vec<Aside>, CommandError> {
    let row = |row: AsideRow| Aside {
        id: name(row.file),
        feed: row.feed,
        path: row.path,
        set_aside_at: utc(row.received_at),
        code: row.code,
        reason: row.reason,
        fix: row.fix,
        rows: row.rows,
        retry_by: row.retry_by,
        received_at: row.received_at,
    };
    Ok(reader.aside()?.into_iter().map(row).collect())
}

/// Prints the files that wait for someone.
///
/// # Errors
///
/// As [`rows`], and when standard output can not be written.
pub fn print(config: &Config, reader: &Reader, format: Format) -> Result<(), CommandError> {
    let rows = rows(reader)?;
    let mut table = Table::with_lines(
        &[
            "id",
            "feed",
            "file",
            "set aside",
            "code",
            "reason",
            "what to do",
            "to be read again for",
        ],
        &["file", "reason", "what to do", "to be read again for"],
    );
    for row in &rows {
        table.push(vec![
            row.id.as_str().into(),
            row.feed.as_str().into(),
            row.path.as_str().into(),
            when(config, format, row.received_at).into(),
            row.code.as_str().into(),
            row.reason.as_str().into(),
            row.fix.as_str().into(),
            row.retry_by.as_deref().into(),
        ]);
    }
    Ok(output::print_rows(format, &table, &rows)?)
}

/// Keeps what a person decides about files, and prints a line on each.
///
/// # Errors
///
/// When a name or reason is missing, a file is not on the list, or the record refuses. The files
/// before it are decided.
pub fn decide(
    reader: &Reader,
    (files, decision): (&[String], Decision),
    who: (&str, &str, i64),
    format: Format,
) -> Result<(), CommandError> {
    let list = ("quarantine list", format);
    decide_each((files, 'Q'), who, list, |file, who| {
        one(reader, file, decision, who)
    })
}

/// Keeps what a person decides about one file, and says what becomes of it; nothing where it does
/// not wait.
fn one(
    reader: &Reader,
    file: i64,
    decision: Decision,
    who: Who,
) -> Result<Option<&'static str>, CommandError> {
    let (handled, outcome) = match decision {
        Decision::Retry => (
            reader.retry(file, who)?,
            "is read again at the next scan of watch, or by the next replay",
        ),
        Decision::Discard => (reader.discard(file, who)?, "is off the list"),
    };
    Ok((handled != Handled::Unknown).then_some(outcome))
}

/// Keeps what someone decides about a file on the live page.
///
/// # Errors
///
/// When a name or reason is missing, the file does not wait, or the record refuses.
pub(crate) fn decide_one(
    reader: &Reader,
    file: &str,
    decision: Decision,
    (by, reason, now): (&str, &str, i64),
) -> Result<(), CommandError> {
    let (author, reason) = (said("the name", by)?, said("the reason", reason)?);
    let who = Who {
        author: &author,
        reason: &reason,
        now,
    };
    let done = match number(file, 'Q') {
        Some(file) => one(reader, file, decision, who)?,
        None => None,
    };
    match done {
        Some(_) => Ok(()),
        None => Err(CommandError::Refused(
            "this file does not wait for anybody any more".to_owned(),
        )),
    }
}
