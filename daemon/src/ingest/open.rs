//! Files that were read and wait for one transaction, and where reading of each began.
//!
//! Knows no record. The one invariant: a file that does not count leaves nothing but its facts.

use std::collections::{BTreeSet, HashMap, HashSet};

use super::facts::{counts, refuse_future};
use super::prepared::Prepared;
use super::{BATCH_BYTES_MAX, BATCH_FILES_MAX, FUTURE_US};
use crate::block::EmptyUnit;
use crate::store::{FileFacts, PathFacts, UnitKey};

/// A file that was read into memory.
pub(super) struct Taken {
    pub(super) facts: FileFacts,
    pub(super) path: PathFacts,
    pub(super) start: Start,
    pub(super) pieces: Vec<Prepared>,
    pub(super) empty: Option<EmptyUnit>,
}

impl Taken {
    /// Whether a file would count, but lies too far after the clock.
    pub(super) fn lies_in_future(&self, now: i64) -> bool {
        let last = self.facts.last_at;
        counts(self.facts.verdict) && last.is_some_and(|last| last > now + FUTURE_US)
    }

    /// Sets a file aside that lies too far after the clock.
    pub(super) fn refuse_future(&mut self) {
        self.facts = refuse_future(self.facts.clone());
        self.drop_rows();
    }

    /// Leaves nothing of the file but its facts: the next reading starts where this one did.
    pub(super) fn drop_rows(&mut self) {
        self.pieces.clear();
        self.empty = None;
        self.path.consumed = self.start.from;
        self.path.hash = self.start.prefix.map_or([0; 32], Into::into);
    }
}

/// Files that were read and wait for one transaction.
#[derive(Default)]
pub(super) struct Open {
    pub(super) taken: Vec<Taken>,
    /// Which of them bring rows of a visit.
    visits: HashMap<UnitKey, Vec<usize>>,
    /// The content of those that count.
    contents: HashSet<[u8; 32]>,
    bytes: u64,
}

impl Open {
    pub(super) fn push(&mut self, taken: Taken) {
        let place = self.taken.len();
        if counts(taken.facts.verdict) {
            self.contents.insert(taken.facts.hash);
        }
        self.bytes += taken.facts.to_byte.saturating_sub(taken.facts.from_byte);
        for piece in &taken.pieces {
            for (visit, tally) in &piece.visits {
                if tally.rows + tally.reviewed > 0 {
                    let places = self.visits.entry(visit.clone()).or_default();
                    if places.last() != Some(&place) {
                        places.push(place);
                    }
                }
            }
        }
        self.taken.push(taken);
    }

    /// Whether one of the files that count has this content.
    pub(super) fn has_content(&self, hash: &[u8; 32]) -> bool {
        self.contents.contains(hash)
    }

    /// The files that bring rows of a visit.
    pub(super) fn bringing(&self, visit: &UnitKey) -> impl Iterator<Item = &Taken> {
        let places = self.visits.get(visit).into_iter().flatten();
        places.filter_map(|place| self.taken.get(*place))
    }

    /// The files that bring rows of any of some visits, in the order in which they came.
    pub(super) fn bringing_any<'a>(
        &self,
        visits: impl Iterator<Item = &'a UnitKey>,
    ) -> impl Iterator<Item = &Taken> {
        let places = visits.filter_map(|visit| self.visits.get(visit)).flatten();
        let places: BTreeSet<usize> = places.copied().collect();
        places.into_iter().filter_map(|place| self.taken.get(place))
    }

    pub(super) fn is_full(&self) -> bool {
        self.taken.len() >= BATCH_FILES_MAX || self.bytes >= BATCH_BYTES_MAX
    }
}

/// Where reading starts: the bytes before it count already.
#[derive(Clone, Copy)]
pub(super) struct Start {
    pub(super) from: u64,
    pub(super) prefix: Option<blake3::Hash>,
    /// The number of the file that these bytes are of, made from its feed and its name: where its
    /// beginning counts already under other names, from the first of these.
    pub(super) source: i64,
}

impl Start {
    /// The beginning of a file.
    pub(super) fn of(feed: &str, path: &str) -> Start {
        let digest = blake3::hash(format!("{feed}\n{path}").as_bytes());
        let (first, _) = digest.as_bytes().as_chunks::<8>();
        // The record keeps whole numbers exactly up to 53 bits; 0 stands for several files.
        let source = first
            .first()
            .map_or(1, |first| u64::from_le_bytes(*first) >> 12);
        Start {
            from: 0,
            prefix: None,
            source: i64::try_from(source.max(1)).unwrap_or(1),
        }
    }
}
