//! Clocks that jump, and days that are an hour shorter or longer.
//!
//! The jumps are made by the faketime library, which answers for the system's clock and leaves the
//! monotonic one alone. The one invariant: what was measured is placed by its own time, whatever
//! this computer's clock says meanwhile.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use driftvane::plant::Delivery;
use driftvane::shifts;
use jiff::Timestamp;
use jiff::civil::date;
use jiff::tz::TimeZone;

use crate::kept::{assert_whole, deliveries, undisturbed};
use crate::place::{
    Place, assert_same_charts, assert_same_rows, list, one_feed, small_config, text, wait_until,
};

/// The library, wherever the system keeps it.
fn faketime() -> PathBuf {
    let candidates = fs::read_dir("/usr/lib")
        .unwrap()
        .flatten()
        .map(|entry| entry.path());
    let found = candidates
        .chain([
            PathBuf::from("/usr/lib"),
            PathBuf::from("/usr/local/lib"),
            "/usr/lib64".into(),
        ])
        .map(|folder| folder.join("faketime/libfaketimeMT.so.1"))
        .find(|path| path.exists());
    found.expect("libfaketime is not installed; tests/run installs it as root")
}

/// The program under a clock that the file `clock` sets.
pub fn under_clock(place: &Place) -> Command {
    let mut command = place.command(&["watch"]);
    command
        .env("LD_PRELOAD", faketime())
        .env("FAKETIME_TIMESTAMP_FILE", place.path("clock"))
        .env("FAKETIME_NO_CACHE", "1")
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
        .env("NO_FAKE_STAT", "1")
        .env("TZ", "UTC");
    command
}

#[test]
fn a_clock_that_jumps_by_an_hour_or_a_year_loses_nothing_and_raises_nothing() {
    let config = small_config(24 * 60).replace("settle_ms = 200", "settle_ms = 20");
    let files = deliveries(201);
    let expected = undisturbed(&config, &files);
    let place = Place::new(&config);
    // The plant's morning is the second of March, 2026.
    let clocks = [
        "2026-03-02 21:00:00",
        "2026-03-02 22:00:00",
        "2026-03-02 20:00:00",
        "2027-03-02 21:00:00",
        "2025-03-02 21:00:00",
        "2026-03-02 21:10:00",
    ];
    place.write("clock", format!("@{}\n", clocks[0]));
    let mut watching = place.watch_by(under_clock(&place));
    for (clock, part) in clocks
        .iter()
        .zip(files.chunks(files.len().div_ceil(clocks.len())))
    {
        place.write("clock", format!("@{clock}\n"));
        let before = place.files();
        deliver_whole(&place, part);
        wait_until("the files of this clock", || {
            place.files() > before && at_rest(&place)
        });
        assert!(watching.runs(), "{clock}: {}", place.log());
    }
    // With the clock a year back, every file came from the future: set aside, not lost.
    let aside = place.json(&["quarantine", "list"]);
    assert!(!list(&aside).is_empty(), "{}", place.log());
    let by = ["--by", "A. Roth", "--reason", "the clock was a year back"];
    for one in list(&aside) {
        place.ok(&[&["quarantine", "retry", &text(one, "id")][..], &by].concat());
    }
    let rows = expected.number("SELECT sum(rows) FROM unit");
    wait_until("all rows", || {
        place.number("SELECT sum(rows) FROM unit") == rows
    });
    watching.stop();
    let log = place.log();
    assert!(!log.contains("panicked"), "{log}");
    let reports = log
        .lines()
        .filter(|line| line.contains("shift report"))
        .count();
    println!(
        "{} lines of log, {reports} shift reports",
        log.lines().count()
    );
    assert!(reports <= clocks.len(), "{log}");
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
    assert_same_charts(&expected.charts(), &place.charts());
    assert_same_rows("alerts", &expected.alerts(), &place.alerts());
}

/// Rows of a growing file that are set aside come again with the next ones, so each part of this
/// test is a file of its own.
fn deliver_whole(place: &Place, part: &[Delivery]) {
    part.iter().for_each(|file| place.deliver(file));
}

/// Whether every file that was delivered is known as it lies there now.
fn at_rest(place: &Place) -> bool {
    let paths = place.table("SELECT path, length FROM path");
    ["paste", "optical", "function"].iter().all(|station| {
        fs::read_dir(place.path(station)).unwrap().all(|entry| {
            let entry = entry.unwrap();
            let (path, len) = (entry.path(), entry.metadata().unwrap().len());
            let row = format!("[Text(\"{}\"), Integer({len})]", path.display());
            paths.contains(&row)
        })
    })
}

/// The plant of one feed, which never stops, where clocks are put forward and back.
fn config() -> String {
    let day = "name = \"day\"\nstarts = \"00:00\"";
    let shifts = "name = \"early\"\nstarts = \"06:00\"\n[[shift]]\nname = \"late\"\n\
         starts = \"14:00\"\n[[shift]]\nname = \"night\"\nstarts = \"22:00\"";
    one_feed(&[("\"UTC\"", "\"Europe/Berlin\""), (day, shifts)])
}

/// Europe/Berlin put its clocks forward on 2026-03-29 and back on 2026-10-25 (IANA time zone
/// database), both between two and three in the night.
#[test]
fn a_night_of_seven_or_nine_hours_has_every_row_once() {
    for (first_day, hours_of_night, hours_of_day) in
        [(date(2026, 3, 28), 7, 23), (date(2026, 10, 24), 9, 25)]
    {
        let place = Place::bare(&config());
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let local = |day, hour| {
            let at = date(first_day.year(), first_day.month(), day).at(hour, 0, 0, 0);
            at.to_zoned_datetime(zone.clone())
                .unwrap()
                .timestamp()
                .as_second()
        };
        // From one early shift to the one two days later.
        let (from, to) = (local(first_day.day(), 6), local(first_day.day() + 2, 6));
        for hour in (from..to).step_by(3_600) {
            let mut rows = "At,Panel,Height\n".to_owned();
            for at in (hour..hour + 3_600).step_by(60) {
                let time = Timestamp::from_second(at).unwrap();
                rows.push_str(&format!("{time},P{at},{}\n", 100 + at / 60 % 7));
            }
            place.write(&format!("paste/{hour}.csv"), rows);
        }
        place.replay();
        let config = driftvane::config::read::read(&config(), &place.folder).unwrap();
        let (mut at, mut total, mut hours) = (from * 1_000_000, 0, Vec::new());
        while at < to * 1_000_000 {
            let shift = shifts::at(&config, at);
            assert_eq!(shift.start, at, "{shift:?}");
            let (start, end) = (shift.start, shift.end);
            let units = format!("SELECT count(*) FROM unit WHERE at >= {start} AND at < {end}");
            let rows = place.number(&units);
            assert_eq!(rows * 60_000_000, end - start, "{shift:?}");
            let middle = Timestamp::from_microsecond(start + (end - start) / 2).unwrap();
            let path = place.ok(&["report", "shift", "--at", &middle.to_string()]);
            let page = fs::read_to_string(path.trim()).unwrap();
            assert!(
                path.contains(&format!("{}-{}", shift.date, shift.name)),
                "{path}"
            );
            assert!(page.contains(&rows.to_string()), "{rows} rows: {path}");
            hours.push(rows / 60);
            total += rows;
            at = end;
        }
        assert_eq!(hours, [8, 8, hours_of_night, 8, 8, 8], "{first_day}");
        assert_eq!(hours[2..5].iter().sum::<i64>(), hours_of_day);
        assert_eq!(total, (to - from) / 60);
        assert_whole(&place);
    }
}
