//! The threads by which notices leave, beside the one that reads.
//!
//! Knows no protocol. The one invariant: the reading thread never waits for a channel; at the end
//! it waits only as long as something still moves.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
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

/// How long the end waits for a thread in which nothing moves.
const FINISH_PATIENCE: Duration = Duration::from_secs(5);

/// Between two looks at threads that shall end.
const FINISH_LOOK: Duration = Duration::from_millis(10);

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
}

/// The threads by which notices leave.
pub struct Courier {
    shared: Arc<Shared>,
    composer: JoinHandle<()>,
    channels: Vec<(String, JoinHandle<()>)>,
}

impl Courier {
    /// Starts them.
    ///
    /// # Errors
    ///
    /// When the system gives no thread.
    pub fn start(config: &Arc<Config>, reach: Reach) -> std::io::Result<Courier> {
        let shared = Arc::new(Shared {
            config: Arc::clone(config),
            order: Mutex::new(Order::Run),
            changed: Condvar::new(),
            moved: AtomicU64::new(0),
        });
        let thread = |name: &str| std::thread::Builder::new().name(name.to_owned());
        let own = Arc::clone(&shared);
        let composer = thread("notices").spawn(move || own.compose_all())?;
        let mut channels = Vec::new();
        let is_wanted = |channel: &&Channel| reach == Reach::All || is_file(channel);
        for channel in config.channels.iter().filter(is_wanted) {
            let own = Arc::clone(&shared);
            let (name, channel) = (channel.name.clone(), channel.clone());
            let handle = thread(&name).spawn(move || own.work(&channel))?;
            channels.push((name, handle));
        }
        Ok(Courier {
            shared,
            composer,
            channels,
        })
    }

    /// Ends them: after the notices of all events are written and in their files. What a channel
    /// did not take until then waits in the record.
    pub fn finish(self) {
        self.shared.say(Order::Finish);
        self.shared
            .wait_for(&self.composer, "the writer of notices");
        self.shared.say(Order::End);
        for (name, thread) in &self.channels {
            self.shared.wait_for(thread, name);
        }
    }
}

impl Shared {
    fn say(&self, order: Order) {
        *self.order.lock().unwrap_or_else(PoisonError::into_inner) = order;
        self.changed.notify_all();
    }

    fn order(&self) -> Order {
        *self.order.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits for a time, or until the order changes.
    fn rest(&self, before: Order, time: Duration) {
        let order = self.order.lock().unwrap_or_else(PoisonError::into_inner);
        let rested = self
            .changed
            .wait_timeout_while(order, time, |order| *order == before);
        drop(rested);
    }

    fn moves(&self) {
        self.moved.fetch_add(1, Ordering::Relaxed);
    }

    /// Waits for a thread to end, as long as anything moves.
    fn wait_for(&self, thread: &JoinHandle<()>, name: &str) {
        let mut seen = self.moved.load(Ordering::Relaxed);
        let mut since = clock::Monotonic::start();
        while !thread.is_finished() {
            let now = self.moved.load(Ordering::Relaxed);
            if now != seen {
                (seen, since) = (now, clock::Monotonic::start());
            }
            if u128::from(since.ms()) > FINISH_PATIENCE.as_millis() {
                tracing::warn!(%name, "does not come to an end; its notices wait in the record");
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
