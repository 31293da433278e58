//! The one loop: a closed set of causes, one match.
//!
//! Hints only say where to look; the scan decides what waits, and the record decides what counts.
//! The loop starts nothing that it does not finish: a stop between two batches loses nothing.

use std::collections::{BTreeSet, HashMap};
use std::convert::Infallible;
use std::future::Future;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use crate::block::FeedIndex;
use crate::clock::{self, Monotonic};
use crate::config::Config;
use crate::feeds::read::first_event_time;
use crate::feeds::scan::{Found, Settler, scan};
use crate::feeds::watch::Watch;
use crate::ingest::{Ingest, Outcome, Waiting, are_one_batch};
use crate::pipeline;
use crate::store::StoreError;

/// How often the loop looks up when nothing happens.
const TICK: Duration = Duration::from_millis(250);

/// How often the timers of alerts are looked at, in milliseconds.
const TIMERS_MS: u64 = 1_000;

/// Files that one scan hands over at once: a backlog is ordered in pieces of this size.
const HANDOVER_FILES_MAX: usize = 100_000;

/// Why the loop turns.
enum Cause {
    /// Something happened in the folder of a feed.
    Hint(FeedIndex),
    /// Time has passed.
    Tick,
    /// Someone wants the loop to end.
    Stop,
}

/// What is known of the files of each feed, so that a scan costs no query a file.
pub struct Folders {
    config: Arc<Config>,
    seen: Vec<HashMap<PathBuf, (u64, i64)>>,
    settlers: Vec<Settler>,
    missing: Vec<bool>,
}

impl Folders {
    /// Nothing is known yet.
    #[must_use]
    pub fn new(config: Arc<Config>) -> Folders {
        let feeds = config.feeds.len();
        Folders {
            seen: vec![HashMap::new(); feeds],
            settlers: (0..feeds).map(|_| Settler::new()).collect(),
            missing: vec![false; feeds],
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
        let settled = self.settlers[feed].settled(fresh, settle_ms, now_ms);
        settled
            .into_iter()
            .map(|found| Waiting { feed, found })
            .collect()
    }

    /// Whether a feed has files that are not at rest yet.
    #[must_use]
    pub fn unsettled(&self, feed: FeedIndex, settle_ms: u64, now_ms: u64) -> bool {
        self.settlers[feed].next_ms(settle_ms, now_ms).is_some()
    }

    /// Notes that files were handed over.
    pub fn handed_over(&mut self, waiting: &[Waiting]) {
        for one in waiting {
            let state = (one.found.len, one.found.modified_ns);
            self.seen[one.feed].insert(one.found.path.clone(), state);
        }
    }

    /// Forgets a file that could not be read: the next scan finds it again.
    pub fn forget(&mut self, waiting: &[Waiting]) {
        for one in waiting {
            self.seen[one.feed].remove(&one.found.path);
        }
    }
}

/// Puts a backlog in the order of its events; looks into the files on several threads. What is
/// judged at one go needs no order but that of the names.
pub fn in_time_order(config: &Config, mut waiting: Vec<Waiting>, threads: usize) -> Vec<Waiting> {
    if are_one_batch(&waiting) {
        waiting.sort_by(|one, other| one.found.path.cmp(&other.found.path));
        return waiting;
    }
    let mut keyed = Vec::with_capacity(waiting.len());
    let mut jobs = waiting.into_iter();
    let looked = pipeline::in_order::<_, _, Infallible>(
        threads,
        &mut || Ok(jobs.next()),
        &|one: Waiting| {
            let first = first_event_time(config, one.feed, &one.found.path);
            (first.unwrap_or(i64::MAX), one)
        },
        &mut |one| {
            keyed.push(one);
            Ok(())
        },
    );
    let Ok(()) = looked;
    keyed.sort_by(|(a, one), (b, other)| (a, &one.found.path).cmp(&(b, &other.found.path)));
    keyed.into_iter().map(|(_, one)| one).collect()
}

/// Reads everything that waits, then ends.
///
/// # Errors
///
/// When the record fails.
pub fn replay(
    ingest: &mut Ingest,
    only: &[PathBuf],
    progress: &mut dyn FnMut(usize, usize, &Outcome),
) -> Result<Outcome, StoreError> {
    let config = Arc::clone(ingest.config());
    let mut folders = Folders::new(Arc::clone(&config));
    let mut waiting = Vec::new();
    for feed in 0..config.feeds.len() {
        waiting.extend(folders.waiting(feed, 0, 0));
    }
    let wanted = |path: &Path| only.is_empty() || only.iter().any(|part| path.starts_with(part));
    waiting.retain(|one| wanted(&one.found.path));
    let waiting = in_time_order(&config, waiting, ingest.threads());
    let mut total = Outcome::default();
    for (done, part) in waiting.chunks(crate::ingest::BATCH_FILES_MAX).enumerate() {
        total.add(ingest.take(part, clock::now())?);
        progress(
            done * crate::ingest::BATCH_FILES_MAX + part.len(),
            waiting.len(),
            &total,
        );
    }
    let (_, outcome) = ingest.take_requests(clock::now())?;
    total.add(outcome);
    Ok(total)
}

/// Watches until told to stop.
///
/// # Errors
///
/// When the record fails: what was committed stays, and a new start goes on from there.
pub async fn watch(
    mut ingest: Ingest,
    stop: impl Future<Output = ()>,
    mut observe: impl FnMut(&Outcome),
) -> Result<Outcome, StoreError> {
    let config = Arc::clone(ingest.config());
    let (mut hints, deaf) = Watch::start(&config.feeds);
    for one in deaf {
        let feed = &config.feeds[one.feed].name;
        tracing::warn!(%feed, reason = %one.reason, "no hints from this folder, it is scanned");
    }
    let mut turn = Turn::new(Arc::clone(&config));
    let mut total = Outcome::default();
    let mut ticks = tokio::time::interval(TICK);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    tokio::pin!(stop);
    loop {
        let cause = tokio::select! {
            () = &mut stop => Cause::Stop,
            feed = hints.next() => Cause::Hint(feed),
            _ = ticks.tick() => Cause::Tick,
        };
        match cause {
            Cause::Stop => return Ok(total),
            Cause::Hint(feed) => {
                turn.due.insert(feed);
            }
            Cause::Tick => {
                for feed in turn.tick() {
                    if turn.folders.missing[feed] {
                        hints.lost(feed);
                    }
                    hints.listen(feed);
                }
            }
        }
        let outcome = tokio::task::block_in_place(|| turn.work(&mut ingest))?;
        observe(&outcome);
        total.add(outcome);
    }
}

/// What the loop remembers from turn to turn.
struct Turn {
    config: Arc<Config>,
    folders: Folders,
    clock: Monotonic,
    /// Feeds to look at now.
    due: BTreeSet<FeedIndex>,
    /// When each feed was last scanned.
    scanned_ms: Vec<Option<u64>>,
    /// The newest wish that a file be read again which is known.
    retried: i64,
    /// When the timers of alerts were last looked at.
    timed_ms: u64,
    /// The shift that was running at the last look.
    shift: crate::shifts::Span,
}

impl Turn {
    fn new(config: Arc<Config>) -> Turn {
        Turn {
            folders: Folders::new(Arc::clone(&config)),
            clock: Monotonic::start(),
            due: (0..config.feeds.len()).collect(),
            scanned_ms: vec![None; config.feeds.len()],
            retried: 0,
            timed_ms: 0,
            shift: crate::shifts::at(&config, clock::now()),
            config,
        }
    }

    /// Marks the feeds whose regular scan or settling time has come; gives those of the former.
    fn tick(&mut self) -> Vec<FeedIndex> {
        let now = self.clock.ms();
        let mut regular = Vec::new();
        for (place, feed) in self.config.feeds.iter().enumerate() {
            let last = self.scanned_ms[place];
            if last.is_none_or(|last| now >= last + feed.scan_ms) {
                regular.push(place);
                self.due.insert(place);
            } else if self.folders.unsettled(place, settle_ms(feed), now) {
                self.due.insert(place);
            }
        }
        regular
    }

    /// Forgets having seen the files that people want read again.
    fn look_again(&mut self, ingest: &mut Ingest) -> Result<(), StoreError> {
        let (newest, files) = ingest.store().to_retry(self.retried)?;
        self.retried = newest;
        for (name, path) in files {
            let place = self.config.feeds.iter().position(|feed| feed.name == name);
            if let Some(feed) = place {
                self.folders.seen[feed].remove(&path);
                self.due.insert(feed);
            }
        }
        Ok(())
    }

    fn work(&mut self, ingest: &mut Ingest) -> Result<Outcome, StoreError> {
        self.look_again(ingest)?;
        let mut waiting = Vec::new();
        for feed in std::mem::take(&mut self.due) {
            let settle = settle_ms(&self.config.feeds[feed]);
            waiting.extend(self.folders.waiting(feed, settle, self.clock.ms()));
            self.scanned_ms[feed] = Some(self.clock.ms());
        }
        let waiting = in_time_order(&self.config, waiting, ingest.threads());
        let mut total = Outcome::default();
        for part in waiting.chunks(crate::ingest::BATCH_FILES_MAX) {
            self.folders.handed_over(part);
            let outcome = ingest.take(part, clock::now())?;
            if outcome.again > 0 {
                self.folders.forget(part);
            }
            total.add(outcome);
        }
        let (_, outcome) = ingest.take_requests(clock::now())?;
        total.add(outcome);
        if waiting.is_empty() {
            ingest.store().use_pause()?;
        }
        if self.clock.ms() >= self.timed_ms + TIMERS_MS {
            self.timed_ms = self.clock.ms();
            ingest.store().timers(&self.config.alerts, clock::now())?;
        }
        self.end_shift();
        Ok(total)
    }

    /// Writes the report of a shift that has ended. A report that fails holds up no reading.
    fn end_shift(&mut self) {
        let now = crate::shifts::at(&self.config, clock::now());
        if now.start == self.shift.start {
            return;
        }
        let ended = std::mem::replace(&mut self.shift, now);
        match crate::commands::report::write(&self.config, &ended) {
            Ok(path) => tracing::info!(shift = %ended.name, path = %path.display(), "shift report"),
            Err(error) => tracing::error!(shift = %ended.name, %error, "no shift report"),
        }
    }
}

/// A growing file is never at rest; only its complete lines are read.
fn settle_ms(feed: &crate::config::Feed) -> u64 {
    if feed.grows { 0 } else { feed.settle_ms }
}
