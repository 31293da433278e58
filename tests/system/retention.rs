//! What is let go by age: only what the configuration names, on the record, and verify stays clean.
//!
//! A day has 40 panels; one of the twelfth day lies far off and raises an alert. All is invented.

use std::collections::BTreeSet;

use driftvane::clock;

use crate::place::{Place, list, one_feed, text, wait_until};

const DAYS: i64 = 40;
const PANELS: i64 = 40;
const DAY_US: i64 = 86_400_000_000;

fn config(keep: &str) -> String {
    let baseline = "baseline = 30\nin_control_run_length = 100000\n";
    one_feed(&[]) + baseline + keep
}

/// When a day of the plant begins. The one after the last has ended, too, whatever the time of day:
/// what lies in the future makes nothing older.
fn begin(day: i64) -> i64 {
    (clock::now().div_euclid(DAY_US) - 1 - DAYS + day) * DAY_US
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
    place.write(&format!("paste/day-{day:02}.csv"), text);
}

fn lived_in() -> Place {
    let place = Place::bare(&config(""));
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

/// Segments that are there.
fn files(place: &Place) -> usize {
    let root = place.path("driftvane-data/archive/line=L1/station=paste");
    let days = std::fs::read_dir(root).unwrap();
    let files = days.flat_map(|day| std::fs::read_dir(day.unwrap().path()).unwrap());
    files.count()
}

/// Segments that were not let go.
fn segments(place: &Place) -> i64 {
    place.number("SELECT (SELECT count(*) FROM segment) - (SELECT count(*) FROM purged_segment)")
}

/// Lets the daemon look once, until it has said all of this. It looks as soon as nothing waits, so
/// that it has looked when it takes a file that came later.
fn watch(place: &Place, words: &[&str]) {
    let daemon = place.watch();
    for words in ["watching"].iter().chain(words) {
        wait_until(words, || place.log().contains(words));
    }
    let known = place.files();
    place.write(
        &format!("paste/later-{known}.csv"),
        format!("no table {known}\n"),
    );
    wait_until("a later file", || place.files() == known + 1);
    daemon.stop();
}

/// Lets the daemon run until it has let points go once more.
fn watch_until_points_go(place: &Place) {
    let looks = "SELECT count(*) FROM chain WHERE kind = 'purged' AND subject LIKE '%points%'";
    let before = place.number(looks);
    let daemon = place.watch();
    wait_until("points go", || place.number(looks) > before);
    daemon.stop();
}

#[test]
fn nothing_goes_unless_it_is_asked_for() {
    let place = lived_in();
    let before = points(&place);
    watch(&place, &[]);
    assert_eq!(points(&place), before);
    assert_eq!((segments(&place), files(&place) as i64), (DAYS, DAYS));
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
    place.write("driftvane.toml", config(keep));
    watch(&place, &["readings were let go", "points were let go"]);

    // Counted anew from the times alone.
    let newest = *before.last().unwrap();
    let signal = before
        .iter()
        .position(|at| *at == begin(12) + 20 * 1_800_000_000);
    let signal = signal.unwrap();
    let evidence = before[signal - 75]..=before[signal + 75];
    let kept = |points: &[i64], newest: i64| -> BTreeSet<i64> {
        let is_kept = |at: &&i64| **at >= newest - 20 * DAY_US || evidence.contains(*at);
        points.iter().filter(is_kept).copied().collect()
    };
    let wanted = kept(&before, newest);
    assert!(wanted.len() < before.len() && wanted.len() > 151);
    assert_eq!(points(&place), wanted);
    assert_eq!(
        segments(&place),
        11,
        "ten days and the one that began before them"
    );
    assert_eq!(files(&place) as i64, DAYS, "who reads them now can end");

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
        place.path("paste/day-05.csv"),
        place.path("paste/again.csv"),
    )
    .unwrap();
    write_day(&place, DAYS);
    let totals = place.replay();
    assert_eq!(totals["accepted"], 1, "{totals}");
    assert_eq!(totals["rows"], PANELS, "{totals}");
    place.assert_sound();
    let grown: Vec<i64> = points(&place).into_iter().collect();
    assert_eq!(grown.len(), wanted.len() + PANELS as usize);
    watch_until_points_go(&place);
    assert_eq!(points(&place), kept(&grown, *grown.last().unwrap()));
    place.assert_sound();
}

/// Whether a row of a corrected file counts already can not be told once the readings are gone.
#[test]
fn a_corrected_file_whose_readings_went_is_set_aside_and_says_why() {
    let place = lived_in();
    let keep = "[store]\nkeep_readings_days = 10\n";
    place.write("driftvane.toml", config(keep));
    watch(&place, &["readings were let go"]);
    let counted = place.counted();
    let old = std::fs::read_to_string(place.path("paste/day-03.csv")).unwrap();
    place.write("paste/copy.csv", &old);
    place.write("paste/corrected.csv", old.replace(",109\n", ",110\n"));
    let fresh = std::fs::read_to_string(place.path("paste/day-39.csv")).unwrap();
    place.write("paste/fresh.csv", fresh + "no row\n");
    let answer = place.run(&["--format", "json", "replay"]);
    assert_eq!(answer.code, Some(3), "{}", answer.err);
    let aside = place.json(&["quarantine", "list"]);
    let of = |one: &&serde_json::Value| text(one, "path").ends_with("corrected.csv");
    let said = list(&aside).iter().find(of).unwrap().to_string();
    for words in ["F014", "let go by age", "keep_readings_days", "discard"] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let verdict = |name: &str| {
        place.table(&format!(
            "SELECT verdict FROM file WHERE path LIKE '%/{name}'"
        ))
    };
    assert!(
        verdict("copy.csv")[0].contains("duplicate"),
        "the same bytes are known for good"
    );
    assert!(!verdict("fresh.csv")[0].contains("quarantined"));
    assert_eq!(place.counted(), counted);
    place.assert_sound();
}

#[test]
fn a_copy_of_what_is_left_is_a_backup() {
    let place = lived_in();
    let keep = "[store]\nkeep_readings_days = 10\n";
    place.write("driftvane.toml", config(keep));
    watch(&place, &["readings were let go"]);
    place.ok(&["backup", &place.path("backup").to_string_lossy()]);
    let back = Place::bare(&config(""));
    back.ok(&["restore", &place.path("backup").to_string_lossy()]);
    back.assert_sound();
    assert_eq!(points(&back), points(&place));
    assert_eq!((segments(&back), files(&back)), (11, 11));
}
