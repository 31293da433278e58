//! What the record keeps of a file: verdict, counts, why it was set aside.
//!
//! Knows no row. The one invariant: rows read are rows used, rejected and counted before.

use std::path::Path;

use super::{Ingest, Start, Taken, Waiting, widen};
use crate::feeds::diagnostics::{FUTURE_TIME, Reject};
use crate::feeds::read::FileRead;
use crate::feeds::regular::{Links, open_regular};
use crate::store::{FileFacts, PathFacts, RejectFacts, Verdict};

impl Ingest {
    pub(super) fn facts(
        &self,
        one: &Waiting,
        read: &FileRead,
        start: Start,
        known: bool,
        span: Option<(i64, i64)>,
    ) -> Taken {
        let feed = &self.config.feeds[one.feed];
        let path = one.found.path.to_string_lossy().into_owned();
        let hash = *read.hash.as_bytes();
        let rejected = if known { 0 } else { read.rejects_total };
        let used = if known {
            0
        } else {
            read.rows_read - read.rejects_total
        };
        let verdict = match (known, rejected) {
            (true, _) => Verdict::Duplicate,
            (false, 0) => Verdict::Accepted,
            (false, _) => Verdict::AcceptedWithRejects,
        };
        let empty = read.empty.as_ref().map(|unit| (unit.at, unit.at));
        let span = widen(empty, span);
        let rejects = if known { Vec::new() } else { rejects_of(read) };
        let facts = FileFacts {
            feed: feed.name.clone(),
            path: path.clone(),
            hash,
            from_byte: start.from,
            to_byte: read.end,
            verdict,
            rows_read: read.rows_read,
            rows_used: used,
            rows_rejected: rejected,
            rows_duplicate: if known { read.rows_read } else { 0 },
            first_at: span.map(|(first, _)| first),
            last_at: span.map(|(_, last)| last),
            trouble: None,
            rejects,
        };
        let path = PathFacts {
            feed: feed.name.clone(),
            path,
            length: one.found.len,
            modified_ns: one.found.modified_ns,
            consumed: read.end,
            hash,
        };
        Taken {
            facts,
            path,
            start,
            pieces: Vec::new(),
            empty: None,
        }
    }

    /// A file of which nothing counts.
    pub(super) fn set_aside(&self, one: &Waiting, trouble: (String, String, String)) -> Taken {
        let feed = &self.config.feeds[one.feed];
        let path = one.found.path.to_string_lossy().into_owned();
        let hash = hash_file(&one.found.path).unwrap_or_default();
        let facts = FileFacts {
            feed: feed.name.clone(),
            path: path.clone(),
            hash,
            from_byte: 0,
            to_byte: one.found.len,
            verdict: Verdict::Quarantined,
            rows_read: 0,
            rows_used: 0,
            rows_rejected: 0,
            rows_duplicate: 0,
            first_at: None,
            last_at: None,
            trouble: Some(trouble),
            rejects: Vec::new(),
        };
        let path = PathFacts {
            feed: feed.name.clone(),
            path,
            length: one.found.len,
            modified_ns: one.found.modified_ns,
            consumed: 0,
            hash,
        };
        Taken {
            facts,
            path,
            start: Start::of(&feed.name, &one.found.path.to_string_lossy()),
            pieces: Vec::new(),
            empty: None,
        }
    }
}

pub(super) fn counts(verdict: Verdict) -> bool {
    matches!(verdict, Verdict::Accepted | Verdict::AcceptedWithRejects)
}

fn hash_file(path: &Path) -> std::io::Result<[u8; 32]> {
    let mut hasher = blake3::Hasher::new();
    if let Some(file) = open_regular(path, Links::Refuse)? {
        hasher.update_reader(file)?;
    }
    Ok(*hasher.finalize().as_bytes())
}

/// A time far after the clock would close every stream's horizon: the whole file is set aside.
pub(super) fn refuse_future(facts: FileFacts) -> FileFacts {
    let last = facts
        .last_at
        .and_then(|at| jiff::Timestamp::from_microsecond(at).ok());
    let last = last.map_or_else(String::new, |at| at.to_string());
    let trouble = (
        FUTURE_TIME.to_owned(),
        format!("an event at {last} lies more than a day after this computer's clock"),
        "check both clocks, and the time format and zone of the feed".to_owned(),
    );
    refuse(facts, trouble)
}

/// Sets a file aside that could be read: none of its rows counts.
pub(super) fn refuse(mut facts: FileFacts, trouble: (String, String, String)) -> FileFacts {
    facts.verdict = Verdict::Quarantined;
    facts.trouble = Some(trouble);
    facts.rows_rejected = facts.rows_read;
    facts.rows_used = 0;
    facts.rejects.clear();
    facts
}

fn rejects_of(read: &FileRead) -> Vec<RejectFacts> {
    let one = |reject: &Reject| RejectFacts {
        line: reject.line,
        code: reject.code,
        column: reject.column.clone(),
        reason: reject.reason.clone(),
        text: reject.text.clone(),
    };
    read.rejects.iter().map(one).collect()
}
