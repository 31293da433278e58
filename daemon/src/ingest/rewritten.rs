//! Tells a file whose content was exchanged after it had counted.
//!
//! Some stations reuse a name for other boards: such a file counts. One that brings the same visits
//! of the same boards again does not: what has been judged can not be taken back, and would count
//! twice. The one invariant: a file is refused here only where the record holds one of its visits.

use std::sync::Arc;

use super::facts::{counts, refuse};
use super::tally::Visits;
use super::{Ingest, Taken, tally};
use crate::feeds::diagnostics::REWRITTEN;
use crate::store::{FileFacts, StoreError};

impl Ingest {
    /// Sets a small file aside that would count its visits again.
    pub(super) fn refuse_rewritten(&self, taken: &mut Taken) -> Result<(), StoreError> {
        if !self.may_repeat(&taken.facts)? {
            return Ok(());
        }
        let mut visits = Visits::new();
        for piece in &taken.pieces {
            tally::join(&mut visits, piece.visits.clone());
        }
        if let Some(unit) = &taken.empty {
            tally::add_empty(&self.config, unit, &mut visits);
        }
        if let Some(unit) = self.counted_before(&visits)? {
            taken.facts = refuse_visit(taken.facts.clone(), &unit);
            taken.drop_rows();
        }
        Ok(())
    }

    /// Whether an earlier content of a file that would count has counted.
    pub(super) fn may_repeat(&self, facts: &FileFacts) -> Result<bool, StoreError> {
        let is_whole = counts(facts.verdict) && facts.from_byte == 0;
        Ok(is_whole && self.store.has_counted(&facts.feed, &facts.path)?)
    }

    /// The first unit whose visit has counted.
    pub(super) fn counted_before(&self, visits: &Visits) -> Result<Option<Arc<str>>, StoreError> {
        for (visit, tally) in visits {
            if self.store.has_visit(visit, tally.at)? {
                return Ok(Some(Arc::clone(&visit.1)));
            }
        }
        Ok(None)
    }
}

/// Sets a file aside because of one of its visits.
pub(super) fn refuse_visit(facts: FileFacts, unit: &str) -> FileFacts {
    let trouble = (
        REWRITTEN.to_owned(),
        format!("the file was written again; its visit of {unit} has counted with other content"),
        "leave files as the station wrote them; give a repeated inspection as a new attempt"
            .to_owned(),
    );
    refuse(facts, trouble)
}
