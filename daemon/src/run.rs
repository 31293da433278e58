//! The one loop: a closed set of causes, one match.
//!
//! Hints only say where to look; the scan decides what waits, and the record decides what counts.
//! The loop starts nothing that it does not finish: a stop between two batches loses nothing. Where
//! there is no room it pauses and goes on by itself; any other failure of the record ends it.

use std::collections::{BTreeSet, VecDeque};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use crate::alerts::{self, Announcer};
use crate::block::FeedIndex;
use crate::clock::{self, Monotonic};
use crate::commands::report;
use crate::config::Config;
use crate::feeds::watch::Watch;
use crate::health::{Health, Kind};
use crate::ingest::{BATCH_FILES_MAX, Ingest, Outcome};
use crate::shifts::{self, Span};
use crate::store::{StoreError, is_full_now};

mod backlog;
mod folders;
mod missed;
mod pause;
mod silence;

use backlog::in_time_order;
pub use folders::Folders;
use missed::missed;
use silence::Silences;

/// How often the loop looks up when nothing happens.
const TICK: Duration = Duration::from_millis(250);

/// How often the timers of alerts are looked at, in milliseconds.
const TIMERS_MS: u64 = 1_000;

/// How often it is tried whether there is room again.
pub const ROOM_EVERY_MS: u64 = 2_000;

/// How often a report that could not be written is tried again.
const REPORT_EVERY_MS: u64 = 15_000;

/// Reports that wait to be written; beyond, the oldest has to be asked for by command.
const REPORTS_WAITING_MAX: usize = 64;

/// Files that are handed over for reading at once: some transactions of small ones.
const PART_FILES_MAX: usize = 4 * BATCH_FILES_MAX;

/// How often it is looked whether data are older than they are kept.
const LET_GO_EVERY_MS: u64 = 3_600_000;

/// What someone outside wants of the loop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wish {
    /// That it ends.
    Stop,
    /// That it goes on with the configuration as it is now.
    Reload,
}

/// Why the loop turns.
enum Cause {
    /// Something happened in the folder of a feed.
    Hint(FeedIndex),
    /// Time has passed.
    Tick,
    /// Someone wants something.
    Wish(Wish),
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
    folders.keep_odd(ingest, clock::now())?;
    let wanted = |path: &Path| only.is_empty() || only.iter().any(|part| path.starts_with(part));
    waiting.retain(|one| wanted(&one.found.path));
    let waiting = in_time_order(&config, waiting, ingest.threads());
    let mut total = Outcome::default();
    let mut done = 0;
    for part in waiting.chunks(PART_FILES_MAX) {
        total.add(ingest.take(part, clock::now())?);
        done += part.len();
        progress(done, waiting.len(), &total);
    }
    let (_, outcome) = ingest.take_requests(clock::now())?;
    total.add(outcome);
    Ok(total)
}

/// Watches until told to stop. `reload` gives whether the ingest has another configuration now.
///
/// # Errors
///
/// When the record fails: what was committed stays, and a new start goes on from there.
pub async fn watch(
    mut ingest: Ingest,
    mut wish: impl AsyncFnMut() -> Wish,
    mut reload: impl AsyncFnMut(&mut Ingest) -> bool,
    mut observe: impl FnMut(&Outcome),
) -> Result<Outcome, StoreError> {
    let mut turn = Turn::new(Arc::clone(ingest.config()), Arc::clone(ingest.health()));
    let mut hints = hints(&turn.config);
    let mut total = Outcome::default();
    let mut ticks = tokio::time::interval(TICK);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        let cause = tokio::select! {
            wish = wish() => Cause::Wish(wish),
            feed = hints.next() => Cause::Hint(feed),
            _ = ticks.tick() => Cause::Tick,
        };
        match cause {
            Cause::Wish(Wish::Stop) => return Ok(total),
            Cause::Wish(Wish::Reload) => {
                if reload(&mut ingest).await {
                    turn = turn.with(Arc::clone(ingest.config()));
                    hints = self::hints(&turn.config);
                }
            }
            Cause::Hint(feed) => {
                turn.due.insert(feed);
            }
            Cause::Tick => {
                turn.say_lost(hints.lost_events());
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

/// Hints from the folders of all feeds.
fn hints(config: &Config) -> Watch {
    let (hints, deaf) = Watch::start(&config.feeds);
    for one in deaf {
        let feed = &config.feeds[one.feed].name;
        tracing::warn!(%feed, reason = %one.reason, "no hints from this folder, it is scanned");
    }
    hints
}

/// Opens the record. Nothing where the disk is full, which is said.
///
/// # Errors
///
/// When the record can not be opened for another reason.
pub fn open(
    config: &Arc<Config>,
    threads: usize,
    health: &Arc<Health>,
    announcer: &mut Announcer,
) -> Result<Option<Ingest>, StoreError> {
    health.step();
    match Ingest::open_beside(Arc::clone(config), threads, Arc::clone(health)) {
        Err(error) if error.is_full() || is_full_now(&config.data_folder) => {
            pause::tell(config, health, announcer, (Kind::DiskFull, &error));
            Ok(None)
        }
        opened => opened.map(Some),
    }
}

/// What the loop remembers from turn to turn.
struct Turn {
    config: Arc<Config>,
    health: Arc<Health>,
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
    shift: Span,
    /// Shifts that have ended and whose report is not written yet.
    unreported: VecDeque<Span>,
    /// No report is tried before.
    reports_from_ms: u64,
    /// When it was last tried whether there is room.
    room_tried_ms: Option<u64>,
    /// Whether the engine has not yet gone back to the record after what was not kept.
    must_go_back: bool,
    /// When what is too old was last let go.
    let_go_ms: Option<u64>,
    /// Times at which the system lost events that have been told.
    lost: u64,
    /// What sends alerts of the system that the record can not keep.
    announcer: Announcer,
    /// How long feeds have been silent; read from the record where it is not known.
    silences: Option<Silences>,
    has_looked_back: bool,
}

impl Turn {
    fn new(config: Arc<Config>, health: Arc<Health>) -> Turn {
        Turn {
            health,
            folders: Folders::new(Arc::clone(&config)),
            clock: Monotonic::start(),
            due: (0..config.feeds.len()).collect(),
            scanned_ms: vec![None; config.feeds.len()],
            retried: 0,
            timed_ms: 0,
            shift: shifts::at(&config, clock::now()),
            unreported: VecDeque::new(),
            reports_from_ms: 0,
            room_tried_ms: None,
            must_go_back: false,
            let_go_ms: None,
            lost: 0,
            announcer: Announcer::default(),
            silences: None,
            has_looked_back: false,
            config,
        }
    }

    /// The same with another configuration: what is known of folders is looked at anew.
    fn with(self, config: Arc<Config>) -> Turn {
        Turn {
            retried: self.retried,
            shift: self.shift,
            announcer: self.announcer,
            unreported: self.unreported,
            has_looked_back: self.has_looked_back,
            ..Turn::new(config, self.health)
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
            } else if self.folders.unsettled(place) {
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

    /// One turn: reads what waits, unless there is no room for it.
    fn work(&mut self, ingest: &mut Ingest) -> Result<Outcome, StoreError> {
        self.health.step();
        self.end_shift(clock::now());
        self.write_report();
        if self.health.is_paused() && !self.can_go_on(ingest)? {
            return Ok(Outcome::default());
        }
        match self.read(ingest) {
            Err(error) if ingest.store().is_surely_not_kept(&error) => {
                self.pause(ingest, &error)?;
                Ok(Outcome::default())
            }
            Err(error) => Err(error),
            Ok(outcome) => {
                // Where files are still coming to rest nothing has been shown.
                if outcome.is_kept() || self.folders.at_rest.iter().all(|at_rest| *at_rest) {
                    let over = Kind::ALL.into_iter().filter(|kind| kind.pauses());
                    over.for_each(|kind| self.health.lift(kind));
                }
                Ok(outcome)
            }
        }
    }

    fn read(&mut self, ingest: &mut Ingest) -> Result<Outcome, StoreError> {
        self.look_again(ingest)?;
        let mut waiting = Vec::new();
        for feed in std::mem::take(&mut self.due) {
            let settle = settle_ms(&self.config.feeds[feed]);
            waiting.extend(self.folders.waiting(feed, settle, self.clock.ms()));
            self.scanned_ms[feed] = Some(self.clock.ms());
        }
        self.health.waits(waiting.len());
        let waiting = in_time_order(&self.config, waiting, ingest.threads());
        let mut total = Outcome::default();
        let mut left = waiting.len();
        for part in waiting.chunks(PART_FILES_MAX) {
            if self.health.is_stopping() {
                return Ok(total);
            }
            self.folders.handed_over(part);
            let taken = ingest.take(part, clock::now());
            let all = part.iter().map(|one| (one.feed, one.found.path.as_path()));
            let outcome = taken.inspect_err(|_| self.folders.forget(all))?;
            let unread = outcome.unread.iter();
            self.folders
                .forget(unread.map(|(feed, path)| (*feed, path.as_path())));
            if outcome.again > 0 {
                self.health.again(outcome.again);
            }
            total.add(outcome);
            left -= part.len();
            self.health.waits(left);
        }
        let (_, outcome) = ingest.take_requests(clock::now())?;
        total.add(outcome);
        alerts::keep_hindrances(ingest.store(), &self.health)?;
        if waiting.is_empty() {
            self.let_go(ingest)?;
            ingest.store().use_pause()?;
        }
        if self.clock.ms() >= self.timed_ms + TIMERS_MS {
            self.timed_ms = self.clock.ms();
            ingest.store().timers(&self.config.alerts, clock::now())?;
        }
        self.folders.keep_odd(ingest, clock::now())?;
        self.listen(ingest, &total.heard)?;
        self.look_back()?;
        Ok(total)
    }

    /// Notes which feeds are silent and which are heard again.
    fn listen(
        &mut self,
        ingest: &mut Ingest,
        heard: &BTreeSet<FeedIndex>,
    ) -> Result<(), StoreError> {
        let now = (clock::now(), self.clock.ms());
        let mut silences = match self.silences.take() {
            Some(silences) => silences,
            None => Silences::start(&self.config, ingest.store(), now.0, now.1)?,
        };
        silences.look(&self.config, ingest.store(), heard, now)?;
        // Where the record refused, the next turn starts from what it holds.
        self.silences = Some(silences);
        Ok(())
    }

    /// Looks once for shifts that ended without a report, when what waited at the start is read.
    fn look_back(&mut self) -> Result<(), StoreError> {
        let is_read = self.scanned_ms.iter().all(Option::is_some)
            && self.folders.at_rest.iter().all(|at_rest| *at_rest);
        if is_read && !std::mem::replace(&mut self.has_looked_back, true) {
            let missed = missed(&self.config, &self.shift)?;
            self.report_is_due(missed);
        }
        Ok(())
    }

    /// Says that the system lost events, each time that it did.
    fn say_lost(&mut self, lost: u64) {
        if lost > self.lost {
            self.lost = lost;
            tracing::warn!(
                times = lost,
                "the system lost events; all folders are scanned"
            );
        }
    }

    /// Lets go what is older than the configuration keeps, piece by piece, while nothing comes.
    fn let_go(&mut self, ingest: &mut Ingest) -> Result<(), StoreError> {
        if !is_time(&mut self.let_go_ms, LET_GO_EVERY_MS, self.clock.ms()) {
            return Ok(());
        }
        let (keep, lateness) = (self.config.keep, self.config.lateness_us);
        if ingest
            .store()
            .let_go(&keep, lateness, clock::now())?
            .is_more
        {
            self.let_go_ms = None;
        }
        Ok(())
    }

    /// Notes that a shift has ended; its report is due then.
    fn end_shift(&mut self, now: i64) {
        let now = shifts::at(&self.config, now);
        if now.start <= self.shift.start {
            // A clock that is put back ends none.
            self.shift = now;
            return;
        }
        let ended = std::mem::replace(&mut self.shift, now);
        // While a computer slept, whole shifts may have passed: they are looked for as at a start.
        self.has_looked_back &= ended.end >= self.shift.start;
        self.report_is_due([ended]);
    }

    /// Notes that reports of shifts are due.
    fn report_is_due(&mut self, ended: impl IntoIterator<Item = Span>) {
        for one in ended {
            if !self.unreported.iter().any(|known| known.start == one.start) {
                self.unreported.push_back(one);
            }
        }
        self.reports_from_ms = 0;
        while self.unreported.len() > REPORTS_WAITING_MAX {
            if let Some(given_up) = self.unreported.pop_front() {
                tracing::error!(
                    shift = %given_up.name, day = %given_up.date,
                    "no shift report; ask for it with `driftvane report shift --at`"
                );
            }
        }
    }

    /// Writes one of the reports that are due, so that reading goes on between them. One that fails
    /// is tried again after the others.
    fn write_report(&mut self) {
        if self.clock.ms() < self.reports_from_ms {
            return;
        }
        let Some(ended) = self.unreported.pop_front() else {
            return;
        };
        match report::write(&self.config, &ended) {
            Ok(path) => {
                tracing::info!(shift = %ended.name, path = %path.display(), "shift report");
            }
            Err(error) if error.may_pass() => {
                let words = format!(
                    "the report of the {} shift of {} can not be written and is tried again: \
                     {error}",
                    ended.name, ended.date
                );
                self.health.raise(Kind::Report, &words);
                self.unreported.push_back(ended);
                self.reports_from_ms = self.clock.ms() + REPORT_EVERY_MS;
            }
            Err(error) => tracing::error!(shift = %ended.name, %error, "no shift report"),
        }
        if self.unreported.is_empty() {
            self.health.lift(Kind::Report);
        }
    }
}

/// Whether so much time has passed since the last time; then this is the last time.
fn is_time(last: &mut Option<u64>, every_ms: u64, now_ms: u64) -> bool {
    let is_due = last.is_none_or(|last| now_ms >= last + every_ms);
    if is_due {
        *last = Some(now_ms);
    }
    is_due
}

/// A growing file is never at rest; only its complete lines are read.
fn settle_ms(feed: &crate::config::Feed) -> u64 {
    if feed.grows { 0 } else { feed.settle_ms }
}
