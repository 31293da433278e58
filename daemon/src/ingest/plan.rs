//! Which of the files that wait have to be read, from where, and how many at one go.
//!
//! Knows no content. The one invariant: a file that is as it was when it was read is not read
//! again.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

use super::{Ingest, LARGE_FILE_BYTES, Start, Waiting};
use crate::block::FeedIndex;
use crate::store::StoreError;

/// Small files that a thread reads at one go, and the bytes from which it takes no more.
const READ_AT_ONCE: usize = 64;
const READ_BYTES: u64 = 256 << 10;

/// What is to be done about a file that waits.
pub(super) enum Plan {
    Nothing,
    Small(Start),
    Large(Start),
}

impl Ingest {
    /// The feeds of which no file is known whose path lies among those that wait: a look at the
    /// stretch between the first and the last answers for all of them.
    pub(super) fn unknown(&self, waiting: &[Waiting]) -> Result<BTreeSet<FeedIndex>, StoreError> {
        let mut ends: BTreeMap<FeedIndex, (Cow<str>, Cow<str>)> = BTreeMap::new();
        for one in waiting {
            let path = one.found.path.to_string_lossy();
            let (first, last) = ends
                .entry(one.feed)
                .or_insert_with(|| (path.clone(), path.clone()));
            if path < *first {
                *first = path;
            } else if path > *last {
                *last = path;
            }
        }
        let mut unknown = BTreeSet::new();
        for (feed, (first, last)) in ends {
            if !self
                .store
                .knows_between(&self.config.feeds[feed].name, &first, &last)?
            {
                unknown.insert(feed);
            }
        }
        Ok(unknown)
    }

    pub(super) fn plan(&self, one: &Waiting, is_unknown: bool) -> Result<Plan, StoreError> {
        let feed = &self.config.feeds[one.feed];
        let path = one.found.path.to_string_lossy();
        let known = match is_unknown {
            true => None,
            false => self.store.path(&feed.name, &path)?,
        };
        let unchanged = known.as_ref().is_some_and(|known| {
            known.length == one.found.len && known.modified_ns == one.found.modified_ns
        });
        if unchanged {
            return Ok(Plan::Nothing);
        }
        let start = match &known {
            Some(known) if known.consumed > 0 && one.found.len >= known.consumed => Start {
                from: known.consumed,
                prefix: Some(blake3::Hash::from_bytes(known.hash)),
                ..Start::of(&feed.name, &path)
            },
            _ => self.continued(one)?,
        };
        let is_large = one.found.len.saturating_sub(start.from) > LARGE_FILE_BYTES;
        Ok(if is_large {
            Plan::Large(start)
        } else {
            Plan::Small(start)
        })
    }
}

/// Small files by what a thread reads of them at one go.
pub(super) fn at_once<'a, 'b>(
    small: &'a [(&'b Waiting, Start)],
) -> Vec<&'a [(&'b Waiting, Start)]> {
    let mut all = Vec::new();
    let mut left = small;
    while !left.is_empty() {
        let mut bytes = 0;
        let fits = |(one, _): &&(&Waiting, Start)| {
            let has_room = bytes < READ_BYTES;
            bytes += one.found.len;
            has_room
        };
        let count = left.iter().take(READ_AT_ONCE).take_while(fits).count();
        let (now, later) = left.split_at(count.max(1));
        all.push(now);
        left = later;
    }
    all
}
