//! Whatever comes from a closed list and can reach a report has German words.
//!
//! The book of the reports holds sentences; here each list that a sentence takes a part from is
//! gone through as a whole, also what the small plants of other tests never bring about.

use reports::speech::{Language, Speech};
use spc::baseline::Check;
use spc::rules::Rule;

use super::*;
use crate::commands::rule_words;
use crate::engine::{BEYOND_LIMITS, CUSUM, EWMA, PADS, SPREAD_BEYOND_LIMITS, STARTING};
use crate::feeds::diagnostics::CODES;
use crate::words::Station;

fn assert_german(texts: impl IntoIterator<Item = String>) {
    let speech = Speech::new(Language::German);
    let known = |text: &String| speech.knows(text);
    let missing: Vec<String> = texts.into_iter().filter(|text| !known(text)).collect();
    assert_eq!(missing, Vec::<String>::new(), "without German");
}

#[test]
fn every_rule_check_and_finding_has_german_words() {
    let detectors = [
        BEYOND_LIMITS,
        SPREAD_BEYOND_LIMITS,
        CUSUM,
        STARTING,
        EWMA,
        PADS,
    ];
    let rules = Rule::ALL.map(Rule::name);
    let rules = rules.iter().chain(&detectors);
    assert_german(rules.map(|name| rule_words(name)));
    // As cautions of an index have them, and as limits do.
    for how in ["p = 0.0049", "p 1.5e-32"] {
        assert_german(
            Check::ALL
                .map(|check| format!("{} ({} 3.5209, {how})", check.warning(), check.statistic())),
        );
    }
    assert_german(
        CODES
            .iter()
            .map(|(code, words)| format!("{words} ({code})")),
    );
}

#[test]
fn every_state_of_an_alert_and_figure_of_its_health_has_german_words() {
    let base = folder("german");
    let (config, reader) = record(&base.0);
    let health = alerts::health::health(&config, &reader, (i64::MIN / 4, i64::MAX / 4)).unwrap();
    assert!(health.figures.len() > 15, "{}", health.figures.len());
    let figures = health.figures.iter();
    assert_german(figures.flat_map(|one| [one.figure.to_owned(), one.unit.to_owned()]));
    assert_german(Station::ALL.map(|station| station.name().to_owned()));
    let events = [
        "raised",
        "raised again",
        "worsened",
        "grew",
        "returned",
        "revised",
        "escalated",
        "reminded",
        "acknowledged",
        "commented",
        "shelved",
        "unshelved",
        "shelving ended",
        "closed",
        "reopened",
        "verified",
    ];
    assert_german(events.map(|what| format!("2026-03-02 14:04:00 {what} by Ada")));
    assert_german(events.map(|what| format!("2026-03-02 14:04:00 {what} by Ada: wiped it")));
    assert_german(watched_pads());
    let fails =
        "channel hub: failing since 2026-03-02 14:04 CET; “driftvane alerts channels” says why";
    assert_german([fails.to_owned()]);
}

/// What is said of pads that are watched, of one, of two and of many.
fn watched_pads() -> Vec<String> {
    let said = |more: usize| {
        let pad = pads::WatchedPad::invented([("component", "U1"), ("pin", "7")], -3.4);
        pads::Watched {
            stream: String::new(),
            unit: String::new(),
            at: None,
            false_discovery_rate: 0.05,
            tested: 60,
            left_out: 0,
            pads: vec![pad],
            more,
        }
        .words()
    };
    let sentence = "the pad farthest out has moved by about \u{2212}3.4 sigma of its own.";
    [0, 1, 7]
        .map(said)
        .into_iter()
        .chain([sentence.to_owned()])
        .collect()
}
