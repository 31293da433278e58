//! The live page in a real browser: it fits a phone and a desk, and a chart is read out by keys.
//!
//! Knows the page through its router alone. The one invariant: the page is measured as it is, under
//! its own policy, at the width of a desk, a tablet and a phone.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use driftvane::commands::audit::{Request, make};
use driftvane::commands::report::write_shift_report;
use driftvane::config::Serve;
use driftvane::ingest::Ingest;
use driftvane::serve::access::Access;
use driftvane::serve::{Page, app, serve};
use driftvane::store::Reader;
use serde_json::json;
use tokio::sync::watch;

use crate::driver::Browser;

/// A name without a blank, as plants give them: the browser can not break it at will.
const LONG: &str = "demo-controller-with-a-long-revision-B2-and-more";

/// What a reader would notice: how wide the page is, and what is cut off.
const SEEN: &str = "(() => {
  const root = document.documentElement, wide = [];
  for (const one of document.body.querySelectorAll('*')) {
    const inside = one.closest('svg, .scroll, .skip') !== null;
    if (!inside && one.getBoundingClientRect().right > root.clientWidth + 1) {
      wide.push(one.tagName + '.' + one.getAttribute('class'));
    }
  }
  const cells = [...document.querySelectorAll('table.reflow td')];
  const drawn = [...document.querySelectorAll('svg')].filter(
    (one) => one.getBoundingClientRect().width > 0);
  return {
    width: root.clientWidth, scrolls: root.scrollWidth, wide: wide.slice(0, 5).join(' '),
    drawn: drawn.length, heading: document.querySelector('h1').innerText,
    letters: document.body.innerText.length,
    over: cells.filter((one) => one.scrollHeight > one.clientHeight + 1).length,
  };
})()";

/// The pages, and how many drawings each has.
const PAGES: [(&str, u64); 13] = [
    ("/", 0),
    ("/alerts", 0),
    ("/alerts/1", 1),
    ("/alerts/1/causes", 1),
    ("/alerts/health", 0),
    ("/streams", 0),
    ("/streams/1", 1),
    ("/streams/1?by=family", 1),
    ("/streams/1/capability", 1),
    ("/streams/1/pads", 1),
    ("/feeds", 0),
    ("/reports", 0),
    ("/login", 0),
];

/// A folder with a record; gone when dropped.
struct Place(PathBuf);

impl Drop for Place {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            fs::remove_dir_all(&self.0).expect("the test's folder can be removed");
        }
    }
}

fn config(folder: &Path) -> driftvane::config::Config {
    let text = format!(
        "[plant]\nname = \"Invented plant {LONG}\"\ntime_zone = \"UTC\"\nlateness_minutes = 0\n\
         [[shift]]\nname = \"day\"\nstarts = \"00:00\"\n\
         [[product]]\nname = \"demo\"\nboards = 1\n\
         specification = [{{ measure = \"height\", lower = 80,\n\
         upper = 200, unit = \"um\", source = \"an invented print specification\" }}]\n\
         [[feed]]\nname = \"paste-{LONG}\"\nline = \"L1\"\nstation = \"paste\"\n\
         folder = \"files\"\ntime = {{ columns = [\"At\"], format = \"rfc3339\" }}\n\
         measure = [{{ name = \"height\", column = \"Height\", unit = \"um\" }},\n\
         {{ name = \"x\", column = \"X\", unit = \"mm\" }},\n\
         {{ name = \"y\", column = \"Y\", unit = \"mm\" }}]\n\
         [feed.roles]\npanel = \"Panel\"\nfamily = \"Family\"\ncomponent = \"Part\"\n\
         product = {{ constant = \"demo\" }}\n\
         [[characteristic]]\nname = \"height-{LONG}\"\nstation = \"paste\"\nmeasure = \"height\"\n\
         group_by = [\"family\"]\nsubgroup = \"panel\"\nchart = \"individuals\"\nbaseline = 10\n\
         reaction_plan = \"Wipe the stencil, then inspect two panels.\"\n"
    );
    driftvane::config::read::read(&text, folder).expect("a valid configuration")
}

fn record() -> (Place, Arc<driftvane::config::Config>) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("live");
    if folder.exists() {
        fs::remove_dir_all(&folder).expect("an old folder can be removed");
    }
    fs::create_dir_all(folder.join("files")).expect("a folder for the files");
    let mut text = "At,Panel,Family,Part,X,Y,Height\n".to_owned();
    for panel in 0..30 {
        let height = 100 + panel % 4 + if panel == 27 { 60 } else { 0 };
        text.push_str(&format!(
            "2026-03-02T06:{panel:02}:00Z,{LONG}-P{panel},fine-{LONG},U{panel},{panel},1,{height}\n"
        ));
        // A family beside it, of fewer panels, that stays as it is.
        if panel % 3 == 0 {
            text.push_str(&format!(
                "2026-03-02T06:{panel:02}:20Z,{LONG}-P{panel},chip-{LONG},C{panel},{panel},2,104\n"
            ));
        }
    }
    let write = |name: &str, text: &str| {
        fs::write(folder.join("files").join(name), text).expect("a file can be written");
    };
    write(&format!("{LONG}{LONG}.csv"), &text);
    write(
        &format!("{LONG}{LONG}-broken.csv"),
        "nothing;of;it\n1;2;3\n",
    );
    let config = Arc::new(config(&folder));
    let mut ingest = Ingest::open(Arc::clone(&config), 1).expect("a record");
    driftvane::run::replay(&mut ingest, &[], &mut |_, _, _| {}).expect("the files are read");
    drop(ingest);
    report(&config);
    (Place(folder), config)
}

/// Writes the report of the shift and an audit pack, so that there is something to list.
fn report(config: &driftvane::config::Config) {
    const DAY_US: i64 = 24 * 3_600_000_000;
    let reader = Reader::open(&config.data_folder).expect("the record");
    let newest = reader.events().expect("events").expect("an event").1;
    let shift = driftvane::shifts::at(config, newest);
    write_shift_report(config, &reader, &shift).expect("a report");
    let request = Request {
        from: shift.start,
        to: shift.start + DAY_US,
        product: None,
    };
    make(config, &reader, &request).expect("a pack");
}

/// Serves the page for as long as the runtime lives, and says where.
async fn listen(config: Arc<driftvane::config::Config>) -> String {
    let settings = Serve {
        listen: "127.0.0.1:0".parse().expect("an address"),
        tokens: None,
        allowed_hosts: Vec::new(),
    };
    // Without a sender no event ever comes; the stream of events ends at once.
    let (_, changed) = watch::channel(0);
    let page = Page::new(
        config,
        &settings,
        Arc::new(Access::open()),
        (changed, Arc::default()),
    )
    .expect("a page");
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
        .await
        .expect("a port");
    let address = listener.local_addr().expect("its address");
    tokio::spawn(serve(Arc::new(listener), app(Arc::new(page))));
    format!("http://{address}")
}

#[test]
fn every_page_fits_desk_and_phone_light_and_dark_and_shuts_nobody_out() {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .expect("a runtime");
    let (_place, config) = record();
    let base = runtime.block_on(listen(config));
    let mut browser = Browser::start("live");
    for (width, scheme, is_checked) in [
        (1_200, "light", true),
        (768, "light", false),
        (360, "dark", true),
    ] {
        browser.be(width, scheme);
        for (path, drawings) in PAGES {
            browser.go(&format!("{base}{path}"));
            let seen = browser.js(SEEN);
            let number = |key: &str| seen[key].as_u64().expect("a number");
            assert_eq!(number("width"), u64::from(width), "{path}: {seen}");
            assert!(
                number("scrolls") <= u64::from(width),
                "{path} scrolls sideways: {seen}"
            );
            assert_eq!(seen["wide"], "", "{path} is cut off: {seen}");
            assert_ne!(seen["heading"], "", "{path}: {seen}");
            assert_eq!(
                number("over"),
                0,
                "{path}: labels run into each other: {seen}"
            );
            assert!(number("letters") > 80, "{path} is empty: {seen}");
            assert_eq!(number("drawn"), drawings, "{path}: {seen}");
            if !is_checked {
                continue;
            }
            let violations = browser.violations();
            assert!(
                violations.is_empty(),
                "{path} {width} {scheme}: {violations:#?}"
            );
        }
    }
    let own = browser.js(&format!(
        "fetch('{base}/streams/1').then((page) => page.text()).then((text) => \
         text.includes('/fine-') ? '/streams/1' : '/streams/2')"
    ));
    let own = own.as_str().expect("a path");
    for path in ["/alerts/1", own] {
        browser.go(&format!("{base}{path}"));
        assert_read_out(&mut browser, path);
    }
    assert_told_apart(&mut browser, &format!("{base}{own}?by=family"));
    assert_prints_what_is_to_be_read(&mut browser, &base);
}

/// On paper there is nothing to press, and tables stay tables.
fn assert_prints_what_is_to_be_read(browser: &mut Browser, base: &str) {
    // A sheet of A4 between its margins is about as wide.
    browser.be(703, "light");
    browser.call("Emulation.setEmulatedMedia", json!({"media": "print"}));
    let shown = |browser: &mut Browser, selector: &str| {
        let script = format!(
            "[...document.querySelectorAll({})].map((one) => getComputedStyle(one).display)",
            json!(selector)
        );
        browser.js(&script).to_string()
    };
    browser.go(&format!("{base}/alerts/1"));
    assert_eq!(shown(browser, "section[aria-labelledby=act]"), "[\"none\"]");
    assert_eq!(shown(browser, "figure.chart .wide-figure"), "[\"block\"]");
    browser.go(&format!("{base}/feeds"));
    let cells = shown(browser, "table.reflow td");
    assert!(
        cells.contains("table-cell") && !cells.contains("flow-root"),
        "{cells}"
    );
}

/// Points of another stratum are read out between the chart's own, with their names.
fn assert_told_apart(browser: &mut Browser, url: &str) {
    browser.go(url);
    browser.js("document.querySelector('.reader').focus()");
    for (key, said) in [("Home", "P0, fine-"), ("ArrowRight", "P0, chip-")] {
        browser.key(key);
        let heard = browser.text(".readout");
        assert!(
            heard.contains(said) && heard.contains(" of 40: "),
            "{key}: {heard}"
        );
    }
    assert!(
        browser
            .text(".readout")
            .ends_with("shown beside, not judged")
    );
    browser.key("PageDown");
    assert!(
        browser
            .text(".readout")
            .contains("beyond the control limits")
    );
}

/// What keys and the pointer read out of a chart.
fn assert_read_out(browser: &mut Browser, path: &str) {
    browser.js("document.querySelector('.reader').focus()");
    for (key, start) in [
        ("End", "30 of 30: "),
        ("ArrowLeft", "29 of 30: "),
        ("Home", "1 of 30: "),
        ("ArrowRight", "2 of 30: "),
        ("PageDown", "28 of 30: "),
    ] {
        browser.key(key);
        let said = browser.text(".readout");
        assert!(said.starts_with(start), "{path} {key}: {said}");
        assert!(
            said.contains(LONG) && said.contains(" um"),
            "{path}: {said}"
        );
        match key {
            "Home" => assert!(said.contains("P0: 100"), "{path}: {said}"),
            "PageDown" => assert!(said.contains("beyond the control limits"), "{path}: {said}"),
            _ => {}
        }
    }
    assert_eq!(
        browser.js("document.querySelectorAll('.mark').length"),
        2,
        "{path}"
    );
    browser.point_at(".reader");
    let said = browser.text(".readout");
    assert!(
        !said.starts_with("28 of 30: "),
        "{path}: the pointer reads out: {said}"
    );
}
