//! From files that wait to one committed batch.
//!
//! Reads files, asks the record whether their content counts already, gives rows to the engine,
//! the tallies and the archive, and commits all of it at once. Knows no watching and no clock: the
//! caller says what waits and what time it is.

use std::path::Path;
use std::sync::Arc;

use crate::block::{Block, EmptyUnit, FeedIndex};
use crate::config::Config;
use crate::engine::{Command, Engine, StreamName};
use crate::feeds::read::{FileRead, ReadFailure, ReadRequest, read_file};
use crate::feeds::scan::Found;
use crate::store::archive::Segments;
use crate::store::{
    AlertNews, Batch, FileFacts, PathFacts, RejectFacts, Store, StoreError, Verdict,
};

mod continued;
mod large;
mod rewritten;
pub mod tally;

/// Files in one transaction at most.
pub const BATCH_FILES_MAX: usize = 64;

/// A file above this size is read piece by piece and committed alone.
const LARGE_FILE_BYTES: u64 = 8 << 20;

/// Rows of small files that wait in memory for one transaction at most.
const BATCH_ROWS_MAX: usize = 300_000;

/// How far an event may lie after the clock before the file is refused: a day.
const FUTURE_US: i64 = 86_400_000_000;

/// A file that waits to be read.
#[derive(Clone, Debug)]
pub struct Waiting {
    /// Its feed.
    pub feed: FeedIndex,
    /// What the scan saw.
    pub found: Found,
}

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
    /// Files that changed while they were read or vanished: the next scan sees them again.
    pub again: u64,
    /// What happened to alerts.
    pub news: Vec<AlertNews>,
}

impl Outcome {
    /// Adds what became of more files.
    pub fn add(&mut self, other: Outcome) {
        self.accepted += other.accepted;
        self.duplicate += other.duplicate;
        self.quarantined += other.quarantined;
        self.rows += other.rows;
        self.rejects += other.rejects;
        self.again += other.again;
        self.news.extend(other.news);
    }
}

/// The record, the engine and what stands between them and files.
pub struct Ingest {
    config: Arc<Config>,
    store: Store,
    engine: Engine,
    names: Vec<StreamName>,
    threads: usize,
}

/// A piece of a file that was read into memory.
struct Taken {
    feed: FeedIndex,
    facts: FileFacts,
    path: PathFacts,
    blocks: Vec<Block>,
    empty: Option<EmptyUnit>,
}

impl Taken {
    /// Sets a file aside that would count, but lies too far after the clock.
    fn refuse_future(&mut self, now: i64) {
        let last = self.facts.last_at;
        if counts(self.facts.verdict) && last.is_some_and(|last| last > now + FUTURE_US) {
            self.facts = refuse_future(self.facts.clone());
            self.blocks.clear();
            self.empty = None;
        }
    }
}

/// Where reading starts: the bytes before it count already.
#[derive(Clone, Copy, Default)]
struct Start {
    from: u64,
    prefix: Option<blake3::Hash>,
}

/// What reading one file led to.
enum Step {
    Nothing,
    Again,
    Taken(Box<Taken>),
    Large(Start),
}

impl Ingest {
    /// Opens the record and goes on where it stopped.
    ///
    /// # Errors
    ///
    /// When the record can not be opened or read.
    pub fn open(config: Arc<Config>, threads: usize) -> Result<Ingest, StoreError> {
        let store = Store::open(&config.data_folder)?;
        let engine = store.load(&config)?;
        let mut ingest = Ingest {
            config,
            store,
            engine,
            names: Vec::new(),
            threads,
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

    /// Reads what waits and commits it, batch by batch.
    ///
    /// # Errors
    ///
    /// When the record fails. What was committed before stays; nothing else was kept.
    pub fn take(&mut self, waiting: &[Waiting], now: i64) -> Result<Outcome, StoreError> {
        let mut outcome = Outcome::default();
        let mut batch: Vec<Taken> = Vec::new();
        let mut rows = 0;
        for one in waiting {
            match self.read(one, &batch)? {
                Step::Nothing => {}
                Step::Again => outcome.again += 1,
                Step::Taken(taken) => {
                    rows += taken.blocks.iter().map(|block| block.rows).sum::<usize>();
                    batch.push(*taken);
                }
                Step::Large(start) => {
                    outcome.add(self.commit(std::mem::take(&mut batch), now)?);
                    rows = 0;
                    outcome.add(self.take_large(one, start, now)?);
                }
            }
            if batch.len() >= BATCH_FILES_MAX || rows >= BATCH_ROWS_MAX {
                outcome.add(self.commit(std::mem::take(&mut batch), now)?);
                rows = 0;
            }
        }
        outcome.add(self.commit(batch, now)?);
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
        batch.effects = self.engine.settle();
        let news = self.store.commit(&self.config, &self.names, &batch, now)?;
        Ok((
            requests.len(),
            Outcome {
                news,
                ..Outcome::default()
            },
        ))
    }

    fn learn_names(&mut self) {
        let known = self.names.len();
        let fresh = self
            .engine
            .streams()
            .iter()
            .skip(known)
            .map(|stream| stream.name().clone());
        self.names.extend(fresh);
    }

    fn read(&mut self, one: &Waiting, batch: &[Taken]) -> Result<Step, StoreError> {
        let feed = &self.config.feeds[one.feed];
        let path = one.found.path.to_string_lossy().into_owned();
        let known = self.store.path(&feed.name, &path)?;
        let unchanged = known.as_ref().is_some_and(|known| {
            known.length == one.found.len && known.modified_ns == one.found.modified_ns
        });
        let waits_already = batch
            .iter()
            .any(|taken| taken.feed == one.feed && taken.path.path == path);
        if unchanged || waits_already {
            return Ok(Step::Nothing);
        }
        let start = match &known {
            Some(known) if known.consumed > 0 && one.found.len >= known.consumed => Start {
                from: known.consumed,
                prefix: Some(blake3::Hash::from_bytes(known.hash)),
            },
            _ => self.continued(one)?,
        };
        if one.found.len.saturating_sub(start.from) > LARGE_FILE_BYTES {
            return Ok(Step::Large(start));
        }
        let mut blocks = Vec::new();
        let read = self.read_from(one, start, 1, &mut |block| blocks.push(block));
        match read {
            // It was replaced, not continued.
            Err(ReadFailure::Rewritten) => {
                let start = self.continued(one)?;
                blocks.clear();
                let read = self.read_from(one, start, 1, &mut |block| blocks.push(block));
                self.judge(one, read, start.from, blocks, batch)
            }
            read => self.judge(one, read, start.from, blocks, batch),
        }
    }

    fn read_from(
        &self,
        one: &Waiting,
        start: Start,
        threads: usize,
        sink: &mut dyn FnMut(Block),
    ) -> Result<FileRead, ReadFailure> {
        let request = ReadRequest {
            path: &one.found.path,
            from: start.from,
            prefix: start.prefix,
            take_last_partial_line: !self.config.feeds[one.feed].grows,
            threads,
        };
        read_file(&self.config, one.feed, &request, sink)
    }

    /// Decides what a small file is once it has been read.
    fn judge(
        &self,
        one: &Waiting,
        read: Result<FileRead, ReadFailure>,
        from: u64,
        blocks: Vec<Block>,
        batch: &[Taken],
    ) -> Result<Step, StoreError> {
        let read = match read {
            Ok(read) => read,
            Err(ReadFailure::Quarantine(trouble)) => {
                let trouble = (trouble.code.to_owned(), trouble.reason, trouble.fix);
                return Ok(Step::Taken(Box::new(self.set_aside(one, trouble))));
            }
            Err(ReadFailure::Vanished | ReadFailure::Changed | ReadFailure::Rewritten) => {
                return Ok(Step::Again);
            }
            Err(ReadFailure::Io(error)) => {
                tracing::warn!(file = %one.found.path.display(), %error, "can not be read yet");
                return Ok(Step::Again);
            }
        };
        if read.end == from && self.config.feeds[one.feed].grows {
            return Ok(Step::Nothing);
        }
        let hash = *read.hash.as_bytes();
        let known = self.store.knows_content(&hash)?
            || batch
                .iter()
                .any(|taken| counts(taken.facts.verdict) && taken.facts.hash == hash);
        let mut taken = self.facts(one, &read, from, known, &blocks);
        if !known {
            taken.blocks = blocks;
            taken.empty = read.empty;
        }
        self.refuse_rewritten(&mut taken)?;
        Ok(Step::Taken(Box::new(taken)))
    }

    fn facts(
        &self,
        one: &Waiting,
        read: &FileRead,
        from: u64,
        known: bool,
        blocks: &[Block],
    ) -> Taken {
        let feed = &self.config.feeds[one.feed];
        let path = one.found.path.to_string_lossy().into_owned();
        let hash = *read.hash.as_bytes();
        let rejected = if known { 0 } else { read.rejects_total };
        let used = if known {
            0
        } else {
            read.rows_read - read.rejects_total
        };
        let verdict = match (known, rejected) {
            (true, _) => Verdict::Duplicate,
            (false, 0) => Verdict::Accepted,
            (false, _) => Verdict::AcceptedWithRejects,
        };
        let times = || blocks.iter().flat_map(|block| block.at.iter().copied());
        let rejects = if known { Vec::new() } else { rejects_of(read) };
        let facts = FileFacts {
            feed: feed.name.clone(),
            path: path.clone(),
            hash,
            from_byte: from,
            to_byte: read.end,
            verdict,
            rows_read: read.rows_read,
            rows_used: used,
            rows_rejected: rejected,
            rows_duplicate: if known { read.rows_read } else { 0 },
            first_at: times().min().or(read.empty.as_ref().map(|unit| unit.at)),
            last_at: times().max().or(read.empty.as_ref().map(|unit| unit.at)),
            trouble: None,
            rejects,
        };
        let path = PathFacts {
            feed: feed.name.clone(),
            path,
            length: one.found.len,
            modified_ns: one.found.modified_ns,
            consumed: read.end,
            hash,
        };
        Taken {
            feed: one.feed,
            facts,
            path,
            blocks: Vec::new(),
            empty: None,
        }
    }

    /// A file of which nothing counts.
    fn set_aside(&self, one: &Waiting, trouble: (String, String, String)) -> Taken {
        let feed = &self.config.feeds[one.feed];
        let path = one.found.path.to_string_lossy().into_owned();
        let hash = hash_file(&one.found.path).unwrap_or_default();
        let facts = FileFacts {
            feed: feed.name.clone(),
            path: path.clone(),
            hash,
            from_byte: 0,
            to_byte: one.found.len,
            verdict: Verdict::Quarantined,
            rows_read: 0,
            rows_used: 0,
            rows_rejected: 0,
            rows_duplicate: 0,
            first_at: None,
            last_at: None,
            trouble: Some(trouble),
            rejects: Vec::new(),
        };
        let path = PathFacts {
            feed: feed.name.clone(),
            path,
            length: one.found.len,
            modified_ns: one.found.modified_ns,
            consumed: 0,
            hash,
        };
        Taken {
            feed: one.feed,
            facts,
            path,
            blocks: Vec::new(),
            empty: None,
        }
    }

    /// Commits small files that were read into memory.
    fn commit(&mut self, mut taken: Vec<Taken>, now: i64) -> Result<Outcome, StoreError> {
        if taken.is_empty() {
            return Ok(Outcome::default());
        }
        for one in &mut taken {
            one.refuse_future(now);
        }
        let mut batch = Batch::default();
        // Only content that counts is unique: a duplicate's digest names segments already.
        let counted = taken.iter().find(|one| counts(one.facts.verdict));
        let named = counted.map_or(taken[0].facts.hash, |one| one.facts.hash);
        let config = Arc::clone(&self.config);
        let mut segments = Segments::new(&config, self.store.folder(), segment_name(&named));
        for one in taken {
            for block in &one.blocks {
                self.engine.absorb(block);
                tally::add(&config, block, &mut batch.units);
                segments.add(block)?;
            }
            if let Some(unit) = &one.empty {
                self.engine.absorb_empty(unit);
                tally::add_empty(&config, unit, &mut batch.units);
            }
            batch.files.push(one.facts);
            batch.paths.push(one.path);
        }
        batch.segments = segments.finish()?;
        self.keep(batch, now)
    }

    /// Goes back to the record: rows of a file that does not count have reached the engine.
    fn forget_uncommitted(&mut self) -> Result<(), StoreError> {
        self.engine = self.store.load(&self.config)?;
        Ok(())
    }

    fn keep(&mut self, mut batch: Batch, now: i64) -> Result<Outcome, StoreError> {
        batch.effects = self.engine.settle();
        self.learn_names();
        let news = self.store.commit(&self.config, &self.names, &batch, now)?;
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
            outcome.rows += file.rows_used;
            outcome.rejects += file.rows_rejected;
        }
        Ok(outcome)
    }
}

fn counts(verdict: Verdict) -> bool {
    matches!(verdict, Verdict::Accepted | Verdict::AcceptedWithRejects)
}

fn hash_file(path: &Path) -> std::io::Result<[u8; 32]> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(std::fs::File::open(path)?)?;
    Ok(*hasher.finalize().as_bytes())
}

fn widen(span: Option<(i64, i64)>, at: &[i64]) -> Option<(i64, i64)> {
    let (Some(first), Some(last)) = (at.iter().min(), at.iter().max()) else {
        return span;
    };
    Some(span.map_or((*first, *last), |(low, high)| {
        (low.min(*first), high.max(*last))
    }))
}

/// A time far after the clock would close every stream's horizon: the whole file is set aside.
fn refuse_future(facts: FileFacts) -> FileFacts {
    let last = facts
        .last_at
        .and_then(|at| jiff::Timestamp::from_microsecond(at).ok());
    let last = last.map_or_else(String::new, |at| at.to_string());
    let trouble = (
        crate::feeds::diagnostics::FUTURE_TIME.to_owned(),
        format!("an event at {last} lies more than a day after this computer's clock"),
        "check both clocks, and the time format and zone of the feed".to_owned(),
    );
    refuse(facts, trouble)
}

/// Sets a file aside that could be read: none of its rows counts.
fn refuse(mut facts: FileFacts, trouble: (String, String, String)) -> FileFacts {
    facts.verdict = Verdict::Quarantined;
    facts.trouble = Some(trouble);
    facts.rows_rejected = facts.rows_read;
    facts.rows_used = 0;
    facts.rejects.clear();
    facts
}

fn rejects_of(read: &FileRead) -> Vec<RejectFacts> {
    let one = |reject: &crate::feeds::diagnostics::Reject| RejectFacts {
        line: reject.line,
        code: reject.code,
        column: reject.column.clone(),
        reason: reject.reason.clone(),
        text: reject.text.clone(),
    };
    read.rejects.iter().map(one).collect()
}

/// Content counts once, so the digest of the first file that counts names the segments of a batch.
fn segment_name(hash: &[u8; 32]) -> String {
    hash.iter()
        .take(8)
        .map(|byte| format!("{byte:02x}"))
        .collect()
}
