//! How the program is: what it has done since it started, what waits, what hinders it.
//!
//! The loop and the ingest write it; the live page and the service manager read it. Asks no record,
//! and knows no page and no channel. The one invariant: whoever reads it never waits for the loop.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::clock::{self, Monotonic};
use crate::store::{FileFacts, Verdict};

/// Upper bounds of the times that a commit takes, in seconds; one more class is above them all.
pub const COMMIT_SECONDS: [f64; 9] = [0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 5.0];

/// What can hinder the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// The disk of the data folder is full: reading is paused.
    DiskFull,
    /// No more files can be opened: reading is paused.
    OpenFiles,
    /// A shift report can not be written.
    Report,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Kind; 3] = [Kind::DiskFull, Kind::OpenFiles, Kind::Report];

    /// The name in the record, in alerts and in metrics.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Kind::DiskFull => "disk-full",
            Kind::OpenFiles => "open-files",
            Kind::Report => "report",
        }
    }

    /// Whether nothing is read while it lasts.
    #[must_use]
    pub fn pauses(self) -> bool {
        matches!(self, Kind::DiskFull | Kind::OpenFiles)
    }
}

/// Something that hinders the program: an alert of the system.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hindrance {
    /// What kind.
    pub kind: Kind,
    /// What is wrong and what to do.
    pub words: String,
    /// Since when, by the clock.
    pub since: i64,
}

/// What was done since the start.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Counts {
    /// Files by verdict, in the order of [`VERDICTS`].
    pub files: [u64; 4],
    /// Files that changed while they were read or vanished.
    pub again: u64,
    /// Rows used, rejected and counted before.
    pub rows: [u64; 3],
    /// Commits by the time they took, each class for itself.
    pub commits: [u64; COMMIT_SECONDS.len() + 1],
    /// The time that all commits took together, in microseconds.
    pub commits_us: u64,
    /// Files that are known to wait.
    pub waiting: u64,
    /// Since when files have been waiting without a break, on the health's own clock.
    waiting_since_ms: Option<u64>,
    /// When files were last committed, by the clock.
    pub committed_at: Option<i64>,
}

/// The verdicts in the order in which they are counted.
pub const VERDICTS: [Verdict; 4] = [
    Verdict::Accepted,
    Verdict::AcceptedWithRejects,
    Verdict::Duplicate,
    Verdict::Quarantined,
];

/// How the program is.
#[derive(Debug)]
pub struct Health {
    started_at: i64,
    clock: Monotonic,
    counts: Mutex<Counts>,
    hindrances: Mutex<BTreeMap<Kind, Hindrance>>,
    steps: AtomicU64,
    stopping: AtomicBool,
}

impl Default for Health {
    fn default() -> Health {
        Health {
            started_at: clock::now(),
            clock: Monotonic::start(),
            counts: Mutex::default(),
            hindrances: Mutex::default(),
            steps: AtomicU64::new(0),
            stopping: AtomicBool::new(false),
        }
    }
}

/// Numbers are whole even if another holder panicked.
fn held<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Health {
    /// When the program started, by the clock.
    #[must_use]
    pub fn started_at(&self) -> i64 {
        self.started_at
    }

    /// What was done so far.
    #[must_use]
    pub fn counts(&self) -> Counts {
        held(&self.counts).clone()
    }

    /// Notes that files are kept, and how long their commit took.
    pub fn kept(&self, files: &[FileFacts], took_us: u64) {
        self.step();
        let mut counts = held(&self.counts);
        for file in files {
            let place = VERDICTS.iter().position(|one| *one == file.verdict);
            counts.files[place.unwrap_or(0)] += 1;
            counts.rows[0] += file.rows_used;
            counts.rows[1] += file.rows_rejected;
            counts.rows[2] += file.rows_duplicate;
        }
        let seconds = took_us as f64 / 1e6;
        let class = COMMIT_SECONDS.iter().position(|bound| seconds <= *bound);
        counts.commits[class.unwrap_or(COMMIT_SECONDS.len())] += 1;
        counts.commits_us += took_us;
        counts.committed_at = Some(clock::now());
    }

    /// Notes that files have to be read again.
    pub fn again(&self, files: u64) {
        held(&self.counts).again += files;
    }

    /// Notes how many files wait.
    pub fn waits(&self, files: usize) {
        let mut counts = held(&self.counts);
        counts.waiting = files as u64;
        let since = counts.waiting_since_ms.unwrap_or_else(|| self.clock.ms());
        counts.waiting_since_ms = (files > 0).then_some(since);
    }

    /// How long files have been waiting without a break, in seconds; 0 where none waits.
    #[must_use]
    pub fn lag_seconds(&self) -> f64 {
        let since = held(&self.counts).waiting_since_ms;
        since.map_or(0.0, |since| (self.clock.ms() - since) as f64 / 1e3)
    }

    /// A sign of life: something was finished.
    pub fn step(&self) {
        self.steps.fetch_add(1, Ordering::Relaxed);
    }

    /// How many signs of life there were.
    #[must_use]
    pub fn steps(&self) -> u64 {
        self.steps.load(Ordering::Relaxed)
    }

    /// Asks the loop to end as soon as it can.
    pub fn ask_to_stop(&self) {
        self.stopping.store(true, Ordering::Relaxed);
    }

    /// Whether the loop shall end.
    #[must_use]
    pub fn is_stopping(&self) -> bool {
        self.stopping.load(Ordering::Relaxed)
    }

    /// Notes and logs that something hinders the program. What is known already stays as it is.
    pub fn raise(&self, kind: Kind, words: &str) {
        let mut all = held(&self.hindrances);
        if all.contains_key(&kind) {
            return;
        }
        tracing::error!(kind = kind.name(), "alert of the system: {words}");
        let hindrance = Hindrance {
            kind,
            words: words.to_owned(),
            since: clock::now(),
        };
        all.insert(kind, hindrance);
    }

    /// Notes and logs that something hinders the program no longer.
    pub fn lift(&self, kind: Kind) {
        let gone = held(&self.hindrances).remove(&kind);
        if gone.is_some() {
            tracing::info!(kind = kind.name(), "alert of the system: over");
        }
    }

    /// What hinders the program now, in a fixed order.
    #[must_use]
    pub fn hindrances(&self) -> Vec<Hindrance> {
        held(&self.hindrances).values().cloned().collect()
    }

    /// Whether nothing is read.
    #[must_use]
    pub fn is_paused(&self) -> bool {
        held(&self.hindrances).keys().any(|kind| kind.pauses())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_hinders_is_raised_once_and_over_when_it_is_lifted() {
        let health = Health::default();
        health.raise(Kind::Report, "no room");
        let first = health.hindrances();
        health.raise(Kind::Report, "no room at all");
        assert_eq!(health.hindrances(), first);
        assert!(!health.is_paused());
        health.raise(Kind::DiskFull, "full");
        assert!(health.is_paused());
        assert_eq!(health.hindrances().len(), 2);
        health.lift(Kind::DiskFull);
        assert_eq!(health.hindrances(), first);
        health.lift(Kind::Report);
        assert!(health.hindrances().is_empty());
    }

    #[test]
    fn files_that_wait_age_until_none_waits() {
        let health = Health::default();
        assert!(health.lag_seconds() <= 0.0);
        health.waits(2);
        std::thread::sleep(std::time::Duration::from_millis(30));
        health.waits(1);
        assert!(health.lag_seconds() >= 0.03);
        assert_eq!(health.counts().waiting, 1);
        health.waits(0);
        assert!(health.lag_seconds() <= 0.0);
    }

    #[test]
    fn commits_are_counted_by_the_time_they_took() {
        let health = Health::default();
        for took_us in [5_000, 5_001, 6_000_000] {
            health.kept(&[], took_us);
        }
        let counts = health.counts();
        assert_eq!(counts.commits, [1, 1, 0, 0, 0, 0, 0, 0, 0, 1]);
        assert_eq!(counts.commits_us, 6_010_001);
    }
}
