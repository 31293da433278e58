//! `driftvane feeds`: what came from each feed, what is never read, and which feeds are silent.
//!
//! Knows no folder: what is told stands in the record. The one invariant: every feed of the
//! configuration is there, also one from which nothing ever came.

use serde::Serialize;

use super::{CommandError, local_minute, said, utc, when};
use crate::config::Config;
use crate::output::{Cell, Format, Table, print_rows};
use crate::store::{Reader, SilenceRow, Who};

/// A feed as the record has it.
#[derive(Debug, Serialize)]
pub struct FeedLine {
    /// Its name.
    pub feed: String,
    /// Its line.
    pub line: String,
    /// The kind of station.
    pub station: String,
    /// When a file came last, RFC 3339 in UTC; absent where none has.
    pub last_received: Option<String>,
    /// Since when it has been silent, RFC 3339 in UTC; absent while it is not.
    pub silent_since: Option<String>,
    /// Who has seen that, and what they do about it; absent where nobody has.
    pub silence_seen: Option<String>,
    /// Files that count.
    pub accepted: u64,
    /// Files that count of which rows were rejected.
    pub with_rejects: u64,
    /// Files seen before.
    pub duplicate: u64,
    /// Files that were ever set aside.
    pub quarantined: u64,
    /// Entries of its folder that look like its files and are never read.
    pub ignored: Vec<Ignored>,
    #[serde(skip)]
    received_at: Option<i64>,
    #[serde(skip)]
    since: Option<i64>,
}

/// Such an entry.
#[derive(Debug, Serialize)]
pub struct Ignored {
    /// Its name.
    pub name: String,
    /// What it is.
    pub what: String,
    /// When it was first seen, RFC 3339 in UTC.
    pub seen_at: String,
}

/// Every feed of the configuration.
///
/// # Errors
///
/// When the record can not be read.
pub fn feeds(config: &Config, reader: &Reader) -> Result<Vec<FeedLine>, CommandError> {
    let counts = reader.feed_counts(i64::MIN)?;
    let silences = silences(reader)?;
    let ignored = reader.ignored(i64::MIN, i64::MAX)?;
    let mut lines = Vec::new();
    for feed in &config.feeds {
        let delivered = counts.iter().find(|one| one.feed == feed.name);
        let delivered = delivered.cloned().unwrap_or_default();
        let last = reader.latest_files(Some(&feed.name), &[], 1)?;
        let silence = silences.iter().find(|one| one.feed == feed.name);
        let (received_at, since) = (
            last.first().map(|file| file.received_at),
            silence.map(|silence| silence.since),
        );
        let own = ignored.iter().filter(|row| row.feed == feed.name);
        lines.push(FeedLine {
            feed: feed.name.clone(),
            line: feed.line.clone(),
            station: feed.station.name().to_owned(),
            last_received: received_at.map(utc),
            silent_since: since.map(utc),
            received_at,
            since,
            silence_seen: silence.and_then(|silence| seen(config, silence)),
            accepted: delivered.accepted,
            with_rejects: delivered.with_rejects,
            duplicate: delivered.duplicate,
            quarantined: delivered.quarantined,
            ignored: own
                .map(|row| Ignored {
                    name: row.name.clone(),
                    what: row.what.clone(),
                    seen_at: utc(row.seen_at),
                })
                .collect(),
        });
    }
    Ok(lines)
}

/// The silences that last.
///
/// # Errors
///
/// When the record can not be read.
pub(crate) fn silences(reader: &Reader) -> Result<Vec<SilenceRow>, CommandError> {
    let mut all = reader.silences(i64::MAX, i64::MAX)?;
    all.retain(|one| one.returned_at.is_none());
    Ok(all)
}

/// Who has seen a silence, when, and what they do about it.
pub(crate) fn seen(config: &Config, silence: &SilenceRow) -> Option<String> {
    let (at, who, comment) = silence.seen.as_ref()?;
    Some(format!("{who}, {}: {comment}", local_minute(config, *at)))
}

/// Notes that someone has seen that a feed is silent.
///
/// # Errors
///
/// When a name or a comment is missing, the feed is not silent, or the record refuses.
pub fn see(
    reader: &Reader,
    feed: &str,
    (by, comment, now): (&str, &str, i64),
) -> Result<(), CommandError> {
    let (author, comment) = (said("the name", by)?, said("the comment", comment)?);
    let all = silences(reader)?;
    let who = Who {
        author: &author,
        reason: &comment,
        now,
    };
    let lasts = match all.iter().find(|one| one.feed == feed) {
        Some(silence) => reader.see_silence(silence.id, who)?,
        None => false,
    };
    if lasts {
        return Ok(());
    }
    Err(CommandError::Refused(format!(
        "no feed '{feed}' is silent; `driftvane feeds` tells which are"
    )))
}

/// Prints the feeds.
///
/// # Errors
///
/// When standard output can not be written.
pub fn print(config: &Config, lines: &[FeedLine], format: Format) -> std::io::Result<()> {
    let mut table = Table::new(&[
        "feed",
        "last file",
        "silent since",
        "seen by",
        "accepted",
        "with rejects",
        "duplicate",
        "quarantined",
        "never read",
    ]);
    for line in lines {
        let ignored: Vec<String> = line
            .ignored
            .iter()
            .map(|entry| format!("{} ({})", entry.name, entry.what))
            .collect();
        table.push(vec![
            line.feed.clone().into(),
            line.received_at.map(|at| when(config, format, at)).into(),
            line.since.map(|at| when(config, format, at)).into(),
            line.silence_seen.clone().into(),
            line.accepted.into(),
            line.with_rejects.into(),
            line.duplicate.into(),
            line.quarantined.into(),
            if ignored.is_empty() {
                Cell::Empty
            } else {
                ignored.join(", ").into()
            },
        ]);
    }
    print_rows(format, &table, &lines)
}
