//! Files too large to wait in memory: read piece by piece, committed alone.
//!
//! Rows reach the engine before it is known whether the file counts. Where it does not, the engine
//! goes back to the record: nothing of the file is left.

use std::sync::Arc;

use super::facts::{counts, refuse_future};
use super::prepared::Prepared;
use super::rewritten::refuse_visit;
use super::{
    FUTURE_US, Ingest, Outcome, Start, Step, Waiting, request, segment_name, tally, widen,
};
use crate::feeds::read::{FileRead, ReadFailure, Use, read_file};
use crate::store::segment::{Encoded, Segments, encode, plan};
use crate::store::{Batch, StoreError};

/// What came of reading a large file.
struct Pass<'a> {
    read: Result<FileRead, ReadFailure>,
    segments: Segments<'a>,
    batch: Batch,
    /// The first and the last event.
    span: Option<(i64, i64)>,
}

impl Ingest {
    /// Reads a large file and commits it.
    pub(super) fn take_large(
        &mut self,
        one: &Waiting,
        start: Start,
        now: i64,
    ) -> Result<Outcome, StoreError> {
        let config = Arc::clone(&self.config);
        let named = format!("{}\n{}\n{now}", one.found.path.display(), start.from);
        let name = segment_name(blake3::hash(named.as_bytes()).as_bytes());
        let segments = Segments::new(&config, self.store.folder(), name);
        let Pass {
            read,
            segments,
            mut batch,
            span,
        } = self.pass(one, start, segments)?;
        if matches!(read, Err(ReadFailure::Rewritten)) {
            return self.take_large(one, Start::default(), now);
        }
        let Step::Taken(mut taken) = self.judge(one, read, start, Vec::new(), &[])? else {
            self.forget_uncommitted()?;
            return Ok(Outcome {
                again: 1,
                ..Outcome::default()
            });
        };
        taken.facts.first_at = span.map(|(first, _)| first);
        taken.facts.last_at = span.map(|(_, last)| last);
        if counts(taken.facts.verdict) && span.is_some_and(|(_, last)| last > now + FUTURE_US) {
            taken.facts = refuse_future(taken.facts);
        }
        if self.may_repeat(&taken.facts)?
            && let Some(unit) = self.counted_before(&batch.units)?
        {
            taken.facts = refuse_visit(taken.facts, &unit);
        }
        let is_kept = counts(taken.facts.verdict);
        if !is_kept {
            taken.drop_rows();
            self.forget_uncommitted()?;
            batch = Batch::default();
        }
        batch.files.push(taken.facts);
        batch.paths.push(taken.path);
        // Segments that are not finished are swept away at the next start.
        let archive = || {
            if is_kept {
                segments.finish()
            } else {
                Ok(Vec::new())
            }
        };
        self.keep(batch, archive, now)
    }

    /// One reading: pieces are parsed, sorted, counted and encoded on all threads, and put together
    /// here.
    fn pass<'a>(
        &mut self,
        one: &Waiting,
        start: Start,
        mut segments: Segments<'a>,
    ) -> Result<Pass<'a>, StoreError> {
        let config = Arc::clone(&self.config);
        let request = request(&config, one, start, self.threads);
        let engine = &mut self.engine;
        let mut batch = Batch::default();
        let mut span = None;
        let mut archived = Ok(());
        let to = Use {
            prepare: &|block| {
                let piece = Prepared::of(&config, block);
                let parts = plan(std::slice::from_ref(&piece.block)).into_iter();
                let encoded = parts.map(|part| encode(&config, part)).collect();
                (piece.span(), piece.sorted, piece.visits, encoded)
            },
            sink: &mut |(of_piece, sorted, visits, encoded)| {
                span = widen(span, of_piece);
                engine.take(sorted);
                tally::join(&mut batch.units, visits);
                let mut write = |encoded: Vec<Encoded>| {
                    encoded.into_iter().try_for_each(|one| segments.add(one))
                };
                // The first failure is told; what follows it is not written.
                if archived.is_ok() {
                    archived = write(encoded);
                }
            },
        };
        let read = read_file(&config, one.feed, &request, to);
        archived?;
        Ok(Pass {
            read,
            segments,
            batch,
            span,
        })
    }
}
