//! Files too large to wait in memory: read piece by piece, committed alone.
//!
//! Rows reach the engine before it is known whether the file counts. Where it does not, and where
//! some of its rows are recorded already, the engine goes back to the record: nothing of the
//! reading is left.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::facts::{counts, refuse};
use super::prepared::Prepared;
use super::repeated::{Hindered, Repeats, Trouble, too_many};
use super::unreadable::is_worth_a_try;
use super::{
    Ingest, Open, Outcome, Start, Step, Taken, Waiting, request, segment_name, tally, widen,
};
use crate::config::Config;
use crate::feeds::read::{FileRead, ReadFailure, Use, read_file};
use crate::store::segment::{DAY_US, Encoded, Segments, encode, plan};
use crate::store::{Batch, StoreError, Verdict};

/// What came of reading a large file.
struct Pass<'a> {
    read: Result<FileRead, ReadFailure>,
    segments: Segments<'a>,
    batch: Batch,
    /// The first and the last event.
    span: Option<(i64, i64)>,
    /// The days of its events.
    days: BTreeSet<i64>,
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
        self.store.look_away()?;
        let mut pass = self.tried(&config, (one, start, now), &mut None)?;
        if matches!(pass.read, Err(ReadFailure::Rewritten)) {
            let name = one.found.path.to_string_lossy();
            return self.take_large(one, Start::of(&config.feeds[one.feed].name, &name), now);
        }
        let Some(taken) = self.judge_large(one, start, &mut pass, now)? else {
            return self.unread(one);
        };
        if counts(taken.facts.verdict) {
            let seen = self.seen(&pass.batch.units, start, &Open::default())?;
            if !seen.is_empty() {
                // The second reading writes segments of the same names.
                let Pass { days, segments, .. } = pass;
                drop(segments);
                self.forget_uncommitted()?;
                let none = Open::default();
                return match self.repeats(one.feed, start, seen, &days, &none)? {
                    Ok(repeats) => self.take_rest(one, start, (repeats, taken), now),
                    Err(Hindered::ByTheSystem) => Ok(Outcome::again(one)),
                    Err(Hindered::ForGood(trouble)) => self.keep_aside(*taken, trouble, now),
                };
            }
        }
        self.keep_large(taken, pass, now)
    }

    /// Reads a large file twice more: to compare its rows with those that are recorded, and to
    /// commit what of it is not. Where it is no longer what it was at the first reading, it is read
    /// anew.
    fn take_rest(
        &mut self,
        one: &Waiting,
        start: Start,
        (mut repeats, first): (Repeats, Box<Taken>),
        now: i64,
    ) -> Result<Outcome, StoreError> {
        let config = Arc::clone(&self.config);
        let content = (first.facts.hash, first.facts.to_byte);
        let mut has_room = true;
        let to = Use {
            prepare: &|block| Prepared::of(&config, block, start.source),
            sink: &mut |piece| {
                self.health.step();
                has_room = has_room && repeats.look(&config, &piece);
            },
        };
        let request = request(&config, one, start, self.threads);
        match read_file(&config, one.feed, &request, to) {
            Ok(read) if (*read.hash.as_bytes(), read.end) == content => {}
            _ => return Ok(Outcome::again(one)),
        }
        if !has_room {
            return self.keep_aside(*first, too_many(), now);
        }
        repeats.decide(&config);
        let mut repeats = Some(repeats);
        let mut pass = self.tried(&config, (one, start, now), &mut repeats)?;
        let Some(mut taken) = self.judge_large(one, start, &mut pass, now)? else {
            return self.unread(one);
        };
        if (taken.facts.hash, taken.facts.to_byte) != content {
            return self.unread(one);
        }
        if let (true, Some(repeats)) = (counts(taken.facts.verdict), repeats) {
            taken.facts = repeats.facts(taken.facts);
        }
        self.keep_large(taken, pass, now)
    }

    /// Keeps that a file was set aside; nothing of its rows is in the engine.
    fn keep_aside(
        &mut self,
        mut taken: Taken,
        trouble: Trouble,
        now: i64,
    ) -> Result<Outcome, StoreError> {
        taken.facts = refuse(taken.facts, trouble);
        taken.drop_rows();
        let mut batch = Batch::default();
        batch.files.push(taken.facts);
        batch.paths.push(taken.path);
        self.keep(batch, Vec::new(), || Ok(Vec::new()), now)
    }

    /// A reading, tried again where that may help.
    fn tried<'a>(
        &mut self,
        config: &'a Config,
        what: (&Waiting, Start, i64),
        repeats: &mut Option<Repeats>,
    ) -> Result<Pass<'a>, StoreError> {
        let mut tries = 1;
        loop {
            let pass = self.pass(config, what, repeats)?;
            if !is_worth_a_try(&pass.read, tries) {
                return Ok(pass);
            }
            drop(pass);
            self.forget_uncommitted()?;
            repeats.iter_mut().for_each(Repeats::rewind);
            tries += 1;
        }
    }

    /// Decides what a large file is once it has been read; nothing where it changed meanwhile.
    fn judge_large(
        &mut self,
        one: &Waiting,
        start: Start,
        pass: &mut Pass,
        now: i64,
    ) -> Result<Option<Box<Taken>>, StoreError> {
        let read = std::mem::replace(&mut pass.read, Err(ReadFailure::Changed));
        let (rows, none) = ((Vec::new(), pass.span), Open::default());
        match self.judge(one, read, start, rows, (&none, now))? {
            Step::Taken(taken) => Ok(Some(taken)),
            Step::Nothing | Step::Again | Step::Vanished => Ok(None),
        }
    }

    fn unread(&mut self, one: &Waiting) -> Result<Outcome, StoreError> {
        self.forget_uncommitted()?;
        Ok(Outcome::again(one))
    }

    fn keep_large(
        &mut self,
        mut taken: Box<Taken>,
        pass: Pass,
        now: i64,
    ) -> Result<Outcome, StoreError> {
        let Pass {
            segments,
            mut batch,
            ..
        } = pass;
        let is_kept = counts(taken.facts.verdict);
        if !is_kept {
            if taken.facts.verdict == Verdict::Quarantined {
                taken.drop_rows();
            }
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
        self.keep(batch, Vec::new(), archive, now)
    }

    /// One reading: pieces are parsed, sorted, counted and encoded on all threads, and put together
    /// here. Rows that are recorded are left out where it is known which these are.
    fn pass<'a>(
        &mut self,
        config: &'a Config,
        (one, start, now): (&Waiting, Start, i64),
        repeats: &mut Option<Repeats>,
    ) -> Result<Pass<'a>, StoreError> {
        let named = format!("{}\n{}\n{now}", one.found.path.display(), start.from);
        let name = segment_name(blake3::hash(named.as_bytes()).as_bytes());
        let mut segments = Segments::new(config, self.store.folder(), name);
        let request = request(config, one, start, self.threads);
        let (engine, health) = (&mut self.engine, &self.health);
        let mut batch = Batch::default();
        let (mut span, mut days) = (None, BTreeSet::new());
        let mut archived = Ok(());
        let encoded = |piece: &Prepared| -> Vec<Encoded> {
            let parts = plan(std::slice::from_ref(&piece.block)).into_iter();
            parts.map(|part| encode(config, part)).collect()
        };
        let is_sifted = repeats.is_some();
        let to = Use {
            prepare: &|block| {
                let piece = Prepared::of(config, block, start.source);
                let of_piece = (piece.span(), days_of(&piece.block.at));
                if is_sifted {
                    (of_piece, Piece::Whole(Box::new(piece)))
                } else {
                    let encoded = encoded(&piece);
                    (
                        of_piece,
                        Piece::Encoded(piece.sorted, piece.visits, encoded),
                    )
                }
            },
            sink: &mut |(of_piece, piece)| {
                health.step();
                span = widen(span, of_piece.0);
                days.extend(of_piece.1);
                let (sorted, visits, encoded) = match piece {
                    Piece::Encoded(sorted, visits, encoded) => (sorted, visits, encoded),
                    Piece::Whole(piece) => {
                        let rest = match repeats {
                            Some(repeats) => repeats.sift(config, *piece),
                            None => Some(*piece),
                        };
                        let Some(rest) = rest else { return };
                        let encoded = encoded(&rest);
                        (rest.sorted, rest.visits, encoded)
                    }
                };
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
        let read = read_file(config, one.feed, &request, to);
        archived?;
        Ok(Pass {
            read,
            segments,
            batch,
            span,
            days,
        })
    }
}

/// A piece of a large file on its way to the engine and the archive.
enum Piece {
    /// All of it counts: it is encoded, and its rows are gone from memory.
    Encoded(crate::engine::Sorted, tally::Visits, Vec<Encoded>),
    /// Some of it may be recorded.
    Whole(Box<Prepared>),
}

/// The days of events.
fn days_of(at: &[i64]) -> BTreeSet<i64> {
    let mut days: Vec<i64> = at.iter().map(|at| at.div_euclid(DAY_US)).collect();
    days.dedup();
    days.into_iter().collect()
}

#[cfg(test)]
mod tests;
