//! A channel at work on a record, with a carrier that does what the test says.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, PoisonError};

use super::*;
use crate::config::read;
use crate::store::{Act, Store, Who};

const MINUTE: i64 = 60_000_000;

/// 2026-03-02T10:00:00Z: eleven o'clock in Vienna.
const START: i64 = 1_772_445_600_000_000;

type Says = Box<dyn Fn(&Notice) -> Result<Receipt, Fault> + Send>;

/// What a carrier was given, and what it shall say.
#[derive(Default)]
struct Script {
    taken: Vec<String>,
    /// Who was left to have it, of each attempt.
    left: Vec<Vec<String>>,
    says: Option<Says>,
}

struct Scripted(Arc<Mutex<Script>>);

impl Carrier for Scripted {
    fn carry(&mut self, load: &Load<'_>) -> Result<Receipt, Fault> {
        let mut script = self.0.lock().unwrap();
        script.left.push(load.left.to_vec());
        let mut receipt = Receipt::default();
        for notice in load.notices {
            if let Some(says) = &script.says {
                receipt = says(notice)?;
            }
            script.taken.push(notice.key.clone());
        }
        Ok(receipt)
    }
}

/// A record of its own, with a channel that a script plays.
struct Scene {
    folder: PathBuf,
    reader: Reader,
    worker: Worker,
    script: Arc<Mutex<Script>>,
    now: i64,
    written: usize,
}

impl Drop for Scene {
    fn drop(&mut self) {
        std::fs::remove_dir_all(&self.folder).unwrap();
    }
}

impl Scene {
    fn new(channel: &str) -> Scene {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let name = format!("driftvane-worker-{}-{number}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        let text = include_str!("../../../../sample-feeds/driftvane.toml");
        let text = format!(
            "{text}\n[[alerts.channel]]\nname = \"hub\"\nkind = \"webhook\"\n\
             url = \"http://hub/\"\n{channel}"
        );
        let config = Arc::new(read::read(&text, &folder).unwrap());
        drop(Store::open(&config.data_folder).unwrap());
        let reader = Reader::open(&config.data_folder).unwrap();
        reader.enlist("hub", "webhook", START).unwrap();
        let script = Arc::new(Mutex::default());
        let carrier = Box::new(Scripted(Arc::clone(&script)));
        let channel = config
            .channels
            .iter()
            .find(|one| one.name == "hub")
            .unwrap();
        Scene {
            worker: Worker::new(&config, channel, carrier),
            folder,
            reader,
            script,
            now: START,
            written: 0,
        }
    }

    fn write(&mut self, count: usize, change: impl Fn(&mut Notice)) {
        let notices: Vec<Notice> = (0..count)
            .map(|_| {
                self.written += 1;
                let mut notice = Notice {
                    key: format!("n{:04}", self.written),
                    ..some_notice(self.now)
                };
                change(&mut notice);
                notice
            })
            .collect();
        let notices: Vec<_> = notices.into_iter().map(|notice| (notice, None)).collect();
        self.reader.tell(&notices, 0, self.now).unwrap();
    }

    /// Writes a notice for one channel.
    fn write_for(&mut self, channel: &str) {
        let key = format!("for {channel}");
        let notice = Notice {
            key,
            ..some_notice(self.now)
        };
        let notices = [(notice, Some(channel))];
        self.reader.tell(&notices, 0, self.now).unwrap();
    }

    /// Turns until nothing is left to do; gives what left.
    fn run(&mut self) -> Vec<String> {
        let now = self.now;
        while self.worker.turn(&self.reader, 1.0, &|| now).unwrap() == Next::Go {}
        std::mem::take(&mut self.script.lock().unwrap().taken)
    }

    fn answer(&self, says: impl Fn(&Notice) -> Result<Receipt, Fault> + Send + 'static) {
        let mut script = self.script.lock().unwrap_or_else(PoisonError::into_inner);
        script.says = Some(Box::new(says));
    }

    fn states(&self) -> (usize, u64, u32) {
        let row = self.reader.channels().unwrap().remove(0);
        let listed = self.reader.waiting(10_000).unwrap().len();
        (listed, row.waiting, row.failures)
    }
}

fn some_notice(now: i64) -> Notice {
    Notice {
        key: String::new(),
        alert: None,
        kind: "raised".into(),
        at: now,
        line: "L1".into(),
        severity: Severity::Medium,
        state: "active".into(),
        streams: vec!["paste-height/L1".into()],
        subject: "A-0001 raised".into(),
        text: "moved".into(),
        body: "{}".into(),
    }
}

fn down(_: &Notice) -> Result<Receipt, Fault> {
    Err(Fault {
        is_of_notice: false,
        problem: "hub:80 can not be reached".into(),
        fix: "look at the hub".into(),
    })
}

#[test]
fn notices_leave_in_order_and_once() {
    let mut scene = Scene::new("");
    scene.write(3, |_| {});
    assert_eq!(scene.run(), ["n0001", "n0002", "n0003"]);
    assert!(scene.run().is_empty());
    assert_eq!(scene.states(), (0, 0, 0));
    scene.write(1, |_| {});
    assert_eq!(scene.run(), ["n0004"]);
}

/// Whoever is told to stop takes no further turn: what was sent must be kept by then.
#[test]
fn what_was_sent_or_refused_is_kept_in_the_turn_that_tried_it() {
    let mut scene = Scene::new("");
    scene.write(2, |_| {});
    let now = scene.now;
    scene.worker.turn(&scene.reader, 1.0, &|| now).unwrap();
    assert_eq!(scene.script.lock().unwrap().taken, ["n0001"]);
    assert_eq!(scene.states(), (1, 1, 0));
    scene.answer(down);
    scene.worker.turn(&scene.reader, 1.0, &|| now).unwrap();
    assert_eq!(scene.states(), (1, 1, 1));
}

#[test]
fn a_notice_for_one_channel_leaves_by_it_alone_and_once() {
    let mut scene = Scene::new("");
    scene.write_for("hub");
    scene.write_for("other");
    assert_eq!(scene.run(), ["for hub"]);
    scene.write(1, |_| {});
    assert_eq!(scene.run(), ["n0001"]);
}

#[test]
fn filters_let_pass_what_they_name_and_news_of_no_line() {
    let mut scene = Scene::new(
        "lines = [\"L1\"]\nseverities = [\"high\"]\nstates = [\"active\", \"returned\"]\n",
    );
    scene.write(1, |notice| notice.severity = Severity::High);
    scene.write(1, |_| {});
    scene.write(1, |notice| {
        notice.severity = Severity::High;
        notice.line = "L2".into();
    });
    scene.write(1, |notice| {
        notice.severity = Severity::High;
        notice.state = "acknowledged".into();
    });
    scene.write(1, |notice| {
        notice.severity = Severity::High;
        notice.line = String::new();
        notice.state = "returned".into();
    });
    assert_eq!(scene.run(), ["n0001", "n0005"]);
}

#[test]
fn a_channel_that_is_down_is_asked_ever_more_seldom_and_loses_nothing() {
    let mut scene = Scene::new("");
    scene.write(2, |_| {});
    scene.answer(down);
    let mut waits = Vec::new();
    for failures in 1..=11 {
        assert!(scene.run().is_empty());
        let row = scene.reader.channels().unwrap().remove(0);
        assert_eq!(row.failures, failures);
        assert_eq!(row.failing_since, Some(START));
        assert_eq!(row.problem, "hub:80 can not be reached");
        waits.push(row.next_at - scene.now);
        scene.now = row.next_at;
    }
    assert_eq!(waits[..4], [2_000_000, 4_000_000, 8_000_000, 16_000_000]);
    assert_eq!(waits[10], 10 * MINUTE);
    scene.answer(|_| Ok(Receipt::default()));
    assert_eq!(scene.run(), ["n0001", "n0002"]);
    assert_eq!(scene.states(), (0, 0, 0));
}

#[test]
fn a_notice_that_is_refused_does_not_hold_up_the_others() {
    let mut scene = Scene::new("");
    scene.write(4, |_| {});
    scene.answer(|notice| match notice.key.as_str() {
        "n0002" => Err(Fault {
            is_of_notice: true,
            problem: "422".into(),
            fix: "look".into(),
        }),
        _ => Ok(Receipt::default()),
    });
    assert_eq!(scene.run(), ["n0001", "n0003", "n0004"]);
    let waiting = scene.reader.waiting(10).unwrap();
    assert_eq!(waiting.len(), 1);
    assert_eq!(
        (waiting[0].problem.as_str(), waiting[0].attempts),
        ("422", 1)
    );
    // Given up by a person, and kept with the reason.
    let who = Who {
        author: "J. Novak",
        reason: "the hub no longer knows this line",
        now: scene.now,
    };
    let id = waiting[0].delivery;
    assert!(scene.reader.act_on_delivery(id, Act::GiveUp, who).unwrap());
    assert!(
        !scene
            .reader
            .act_on_delivery(id, Act::SendAgain, who)
            .unwrap()
    );
    scene.now += MINUTE;
    assert!(scene.run().is_empty());
    assert_eq!(scene.states().0, 0);
}

/// One of two recipients may take it later.
fn in_part(_: &Notice) -> Result<Receipt, Fault> {
    Ok(Receipt {
        said: "250 taken".into(),
        complaint: Some(("refused two@plant.example: 450 busy".into(), "look".into())),
        left: vec!["two@plant.example".into()],
    })
}

#[test]
fn who_could_not_take_a_notice_gets_it_later_and_nobody_else_again() {
    let mut scene = Scene::new("");
    scene.write(2, |_| {});
    scene.answer(in_part);
    assert_eq!(
        scene.run(),
        ["n0001", "n0002"],
        "one does not hold up the other"
    );
    let everybody: [Vec<String>; 2] = Default::default();
    assert_eq!(scene.script.lock().unwrap().left, everybody);
    // Both wait for the one recipient, and the channel is in order.
    assert_eq!(scene.states(), (2, 2, 0));
    let row = scene.reader.channel("hub").unwrap().unwrap();
    assert!(row.problem.contains("450 busy") && row.failing_since.is_none());
    assert!(scene.run().is_empty(), "not at once");
    scene.now += MINUTE;
    scene.answer(|_| Ok(Receipt::default()));
    assert_eq!(scene.run(), ["n0001", "n0002"]);
    let rest = vec!["two@plant.example".to_owned()];
    assert_eq!(scene.script.lock().unwrap().left[2..], [rest.clone(), rest]);
    assert_eq!(scene.states(), (0, 0, 0));
    scene.now += MINUTE;
    assert!(scene.run().is_empty());
}

#[test]
fn what_some_have_is_summed_up_only_for_those_who_have_not() {
    let mut scene = Scene::new("notices_per_minute = 3\n");
    scene.answer(in_part);
    scene.write(2, |_| {});
    assert_eq!(scene.run().len(), 2);
    scene.now += 2 * MINUTE;
    scene.write(5, |_| {});
    scene.answer(|_| Ok(Receipt::default()));
    let first = scene.run();
    // Two for the one recipient, and one summary for all.
    assert_eq!(first[..2], ["n0001", "n0002"]);
    assert_eq!(first.len(), 3);
    let left = scene.script.lock().unwrap().left.clone();
    assert_eq!(left[left.len() - 1], Vec::<String>::new());
    assert_eq!(scene.reader.summed(&first[2]).unwrap().len(), 5);
    // As many as can not be sent one by one become one for that recipient.
    scene.now += 2 * MINUTE;
    scene.answer(in_part);
    scene.write(2, |_| {});
    scene.run();
    scene.now += 2 * MINUTE;
    scene.write(2, |_| {});
    scene.run();
    scene.now += 2 * MINUTE;
    scene.answer(|_| Ok(Receipt::default()));
    let last = scene.run().pop().unwrap();
    let summed = scene.reader.summed(&last).unwrap();
    assert!(!summed.is_empty() && summed.iter().all(|notice| notice.kind != "summary"));
    let left = scene.script.lock().unwrap().left.pop().unwrap();
    assert_eq!(left, ["two@plant.example"]);
    scene.now += 2 * MINUTE;
    scene.run();
    assert_eq!(scene.states().0, 0);
}

/// The clock was a year ahead while a channel failed, and is right again.
#[test]
fn a_clock_that_was_ahead_holds_nothing_back() {
    let year = 365 * 24 * 60 * MINUTE;
    let mut scene = Scene::new("notices_per_minute = 3\n");
    scene.write(1, |_| {});
    scene.now += year;
    assert_eq!(scene.run().len(), 1);
    scene.answer(down);
    scene.write(5, |_| {});
    assert!(scene.run().is_empty());
    scene.now = START + MINUTE;
    scene.answer(|_| Ok(Receipt::default()));
    assert_eq!(
        scene.run().len(),
        3,
        "neither the wait nor the count of then holds"
    );
    assert_eq!(scene.states(), (0, 0, 0));
}

#[test]
fn a_channel_can_be_for_some_events_only() {
    let mut scene = Scene::new("events = [\"escalated\"]\n");
    scene.write(1, |_| {});
    scene.write(1, |notice| notice.kind = "escalated".into());
    assert_eq!(scene.run(), ["n0002"]);
}

#[test]
fn a_person_can_have_it_tried_at_once() {
    let mut scene = Scene::new("");
    scene.write(1, |_| {});
    scene.answer(down);
    scene.run();
    scene.answer(|_| Ok(Receipt::default()));
    assert!(scene.run().is_empty());
    let who = Who {
        author: "J. Novak",
        reason: "the hub runs again",
        now: scene.now,
    };
    let id = scene.reader.waiting(1).unwrap()[0].delivery;
    assert!(
        scene
            .reader
            .act_on_delivery(id, Act::SendAgain, who)
            .unwrap()
    );
    assert_eq!(scene.run(), ["n0001"]);
}

#[test]
fn quiet_hours_hold_back_all_but_what_is_excepted() {
    let quiet = "quiet = { from = \"10:00\", to = \"12:00\", except_from = \"high\" }\n";
    let mut scene = Scene::new(quiet);
    scene.write(2, |_| {});
    scene.write(1, |notice| notice.severity = Severity::High);
    assert_eq!(scene.run(), ["n0003"]);
    scene.now += 59 * MINUTE;
    assert!(scene.run().is_empty());
    scene.now += MINUTE;
    assert_eq!(scene.run(), ["n0001", "n0002"]);
}

/// A thousand streams out of control at once: what leaves stays within the limit, and every notice
/// is either sent or named by the summary that stands for it.
#[test]
fn of_a_thousand_at_once_no_more_leave_a_minute_and_none_is_missing() {
    let mut scene = Scene::new("notices_per_minute = 5\n");
    scene.write(1_000, |_| {});
    let first = scene.run();
    assert_eq!(first.len(), 5);
    assert_eq!(first[..4], ["n0001", "n0002", "n0003", "n0004"]);
    let summed = scene.reader.summed(&first[4]).unwrap();
    let keys: Vec<&str> = summed.iter().map(|notice| notice.key.as_str()).collect();
    let wanted: Vec<String> = (5..=1_000).map(|number| format!("n{number:04}")).collect();
    assert_eq!(keys, wanted);
    assert_eq!(scene.states(), (0, 0, 0));
    // Nothing more leaves before the minute is over.
    scene.write(3, |_| {});
    scene.now += 59_000_000;
    assert!(scene.run().is_empty());
    scene.now += 2_000_000;
    assert_eq!(scene.run(), ["n1001", "n1002", "n1003"]);
}

#[test]
fn the_queue_of_a_dead_channel_stays_bounded_and_names_every_notice() {
    let mut scene = Scene::new("notices_per_minute = 6000\n");
    scene.answer(down);
    scene.write(1_300, |_| {});
    scene.run();
    let (listed, waiting, _) = scene.states();
    assert!(listed <= QUEUE_MAX && waiting == listed as u64, "{listed}");
    scene.answer(|_| Ok(Receipt::default()));
    scene.now += 11 * MINUTE;
    let mut all = Vec::new();
    for key in scene.run() {
        let summed = scene.reader.summed(&key).unwrap();
        match summed.is_empty() {
            true => all.push(key),
            false => all.extend(summed.into_iter().map(|notice| notice.key)),
        }
    }
    all.sort();
    let wanted: Vec<String> = (1..=1_300).map(|number| format!("n{number:04}")).collect();
    assert_eq!(all, wanted);
}

#[test]
fn a_new_channel_is_to_have_what_is_written_from_then_on() {
    let mut scene = Scene::new("");
    scene.write(2, |_| {});
    scene.reader.enlist("late", "mqtt", scene.now).unwrap();
    scene.write(1, |_| {});
    scene.reader.route("late", scene.now, |_| true).unwrap();
    let due = scene
        .reader
        .due("late", (scene.now, 0), Severity::Low, 10)
        .unwrap();
    let keys: Vec<&str> = due.iter().map(|one| one.notice.key.as_str()).collect();
    assert_eq!(keys, ["n0003"]);
    assert_eq!(scene.run().len(), 3);
}
