//! How soon pages are there, and how soon they answer, over many streams.
//!
//! The short form sees that everything that is measured comes about; `DRIFTVANE_LONG` measures 300
//! streams of 1,000 points and prints the figures. The one invariant: no time is asserted.

use std::fmt::Write as _;

use crate::driver::Browser;
use crate::line::Line;
use crate::users::sign_in;

/// When the largest piece of the page was painted, in milliseconds since it was asked for.
const PAINTED: &str = "new Promise((done) => new PerformanceObserver((list) => \
    done(list.getEntries().at(-1).startTime)).observe({type: 'largest-contentful-paint', \
    buffered: true}))";

/// How long it takes from a press of a key in the chart until the next picture is painted.
const READ_OUT: &str = "new Promise((done) => { \
    const chart = document.querySelector('.reader'), start = performance.now(); \
    chart.dispatchEvent(new KeyboardEvent('keydown', {key: 'ArrowLeft', bubbles: true})); \
    requestAnimationFrame(() => setTimeout(() => done(performance.now() - start))); })";

/// From the press of the button until the answer begins to come.
const ANSWERED: &str = "performance.getEntriesByType('navigation')[0].responseStart";

/// Panels of many families: a stream each.
fn write(line: &Line, (streams, points): (u32, u32)) {
    for first in (0..points).step_by(100) {
        let mut text = "At,Panel,Family,Height\n".to_owned();
        for panel in first..points.min(first + 100) {
            for family in 0..streams {
                let height = 100 + (panel * 7 + family * 3) % 5;
                // The first family has left its limits at the end.
                let off = if family == 0 && panel + 5 > points {
                    40
                } else {
                    0
                };
                let (hour, minute) = (panel / 60, panel % 60);
                let day = 2 + hour / 24;
                writeln!(
                    text,
                    "2026-03-{day:02}T{:02}:{minute:02}:00Z,P{panel:04},F{family:03},{}",
                    hour % 24,
                    height + off
                )
                .expect("text");
            }
        }
        line.write(&format!("P{first:04}.csv"), &text);
    }
}

#[test]
fn pages_over_many_streams_are_painted_and_answer() {
    let size = match std::env::var_os("DRIFTVANE_LONG") {
        Some(_) => (300, 1_000),
        None => (6, 60),
    };
    let mut line = Line::new("speed");
    write(&line, size);
    line.run(&["replay"]);
    let token = line.run(&["token", "desk", "--role", "operate"]);
    let base = line.watch();
    let mut browser = Browser::start("speed");
    browser.be(1_200, "light");
    sign_in(&mut browser, &base, token.trim());
    println!("{} streams of {} points; milliseconds:", size.0, size.1);
    for path in [
        "/",
        "/alerts",
        "/alerts/1",
        "/streams",
        "/streams/1",
        "/streams/1?points=1000",
    ] {
        browser.go(&format!("{base}{path}"));
        let painted = browser.js(PAINTED).as_f64().expect("a time");
        println!("{path}: largest contentful paint {painted:.0}");
        if browser.js("document.querySelector('.reader') !== null") == true {
            browser.js(READ_OUT);
            let read_out = browser.js(READ_OUT).as_f64().expect("a time");
            println!("{path}: read-out of a point {read_out:.0}");
        }
    }
    browser.go(&format!("{base}/alerts/1"));
    let form = "form[action$=acknowledge]";
    browser.write(&format!("{form} input[name=by]"), "Ada");
    browser.write(&format!("{form} textarea"), "seen");
    browser.press(&format!("{form} button"));
    browser.until("document.querySelector('form[action$=close]') !== null");
    let answered = browser.js(ANSWERED).as_f64().expect("a time");
    println!("acknowledge: kept, and the page of the alert begins to come after {answered:.0}");
}
