//! What is let go by age: only what the configuration names, on the record, and verify stays clean.
//!
//! A day has 40 panels; one of the twelfth day lies far off and raises an alert. All is invented.

use std::collections::BTreeSet;

use driftvane::clock;

use crate::place::{Place, list, wait_until};

const DAYS: i64 = 40;
const PANELS: i64 = 40;
const DAY_US: i64 = 86_400_000_000;

const CONFIG: &str = "\
[plant]\nname = \"Invented\"\ntime_zone = \"UTC\"\nlateness_minutes = 60\n\
[[shift]]\nname = \"all\"\nstarts = \"00:00\"\n\
[[feed]]\nname = \"paste\"\nline = \"L1\"\nstation = \"paste\"\n\
folder = \"files\"\n\
settle_ms = 20\n\
time = { columns = [\"At\"], format = \"rfc3339\" }\n\
measure = [{ name = \"height\", column = \"Height\", unit = \"um\" }]\n\
[feed.roles]\npanel = \"Panel\"\n\
[[characteristic]]\nname = \"height\"\nstation = \"paste\"\nmeasure = \"height\"\n\
group_by = [\"line\"]\nsubgroup = \"panel\"\nchart = \"individuals\"\nbaseline = 30\n\
in_control_run_length = 100000\nreaction_plan = \"Look.\"\n";

/// When a day of the plant begins: the last one ended lately.
fn begin(day: i64) -> i64 {
    (clock::now().div_euclid(DAY_US) - DAYS + day) * DAY_US
}

fn write_day(place: &Place, day: i64) {
    let mut text = "At,Panel,Height\n".to_owned();
    for panel in 0..PANELS {
        let at = jiff::Timestamp::from_microsecond(begin(day) + panel * 1_800_000_000).unwrap();
        let height = match (day, panel) {
            (12, 20) => 900,
            _ => 100 + (panel * 7 + day * 3) % 11,
        };
        text.push_str(&format!("{at},D{day}P{panel},{height}\n"));
    }
    place.write(&format!("files/day-{day:02}.csv"), text);
}

fn lived_in() -> Place {
    let place = Place::bare(CONFIG);
    (0..DAYS).for_each(|day| write_day(&place, day));
    place.replay();
    assert_eq!(points(&place).len() as i64, DAYS * PANELS);
    assert_eq!(list(&place.json(&["alerts", "list"])).len(), 1);
    place
}

fn points(place: &Place) -> BTreeSet<i64> {
    let record = place.record();
    let mut query = record.prepare("SELECT at FROM point").unwrap();
    let rows = query.query_map([], |row| row.get(0)).unwrap();
    rows.map(Result::unwrap).collect()
}

fn segments(place: &Place) -> usize {
    let root = place.path("driftvane-data/archive/line=L1/station=paste");
    let days = std::fs::read_dir(root).unwrap();
    let files = days.flat_map(|day| std::fs::read_dir(day.unwrap().path()).unwrap());
    files.count()
}

/// Lets the daemon look once, until it has said so many times that it let something go.
fn watch(place: &Place, words: &[&str]) {
    let mut daemon = place.watch();
    for words in words {
        wait_until(words, || place.log().contains(words));
    }
    let bad = "files/none.txt";
    place.write(bad, "");
    std::thread::sleep(std::time::Duration::from_millis(1_500));
    daemon.signal("TERM");
    assert_eq!(daemon.ended(), Some(0));
}

#[test]
fn nothing_goes_unless_it_is_asked_for() {
    let place = lived_in();
    let before = points(&place);
    watch(&place, &["watching"]);
    assert_eq!(points(&place), before);
    assert_eq!(segments(&place) as i64, DAYS);
    assert_eq!(
        place.number("SELECT count(*) FROM chain WHERE kind = 'purged'"),
        0
    );
}

#[test]
fn what_is_too_old_goes_by_class_and_the_record_says_so_and_stays_sound() {
    let place = lived_in();
    let before: Vec<i64> = points(&place).into_iter().collect();
    let alerts = place.json(&["alerts", "list"]);
    let keep =
        "[store]\nkeep_readings_days = 10\nkeep_points_days = 20\nkeep_evidence_days = 300\n";
    place.write("driftvane.toml", format!("{CONFIG}{keep}"));
    watch(&place, &["readings were let go", "points were let go"]);

    // Counted anew from the times alone.
    let newest = *before.last().unwrap();
    let signal = before
        .iter()
        .position(|at| *at == begin(12) + 20 * 1_800_000_000);
    let signal = signal.unwrap();
    let evidence = before[signal - 75]..=before[signal + 75];
    let kept = |at: &&i64| **at >= newest - 20 * DAY_US || evidence.contains(*at);
    let wanted: BTreeSet<i64> = before.iter().filter(kept).copied().collect();
    assert!(wanted.len() < before.len() && wanted.len() > 151);
    assert_eq!(points(&place), wanted);
    assert_eq!(
        segments(&place),
        11,
        "ten days and the one that began before them"
    );

    let report = place.assert_sound();
    assert!(
        report
            .to_string()
            .contains("29 segments were let go by age"),
        "{report:#}"
    );
    let trail = place.table("SELECT subject FROM chain WHERE kind = 'purged' ORDER BY seq");
    assert!(
        trail[0].contains("readings before") && trail[1].contains("points before"),
        "{trail:?}"
    );
    assert_eq!(
        list(&place.json(&["alerts", "list"]))[0]["onset"],
        list(&alerts)[0]["onset"],
        "the evidence of an alert says what it said"
    );
    place.json(&["capability"]);

    // What went is still known: nothing counts again, and what comes counts.
    (0..5).for_each(|day| write_day(&place, day));
    std::fs::rename(
        place.path("files/day-05.csv"),
        place.path("files/again.csv"),
    )
    .unwrap();
    write_day(&place, DAYS);
    let totals = place.replay();
    assert_eq!(totals["accepted"], 1, "{totals}");
    assert_eq!(totals["rows"], PANELS, "{totals}");
    place.assert_sound();
    let once = points(&place);
    watch(&place, &["watching"]);
    assert!(points(&place).len() >= once.len() - PANELS as usize);
    place.assert_sound();
}

#[test]
fn a_copy_of_what_is_left_is_a_backup() {
    let place = lived_in();
    let keep = "[store]\nkeep_readings_days = 10\n";
    place.write("driftvane.toml", format!("{CONFIG}{keep}"));
    watch(&place, &["readings were let go"]);
    place.ok(&["backup", &place.path("backup").to_string_lossy()]);
    let back = Place::bare(CONFIG);
    back.ok(&["restore", &place.path("backup").to_string_lossy()]);
    back.assert_sound();
    assert_eq!(points(&back), points(&place));
    assert_eq!(segments(&back), 11);
}
