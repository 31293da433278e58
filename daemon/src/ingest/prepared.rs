//! What can be made of a block by itself, on any thread, before anything is decided.
//!
//! Knows no record and no other block.

use std::sync::OnceLock;

use super::known::{Visit, visits};
use super::tally::{self, Visits};
use crate::block::Block;
use crate::config::Config;
use crate::engine::Sorted;

/// A block with its rows sorted for the engine and counted by visits.
pub(super) struct Prepared {
    pub(super) block: Block,
    pub(super) sorted: Sorted,
    pub(super) visits: Visits,
    by_visit: OnceLock<Vec<Visit>>,
}

impl Prepared {
    /// Prepares a block that a file brought.
    pub(super) fn of(config: &Config, block: Block, source: i64) -> Prepared {
        let mut visits = Visits::new();
        tally::add(config, &block, source, &mut visits);
        Prepared {
            sorted: Sorted::of(config, &block),
            visits,
            by_visit: OnceLock::new(),
            block,
        }
    }

    /// Its rows by visit: sorted when that is first asked.
    pub(super) fn by_visit(&self) -> &[Visit] {
        self.by_visit.get_or_init(|| visits(&self.block))
    }

    /// The first and the last event.
    pub(super) fn span(&self) -> Option<(i64, i64)> {
        let at = &self.block.at;
        Some((*at.iter().min()?, *at.iter().max()?))
    }
}
