//! Notices of what hinders the program itself.
//!
//! Knows no stream. The one invariant: a notice that is sent at once and the one that the record
//! keeps later have the same key, so that a receiver can tell the copy.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::thread::JoinHandle;

use super::carriers::{Carrier, Load, carrier};
use super::notice::{self, Told};
use crate::clock;
use crate::commands::utc;
use crate::config::Config;
use crate::health::{Health, Hindrance};
use crate::store::{Notice, Store, StoreError, TroubleRow};
use crate::words::Severity;

/// Keeps what hinders the program, with its notices, which leave like all others.
///
/// # Errors
///
/// When the record fails.
pub fn keep_hindrances(store: &mut Store, health: &Health) -> Result<(), StoreError> {
    store.keep_hindrances(&health.hindrances(), notice, clock::now())
}

/// Sends at once what the record can not keep, with at most one thread a channel.
#[derive(Debug, Default)]
pub struct Announcer {
    under_way: BTreeMap<String, JoinHandle<()>>,
}

impl Announcer {
    /// Sends by every channel that something hinders the program. Nobody waits for it; what does
    /// not arrive, or what a channel is not asked for because it still has the one before, leaves
    /// when the record can be written again.
    pub fn announce(&mut self, config: &Arc<Config>, hindrance: &Hindrance) {
        let notice = notice(&TroubleRow::from(hindrance), "raised", hindrance.since);
        for channel in &config.channels {
            self.send(&channel.name, carrier(config, channel), notice.clone());
        }
    }

    fn send(&mut self, name: &str, mut carrier: Box<dyn Carrier>, notice: Notice) {
        self.under_way.retain(|_, thread| !thread.is_finished());
        if self.under_way.contains_key(name) {
            tracing::warn!(channel = %name, "an alert of the system waits for the one before");
            return;
        }
        let channel = name.to_owned();
        let send = move || {
            if let Err(fault) = carrier.carry(&Load::of(&[&notice])) {
                let problem = fault.problem;
                tracing::warn!(%channel, %problem, "an alert of the system waits");
            }
        };
        match std::thread::Builder::new().spawn(send) {
            Ok(thread) => {
                self.under_way.insert(name.to_owned(), thread);
            }
            Err(error) => tracing::warn!(%error, "an alert of the system waits"),
        }
    }
}

fn notice(of: &TroubleRow, what: &'static str, at: i64) -> Notice {
    let told = Told {
        key: format!("system-{}-{}-{what}", of.kind, of.raised_at),
        alert: None,
        what,
        at,
        line: "",
        severity: Severity::High,
        state: if what == "raised" { "active" } else { what },
        streams: Vec::new(),
        subject: format!("System {what}: {}", of.kind),
        text: of.words.clone(),
    };
    let more = serde_json::json!({ "system": of.kind, "since": utc(of.raised_at) });
    notice::notice(told, &more)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alerts::{Fault, Receipt};
    use std::sync::Mutex;
    use std::sync::mpsc::{Receiver, Sender, channel};

    /// Takes a notice, tells so, and comes back when it is let go.
    struct Slow(Sender<String>, Mutex<Receiver<()>>);

    impl Carrier for Slow {
        fn carry(&mut self, load: &Load<'_>) -> Result<Receipt, Fault> {
            self.0.send(load.notices[0].key.clone()).unwrap();
            let _let_go = self.1.lock().unwrap().recv();
            Ok(Receipt::default())
        }
    }

    /// A disk that is full, not full and full again makes no pile of threads.
    #[test]
    fn a_channel_is_told_one_thing_at_a_time() {
        let mut announcer = Announcer::default();
        let (say, taken) = channel();
        let send = |announcer: &mut Announcer, channel_name: &str, raised_at: i64| {
            let (let_go, hang) = channel();
            let trouble = TroubleRow {
                kind: "disk-full".into(),
                words: "make room".into(),
                raised_at,
            };
            let slow = Box::new(Slow(say.clone(), Mutex::new(hang)));
            announcer.send(channel_name, slow, notice(&trouble, "raised", raised_at));
            let_go
        };
        let first = send(&mut announcer, "hub", 1);
        assert_eq!(taken.recv().unwrap(), "system-disk-full-1-raised");
        let _refused: Vec<_> = (2..100).map(|at| send(&mut announcer, "hub", at)).collect();
        assert_eq!(announcer.under_way.len(), 1);
        let _other = send(&mut announcer, "mail", 100);
        assert_eq!(taken.recv().unwrap(), "system-disk-full-100-raised");
        drop(first);
        let hub = announcer.under_way.remove("hub").unwrap();
        hub.join().unwrap();
        let _later = send(&mut announcer, "hub", 101);
        assert_eq!(taken.recv().unwrap(), "system-disk-full-101-raised");
    }
}
