//! What is known of the folders of all feeds: which files were handed over, which come to rest, and
//! what is never read.
//!
//! Knows no content. The one invariant: what is forgotten here is found again by the next scan.

use std::collections::{BTreeSet, HashMap};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::block::FeedIndex;
use crate::config::Config;
use crate::feeds::scan::{Found, Odd, Settler, scan};
use crate::ingest::{Ingest, Waiting};
use crate::store::StoreError;

/// Files that one scan hands over at once: a backlog is ordered in pieces of this size.
const HANDOVER_FILES_MAX: usize = 100_000;

/// What is known of the files of each feed, so that a scan costs no query a file.
pub struct Folders {
    config: Arc<Config>,
    pub(super) seen: Vec<HashMap<PathBuf, (u64, i64)>>,
    settlers: Vec<Settler>,
    pub(super) missing: Vec<bool>,
    /// Whether the last scan found no file that has yet to come to rest.
    pub(super) at_rest: Vec<bool>,
    /// Entries that are never read, by feed, which have been noted.
    odd: Vec<BTreeSet<Odd>>,
    /// Those that have not.
    fresh_odd: Vec<(FeedIndex, Odd)>,
}

/// Files that are gone and are still remembered, beside as many as there are.
const GONE_MAX: usize = 1_000;

impl Folders {
    /// Nothing is known yet.
    #[must_use]
    pub fn new(config: Arc<Config>) -> Folders {
        let feeds = config.feeds.len();
        Folders {
            seen: vec![HashMap::new(); feeds],
            settlers: (0..feeds).map(|_| Settler::new()).collect(),
            missing: vec![false; feeds],
            at_rest: vec![true; feeds],
            odd: vec![BTreeSet::new(); feeds],
            fresh_odd: Vec::new(),
            config,
        }
    }

    /// The files of a feed that are new or changed and at rest.
    pub fn waiting(&mut self, feed: FeedIndex, settle_ms: u64, now_ms: u64) -> Vec<Waiting> {
        let settings = &self.config.feeds[feed];
        let found = match scan(settings) {
            Ok(scan) => {
                if std::mem::take(&mut self.missing[feed]) {
                    tracing::info!(feed = %settings.name, "the folder is back");
                }
                self.note_odd(feed, scan.odd);
                self.forget_gone(feed, &scan.found);
                scan.found
            }
            Err(error) => {
                if !std::mem::replace(&mut self.missing[feed], true) {
                    tracing::error!(feed = %settings.name, %error, "waiting for the folder");
                }
                return Vec::new();
            }
        };
        let seen = &self.seen[feed];
        let fresh: Vec<Found> = found
            .into_iter()
            .filter(|one| seen.get(&one.path) != Some(&(one.len, one.modified_ns)))
            .take(HANDOVER_FILES_MAX)
            .collect();
        let count = fresh.len();
        let settled = self.settlers[feed].settled(fresh, settle_ms, now_ms);
        self.at_rest[feed] = settled.len() == count;
        settled
            .into_iter()
            .map(|found| Waiting {
                feed,
                found,
                whole: None,
            })
            .collect()
    }

    fn note_odd(&mut self, feed: FeedIndex, odd: Vec<Odd>) {
        let known = &mut self.odd[feed];
        let odd: BTreeSet<Odd> = odd.into_iter().collect();
        let fresh = odd.difference(known).cloned().map(|one| (feed, one));
        self.fresh_odd.extend(fresh);
        *known = odd;
    }

    /// Forgets files that are gone once they are many.
    fn forget_gone(&mut self, feed: FeedIndex, found: &[Found]) {
        let seen = &mut self.seen[feed];
        if seen.len() > 2 * found.len() + GONE_MAX {
            let there: BTreeSet<&Path> = found.iter().map(|one| one.path.as_path()).collect();
            seen.retain(|path, _| there.contains(path.as_path()));
        }
    }

    /// Writes down entries that are never read and have not been noted yet.
    pub(super) fn keep_odd(&mut self, ingest: &mut Ingest, now: i64) -> Result<(), StoreError> {
        let mut by_feed: HashMap<FeedIndex, Vec<(String, &'static str)>> = HashMap::new();
        for (feed, odd) in std::mem::take(&mut self.fresh_odd) {
            by_feed.entry(feed).or_default().push((odd.name, odd.what));
        }
        for (feed, entries) in by_feed {
            let name = &self.config.feeds[feed].name;
            let noted = ingest.store().note_ignored(name, &entries, now);
            // What could not be written down is found again.
            let fresh = noted.inspect_err(|_| self.odd.iter_mut().for_each(BTreeSet::clear))?;
            for entry in fresh {
                tracing::warn!(feed = %name, ?entry, "is never read: see `driftvane feeds`");
            }
        }
        Ok(())
    }

    /// Whether a feed has files that are not at rest yet.
    #[must_use]
    pub fn unsettled(&self, feed: FeedIndex) -> bool {
        self.settlers[feed].is_waiting()
    }

    /// Notes that files were handed over.
    pub fn handed_over(&mut self, waiting: &[Waiting]) {
        for one in waiting {
            let state = (one.found.len, one.found.modified_ns);
            self.seen[one.feed].insert(one.found.path.clone(), state);
        }
    }

    /// Forgets files that could not be read: the next scan finds them again.
    pub fn forget<'a>(&mut self, files: impl IntoIterator<Item = (FeedIndex, &'a Path)>) {
        for (feed, path) in files {
            self.seen[feed].remove(path);
        }
    }
}
