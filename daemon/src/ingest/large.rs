//! Files too large to wait in memory: read piece by piece, committed alone.
//!
//! Rows reach the engine before it is known whether the file counts. Where it does not, the engine
//! goes back to the record: nothing of the file is left.

use std::sync::Arc;
use std::sync::mpsc::sync_channel;

use super::rewritten::refuse_visit;
use super::{
    FUTURE_US, Ingest, Outcome, Start, Step, Waiting, counts, refuse_future, segment_name, tally,
    widen,
};
use crate::block::Block;
use crate::feeds::read::{FileRead, ReadFailure, ReadRequest, read_file};
use crate::store::archive::Segments;
use crate::store::{Batch, StoreError};

/// Blocks that wait for the archive at most: what reading may be ahead of it.
const ARCHIVE_BLOCKS_MAX: usize = 1;

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
        let Step::Taken(mut taken) = self.judge(one, read, start.from, Vec::new(), &[])? else {
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
        if let Some(unit) = self.counted_before(&taken.facts, &batch.units)? {
            taken.facts = refuse_visit(taken.facts, &unit);
        }
        if counts(taken.facts.verdict) {
            batch.segments = segments.finish()?;
        } else {
            drop(segments);
            self.forget_uncommitted()?;
            batch = Batch::default();
        }
        batch.files.push(taken.facts);
        batch.paths.push(taken.path);
        self.keep(batch, now)
    }

    /// One reading: rows go to the engine and the tallies here, and to the archive beside it.
    fn pass<'a>(
        &mut self,
        one: &Waiting,
        start: Start,
        mut segments: Segments<'a>,
    ) -> Result<Pass<'a>, StoreError> {
        let config = Arc::clone(&self.config);
        let request = ReadRequest {
            path: &one.found.path,
            from: start.from,
            prefix: start.prefix,
            take_last_partial_line: !config.feeds[one.feed].grows,
            threads: self.threads,
        };
        let engine = &mut self.engine;
        let mut batch = Batch::default();
        let mut span = None;
        let (to_archive, blocks) = sync_channel::<Block>(ARCHIVE_BLOCKS_MAX);
        let (read, archived) = std::thread::scope(|scope| {
            let archive = scope.spawn(move || -> Result<Segments<'a>, StoreError> {
                for block in blocks {
                    segments.add(&block)?;
                }
                Ok(segments)
            });
            let mut is_archiving = true;
            let read = read_file(&config, one.feed, &request, &mut |block| {
                if is_archiving {
                    span = widen(span, &block.at);
                    engine.absorb(&block);
                    tally::add(&config, &block, &mut batch.units);
                    // An archive that ended early has failed; its error is told below.
                    is_archiving = to_archive.send(block).is_ok();
                }
            });
            drop(to_archive);
            (read, archive.join())
        });
        let segments = archived
            .unwrap_or_else(|_| Err(StoreError::Archive("its writer broke down".to_owned())))?;
        Ok(Pass {
            read,
            segments,
            batch,
            span,
        })
    }
}
