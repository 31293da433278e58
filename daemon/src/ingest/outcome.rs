//! What became of files, added up.
//!
//! Knows no file's content. The one invariant: a file that was not read is named, so that it is
//! looked for again.

use std::collections::BTreeSet;
use std::path::PathBuf;

use super::Waiting;
use crate::block::FeedIndex;
use crate::store::AlertNews;

/// What became of the files that waited.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// Files that count.
    pub accepted: u64,
    /// Files whose content counted before.
    pub duplicate: u64,
    /// Files set aside.
    pub quarantined: u64,
    /// Rows that count.
    pub rows: u64,
    /// Rows that could not be used.
    pub rejects: u64,
    /// Files that changed while they were read: the next scan sees them again.
    pub again: u64,
    /// Files that were gone before they could be opened.
    pub vanished: u64,
    /// The files of both kinds.
    pub unread: Vec<(FeedIndex, PathBuf)>,
    /// The feeds of which files came.
    pub heard: BTreeSet<FeedIndex>,
    /// What happened to alerts.
    pub news: Vec<AlertNews>,
}

impl Outcome {
    pub(super) fn again(one: &Waiting) -> Outcome {
        Outcome {
            again: 1,
            unread: vec![(one.feed, one.found.path.clone())],
            ..Outcome::default()
        }
    }

    pub(super) fn vanished(one: &Waiting) -> Outcome {
        tracing::info!(file = ?one.found.path, "was gone before it could be read");
        Outcome {
            vanished: 1,
            again: 0,
            ..Outcome::again(one)
        }
    }

    /// Whether anything was written down about a file.
    #[must_use]
    pub fn is_kept(&self) -> bool {
        self.accepted + self.duplicate + self.quarantined > 0
    }

    /// Adds what became of more files.
    pub fn add(&mut self, other: Outcome) {
        self.accepted += other.accepted;
        self.duplicate += other.duplicate;
        self.quarantined += other.quarantined;
        self.rows += other.rows;
        self.rejects += other.rejects;
        self.again += other.again;
        self.vanished += other.vanished;
        self.unread.extend(other.unread);
        self.heard.extend(other.heard);
        self.news.extend(other.news);
    }
}
