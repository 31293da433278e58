//! A report and the live page in a real browser.
//!
//! The report opens from one file, without a script and without a network, and fits a phone; it is
//! measured in a frame as wide as a small phone in which scripts are forbidden. The invariant:
//! what is measured is the page as a reader gets it. Without a browser the tests fail and say what
//! to install.

#![expect(
    clippy::expect_used,
    clippy::panic,
    reason = "that is how a test fails"
)]

use std::fs::{self, File};
use std::path::Path;
use std::process::{Command, Stdio};

use reports::speech::Language;
use reports::{Overrides, shift_report};

use crate::driver::{FLAGS, LOOK_EVERY, LOOKS_MAX, program};

mod driver;
mod line;
mod live;
mod print;
mod sample;
mod speed;
mod users;

/// The width of a small phone, in pixels.
const PHONE_PX: u32 = 360;

/// Looks into the frame once it is there and writes down what it sees.
const PROBE: &str = r#"<script>
function look(frame) {
  const page = frame.contentDocument, root = page.documentElement, wide = [];
  for (const one of page.body.querySelectorAll('*')) {
    const hidden = one.closest('svg, table') !== null;
    if (!hidden && one.getBoundingClientRect().right > frame.clientWidth + 1) {
      wide.push(one.tagName + '.' + one.getAttribute('class'));
    }
  }
  const cells = [...page.querySelectorAll('table.reflow td')];
  const drawn = [...page.querySelectorAll('svg')].filter(one => one.getBoundingClientRect().width);
  const seen = {
    width: frame.clientWidth, room: root.clientWidth, scrolls: root.scrollWidth,
    wide: wide.slice(0, 5).join(' '),
    fetched: frame.contentWindow.performance.getEntriesByType('resource').length,
    heading: page.querySelector('h1') ? page.querySelector('h1').innerText : '',
    drawn: drawn.length, letters: page.body.innerText.length,
    over: cells.filter(one => one.scrollHeight > one.clientHeight + 1).length,
  };
  for (const [key, value] of Object.entries(seen)) {
    document.getElementById('seen').setAttribute('data-' + key, value);
  }
}
</script><p id="seen"></p>"#;

#[test]
fn a_report_opens_offline_without_scripts_and_fits_a_phone() {
    for language in Language::ALL {
        opens_offline_and_fits_a_phone(language);
    }
}

fn opens_offline_and_fits_a_phone(language: Language) {
    let report = sample::report();
    let rendered = shift_report(&report, &Overrides::none(), language).expect("a report");
    for forbidden in [
        "<script", "src=", "@import", "url(", "<link", "<iframe", "<object",
    ] {
        assert!(
            !rendered.html.contains(forbidden),
            "the report has {forbidden}"
        );
    }
    let seen = look_at(&rendered.html);
    let number = |key: &str| -> u32 {
        let text = attribute(&seen, key);
        text.parse()
            .unwrap_or_else(|_| panic!("{key} is {text:?} in {seen}"))
    };
    assert_eq!(number("width"), PHONE_PX, "{seen}");
    assert!(
        number("scrolls") <= number("room"),
        "the page scrolls sideways: {seen}"
    );
    assert_eq!(number("fetched"), 0, "the page fetched something: {seen}");
    assert!(number("drawn") >= 1, "no chart is drawn: {seen}");
    assert_eq!(number("over"), 0, "labels run into each other: {seen}");
    assert!(number("letters") > 500, "the page is empty: {seen}");
    assert!(
        !attribute(&seen, "heading").is_empty(),
        "the page has no heading: {seen}"
    );
}

/// Opens a page in a frame of a phone's width and gives the element in which the probe wrote.
fn look_at(html: &str) -> String {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("browser");
    if folder.exists() {
        fs::remove_dir_all(&folder).expect("an old folder can be removed");
    }
    fs::create_dir_all(&folder).expect("a folder for the test");
    let page = html.replace('&', "&amp;").replace('"', "&quot;");
    // Without allow-scripts nothing in the report can run; allow-same-origin lets the probe look.
    let frame = format!(
        "{PROBE}<iframe sandbox=\"allow-same-origin\" onload=\"look(this)\" style=\"width:\
         {PHONE_PX}px; height: 800px; border: 0\" srcdoc=\"{page}\"></iframe>"
    );
    let path = folder.join("probe.html");
    fs::write(
        &path,
        format!("<!doctype html><meta charset=\"utf-8\">{frame}"),
    )
    .expect("the page can be written");
    let dom = dump(&path, &folder);
    let start = dom
        .find("<p id=\"seen\"")
        .unwrap_or_else(|| panic!("no page came back: {dom}"));
    let rest = &dom[start..];
    rest[..rest.find('>').map_or(rest.len(), |end| end + 1)].to_owned()
}

/// A file's elements as the browser has them after everything is loaded.
fn dump(page: &Path, folder: &Path) -> String {
    let url = format!("file://{}", page.display());
    browse(&url, folder, &["--window-size=1000,900"])
}

/// The elements of a page as the browser has them after everything is loaded.
fn browse(url: &str, folder: &Path, flags: &[&str]) -> String {
    let out = folder.join("dom.html");
    // Files, because a full pipe would stop the browser.
    let file = |path: &Path| File::create(path).expect("a file in the test's folder");
    let mut child = Command::new(program())
        .args(FLAGS)
        .args([
            "--host-resolver-rules=MAP * ~NOTFOUND",
            "--virtual-time-budget=10000",
        ])
        .arg(format!(
            "--user-data-dir={}",
            folder.join("profile").display()
        ))
        .args(flags)
        .args(["--dump-dom", url])
        .env("HOME", folder)
        .stdin(Stdio::null())
        .stdout(file(&out))
        .stderr(file(&folder.join("errors.txt")))
        .spawn()
        .expect("the browser starts");
    for _ in 0..LOOKS_MAX {
        if child
            .try_wait()
            .expect("the browser can be watched")
            .is_some()
        {
            return fs::read_to_string(&out).expect("what the browser wrote");
        }
        std::thread::sleep(LOOK_EVERY);
    }
    child.kill().expect("the browser can be stopped");
    let errors = fs::read_to_string(folder.join("errors.txt")).unwrap_or_default();
    panic!("the browser did not come to an end in a minute: {errors}");
}

fn attribute<'a>(element: &'a str, key: &str) -> &'a str {
    let after = element
        .split_once(&format!("data-{key}=\""))
        .map_or("", |(_, rest)| rest);
    after.split('"').next().unwrap_or_default()
}
