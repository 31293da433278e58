//! The threads by which notices leave, beside the one that reads.
//!
//! Knows no protocol. The invariants: the reading thread never waits for a channel, and at the end
//! only as long as something still moves; no two threads are ever at work for one channel.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use ring::rand::{SecureRandom, SystemRandom};

use super::carriers::carrier;
use super::compose::compose;
use super::worker::{Next, Worker};
use crate::clock;
use crate::config::Config;
use crate::config::channel::{Channel, Way};
use crate::store::{Reader, StoreError};

/// Events that are written into notices in one transaction.
const NEWS_MAX: usize = 500;

/// How often the record is asked for events.
const LOOK_EVERY: Duration = Duration::from_millis(250);

/// How long the end waits for threads in which nothing moves.
const FINISH_PATIENCE: Duration = Duration::from_secs(5);

/// Between two looks at threads that shall end.
const FINISH_LOOK: Duration = Duration::from_millis(10);

/// The thread that writes notices; no channel can have this name.
const WRITER: &str = "the writer of notices";

/// Which channels send.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// Files; what is for other channels waits for the daemon.
    Files,
    /// All.
    All,
}

/// What the threads are to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Order {
    /// Wait for the first order.
    Hold,
    /// End, for they are not wanted.
    Never,
    Run,
    /// Write notices of all events, put them in files, and end.
    Finish,
    /// End, for all notices are written.
    End,
}

/// What the threads share.
struct Shared {
    config: Arc<Config>,
    order: Mutex<Order>,
    changed: Condvar,
    /// Grows whenever something was written or sent.
    moved: AtomicU64,
    /// The threads that did the same before, by name.
    before: Mutex<BTreeMap<String, JoinHandle<()>>>,
}

/// A thread with its name: that of its channel, or [`WRITER`].
type Thread = (String, JoinHandle<()>);

/// The threads by which notices leave.
pub struct Courier {
    shared: Arc<Shared>,
    writer: Vec<Thread>,
    channels: Vec<Thread>,
}

/// What is behind a lock is whole, also where its holder panicked.
fn held<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Courier {
    /// Starts them.
    ///
    /// # Errors
    ///
    /// When the system gives no thread.
    pub fn start(config: &Arc<Config>, reach: Reach) -> std::io::Result<Courier> {
        Ok(Courier::prepare(config, reach)?.take_over(None))
    }

    /// Has them ready: they do nothing before [`Courier::take_over`].
    ///
    /// # Errors
    ///
    /// When the system gives no thread.
    pub fn prepare(config: &Arc<Config>, reach: Reach) -> std::io::Result<Courier> {
        let mut courier = Courier {
            shared: Arc::new(Shared {
                config: Arc::clone(config),
                order: Mutex::new(Order::Hold),
                changed: Condvar::new(),
                moved: AtomicU64::new(0),
                before: Mutex::default(),
            }),
            writer: Vec::new(),
            channels: Vec::new(),
        };
        match courier.spawn_all(reach) {
            Ok(()) => Ok(courier),
            Err(error) => {
                courier.cancel();
                Err(error)
            }
        }
    }

    fn spawn_all(&mut self, reach: Reach) -> std::io::Result<()> {
        self.writer
            .push(spawn(&self.shared, WRITER, Shared::compose_all)?);
        let config = Arc::clone(&self.shared.config);
        let is_wanted = |channel: &&Channel| reach == Reach::All || is_file(channel);
        for channel in config.channels.iter().filter(is_wanted) {
            let own = channel.clone();
            let work = move |shared: &Shared| shared.work(&own);
            self.channels
                .push(spawn(&self.shared, &channel.name, work)?);
        }
        Ok(())
    }

    /// Ends those that have not begun.
    pub fn cancel(self) {
        self.shared.say(Order::Never);
    }

    /// Begins, in the place of others. Each thread waits until the one that did the same before has
    /// ended; nobody else waits.
    #[must_use]
    pub fn take_over(self, before: Option<Courier>) -> Courier {
        if let Some(before) = before {
            before.shared.say(Order::End);
            let threads = before.writer.into_iter().chain(before.channels);
            held(&self.shared.before).extend(threads);
        }
        self.shared.say(Order::Run);
        self
    }

    /// Ends them: after the notices of all events are written and in their files. What a channel
    /// did not take until then waits in the record.
    pub fn finish(self) {
        self.shared.say(Order::Finish);
        self.shared.wait_for(&self.writer, FINISH_PATIENCE);
        self.shared.say(Order::End);
        self.shared.wait_for(&self.channels, FINISH_PATIENCE);
    }
}

/// Starts a thread that works once it is told to, and the one before it has ended.
fn spawn(
    shared: &Arc<Shared>,
    name: &str,
    work: impl FnOnce(&Shared) + Send + 'static,
) -> std::io::Result<Thread> {
    let (own, called) = (Arc::clone(shared), name.to_owned());
    let run = move || {
        if own.hold() == Order::Never {
            return;
        }
        let before = held(&own.before).remove(&called);
        // One that panicked has ended, too.
        let _ended = before.map(JoinHandle::join);
        work(&own);
    };
    let thread = std::thread::Builder::new().name(name.to_owned());
    Ok((name.to_owned(), thread.spawn(run)?))
}

impl Shared {
    fn say(&self, order: Order) {
        *held(&self.order) = order;
        self.changed.notify_all();
    }

    fn order(&self) -> Order {
        *held(&self.order)
    }

    /// Waits for the first order.
    fn hold(&self) -> Order {
        let order = held(&self.order);
        let is_held = |order: &mut Order| *order == Order::Hold;
        let order = self.changed.wait_while(order, is_held);
        *order.unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits for a time, or until the order changes.
    fn rest(&self, before: Order, time: Duration) {
        let order = held(&self.order);
        let rested = self
            .changed
            .wait_timeout_while(order, time, |order| *order == before);
        drop(rested);
    }

    fn moves(&self) {
        self.moved.fetch_add(1, Ordering::Relaxed);
    }

    /// Waits for threads to end, all together, as long as anything moves.
    fn wait_for(&self, threads: &[Thread], patience: Duration) {
        let mut seen = self.moved.load(Ordering::Relaxed);
        let mut since = clock::Monotonic::start();
        loop {
            let mut left = threads.iter().filter(|(_, thread)| !thread.is_finished());
            let Some((name, _)) = left.next() else { return };
            let now = self.moved.load(Ordering::Relaxed);
            if now != seen {
                (seen, since) = (now, clock::Monotonic::start());
            }
            if u128::from(since.ms()) > patience.as_millis() {
                let more = left.count();
                tracing::warn!(
                    %name, more, "does not come to an end; its notices wait in the record"
                );
                return;
            }
            std::thread::sleep(FINISH_LOOK);
        }
    }

    /// Opens the record, again and again until it can be had; nothing where all shall end.
    fn reader(&self) -> Option<Reader> {
        loop {
            let order = self.order();
            match Reader::open(&self.config.data_folder) {
                Ok(reader) => return Some(reader),
                Err(error) if order == Order::Run => {
                    tracing::debug!(%error, "notices wait for the record");
                }
                Err(error) => {
                    tracing::error!(%error, "notices can not leave");
                    return None;
                }
            }
            self.rest(order, LOOK_EVERY);
        }
    }

    /// Writes notices of events until all shall end.
    fn compose_all(&self) {
        let Some(reader) = self.reader() else { return };
        let mut is_enlisted = false;
        loop {
            let order = self.order();
            match self.compose_some(&reader, &mut is_enlisted) {
                Ok(true) => continue,
                Ok(false) if order != Order::Run => return,
                Ok(false) => {}
                Err(error) => tracing::error!(%error, "notices can not be written; tried again"),
            }
            self.rest(order, LOOK_EVERY);
        }
    }

    /// Writes the notices of some events; tells whether there were any.
    fn compose_some(&self, reader: &Reader, is_enlisted: &mut bool) -> Result<bool, StoreError> {
        // Before any notice: a channel is to have those that are written once it is known.
        if !*is_enlisted {
            for channel in &self.config.channels {
                reader.enlist(&channel.name, channel.way.kind(), clock::now())?;
            }
            *is_enlisted = true;
        }
        let news = reader.untold(NEWS_MAX)?;
        let Some(last) = news.last() else {
            return Ok(false);
        };
        let notices = compose(&self.config, reader, &news)?;
        // What is for the record only stands in its file, the first channel.
        let file = self
            .config
            .channels
            .first()
            .map(|channel| channel.name.as_str());
        let notices: Vec<_> = notices
            .into_iter()
            .zip(&news)
            .map(|(notice, one)| (notice, file.filter(|_| one.quiet)))
            .collect();
        reader.tell(&notices, last.event, clock::now())?;
        self.moves();
        for (notice, _) in &notices {
            tracing::warn!(
                key = %notice.key, severity = notice.severity.name(), "{}", notice.subject
            );
        }
        Ok(true)
    }

    /// One channel, until all shall end.
    fn work(&self, channel: &Channel) {
        let is_file = is_file(channel);
        let carrier = carrier(&self.config, channel);
        let mut worker = Worker::new(&self.config, channel, carrier);
        let Some(reader) = self.reader() else { return };
        let random = SystemRandom::new();
        loop {
            let order = self.order();
            if order != Order::Run && !is_file {
                if let Err(error) = worker.settle(&reader, chance(&random)) {
                    tracing::error!(channel = %channel.name, %error, "may be sent once more");
                }
                return;
            }
            let next = worker.turn(&reader, chance(&random), &clock::now);
            let wait = match next {
                Ok(Next::Go) => {
                    self.moves();
                    continue;
                }
                Ok(Next::Wait(_)) if order == Order::End => return,
                Ok(Next::Wait(time)) => time,
                Err(error) => {
                    tracing::error!(channel = %channel.name, %error, "tried again");
                    LOOK_EVERY
                }
            };
            self.rest(order, wait);
        }
    }
}

fn is_file(channel: &Channel) -> bool {
    matches!(channel.way, Way::File(_))
}

/// A number from 0 to 1.
fn chance(random: &SystemRandom) -> f64 {
    let mut bytes = [0; 4];
    match random.fill(&mut bytes) {
        Ok(()) => f64::from(u32::from_le_bytes(bytes)) / f64::from(u32::MAX),
        Err(_) => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shared() -> Arc<Shared> {
        let text = include_str!("../../../sample-feeds/driftvane.toml");
        let folder = std::env::temp_dir().join("driftvane-courier-none");
        Arc::new(Shared {
            config: Arc::new(crate::config::read::read(text, &folder).unwrap()),
            order: Mutex::new(Order::Hold),
            changed: Condvar::new(),
            moved: AtomicU64::new(0),
            before: Mutex::default(),
        })
    }

    #[test]
    fn threads_that_hang_are_waited_for_together() {
        let shared = shared();
        let (let_go, hang) = std::sync::mpsc::channel::<()>();
        let hang = Arc::new(Mutex::new(hang));
        let threads: Vec<Thread> = (0..8)
            .map(|number| {
                let hang = Arc::clone(&hang);
                let wait = move |_: &Shared| {
                    let _let_go = held(&hang).recv();
                };
                spawn(&shared, &format!("channel-{number}"), wait).unwrap()
            })
            .collect();
        shared.say(Order::Run);
        let clock = clock::Monotonic::start();
        let patience = Duration::from_millis(300);
        shared.wait_for(&threads, patience);
        let ms = u128::from(clock.ms());
        assert!(
            patience.as_millis() <= ms && ms < 4 * patience.as_millis(),
            "{ms}"
        );
        drop(let_go);
        shared.wait_for(&threads, Duration::from_secs(30));
        assert!(threads.iter().all(|(_, thread)| thread.is_finished()));
    }

    #[test]
    fn a_thread_begins_when_it_is_told_to_and_the_one_before_has_ended() {
        let (first, second) = (shared(), shared());
        let (let_go, hang) = std::sync::mpsc::channel::<()>();
        let (say, said) = std::sync::mpsc::channel::<&str>();
        let told = say.clone();
        let before = spawn(&first, "hub", move |_| {
            let _let_go = hang.recv();
            told.send("first").unwrap();
        });
        first.say(Order::Run);
        let after = spawn(&second, "hub", move |_| say.send("second").unwrap());
        held(&second.before).extend([before.unwrap()]);
        second.say(Order::Run);
        let soon = Duration::from_millis(100);
        assert!(
            said.recv_timeout(soon).is_err(),
            "the first is still at work"
        );
        drop(let_go);
        let all: Vec<&str> = said.iter().collect();
        assert_eq!(all, ["first", "second"]);
        after.unwrap().1.join().unwrap();
        // One that is not wanted does nothing.
        let third = shared();
        let never = spawn(&third, "hub", |_| panic!("was never told to begin"));
        third.say(Order::Never);
        never.unwrap().1.join().unwrap();
    }
}
