//! The program is killed at its writes and syncs, one after another.
//!
//! Kills come from the tracer, so the program has no hooks for them. The one invariant: a kill
//! before any write leaves the record as it was before the transaction or as it is after it.

use crate::kept::{
    Before, Said, assert_same, assert_whole, deliveries, has_record, news, said, sent,
};
use crate::place::{Chance, Place, config_with_baselines, small_plant_with};
use crate::tools::{is_long, traced, was_killed};

/// The calls that write, sync, rename or remove: of the record, of the archive, of the alert file.
const CALLS: [&str; 7] = [
    "pwrite64",
    "fdatasync",
    "fsync",
    "write",
    "rename",
    "unlink",
    "ftruncate",
];

/// One batch of an ingest: how the place was before it, and what the record says then.
struct Batch<'a> {
    place: &'a Place,
    number: usize,
    before: Before,
    said_before: Option<Said>,
    said_after: Said,
    news: Vec<String>,
}

/// Goes through an ingest of all three stations, of three batches, and shows each of them.
fn each_batch(visit: &mut dyn FnMut(&Batch)) {
    // The plant as small as it goes: every write is a place to be killed at.
    let plant = small_plant_with(&[
        ("panels = 60", "panels = 9"),
        ("after_panel = 22", "after_panel = 8"),
        ("from_panel = 30", "from_panel = 5"),
        (
            "from_panel = 35\nto_panel = 40",
            "from_panel = 6\nto_panel = 7",
        ),
    ]);
    let config = config_with_baselines(&[("three-way", 3), ("u", 3), ("mean-s", 3)]);
    let place = Place::new(&config);
    let files: Vec<_> = plant.deliveries(81).collect();
    let mut said_before = None;
    for (number, part) in files.chunks(files.len().div_ceil(3)).enumerate() {
        part.iter().for_each(|file| place.deliver(file));
        let before = Before::keep(&place, &format!("before-{number}"));
        place.replay();
        let batch = Batch {
            place: &place,
            number,
            before,
            said_before,
            said_after: said(&place),
            news: news(&place),
        };
        visit(&batch);
        batch.before.restore(&place);
        place.replay();
        said_before = Some(batch.said_after);
    }
    let stations = "SELECT DISTINCT feed FROM file WHERE verdict = 'accepted'";
    assert_eq!(place.table(stations).len(), 3);
    assert!(!news(&place).is_empty(), "there is no news to lose");
}

impl Batch<'_> {
    /// Kills the ingest before its n-th call of a kind; whether it came so far.
    fn kill(&self, call: &str, number: usize) -> bool {
        let what = format!("batch {}, {call} {number}", self.number);
        self.before.restore(self.place);
        let injection = format!("{call}:signal=SIGKILL:when={number}");
        let answer = traced(self.place, &injection, &[], &["replay"]);
        if !was_killed(&answer) {
            assert_eq!(answer.code, Some(0), "{what}: {}", answer.err);
            return false;
        }
        self.assert_all_or_nothing(&what);
        let unsure = self.unsure();
        let again = self.place.run(&["replay"]);
        assert_eq!(again.code, Some(0), "{what}: {}", again.err);
        assert_same(&what, &self.said_after, &said(self.place));
        assert_whole(self.place);
        self.assert_told(&what, unsure);
        true
    }

    /// Asserts that a kill left the record as it was before the batch, or as it is after it.
    fn assert_all_or_nothing(&self, what: &str) {
        if !has_record(self.place) {
            assert!(self.said_before.is_none(), "{what}: the record is gone");
            return;
        }
        self.place.assert_sound();
        let left = said(self.place);
        let is_before = match &self.said_before {
            Some(before) => left["file"] == before["file"],
            None => left["file"].is_empty(),
        };
        let expected = match is_before {
            true => self.said_before.as_ref(),
            false => Some(&self.said_after),
        };
        if let Some(expected) = expected {
            assert_same(&format!("{what}, as it was left"), expected, &left);
        }
    }

    /// News that stand in the alert file, of which the record does not know it.
    fn unsure(&self) -> Vec<String> {
        let known = match has_record(self.place) {
            true => sent(self.place),
            false => Vec::new(),
        };
        let mut unsure = news(self.place);
        unsure.retain(|event| !known.contains(event));
        unsure
    }

    /// Asserts that every news has left once, and what the kill left unsure once more.
    fn assert_told(&self, what: &str, unsure: Vec<String>) {
        let mut expected = [self.news.clone(), unsure].concat();
        let mut found = news(self.place);
        found.sort();
        expected.sort();
        assert_eq!(found, expected, "{what}");
    }
}

#[test]
fn a_kill_before_any_write_or_sync_loses_nothing_and_counts_nothing_twice() {
    let mut chance = Chance::new(20_261_125);
    let (mut points, mut killed) = (Vec::new(), 0);
    each_batch(&mut |batch| {
        if is_long() {
            for call in CALLS {
                let reached = (1..).take_while(|number| batch.kill(call, *number)).count();
                points.push((batch.number, call, reached));
                killed += reached;
            }
            return;
        }
        for _ in 0..5 {
            // Most writes are the record's; every other kind has a few.
            let call = CALLS[chance.below(CALLS.len() + 3).saturating_sub(3)];
            let number = 1 + chance.below(if call == "pwrite64" { 60 } else { 3 });
            let reached = batch.kill(call, number);
            points.push((batch.number, call, number));
            killed += usize::from(reached);
        }
    });
    println!("{killed} kills; by batch and call: {points:?}");
    assert!(
        killed >= if is_long() { 200 } else { 6 },
        "only {killed} kills"
    );
}

/// After the commit and before the send; after the send and before it is noted.
#[test]
fn a_kill_around_the_alert_file_repeats_news_with_their_numbers_and_loses_none() {
    for (call, is_written) in [("write", false), ("fdatasync", true)] {
        let place = Place::new(&crate::kept::quick_config());
        deliveries(61).iter().for_each(|file| place.deliver(file));
        let file = place.path("alerts.jsonl");
        let injection = format!("{call}:signal=SIGKILL:when=1");
        let answer = traced(&place, &injection, &[&file], &["replay"]);
        assert!(was_killed(&answer), "{call}: {}", answer.err);
        let before = news(&place);
        assert_eq!(!before.is_empty(), is_written, "{call}");
        place.replay();
        assert_whole(&place);
        let (after, events) = (
            news(&place),
            place.table("SELECT id FROM alert_event ORDER BY id"),
        );
        assert!(!events.is_empty());
        let told_twice = events
            .iter()
            .filter(|event| after.iter().filter(|line| line == event).count() == 2);
        assert_eq!(told_twice.count(), before.len(), "{call}");
        assert_eq!(after.len(), events.len() + before.len(), "{call}");
        assert_eq!(place.replay()["accepted"], 0);
        assert_eq!(news(&place), after, "{call}");
    }
}

#[test]
fn a_kill_while_a_report_is_written_leaves_no_half_of_one() {
    let place = crate::kept::undisturbed(&crate::kept::quick_config(), &deliveries(62)[..90]);
    let before = Before::keep(&place, "before");
    let whole = place.ok(&["report", "shift"]);
    let whole = std::fs::read_to_string(whole.trim()).unwrap();
    let mut killed = 0;
    for call in ["write", "fsync", "rename", "pwrite64", "fdatasync"] {
        for number in 1..=crate::tools::rounds(2, 12) {
            before.restore(&place);
            let injection = format!("{call}:signal=SIGKILL:when={number}");
            let answer = traced(&place, &injection, &[], &["report", "shift"]);
            if !was_killed(&answer) {
                break;
            }
            killed += 1;
            let folder = place.path("driftvane-data/reports");
            for entry in std::fs::read_dir(&folder).into_iter().flatten() {
                let path = entry.unwrap().path();
                let is_report = path.extension().is_some_and(|end| end == "html");
                let is_half = || {
                    !std::fs::read_to_string(&path)
                        .unwrap()
                        .trim_end()
                        .ends_with("</html>")
                };
                assert!(
                    !is_report || !is_half(),
                    "{call} {number}: {}",
                    path.display()
                );
            }
            let path = place.ok(&["report", "shift"]);
            let again = std::fs::read_to_string(path.trim()).unwrap();
            assert_eq!(again.len(), whole.len(), "{call} {number}");
            place.assert_sound();
        }
    }
    println!("{killed} kills");
    assert!(killed >= 5, "only {killed} kills");
}
