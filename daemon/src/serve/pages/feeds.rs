//! How the feeds fare: what came, when last, and what had to be set aside and why.

use std::path::Path;
use std::sync::Arc;

use axum::Extension;
use axum::extract::State;
use axum::response::Response;
use serde::Serialize;

use super::now::NOTHING;
use super::{Page, looked, shown};
use crate::clock;
use crate::commands::feeds::{seen, silences};
use crate::commands::quarantine::{self, Aside};
use crate::commands::shift_facts::row_notes;
use crate::commands::{CommandError, local_minute, number};
use crate::config::{Config, Feed};
use crate::serve::access::Visitor;
use crate::shifts;
use crate::store::live::{FeedCounts, LatestFile};
use crate::store::{Reader, SilenceRow};

/// Files that are listed of each kind.
const FILES_MAX: usize = 50;

/// Entries of a folder that are listed.
const IGNORED_MAX: usize = 10;

/// How a feed stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub(super) struct FeedState {
    name: String,
    line: String,
    station: &'static str,
    folder: String,
    pattern: String,
    /// In a few words.
    state: String,
    /// Whether someone should look.
    needs_attention: bool,
    last_file: String,
    last_received: String,
    last_event: String,
    accepted: u64,
    with_rejects: u64,
    duplicate: u64,
    quarantined: u64,
    rows_read: u64,
    rows_used: u64,
    rows_rejected: u64,
    rows_duplicate: u64,
    /// Boards with another number of rows than stated, since the shift of the newest event began.
    gaps: Vec<String>,
    /// Entries of its folder that are never read, and how many more there are.
    ignored: Vec<String>,
    ignored_more: usize,
}

#[derive(Serialize)]
struct View {
    shift: String,
    since: String,
    feeds: Vec<FeedState>,
    silences: Vec<Silence>,
    quarantined: Vec<Set>,
    quarantined_all: usize,
    rejected: Vec<Set>,
    files_max: usize,
}

/// A feed from which nothing comes.
#[derive(Serialize)]
pub(super) struct Silence {
    number: i64,
    feed: String,
    since: String,
    /// Who has seen it; absent where nobody has.
    seen: Option<String>,
}

/// The silences that last.
pub(super) fn silent(config: &Config, reader: &Reader) -> Result<Vec<Silence>, CommandError> {
    let all = silences(reader)?.into_iter();
    let silent = all.map(|one| Silence {
        number: one.id,
        since: local_minute(config, one.since),
        seen: seen(config, &one),
        feed: one.feed,
    });
    Ok(silent.collect())
}

/// A file of which something could not be used.
#[derive(Serialize)]
struct Set {
    /// Its number, where it waits for someone.
    number: Option<i64>,
    /// Who has asked that it be read again.
    retry_by: Option<String>,
    feed: String,
    file: String,
    received: String,
    rows: (u64, u64),
    reasons: Vec<Reason>,
}

#[derive(Serialize)]
struct Reason {
    code: String,
    words: String,
    fix: String,
    count: Option<u64>,
    line: Option<u64>,
}

/// Shows it.
pub(in crate::serve) async fn show(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    looked(page, move |page, reader| {
        let view = view(&page.config, reader)?;
        Ok(shown(page, &visitor, ("feeds.html", "feeds"), &view))
    })
    .await
}

fn view(config: &Config, reader: &Reader) -> Result<View, CommandError> {
    let now = clock::now();
    let shift = shifts::at(config, now);
    let counts = reader.feed_counts(shift.start)?;
    let state = |feed: &Feed| {
        let delivered = counts.iter().find(|one| one.feed == feed.name);
        feed_state(config, reader, feed, delivered)
    };
    let feeds: Vec<FeedState> = config.feeds.iter().map(state).collect::<Result<_, _>>()?;
    let mut quarantined = quarantine::rows(reader)?;
    let quarantined_all = quarantined.len();
    quarantined.reverse();
    quarantined.truncate(FILES_MAX);
    let mut rejected = Vec::new();
    for file in reader.latest_files(None, &["accepted_with_rejects"], FILES_MAX)? {
        let reasons = reader.rejects(file.id)?.into_iter().map(|one| Reason {
            code: one.code,
            words: one.reason,
            fix: String::new(),
            count: Some(one.count),
            line: Some(one.line),
        });
        let reasons = reasons.collect();
        rejected.push(set(config, file, reasons));
    }
    Ok(View {
        shift: shift.name.clone(),
        since: local_minute(config, shift.start),
        feeds,
        silences: silent(config, reader)?,
        quarantined: quarantined
            .into_iter()
            .map(|file| aside(config, file))
            .collect(),
        quarantined_all,
        rejected,
        files_max: FILES_MAX,
    })
}

/// A file that waits for someone.
fn aside(config: &Config, file: Aside) -> Set {
    Set {
        number: number(&file.id, 'Q'),
        retry_by: file.retry_by,
        received: local_minute(config, file.received_at),
        file: file_name(&file.path),
        feed: file.feed,
        rows: (file.rows, file.rows),
        reasons: vec![Reason {
            code: file.code,
            words: file.reason,
            fix: file.fix,
            count: None,
            line: None,
        }],
    }
}

fn set(config: &Config, file: LatestFile, reasons: Vec<Reason>) -> Set {
    Set {
        number: None,
        retry_by: None,
        received: local_minute(config, file.received_at),
        file: file_name(&file.path),
        feed: file.feed,
        rows: file.rows,
        reasons,
    }
}

fn file_name(path: &str) -> String {
    let name = Path::new(path).file_name();
    name.map_or_else(
        || path.to_owned(),
        |name| name.to_string_lossy().into_owned(),
    )
}

/// How a feed stands now.
pub(super) fn feed_state(
    config: &Config,
    reader: &Reader,
    feed: &Feed,
    delivered: Option<&FeedCounts>,
) -> Result<FeedState, CommandError> {
    let last = reader
        .latest_files(Some(&feed.name), &[], 1)?
        .into_iter()
        .next();
    let newest = reader.last_file(&feed.name, i64::MAX)?.map(|(at, _)| at);
    let counts = delivered.unwrap_or(&NOTHING);
    let received = last.as_ref().map(|file| file.received_at);
    let ignored = reader.ignored(i64::MIN, i64::MAX)?.into_iter();
    let own = ignored.filter(|row| row.feed == feed.name);
    let ignored: Vec<String> = own
        .map(|row| format!("{}: {}", row.name, row.what))
        .collect();
    let silences = silences(reader)?;
    let silence = silences.iter().find(|one| one.feed == feed.name);
    let (state, needs_attention) = state_words(config, last.is_some(), silence, counts);
    Ok(FeedState {
        name: feed.name.clone(),
        line: feed.line.clone(),
        station: feed.station.name(),
        folder: feed.folder.display().to_string(),
        pattern: feed.pattern.clone(),
        state,
        needs_attention,
        last_file: last
            .as_ref()
            .map_or_else(String::new, |file| file_name(&file.path)),
        last_received: received.map_or_else(String::new, |at| local_minute(config, at)),
        last_event: newest.map_or_else(String::new, |at| local_minute(config, at)),
        accepted: counts.accepted,
        with_rejects: counts.with_rejects,
        duplicate: counts.duplicate,
        quarantined: counts.quarantined,
        rows_read: counts.rows[0],
        rows_used: counts.rows[1],
        rows_rejected: counts.rows[2],
        rows_duplicate: counts.rows[3],
        gaps: gaps(config, reader, feed, newest)?,
        ignored_more: ignored.len().saturating_sub(IGNORED_MAX),
        ignored: ignored.into_iter().take(IGNORED_MAX).collect(),
    })
}

fn gaps(
    config: &Config,
    reader: &Reader,
    feed: &Feed,
    newest: Option<i64>,
) -> Result<Vec<String>, CommandError> {
    match newest {
        Some(at) => {
            let since = shifts::at(config, at).start;
            row_notes(config, reader, feed, (since, i64::MAX))
        }
        None => Ok(Vec::new()),
    }
}

/// A feed's state in words, and whether someone should look. Whether it is silent is what the
/// record says: the alert of a silence is of the same moment.
fn state_words(
    config: &Config,
    has_come: bool,
    silence: Option<&SilenceRow>,
    counts: &FeedCounts,
) -> (String, bool) {
    let mut words = Vec::new();
    if let Some(silence) = silence {
        words.push(format!(
            "silent since {}",
            local_minute(config, silence.since)
        ));
    } else if !has_come {
        return ("no file has come yet".to_owned(), true);
    }
    if counts.quarantined > 0 {
        words.push(match counts.quarantined {
            1 => "1 file set aside".to_owned(),
            some => format!("{some} files set aside"),
        });
    }
    if counts.rows[2] > 0 {
        words.push(match counts.rows[2] {
            1 => "1 row rejected".to_owned(),
            some => format!("{some} rows rejected"),
        });
    }
    match words.is_empty() {
        true => ("in order".to_owned(), false),
        false => (words.join(", "), true),
    }
}
