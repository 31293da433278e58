//! Gauge studies from outside: the command, and the share beside a capability figure.
//!
//! The study of the reference manual is that of `tests/golden`, which names its source; the other
//! one and its plant are invented. Must not know how components are computed.

use serde_json::Value;

use crate::place::{CONFIG, Place, list, number, small_config, small_plant, text};

const STUDY: &str = include_str!("../../sample-feeds/gauge/height.csv");
const MANUAL: &str = include_str!("../golden/grr_10x3x3.csv");

fn component<'v>(study: &'v Value, method: &str, name: &str) -> &'v Value {
    list(&study["components"])
        .iter()
        .find(|row| row["method"] == method && text(row, "component").contains(name))
        .unwrap()
}

#[test]
fn the_manuals_study_gives_the_printed_figures() {
    let place = Place::bare("");
    place.write("manual.csv", MANUAL);
    let path = place.path("manual.csv");
    let path = path.to_str().unwrap();
    let study = place.json(&["gauge", path, "--operator", "appraiser"]);
    for (name, sigma, share) in [
        ("EV", 0.199_933, 18.4),
        ("AV", 0.226_838, 20.9),
        ("GRR", 0.302_373, 27.9),
        ("PV", 1.042_327, 96.0),
    ] {
        let row = component(&study, "anova", name);
        assert!((number(row, "sigma") - sigma).abs() < 1.6e-6, "{row}");
        assert!((number(row, "of_variation") - share).abs() < 0.051, "{row}");
        assert!(row["of_tolerance"].is_null());
    }
    assert_eq!(study["distinct_categories"], 4);
    assert_eq!(study["interaction_pooled"], true);
    assert!(text(&study, "verdict").starts_with("conditional"));
    let table = place.ok(&["gauge", path, "--operator", "appraiser"]);
    assert!(
        table.contains("10 parts, 3 operators, 3 trials each"),
        "{table}"
    );
    let csv = place.ok(&["--format", "csv", "gauge", path, "--operator", "appraiser"]);
    assert_eq!(csv.lines().count(), 11, "{csv}");
}

#[test]
fn what_is_wrong_with_a_study_is_said_and_nothing_printed() {
    let place = Place::bare("");
    let refused = |name: &str, content: &str, more: &[&str], wanted: &str| {
        place.write(name, content);
        let path = place.path(name);
        let mut arguments = vec!["gauge", path.to_str().unwrap()];
        arguments.extend(more);
        let answer = place.run(&arguments);
        assert_ne!(answer.code, Some(0), "{answer:?}");
        assert!(
            answer.out.is_empty() && answer.err.contains(wanted),
            "{answer:?}"
        );
    };
    let gap = STUDY.replacen("D3,station 2,2,", "D3,station 2,9,", 1);
    refused(
        "whole.csv",
        &gap,
        &["--lower", "160", "--upper", "80"],
        "not below",
    );
    let short: Vec<&str> = STUDY
        .lines()
        .filter(|line| !line.starts_with("D8,station 3,3"))
        .collect();
    refused(
        "short.csv",
        &short.join("\n"),
        &[],
        "part D8 by station 3 has 2 trials of 3",
    );
    let twice = STUDY.replacen("D1,station 1,2,", "D1,station 1,1,", 1);
    refused("twice.csv", &twice, &[], "trial 1 of part D1 by station 1");
    refused(
        "comma.csv",
        &STUDY.replace('.', ","),
        &["--delimiter", ";"],
        "no column",
    );
    refused("same.csv", STUDY, &["--decimal", ","], "are the same");
    refused("empty.csv", "", &[], "is empty");
    let missing = place.run(&["gauge", "no-such-file.csv"]);
    assert_eq!(missing.code, Some(1));
    assert!(missing.err.contains("check the path"), "{missing:?}");
}

#[test]
fn a_capability_figure_tells_the_share_of_its_gauge() {
    assert!(
        CONFIG.contains("gauge/height.csv"),
        "the plant names its study"
    );
    let place = Place::new(&small_config(60));
    for delivery in small_plant()
        .deliveries(7)
        .filter(|one| one.station == "paste")
    {
        place.deliver(&delivery);
    }
    place.replay();
    let without = place.json(&["capability"]);
    let heights = |all: &Value| -> Vec<Value> {
        let of = |row: &&Value| text(row, "stream").contains("height");
        list(all).iter().filter(of).cloned().collect()
    };
    let first = &heights(&without)[0];
    assert!(first["gauge"].is_null());
    assert!(
        first["cautions"].to_string().contains("no gauge study"),
        "{first}"
    );
    place.write("gauge/height.csv", STUDY);
    let with = place.json(&["capability"]);
    let first = &heights(&with)[0];
    let share = number(&first["gauge"], "sigma") / number(first, "sigma_overall");
    assert!((number(&first["gauge"], "of_variation") - 100.0 * share).abs() < 1e-9);
    assert!(number(&first["gauge"], "of_tolerance") > 1.0);
    assert!(
        first["cautions"].to_string().contains("conditional"),
        "{first}"
    );
}
