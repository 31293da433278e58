//! Audit packs that are made again from a record that has gone on, by another program, or from
//! another record.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::audit::{again, assert_differs, pack, table};
use crate::place::{Place, list, one_feed, text};

/// The window of these packs: 38 panels.
const WINDOW: [&str; 4] = ["--from", "2026-03-02", "--to", "2026-03-02T06:38"];

/// A plant that makes limits of twenty panels.
fn plant() -> Place {
    Place::bare(&(one_feed(&[]) + "baseline = 20\ndetection = [\"limits\"]\n"))
}

/// A panel a minute, of a height.
fn panels(place: &Place, numbers: std::ops::Range<u32>, height: u32) {
    for number in numbers {
        let (hour, minute) = (6 + number / 60, number % 60);
        let value = height + number * 7 % 5;
        let row = format!("2026-03-02T{hour:02}:{minute:02}:00Z,P{number:03},{value}\n");
        place.write(
            &format!("paste/P{number:03}.csv"),
            format!("At,Panel,Height\n{row}"),
        );
    }
    place.replay();
}

#[test]
fn an_alert_is_told_as_it_stood_at_the_entry_that_the_pack_names() {
    let place = plant();
    panels(&place, 0..30, 100);
    panels(&place, 30..36, 130);
    panels(&place, 36..38, 100);
    let who = ["--by", "J. Novak"];
    let acknowledge = ["alerts", "acknowledge", "A-0001", "--comment", "seen"];
    let close = [
        "alerts", "close", "A-0001", "--cause", "stencil", "--action", "wiped it",
    ];
    place.ok(&[&acknowledge[..], &who].concat());
    place.ok(&[&close[..], &who].concat());
    let made = pack(&place, &WINDOW);
    let told = |pack: &Path| table(pack, "alerts").remove(0);
    let then = told(&made);
    assert_eq!(then["cause"], "stencil");
    assert_eq!(then["boards to hold"], 8, "{then:?}");

    // A signal opens it again; it goes on, returns, and is closed otherwise.
    panels(&place, 38..44, 140);
    let reopened = place.json(&["alerts", "list"]);
    assert_eq!(list(&reopened)[0]["closed"], Value::Null, "{reopened}");
    assert_eq!(
        again(&place, &made).0,
        Some(0),
        "{:#}",
        again(&place, &made).1
    );
    panels(&place, 44..60, 100);
    let gauge = ["alerts", "close", "A-0001", "--cause", "gauge or program"];
    place.ok(&[&gauge[..], &["--action", "the gauge was off"], &who].concat());
    panels(&place, 60..70, 100);
    let (code, said) = again(&place, &made);
    assert_eq!(code, Some(0), "{said:#}");
    // A pack of the same window that is made now tells what became of it.
    let now = told(&pack(&place, &WINDOW));
    assert_ne!(then["state"], now["state"]);
    assert_eq!(now["cause"], "gauge or program");
}

#[test]
fn another_program_and_another_record_are_named_as_the_reason() {
    let place = plant();
    panels(&place, 0..38, 100);
    let made = pack(&place, &WINDOW);
    let file = made.join("figures.json");
    let figures = fs::read_to_string(&file).unwrap();

    // A pack of an older version, which counted otherwise.
    let program = concat!("driftvane ", env!("CARGO_PKG_VERSION"));
    let older = figures.replacen(program, "driftvane 0.0.1", 1);
    assert_ne!(older, figures);
    fs::write(&file, &older).unwrap();
    assert_eq!(again(&place, &made).0, Some(0), "it counts the same");
    let other = older.replacen("P000.csv", "P999.csv", 1);
    assert_ne!(other, older);
    fs::write(&file, other).unwrap();
    let words =
        format!("another version of the program: driftvane 0.0.1 made the pack, this is {program}");
    let said = assert_differs(&place, &made, &[&words, "P999.csv"]);
    assert_eq!(list(&said["causes"]).len(), 1, "{said:#}");
    fs::write(&file, &figures).unwrap();

    // The same files, read once more: the figures are the same, but not the record.
    let another = plant();
    panels(&another, 0..38, 100);
    let said = assert_differs(
        &another,
        &made,
        &["it is another record", "newest entry's digest"],
    );
    // Where the files lay and when limits were set is another matter; no figure of theirs is.
    let told = ["newest entry's digest", "file", "set at"];
    for one in list(&said["differences"]) {
        assert!(told.contains(&text(one, "figure").as_str()), "{one}");
    }
}
