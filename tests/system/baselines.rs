//! What limits rest on: points left out with their reasons, checks, and the minimum for a freeze.

use std::fs;

use serde_json::Value;

use crate::place::{Place, list, number, one_feed, text};

const STREAM: &str = "height/L1";

fn config(more: &str) -> String {
    let detection = "detection = [\"limits\"]\nlimit_width = 3.0\n";
    one_feed(&[("starts = \"00:00\"", "starts = \"06:00\"")]) + detection + more + "\n"
}

/// So many panels, one reading each: a steady level, a slipped panel, and later a higher level.
fn read(more: &str, panels: u32) -> Place {
    let place = Place::bare(&config(more));
    let mut rows = "At,Panel,Height\n".to_owned();
    for panel in 1..=panels {
        let spread = f64::from(panel * 7 % 10);
        let level = if panel > 14 { 108.0 } else { 100.0 };
        let slip = if panel == 5 { 60.0 } else { 0.0 };
        let height = level + spread + slip;
        rows.push_str(&format!(
            "2026-03-02T08:{panel:02}:00Z,P{panel:02},{height}\n"
        ));
    }
    place.write("paste/one.csv", rows);
    place.replay();
    place
}

fn excluded(place: &Place) -> Vec<Value> {
    let chart = place.chart(STREAM);
    let points = list(&chart["points"]).iter();
    points
        .filter(|point| point["excluded"] == true)
        .cloned()
        .collect()
}

fn report(place: &Place) -> String {
    fs::read_to_string(place.ok(&["report", "shift"]).trim()).unwrap()
}

#[test]
fn a_slipped_panel_is_left_out_of_the_limits_in_the_open() {
    let place = read("", 30);
    let left_out = excluded(&place);
    assert_eq!(left_out.len(), 1);
    assert_eq!(
        (&left_out[0]["board"], &left_out[0]["seq"]),
        (&"P05".into(), &5.into())
    );
    assert!(text(&left_out[0], "excluded_because").contains("above the upper limit"));
    let limits = place.json(&["limits", "list", STREAM]);
    let (version, findings) = (&list(&limits)[0], &list(&limits)[0]["findings"]);
    assert_eq!(version["subgroups"], 24);
    let mean = (1..=25)
        .filter(|panel| *panel != 5)
        .map(|panel| f64::from(panel * 7 % 10) + if panel > 14 { 108.0 } else { 100.0 });
    assert!((number(version, "centre") - mean.sum::<f64>() / 24.0).abs() < 1e-9);
    let point = &list(&findings["excluded"])[0];
    assert_eq!(
        (&point["board"], &point["subgroup"]),
        (&"P05".into(), &5.into())
    );
    assert!(number(point, "value") > number(point, "limit"));

    let shift = list(&findings["checks"])
        .iter()
        .find(|one| one["check"] == "shift")
        .unwrap();
    assert_eq!(shift["warns"], true);
    assert!(number(shift, "statistic") > 4.0 && number(shift, "p_value") < 0.01);
    let table = place.ok(&["limits", "list", STREAM]);
    assert!(
        table.contains("the level shifts") && table.contains("P05 left out"),
        "{table}"
    );
    let streams = place.json(&["streams"]);
    let mark = text(&list(&streams)[0], "baseline_mark");
    assert!(
        mark.contains("warning") && mark.contains("1 left out"),
        "{mark}"
    );
    let report = report(&place);
    assert!(report.contains("P05 left out") && report.contains("the level shifts"));
}

#[test]
fn nothing_is_left_out_where_that_is_not_wanted_or_would_be_too_much() {
    let place = read("screen = false", 30);
    assert!(excluded(&place).is_empty());
    let limits = place.json(&["limits", "list", STREAM]);
    assert_eq!(list(&limits)[0]["subgroups"], 25);
    assert_eq!(list(&limits)[0]["findings"]["left_in"], 0);

    let place = read("screen_share = 0.03", 30);
    assert!(excluded(&place).is_empty());
    let limits = place.json(&["limits", "list", STREAM]);
    let version = &list(&limits)[0];
    assert_eq!(
        (&version["subgroups"], &version["findings"]["left_in"]),
        (&25.into(), &1.into())
    );
    let warning = list(&version["findings"]["warnings"])[0].as_str().unwrap();
    assert!(warning.contains("more than may be left out"), "{warning}");
}

#[test]
fn a_freeze_below_the_minimum_needs_an_override_that_is_recorded() {
    let place = read("", 12);
    let asked = [
        "limits",
        "freeze",
        STREAM,
        "--by",
        "R. Lindner",
        "--reason",
        "Short run",
    ];
    let refused = place.run(&asked);
    assert_eq!(refused.code, Some(1));
    for words in ["12 subgroups", "minimum of 20", "--override"] {
        assert!(refused.err.contains(words), "{}", refused.err);
    }
    assert!(list(&place.json(&["limits", "list", STREAM])).is_empty());
    place.ok(&[&asked[..], &["--override"]].concat());
    let limits = place.json(&["limits", "list", STREAM]);
    assert_eq!(
        text(&list(&limits)[0], "reason"),
        "Short run (below the minimum: 12 of 20 subgroups)"
    );

    let enough = read("baseline_minimum = 12", 12);
    enough.ok(&asked);
    let limits = enough.json(&["limits", "list", STREAM]);
    assert_eq!(text(&list(&limits)[0], "reason"), "Short run");
}
