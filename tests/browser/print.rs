//! A shift report on paper.
//!
//! The invariant: what is measured is what the browser prints, on A4. What must be handed over fits
//! on the first page, and evidence begins on the second.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use reports::speech::Language;
use reports::view::{ChangeLine, EarlierRuns, ShiftReport, YieldRow};
use reports::{Overrides, shift_report};
use serde_json::json;

use crate::driver::Browser;
use crate::sample;

/// A shift as plants have them: three alerts are open, three stations ran, something was changed,
/// and three feeds delivered.
fn usual_shift() -> ShiftReport {
    let mut report = sample::report();
    let open = report.open[0].clone();
    report.open = vec![open.clone(), open.clone(), open];
    let before = EarlierRuns {
        runs: 4,
        since: "2026-03-02 06:00".into(),
        units: 1_920,
        fpy: Some(0.9812),
        fpy_low: Some(0.9741),
        fpy_high: Some(0.9864),
        false_share: Some(0.63),
        dpmo: Some(44.0),
    };
    let ran = |station: &str| YieldRow {
        station: station.into(),
        product: "demo-controller".into(),
        compared: "lower than before".into(),
        false_share: Some(0.671),
        before: Some(before.clone()),
        ..report.yields[0].clone()
    };
    report.yields = ["paste", "optical", "function"].map(ran).to_vec();
    let feed = report.completeness.feeds[0].clone();
    report.completeness.feeds = vec![feed.clone(), feed.clone(), feed];
    report.changes.push(ChangeLine {
        at: "2026-03-04 11:40".into(),
        what: "limits set for 4 streams".into(),
        by: "driftvane".into(),
        reason: "baseline of 40 subgroups complete".into(),
        ..ChangeLine::default()
    });
    report.control.false_alert_budget = Some(1.0);
    report
}

/// How many pages the browser prints of what it shows.
fn pages(browser: &mut Browser) -> usize {
    let printed = browser.call("Page.printToPDF", json!({"preferCSSPageSize": true}));
    let pdf = printed["data"].as_str().expect("a document");
    let pdf = STANDARD.decode(pdf).expect("bytes");
    // The tree of pages says how many there are (ISO 32000-1, 7.7.3).
    let text = String::from_utf8_lossy(&pdf);
    let count = text.split("/Count ").nth(1).expect("a tree of pages");
    let digits: String = count.chars().take_while(char::is_ascii_digit).collect();
    digits.parse().expect("a number of pages")
}

#[test]
fn what_is_handed_over_is_on_one_printed_page_and_evidence_begins_on_the_next() {
    let mut browser = Browser::start("print");
    for language in Language::ALL {
        let report = shift_report(&usual_shift(), &Overrides::none(), language).expect("a report");
        let file = browser.folder.join(format!("{}.html", language.code()));
        std::fs::write(&file, report.html).expect("a file");
        browser.go(&format!("file://{}", file.display()));
        let all = pages(&mut browser);
        browser.js(
            "document.querySelectorAll('main > :not(.evidence)').forEach((one) => one.remove())",
        );
        browser.js("document.querySelector('body > header').remove()");
        let evidence = pages(&mut browser);
        assert!(evidence >= 2, "{}: {evidence} pages", language.code());
        browser.go(&format!("file://{}", file.display()));
        browser.js("document.querySelectorAll('.evidence, footer').forEach((one) => one.remove())");
        assert_eq!(pages(&mut browser), 1, "{}", language.code());
        assert_eq!(all, 1 + evidence, "{}", language.code());
    }
}
