//! The live page and the reports as their three readers use them: the engineer who is called to an
//! alert, the supervisor who hands over, the quality manager who needs an audit pack.
//!
//! A daemon of its own runs in a folder of its own, over an invented line. The one invariant: what
//! a person does is done by pointer and keys, on the pages as they are.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::json;

use crate::driver::{Browser, LOOK_EVERY, LOOKS_MAX};
use crate::line::{self, Line};

/// How often a folded part is pressed at most.
const UNFOLDS_MAX: u32 = 10;

/// A line that has run for thirty panels, and was quiet.
fn quiet(name: &str) -> Line {
    let line = Line::new(name);
    prints(&line, 0..30, 0);
    line.run(&["replay"]);
    line
}

/// A file of panels whose height is off by so much.
fn prints(line: &Line, panels: std::ops::Range<u32>, off: u32) {
    let mut text = "At,Panel,Family,Height\n".to_owned();
    let name = format!("P{:04}.csv", panels.start);
    for panel in panels {
        let (hour, minute) = (6 + panel / 60, panel % 60);
        // A fixed wobble, without a run or a trend.
        let height = 100 + panel * 7 % 5 + off;
        text.push_str(&format!(
            "2026-03-02T{hour:02}:{minute:02}:00Z,P{panel:04},fine,{height}\n"
        ));
    }
    line.write(&name, &text);
}

/// Opens the page and signs in, as it is done by hand.
pub fn sign_in(browser: &mut Browser, base: &str, token: &str) {
    browser.go(&format!("{base}/login"));
    browser.write("input[name=token]", token);
    browser.press("main form button");
    browser.until("document.querySelector('.who span') !== null");
}

/// Opens one of the page's folded parts that holds a form.
fn unfold(browser: &mut Browser, form: &str) {
    let fold = format!("document.querySelector({}).closest('details')", json!(form));
    // What comes later on a page moves what is below it; then it has to be pressed once more.
    for _ in 0..UNFOLDS_MAX {
        browser.js(&format!("{fold}.querySelector('summary').id = 'unfold'"));
        browser.press("#unfold");
        if browser.js(&format!("{fold}.open")) == json!(true) {
            return;
        }
    }
    panic!("{form} can not be unfolded");
}

#[test]
fn an_engineer_sees_an_alert_arrive_holds_the_boards_acknowledges_and_closes() {
    let mut line = quiet("engineer");
    let token = line.run(&["token", "desk", "--role", "operate"]);
    let base = line.watch();
    let mut browser = Browser::start("engineer");
    browser.be(1_200, "light");
    sign_in(&mut browser, &base, token.trim());
    assert!(browser.text("main").contains("No alert is open"));
    browser.js("window.isTheSamePage = true");
    prints(&line, 30..40, 40);
    // Two pieces of the page may be put in its place one after the other: what it says counts.
    browser.until("document.querySelector('.needs')?.innerText.includes('paste height')");
    assert_eq!(browser.js("window.isTheSamePage"), true, "without a reload");
    let what = browser.text(".needs li");
    assert!(
        what.contains("paste height") && what.contains("Wipe the stencil"),
        "{what}"
    );

    browser.press(".needs .what a");
    browser.until("document.querySelector('.reader svg') !== null");
    let drawn = browser.js("document.querySelector('.wide-figure svg').textContent");
    assert!(
        drawn.to_string().contains("onset 2026-03-02 06:30, P0030"),
        "{drawn}"
    );
    browser.js("document.querySelector('.reader').focus()");
    browser.key("PageUp");
    let said = browser.text(".readout");
    assert!(
        said.contains("P0038") && said.contains("beyond the control limits"),
        "{said}"
    );
    browser.until("document.querySelector('#causes:not([data-later])') !== null");

    browser.press("a[href$='boards.csv']");
    let taken = browser.folder.join("taken/A-0001-boards.csv");
    let boards = (0..LOOKS_MAX).find_map(|_| {
        std::thread::sleep(LOOK_EVERY);
        fs::read_to_string(&taken)
            .ok()
            .filter(|text| !text.is_empty())
    });
    let boards = boards.expect("the list of boards comes");
    for (panel, is_held) in [("P0030", true), ("P0039", true), ("P0020", false)] {
        assert_eq!(boards.contains(panel), is_held, "{panel}: {boards}");
    }

    let form = "form[action$=acknowledge]";
    browser.write(&format!("{form} input[name=by]"), "Ada");
    browser.write(&format!("{form} textarea"), "wiped, two panels inspected");
    browser.press(&format!("{form} button"));
    browser.until("document.querySelector('form[action$=close]') !== null");
    assert!(browser.text("dl.facts").contains("Ada (token desk)"));
    let form = "form[action$=close]";
    browser.write(&format!("{form} input[name=by]"), "Ada");
    browser.js("document.querySelector('select[name=cause]').focus()");
    browser.js("document.querySelector('select[name=cause]').value = 'stencil'");
    browser.write(&format!("{form} textarea"), "stencil changed");
    browser.press(&format!("{form} button"));
    browser.until("[...document.querySelectorAll('dt')].some((one) => one.innerText === 'Closed')");
    let violations = browser.violations();
    assert!(violations.is_empty(), "{violations:#?}");
    assert!(line.run(&["alerts", "list"]).contains("closed"));
    browser.go(&base);
    assert!(browser.text("main").contains("No alert is open"));
}

#[test]
fn an_engineer_proposes_new_limits_and_another_approves_them() {
    let mut line = quiet("limits");
    let config = line.folder.join("driftvane.toml");
    fs::write(
        &config,
        format!("{}[limits]\nneed_approval = true\n", line::CONFIG),
    )
    .expect("a setting");
    let desk = line.run(&["token", "desk", "--role", "operate"]);
    let office = line.run(&["token", "office", "--role", "approve"]);
    let base = line.watch();
    let mut browser = Browser::start("limits");
    browser.be(360, "dark");
    sign_in(&mut browser, &base, desk.trim());
    browser.go(&format!("{base}/streams/1"));
    let form = "form[action$=restart]";
    browser.write(&format!("{form} input[name=by]"), "Ada");
    browser.write(&format!("{form} input[name=reason]"), "new stencil");
    browser.press(&format!("{form} button"));
    browser.until("document.querySelector('.needs .what') !== null");
    assert!(browser.text(".needs").contains("P-0001"));
    assert_eq!(
        browser.js("document.querySelector('form[action$=approve]')"),
        json!(null)
    );
    browser.press(".who button");
    browser.until("document.querySelector('input[name=token]') !== null");
    sign_in(&mut browser, &base, office.trim());
    assert!(browser.text("main").contains("P-0001"));
    browser.press(".needs .what a");
    let form = "form[action$=approve]";
    browser.until(&format!("document.querySelector('{form}') !== null"));
    unfold(&mut browser, form);
    browser.write(&format!("{form} input[name=by]"), "Bea");
    browser.write(&format!("{form} input[name=reason]"), "it is mounted");
    let violations = browser.violations();
    assert!(violations.is_empty(), "{violations:#?}");
    browser.press(&format!("{form} button"));
    browser.until("document.querySelector('form[action$=approve]') === null");
    let shown = line.run(&["limits", "proposals"]);
    assert!(
        shown.contains("approved") && shown.contains("Bea (token office)"),
        "{shown}"
    );
}

/// Opens a report from its file, light and dark, wide and narrow, and looks for what shuts people
/// out.
fn assert_readable(browser: &mut Browser, file: &Path) {
    for (width, scheme) in [(1_000, "light"), (360, "dark")] {
        browser.be(width, scheme);
        let url = format!("file://{}", file.display());
        let asked = browser.open(&url);
        assert_eq!(asked.iter().collect::<Vec<_>>(), [&url], "it asks for more");
        let wide = browser.js("document.documentElement.scrollWidth");
        assert!(
            wide.as_u64().is_some_and(|wide| wide <= u64::from(width)),
            "{wide} of {width}"
        );
        let violations = browser.violations();
        assert!(
            violations.is_empty(),
            "{} {scheme}: {violations:#?}",
            file.display()
        );
    }
}

#[test]
fn a_supervisor_hands_over_and_a_quality_manager_pulls_an_audit_pack() {
    let line = quiet("reports");
    prints(&line, 30..40, 40);
    line.run(&["replay"]);
    let report = line.run(&["report", "shift", "--at", "2026-03-02T07:00"]);
    let mut browser = Browser::start("reports");
    assert_readable(&mut browser, Path::new(report.trim()));
    let text = browser.text("body");
    assert!(
        text.contains("A-0001"),
        "what is open is handed over: {text}"
    );
    let from = [
        "report",
        "audit",
        "--from",
        "2026-03-02",
        "--to",
        "2026-03-03",
    ];
    let pack = PathBuf::from(line.run(&from).trim());
    let pages = fs::read_dir(&pack).expect("the pack's folder");
    let mut pages: Vec<PathBuf> = pages.map(|one| one.expect("a file").path()).collect();
    pages.retain(|one| one.extension().is_some_and(|end| end == "html"));
    assert!(!pages.is_empty(), "the pack has a page");
    for page in pages {
        assert_readable(&mut browser, &page);
        assert!(browser.text("body").contains("paste height"));
    }
}

#[test]
fn reports_are_opened_and_a_pack_is_pulled_from_the_page() {
    let mut line = quiet("from-the-page");
    line.run(&["report", "shift", "--at", "2026-03-02T07:00"]);
    let token = line.run(&["token", "desk", "--role", "operate"]);
    let base = line.watch();
    let mut browser = Browser::start("from-the-page");
    browser.be(1_000, "light");
    sign_in(&mut browser, &base, token.trim());
    browser.press("nav a[href='/reports']");
    browser.until("document.querySelector('a[href^=\"/reports/shift/\"]') !== null");
    let violations = browser.violations();
    assert!(violations.is_empty(), "{violations:#?}");

    browser.press("a[href^='/reports/shift/']");
    browser.until("document.querySelector('main, body > header .plant') !== null");
    assert!(browser.text("body").contains("Shift report"));
    // Its own style holds, and it is of no origin that could do anything.
    assert_eq!(browser.js("self.origin"), json!("null"));
    let edge = "getComputedStyle(document.querySelector('.summary .finding')).display";
    assert_ne!(browser.js(edge), json!("inline"));

    browser.go(&format!("{base}/reports"));
    for (name, day) in [("from", "2026-03-02"), ("to", "2026-03-03")] {
        browser.js(&format!(
            "document.querySelector('input[name={name}]').value = '{day}'"
        ));
    }
    browser.press("form[action='/reports/packs'] button");
    browser.until("document.querySelector('a[href$=\"audit.html\"]') !== null");
    browser.press("a[href$='audit.html']");
    browser.until("document.querySelector('h1')?.innerText.startsWith('Audit pack')");
    assert!(browser.text("body").contains("paste height"));
}
