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
use crate::commands::{CommandError, local_minute};
use crate::config::{Config, Feed};
use crate::serve::access::Visitor;
use crate::shifts;
use crate::store::Reader;
use crate::store::live::{FeedCounts, LatestFile};

/// Files that are listed of each kind.
const FILES_MAX: usize = 50;

/// Microseconds of a second.
const SECOND_US: i64 = 1_000_000;

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
}

#[derive(Serialize)]
struct View {
    shift: String,
    since: String,
    feeds: Vec<FeedState>,
    quarantined: Vec<Set>,
    rejected: Vec<Set>,
    files_max: usize,
}

/// A file of which something could not be used.
#[derive(Serialize)]
struct Set {
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
        feed_state(config, reader, feed, delivered, now)
    };
    let feeds: Vec<FeedState> = config.feeds.iter().map(state).collect::<Result<_, _>>()?;
    let quarantined = reader.latest_files(None, &["quarantined"], FILES_MAX)?;
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
        quarantined: quarantined
            .into_iter()
            .map(|file| quarantine(config, file))
            .collect(),
        rejected,
        files_max: FILES_MAX,
    })
}

fn quarantine(config: &Config, file: LatestFile) -> Set {
    let reasons = file.trouble.clone().map(|(code, words, fix)| Reason {
        code,
        words,
        fix,
        count: None,
        line: None,
    });
    set(config, file, reasons.into_iter().collect())
}

fn set(config: &Config, file: LatestFile, reasons: Vec<Reason>) -> Set {
    Set {
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
    now: i64,
) -> Result<FeedState, CommandError> {
    let last = reader
        .latest_files(Some(&feed.name), &[], 1)?
        .into_iter()
        .next();
    let newest = reader.last_file(&feed.name, i64::MAX)?;
    let counts = delivered.unwrap_or(&NOTHING);
    let received = last.as_ref().map(|file| file.received_at);
    let (state, needs_attention) = state_words(config, feed, received, counts, now);
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
        last_event: newest.map_or_else(String::new, |(at, _)| local_minute(config, at)),
        accepted: counts.accepted,
        with_rejects: counts.with_rejects,
        duplicate: counts.duplicate,
        quarantined: counts.quarantined,
        rows_read: counts.rows[0],
        rows_used: counts.rows[1],
        rows_rejected: counts.rows[2],
        rows_duplicate: counts.rows[3],
    })
}

/// A feed's state in words, and whether someone should look.
fn state_words(
    config: &Config,
    feed: &Feed,
    received: Option<i64>,
    counts: &FeedCounts,
    now: i64,
) -> (String, bool) {
    let Some(received) = received else {
        return ("no file has come yet".to_owned(), true);
    };
    let patience = feed
        .silent_after_s
        .and_then(|seconds| i64::try_from(seconds).ok());
    let is_silent = patience
        .is_some_and(|seconds| now.saturating_sub(received) > seconds.saturating_mul(SECOND_US));
    let mut words = Vec::new();
    if is_silent {
        words.push(format!("silent since {}", local_minute(config, received)));
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
