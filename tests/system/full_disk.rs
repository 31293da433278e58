//! A full disk pauses reading and nothing else, and a full report folder not even that.
//!
//! The disks are small ones in memory, which need root to mount; the tests fail where it can not be
//! done.

use std::fs;
use std::path::Path;

use crate::place::{
    Place, assert_same_charts, get, list, small_config, text, wait_until, whole_files,
};
use crate::tools::Mounted;

fn config(more: &str) -> String {
    let config = small_config(60).replace("settle_ms = 200", "settle_ms = 20");
    format!("{config}\n{more}\n[serve]\nlisten = \"127.0.0.1:0\"\n")
}

fn health(address: &str) -> (u16, serde_json::Value) {
    let (status, body) = get(address, "/health");
    (status, serde_json::from_str(&body).unwrap())
}

fn kinds(health: &serde_json::Value) -> Vec<String> {
    let all = list(&health["alerts_of_the_system"]).iter();
    all.map(|one| text(one, "kind")).collect()
}

fn metric(address: &str, name: &str) -> f64 {
    let (status, text) = get(address, "/metrics");
    assert_eq!(status, 200);
    let line = text
        .lines()
        .find(|line| line.starts_with(&format!("{name} ")));
    let line = line.unwrap_or_else(|| panic!("no {name} in {text}"));
    line.rsplit(' ').next().unwrap().parse().unwrap()
}

fn alert_lines(path: &Path) -> Vec<serde_json::Value> {
    let text = fs::read_to_string(path).unwrap_or_default();
    let lines = text.lines().map(|line| serde_json::from_str(line).unwrap());
    lines
        .filter(|line: &serde_json::Value| line["system"].is_string())
        .collect()
}

#[test]
fn a_full_disk_pauses_reading_which_goes_on_alone_and_loses_nothing() {
    let place = Place::new(&config(""));
    let disk = Mounted::in_memory(place.path("driftvane-data"), 48 << 10);
    let files = whole_files(82, 110);
    let (first, last) = files.split_at(60);
    first.iter().for_each(|file| place.deliver(file));
    place.replay();
    let mut daemon = place.watch();
    let address = place.address();
    assert_eq!(health(&address).0, 200);

    disk.fill();
    last.iter().for_each(|file| place.deliver(file));
    wait_until("reading to pause", || health(&address).0 == 503);
    let (_, told) = health(&address);
    assert_eq!(text(&told, "state"), "paused");
    assert_eq!(kinds(&told), ["disk-full"]);
    assert!(metric(&address, "driftvane_paused") > 0.0);
    let (status, page) = get(&address, "/");
    assert!(
        status == 200 && page.contains("reading is paused"),
        "{page}"
    );
    assert!(place.log().contains("make room, and it goes on by itself"));
    wait_until("the alert to leave", || {
        !alert_lines(&place.path("alerts.jsonl")).is_empty()
    });
    // What was read can be looked at all the while.
    assert!(!place.streams().is_empty());
    assert_eq!(place.number("SELECT count(*) FROM file"), 60);
    std::thread::sleep(std::time::Duration::from_secs(5));
    assert!(daemon.runs() && health(&address).0 == 503);

    disk.make_room();
    wait_until("all files to be read", || {
        place.number("SELECT count(*) FROM file") == 110
    });
    wait_until("reading to go on", || health(&address).0 == 200);
    assert!(metric(&address, "driftvane_paused") <= 0.0);
    assert!(!get(&address, "/").1.contains("reading is paused"));
    wait_until("the alert's end to leave", || {
        let lines = alert_lines(&place.path("alerts.jsonl"));
        lines.iter().any(|line| line["what"] == "returned")
    });
    let lines = alert_lines(&place.path("alerts.jsonl"));
    let is_raise = |line: &&serde_json::Value| line["what"] == "raised";
    let lines: Vec<_> = lines.iter().filter(is_raise).collect();
    assert!(
        lines.iter().all(|line| line["key"] == lines[0]["key"]),
        "{lines:?}"
    );
    let ended = "SELECT count(*) FROM trouble WHERE kind = 'disk-full' AND returned_at > raised_at";
    assert_eq!(place.number(ended), 1);
    assert_eq!(place.log().matches("alert of the system: over").count(), 1);
    daemon.stop();
    place.assert_sound();
    place.assert_rows_add_up();
    let whole = Place::new(&small_config(60));
    files.iter().for_each(|file| whole.deliver(file));
    whole.replay();
    assert_same_charts(&whole.charts(), &place.charts());
}

/// A computer that starts again after its disk has run full: what is recorded can be looked at.
#[test]
fn a_start_on_a_full_disk_waits_for_room_and_is_no_end() {
    let place = Place::new(&config(""));
    let disk = Mounted::in_memory(place.path("driftvane-data"), 48 << 10);
    let files = whole_files(82, 40);
    let (first, last) = files.split_at(30);
    first.iter().for_each(|file| place.deliver(file));
    place.replay();
    last.iter().for_each(|file| place.deliver(file));
    disk.fill();
    let mut daemon = place.watch();
    let address = place.address();
    wait_until("the program to say it", || health(&address).0 == 503);
    let (_, told) = health(&address);
    assert_eq!(kinds(&told), ["disk-full"]);
    let (status, page) = get(&address, "/");
    assert!(
        status == 200 && page.contains("reading is paused"),
        "{page}"
    );
    std::thread::sleep(std::time::Duration::from_secs(3));
    assert!(daemon.runs() && health(&address).0 == 503);
    disk.make_room();
    wait_until("all files to be read", || {
        place.number("SELECT count(*) FROM file") == 40
    });
    wait_until("reading to go on", || health(&address).0 == 200);
    daemon.stop();
    place.assert_sound();
    place.assert_rows_add_up();
    // And one that is told to end while it waits ends.
    disk.fill();
    let mut daemon = place.watch();
    wait_until("it to wait again", || {
        place.log().matches("reading is paused").count() > 1
    });
    daemon.signal("TERM");
    assert_eq!(daemon.ended(), Some(0));
}

/// Shifts that change so many seconds from now at the earliest, on a plant clock of UTC.
fn shift_change_in(seconds: i64) -> String {
    let minute = 60_000_000;
    let next = (driftvane::clock::now() / minute + 1) * minute;
    let is_soon = next - driftvane::clock::now() < seconds * 1_000_000;
    let next = next + if is_soon { minute } else { 0 };
    let at = |at: i64| {
        let day = at.rem_euclid(24 * 60 * minute) / minute;
        format!("{:02}:{:02}", day / 60, day % 60)
    };
    format!(
        "[[shift]]\nname = \"before\"\nstarts = \"{}\"\n\
         [[shift]]\nname = \"after\"\nstarts = \"{}\"\n",
        at(next - 60 * minute),
        at(next)
    )
}

#[test]
fn a_report_folder_that_is_full_holds_up_nothing_and_gets_its_report_later() {
    let config = config("[reports]\nfolder = \"reports\"\n");
    let start = config.find("[[shift]]").unwrap();
    let end = config.find("[[product]]").unwrap();
    let shifts = shift_change_in(8);
    let config = format!("{}{shifts}{}", &config[..start], &config[end..])
        .replace("time_zone = \"Europe/Berlin\"", "time_zone = \"UTC\"");
    let place = Place::new(&config);
    let files = whole_files(83, 40);
    let (first, last) = files.split_at(20);
    first.iter().for_each(|file| place.deliver(file));
    place.replay();
    let disk = Mounted::in_memory(place.path("reports"), 2 << 10);
    disk.fill();
    let daemon = place.watch();
    let address = place.address();
    let mut waited = 0;
    while kinds(&health(&address).1) != ["report"] {
        assert!(waited < 120, "the shift has not ended");
        std::thread::sleep(std::time::Duration::from_secs(1));
        waited += 1;
    }
    assert_eq!(health(&address).0, 200, "reading goes on");
    last.iter().for_each(|file| place.deliver(file));
    wait_until("all files to be read", || {
        place.number("SELECT count(*) FROM file") == 40
    });
    let reports = || -> Vec<String> {
        let names = fs::read_dir(place.path("reports")).unwrap();
        let names = names.map(|one| one.unwrap().file_name().into_string().unwrap());
        names.filter(|name| !name.starts_with("filler")).collect()
    };
    assert_eq!(reports(), Vec::<String>::new(), "no half file");
    disk.make_room();
    wait_until("the report", || kinds(&health(&address).1).is_empty());
    let written = reports();
    assert!(
        written.len() == 1 && written[0].ends_with("-before.html"),
        "{written:?}"
    );
    assert!(
        fs::metadata(place.path("reports").join(&written[0]))
            .unwrap()
            .len()
            > 1_000
    );
    daemon.stop();
    place.assert_sound();
}
