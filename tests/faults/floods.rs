//! More at once than anyone expects: files by the hundred thousand, events by more than the queue.
//!
//! The one invariant: every file ends as one of the four verdicts, and the rows add up.

use std::fs;
use std::time::Duration;

use driftvane::clock::Monotonic;

use crate::kept::{assert_whole, deliveries, quick_config, undisturbed};
use crate::place::{Chance, Place, assert_same_rows, get, one_feed, wait_until};
use crate::tools::{peak_kib, rounds};

/// The plant of one feed with a page.
fn config() -> String {
    one_feed(&[("settle_ms = 20", "settle_ms = 100")]) + "[serve]\nlisten = \"127.0.0.1:0\"\n"
}

/// How much memory is allowed, in KiB.
const PEAK_KIB: u64 = 400 << 10;

/// What was dropped: files by verdict, rows that count.
#[derive(Default)]
struct Dropped {
    accepted: i64,
    duplicate: i64,
    quarantined: i64,
    rows: i64,
}

/// Writes so many files; every hundredth is a copy of the one before, every hundredth no table.
fn drop_files(place: &Place, count: usize) -> Dropped {
    let mut chance = Chance::new(12);
    let mut dropped = Dropped::default();
    let mut last = String::new();
    for number in 0..count {
        let content = match number % 100 {
            98 => last.clone(),
            99 => format!("At;Panel;Height\n{number};;\n"),
            _ => {
                let at = format!(
                    "2026-03-{:02}T{:02}:{:02}:{:02}Z",
                    2 + number / 86_400,
                    number / 3_600 % 24,
                    number / 60 % 60,
                    number % 60
                );
                let height = 90 + chance.below(20);
                format!(
                    "At,Panel,Height\n{at},P{number},{height}\n{at},P{number},{}\n",
                    height + 1
                )
            }
        };
        match number % 100 {
            98 => dropped.duplicate += 1,
            99 => dropped.quarantined += 1,
            _ => {
                dropped.accepted += 1;
                dropped.rows += 2;
            }
        }
        fs::write(place.path(&format!("paste/{number:06}.csv")), &content).unwrap();
        last = content;
    }
    dropped
}

/// How long it takes to read and hash all files of a folder, in milliseconds.
fn read_and_hash_ms(place: &Place) -> u64 {
    let clock = Monotonic::start();
    let mut all = blake3::Hasher::new();
    for entry in fs::read_dir(place.path("paste")).unwrap() {
        all.update(blake3::hash(&fs::read(entry.unwrap().path()).unwrap()).as_bytes());
    }
    println!("digest of all: {}", all.finalize());
    clock.ms()
}

/// How long the page takes to answer, in milliseconds; none where it has no time for it.
fn page_ms(address: &str) -> Option<u64> {
    let clock = Monotonic::start();
    let (status, page) = get(address, "/feeds");
    assert!([200, 503].contains(&status), "{page:.200}");
    (status == 200).then(|| clock.ms())
}

#[test]
fn files_dropped_all_at_once_are_all_accounted_for_in_bounded_memory() {
    let count = rounds(3_000, 100_000);
    let place = Place::bare(&config());
    fs::create_dir(place.path("paste")).unwrap();
    let watching = place.watch();
    let address = place.address();
    watching.signal("STOP");
    let dropped = drop_files(&place, count);
    watching.signal("CONT");
    let (mut pages, mut asked) = (Vec::new(), 0);
    let clock = Monotonic::start();
    let known = || place.files();
    while known() < i64::try_from(count).unwrap() {
        assert!(clock.ms() < 1_800_000, "only {} of {count}", known());
        asked += 1;
        pages.extend(page_ms(&address));
        std::thread::sleep(Duration::from_millis(100));
    }
    let (took_ms, peak) = (clock.ms(), peak_kib(watching.id()));
    wait_until("the page", || page_ms(&address).is_some());
    pages.sort_unstable();
    println!(
        "{asked} pages were asked for, {} were busy",
        asked - pages.len()
    );
    let hashed_ms = read_and_hash_ms(&place).max(1);
    println!(
        "{count} files in {took_ms} ms; reading and hashing them takes {hashed_ms} ms, {:.1} \
         times less (this build); peak {} MiB; page at most {:?} ms, median {:?} ms",
        took_ms as f64 / hashed_ms as f64,
        peak / 1_024,
        pages.last(),
        pages.get(pages.len() / 2)
    );
    assert!(peak < PEAK_KIB, "{peak} KiB");
    let of = |verdict: &str| {
        place.number(&format!(
            "SELECT count(*) FROM file WHERE verdict = '{verdict}'"
        ))
    };
    assert_eq!(
        (of("accepted"), of("duplicate"), of("quarantined")),
        (dropped.accepted, dropped.duplicate, dropped.quarantined)
    );
    assert_eq!(place.number("SELECT sum(rows) FROM unit"), dropped.rows);
    watching.stop();
    assert_whole(&place);
}

/// Events are lost while the daemon stands still; with a scan an hour nothing else finds files.
#[test]
fn files_whose_events_were_lost_are_found() {
    let limit = fs::read_to_string("/proc/sys/fs/inotify/max_queued_events").unwrap();
    let limit: usize = limit.trim().parse().unwrap();
    let config = quick_config().replace("settle_ms = 20", "settle_ms = 20\nscan_seconds = 3600");
    let place = Place::new(&config);
    let watching = place.watch();
    wait_until("the daemon to be at work", || {
        place.log().contains("watching")
    });
    std::thread::sleep(Duration::from_millis(300));
    watching.signal("STOP");
    // Two names by turns, so that no two events are the same and one.
    for number in 0..limit / 2 {
        let part = place.path(&format!("optical/{}.part", number % 2));
        fs::write(&part, "").unwrap();
        fs::remove_file(&part).unwrap();
    }
    let files = deliveries(13);
    files[..120].iter().for_each(|file| place.deliver(file));
    watching.signal("CONT");
    let expected = undisturbed(&config, &files[..120]);
    let rows = expected.number("SELECT sum(rows) FROM unit");
    wait_until("all rows", || place.rows() == rows);
    let log = place.log();
    assert!(log.contains("the system lost events"), "{log}");
    watching.stop();
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
}
