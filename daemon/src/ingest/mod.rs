//! From files that wait to one committed batch.
//!
//! Reads files, asks the record whether their content counts already, gives rows to the engine,
//! the tallies and the archive, and commits all of it at once. Knows no watching and no time of
//! day: the caller says what waits and what time it is.

use std::collections::HashSet;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, sync_channel};
use std::thread::ScopedJoinHandle;

use crate::block::FeedIndex;
use crate::clock::Monotonic;
use crate::config::Config;
use crate::engine::{Command, Engine, Sorted, StreamName};
use crate::feeds::glance::Whole;
use crate::feeds::read::{FileRead, ReadFailure, ReadRequest, Use, read_file};
use crate::feeds::regular::is_of_the_system;
use crate::feeds::scan::Found;
use crate::health::Health;
use crate::pipeline;
use crate::store::segment::{Segments, Written, encode, plan};
use crate::store::{AlertNews, Batch, Ready, Store, StoreError, Verdict};

mod continued;
mod facts;
mod known;
mod large;
mod open;
mod outcome;
mod plan;
mod prepared;
mod repeated;
mod swapped;
pub mod tally;
mod unreadable;

use facts::{counts, refuse};
use open::{Open, Start, Taken};
pub use outcome::Outcome;
use plan::{Plan, at_once};
use prepared::Prepared;
use repeated::{AtHand, Compared};
use unreadable::{is_worth_a_try, unreadable};

/// Files in one transaction at most.
pub const BATCH_FILES_MAX: usize = 8_192;

/// A file above this size is read piece by piece and committed alone.
const LARGE_FILE_BYTES: u64 = 8 << 20;

/// Bytes of small files that wait in memory for one transaction; what a row takes there grows with
/// its text.
const BATCH_BYTES_MAX: u64 = 32 << 20;

/// What is read while a transaction is written, beside what each thread reads: so many goes.
const READ_AHEAD: usize = 128;

/// Streams that are evaluated and wait to be written at most.
const SETTLED_MAX: usize = 4;

/// How far an event may lie after the clock before the file is refused: a day.
const FUTURE_US: i64 = 86_400_000_000;

/// A file that waits to be read.
#[derive(Clone, Debug)]
pub struct Waiting {
    /// Its feed.
    pub feed: FeedIndex,
    /// What the scan saw.
    pub found: Found,
    /// Its content, where that was seen already.
    pub whole: Option<Whole>,
}

/// Whether all these files are sure to be committed together. Their order makes no difference then,
/// but to which of two rows that contradict each other came first.
#[must_use]
pub fn are_one_batch(waiting: &[Waiting]) -> bool {
    let lengths = || waiting.iter().map(|one| one.found.len);
    waiting.len() <= BATCH_FILES_MAX
        && lengths().all(|length| length <= LARGE_FILE_BYTES)
        && lengths().sum::<u64>() <= BATCH_BYTES_MAX
}

/// The record, the engine and what stands between them and files.
pub struct Ingest {
    config: Arc<Config>,
    store: Store,
    engine: Engine,
    names: Vec<StreamName>,
    threads: usize,
    at_hand: AtHand,
    health: Arc<Health>,
}

/// What reading one file led to.
enum Step {
    Nothing,
    Again,
    Vanished,
    Taken(Box<Taken>),
}

/// A small file that was read.
type SmallRead = (Result<FileRead, ReadFailure>, Vec<Prepared>);

impl Ingest {
    /// Opens the record and goes on where it stopped.
    ///
    /// # Errors
    ///
    /// When the record can not be opened or read.
    pub fn open(config: Arc<Config>, threads: usize) -> Result<Ingest, StoreError> {
        Ingest::open_beside(config, threads, Arc::default())
    }

    /// The same, where something else asks how the program is already.
    ///
    /// # Errors
    ///
    /// When the record can not be opened or read.
    pub fn open_beside(
        config: Arc<Config>,
        threads: usize,
        health: Arc<Health>,
    ) -> Result<Ingest, StoreError> {
        let store = Store::open(&config.data_folder)?;
        let engine = store.load(&config)?;
        let mut ingest = Ingest {
            config,
            store,
            engine,
            names: Vec::new(),
            threads,
            at_hand: AtHand::default(),
            health,
        };
        ingest.learn_names();
        Ok(ingest)
    }

    /// The record.
    pub fn store(&mut self) -> &mut Store {
        &mut self.store
    }

    /// The configuration.
    #[must_use]
    pub fn config(&self) -> &Arc<Config> {
        &self.config
    }

    /// How the program is.
    #[must_use]
    pub fn health(&self) -> &Arc<Health> {
        &self.health
    }

    /// Goes back to the record after a commit that surely kept nothing, and takes away what it
    /// left of the archive.
    ///
    /// # Errors
    ///
    /// When the record fails.
    pub fn go_back(&mut self) -> Result<(), StoreError> {
        self.store.look_away()?;
        self.forget_uncommitted()?;
        self.at_hand = AtHand::default();
        self.names.clear();
        self.learn_names();
        self.store.sweep()
    }

    /// Goes on with another configuration of the same data folder.
    ///
    /// # Errors
    ///
    /// When the record does not fit it; then all stays as it was.
    pub fn reconfigure(&mut self, config: Arc<Config>) -> Result<(), StoreError> {
        self.engine = self.store.load(&config)?;
        self.config = config;
        self.at_hand = AtHand::default();
        self.names.clear();
        self.learn_names();
        Ok(())
    }

    /// How many threads may work.
    #[must_use]
    pub fn threads(&self) -> usize {
        self.threads
    }

    /// Reads what waits and commits it, batch by batch.
    ///
    /// # Errors
    ///
    /// When the record fails. What was committed before stays; nothing else was kept.
    pub fn take(&mut self, waiting: &[Waiting], now: i64) -> Result<Outcome, StoreError> {
        let mut outcome = Outcome::default();
        let mut left = waiting;
        while !left.is_empty() && !self.health.is_stopping() {
            let mut small = Vec::new();
            let mut large = None;
            let mut planned = HashSet::new();
            self.store.look()?;
            let unknown = self.unknown(left)?;
            while let Some((one, rest)) = left.split_first() {
                left = rest;
                if !planned.insert((one.feed, one.found.path.as_os_str())) {
                    continue;
                }
                match self.plan(one, unknown.contains(&one.feed))? {
                    Plan::Nothing => {}
                    Plan::Small(start) => small.push((one, start)),
                    Plan::Large(start) => {
                        large = Some((one, start));
                        break;
                    }
                }
            }
            outcome.add(self.take_small(&small, now)?);
            if let Some((one, start)) = large {
                outcome.add(self.take_large(one, start, now)?);
            }
        }
        self.store.look_away()?;
        Ok(outcome)
    }

    /// Reads small files on all threads and commits them in their order.
    fn take_small(&mut self, small: &[(&Waiting, Start)], now: i64) -> Result<Outcome, StoreError> {
        let config = Arc::clone(&self.config);
        let mut outcome = Outcome::default();
        let mut open = Open::default();
        let health = Arc::clone(&self.health);
        let mut jobs = at_once(small).into_iter();
        pipeline::far_ahead(
            (self.threads.min(small.len()), READ_AHEAD),
            // What has not begun when the program is to end is read at the next start.
            &mut || Ok(jobs.next().filter(|_| !health.is_stopping())),
            &|some: &[(&Waiting, Start)]| {
                let read = |(one, start): &(&Waiting, Start)| read_small(&config, one, *start);
                (some, some.iter().map(read).collect::<Vec<SmallRead>>())
            },
            &mut |(some, reads)| {
                for ((one, start), read) in some.iter().zip(reads) {
                    self.health.step();
                    self.store.look()?;
                    match self.judge_small(one, *start, read, (&open, now))? {
                        Step::Nothing => {}
                        Step::Again => outcome.add(Outcome::again(one)),
                        Step::Vanished => outcome.add(Outcome::vanished(one)),
                        Step::Taken(taken) => open.push(*taken),
                    }
                    if open.is_full() {
                        outcome.add(self.commit(std::mem::take(&mut open).taken, now)?);
                    }
                }
                Ok(())
            },
        )?;
        outcome.add(self.commit(open.taken, now)?);
        Ok(outcome)
    }

    /// Takes over what people asked for. Gives how many requests there were.
    ///
    /// # Errors
    ///
    /// When the record fails.
    pub fn take_requests(&mut self, now: i64) -> Result<(usize, Outcome), StoreError> {
        let requests = self.store.new_requests()?;
        if requests.is_empty() {
            return Ok((0, Outcome::default()));
        }
        let mut batch = Batch::default();
        for request in &requests {
            let at = request
                .command
                .at
                .max(self.engine.open_after(request.stream));
            batch.taken_requests.push((request.id, at));
            if request.stream < self.engine.streams().len() {
                let command = Command {
                    at,
                    ..request.command.clone()
                };
                self.engine.command(request.stream, command);
            }
        }
        let news = self.settle_and_commit(&batch, Vec::new(), || Ok(Vec::new()), now)?;
        Ok((
            requests.len(),
            Outcome {
                news,
                ..Outcome::default()
            },
        ))
    }

    fn learn_names(&mut self) {
        let fresh = names_from(&self.engine, self.names.len());
        self.names.extend(fresh);
    }

    fn judge_small(
        &mut self,
        one: &Waiting,
        start: Start,
        (read, pieces): SmallRead,
        beside: (&Open, i64),
    ) -> Result<Step, StoreError> {
        // It was replaced, not continued.
        if matches!(read, Err(ReadFailure::Rewritten)) {
            let start = self.continued(one)?;
            let (read, pieces) = read_small(&self.config, one, start);
            return self.judge(one, read, start, (pieces, None), beside);
        }
        self.judge(one, read, start, (pieces, None), beside)
    }

    /// Decides what a file is once it has been read: beside those that wait, and by the clock. Of a
    /// large file no pieces are there, but the first and the last event.
    fn judge(
        &mut self,
        one: &Waiting,
        read: Result<FileRead, ReadFailure>,
        start: Start,
        (pieces, span): (Vec<Prepared>, Option<(i64, i64)>),
        (open, now): (&Open, i64),
    ) -> Result<Step, StoreError> {
        let read = match read {
            Ok(read) => read,
            Err(ReadFailure::Quarantine(trouble)) => {
                let trouble = (trouble.code.to_owned(), trouble.reason, trouble.fix);
                return Ok(Step::Taken(Box::new(self.set_aside(one, trouble))));
            }
            Err(ReadFailure::Vanished) => return Ok(Step::Vanished),
            Err(ReadFailure::Changed | ReadFailure::Rewritten) => return Ok(Step::Again),
            Err(ReadFailure::Io(error)) if is_of_the_system(&error) => {
                tracing::warn!(file = ?one.found.path, %error, "can not be read yet");
                return Ok(Step::Again);
            }
            Err(ReadFailure::Io(error)) => {
                let taken = self.set_aside(one, unreadable(&error));
                return Ok(Step::Taken(Box::new(taken)));
            }
        };
        if read.end == start.from && self.config.feeds[one.feed].grows {
            return Ok(Step::Nothing);
        }
        let hash = *read.hash.as_bytes();
        let known = open.has_content(&hash) || self.store.knows_content(&hash)?;
        let span = pieces.iter().map(Prepared::span).fold(span, widen);
        let mut taken = self.facts(one, &read, start, known, span);
        // Before its rows are compared, and before others are compared with them: what is set
        // aside must not stand in the way of a copy that was put right.
        if taken.lies_in_future(now) {
            taken.refuse_future();
        } else if known {
            // It says nothing new.
        } else if let Some(trouble) = self.doubt(one, &taken, open)? {
            taken.facts = refuse(taken.facts, trouble);
            taken.drop_rows();
        } else {
            taken.pieces = pieces;
            taken.empty = read.empty;
            if let Compared::NotNow = self.sift(&mut taken, open)? {
                return Ok(Step::Again);
            }
        }
        Ok(Step::Taken(Box::new(taken)))
    }

    /// Commits small files that were read into memory.
    fn commit(&mut self, taken: Vec<Taken>, now: i64) -> Result<Outcome, StoreError> {
        if taken.is_empty() {
            return Ok(Outcome::default());
        }
        let mut batch = Batch::default();
        // Only content that counts is unique: a duplicate's digest names segments already.
        let counted = taken.iter().find(|one| counts(one.facts.verdict));
        let named = counted.map_or(taken[0].facts.hash, |one| one.facts.hash);
        let config = Arc::clone(&self.config);
        let (mut blocks, mut sorted) = (Vec::new(), Vec::new());
        for one in taken {
            for piece in one.pieces {
                sorted.push(piece.sorted);
                tally::join(&mut batch.units, piece.visits);
                blocks.push(piece.block);
            }
            if let Some(unit) = &one.empty {
                self.engine.absorb_empty(unit);
                tally::add_empty(&config, unit, &mut batch.units);
            }
            batch.files.push(one.facts);
            batch.paths.push(one.path);
        }
        let config = &*config;
        let mut segments = Segments::new(config, self.store.folder(), segment_name(&named));
        let threads = self.threads;
        // The rows are given back there, too: the writer has enough to do.
        let archive = move || {
            let mut parts = plan(&blocks).into_iter();
            pipeline::in_order(
                threads,
                &mut || Ok(parts.next()),
                &|part| encode(config, part),
                &mut |encoded| segments.add(encoded),
            )?;
            segments.finish()
        };
        self.keep(batch, sorted, archive, now)
    }

    /// Goes back to the record: rows of a file that does not count have reached the engine.
    fn forget_uncommitted(&mut self) -> Result<(), StoreError> {
        self.engine = self.store.load(&self.config)?;
        Ok(())
    }

    /// The engine takes what it has not got yet and settles, while the archive and the record take
    /// everything else.
    fn settle_and_commit(
        &mut self,
        batch: &Batch,
        sorted: Vec<Sorted>,
        archive: impl FnOnce() -> Result<Vec<Written>, StoreError> + Send,
        now: i64,
    ) -> Result<Vec<AlertNews>, StoreError> {
        std::thread::scope(|scope| {
            let archiving = scope.spawn(archive);
            let (names, engine, store) = (&mut self.names, &mut self.engine, &mut self.store);
            let known = names.len();
            let (named, fresh) = sync_channel(1);
            let (told, effects) = sync_channel(SETTLED_MAX);
            let settle = move || {
                sorted.into_iter().for_each(|one| engine.take(one));
                // Where nobody listens any more, the commit has failed and says so.
                if named.send(names_from(engine, known)).is_ok() {
                    engine.settle_each(&mut |effects| if told.send(Ready::of(effects)).is_ok() {});
                }
            };
            let settling = Settling {
                effects,
                thread: Some(scope.spawn(settle)),
            };
            // Without an answer the thread has broken down, which `settling` passes on.
            let names = move || {
                let all = names;
                all.extend(fresh.recv().unwrap_or_default());
                all.as_slice()
            };
            let later = (names, settling, || finished(archiving));
            store.commit(&self.config, batch, later, now)
        })
    }

    fn keep(
        &mut self,
        batch: Batch,
        sorted: Vec<Sorted>,
        archive: impl FnOnce() -> Result<Vec<Written>, StoreError> + Send,
        now: i64,
    ) -> Result<Outcome, StoreError> {
        let clock = Monotonic::start();
        let news = self.settle_and_commit(&batch, sorted, archive, now)?;
        self.health.kept(&batch.files, clock.us());
        let mut outcome = Outcome {
            news,
            ..Outcome::default()
        };
        for file in &batch.files {
            match file.verdict {
                Verdict::Accepted | Verdict::AcceptedWithRejects => outcome.accepted += 1,
                Verdict::Duplicate => outcome.duplicate += 1,
                Verdict::Quarantined => outcome.quarantined += 1,
            }
            let place = self
                .config
                .feeds
                .iter()
                .position(|feed| feed.name == file.feed);
            outcome.heard.extend(place);
            outcome.rows += file.rows_used;
            outcome.rejects += file.rows_rejected;
        }
        Ok(outcome)
    }
}

/// The names of the streams from a place on.
fn names_from(engine: &Engine, place: usize) -> Vec<StreamName> {
    let streams = engine.streams().iter().skip(place);
    streams.map(|stream| stream.name().clone()).collect()
}

/// What the engine asks to keep, as it comes.
struct Settling<'scope> {
    effects: Receiver<Ready>,
    thread: Option<ScopedJoinHandle<'scope, ()>>,
}

impl Iterator for Settling<'_> {
    type Item = Ready;

    fn next(&mut self) -> Option<Ready> {
        let next = self.effects.recv().ok();
        if next.is_none()
            && let Some(thread) = self.thread.take()
        {
            finished(thread);
        }
        next
    }
}

/// What a thread made. Its panic is passed on: a transaction that waits for it never commits.
fn finished<T>(work: ScopedJoinHandle<T>) -> T {
    match work.join() {
        Ok(made) => made,
        Err(panic) => std::panic::resume_unwind(panic),
    }
}

/// Reads a small file into memory.
fn read_small(config: &Config, one: &Waiting, start: Start) -> SmallRead {
    let mut tries = 1;
    loop {
        let mut pieces = Vec::new();
        let to = Use {
            prepare: &|block| Prepared::of(config, block, start.source),
            sink: &mut |piece| pieces.push(piece),
        };
        let read = read_file(config, one.feed, &request(config, one, start, 1), to);
        if !is_worth_a_try(&read, tries) {
            return (read, pieces);
        }
        tries += 1;
    }
}

fn request<'a>(config: &Config, one: &'a Waiting, start: Start, threads: usize) -> ReadRequest<'a> {
    ReadRequest {
        path: &one.found.path,
        from: start.from,
        prefix: start.prefix,
        take_last_partial_line: !config.feeds[one.feed].grows,
        threads,
        whole: one.whole.as_ref(),
    }
}

/// The first and the last event of both.
fn widen(a: Option<(i64, i64)>, b: Option<(i64, i64)>) -> Option<(i64, i64)> {
    match (a, b) {
        (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
        (one, None) | (None, one) => one,
    }
}

/// Content counts once, so the digest of the first file that counts names the segments of a batch.
fn segment_name(hash: &[u8; 32]) -> String {
    hash.iter()
        .take(8)
        .map(|byte| format!("{byte:02x}"))
        .collect()
}
