//! The live page in a real browser: it fits a phone and a desk, and a chart is read out by keys.
//!
//! Knows the page through its router alone. The one invariant: the page is measured under its own
//! policy, but for the frame that gives it the width of a phone, which no window can be made; the
//! script that measures comes from the page's own address, as its own script does.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::body::{Body, to_bytes};
use axum::extract::{Path as UrlPath, Request};
use axum::http::HeaderValue;
use axum::http::header::{CONTENT_LENGTH, CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::middleware::{Next, from_fn};
use axum::response::{Html, Response};
use axum::routing::get;
use driftvane::config::Serve;
use driftvane::ingest::Ingest;
use driftvane::serve::access::Access;
use driftvane::serve::{Page, app, serve};
use tokio::sync::watch;

use crate::{attribute, browse};

/// A name without a blank, as plants give them: the browser can not break it at will.
const LONG: &str = "demo-controller-with-a-long-revision-B2-and-more";

/// Writes down what a reader would notice, and presses keys on the chart where there is one.
const PROBE: &str = r#"
window.addEventListener('load', () => {
  const root = document.documentElement, wide = [];
  for (const one of document.body.querySelectorAll('*')) {
    const inside = one.closest('svg, .scroll, .skip') !== null;
    if (!inside && one.getBoundingClientRect().right > root.clientWidth + 1) {
      wide.push(one.tagName + '.' + one.getAttribute('class'));
    }
  }
  const said = [];
  const reader = document.querySelector('.reader');
  if (reader) {
    reader.focus();
    for (const key of ['End', 'ArrowLeft', 'Home', 'ArrowRight', 'PageDown']) {
      reader.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true }));
      said.push(document.querySelector('.readout').textContent);
    }
  }
  const seen = document.createElement('p');
  seen.id = 'seen';
  const drawn = [...document.querySelectorAll('svg')].filter(
    (one) => one.getBoundingClientRect().width > 0);
  Object.entries({
    width: root.clientWidth, scrolls: root.scrollWidth, wide: wide.slice(0, 5).join(' '),
    said: said.join(' | '), drawn: drawn.length, marks: document.querySelectorAll('.mark').length,
    heading: document.querySelector('h1').innerText, letters: document.body.innerText.length,
  }).forEach(([key, value]) => seen.setAttribute('data-' + key, value));
  parent.document.body.append(seen);
});
"#;

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
         [[feed]]\nname = \"paste-{LONG}\"\nline = \"L1\"\nstation = \"paste\"\n\
         folder = \"files\"\ntime = {{ columns = [\"At\"], format = \"rfc3339\" }}\n\
         measure = [{{ name = \"height\", column = \"Height\", unit = \"um\" }}]\n\
         [feed.roles]\npanel = \"Panel\"\nfamily = \"Family\"\n\
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
    let mut text = "At,Panel,Family,Height\n".to_owned();
    for panel in 0..30 {
        let height = 100 + panel % 4 + if panel == 27 { 60 } else { 0 };
        text.push_str(&format!(
            "2026-03-02T06:{panel:02}:00Z,{LONG}-P{panel},fine-{LONG},{height}\n"
        ));
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
    (Place(folder), config)
}

/// Adds the script that measures to a page, and lets it stand in our frame.
async fn with_probe(request: Request, next: Next) -> Response {
    let (mut parts, body) = next.run(request).await.into_parts();
    let kind = parts
        .headers
        .get(CONTENT_TYPE)
        .and_then(|kind| kind.to_str().ok());
    if !kind.is_some_and(|kind| kind.starts_with("text/html")) {
        return Response::from_parts(parts, body);
    }
    let bytes = to_bytes(body, 1 << 20).await.expect("a page");
    let text = String::from_utf8(bytes.to_vec()).expect("text");
    parts.headers.remove(CONTENT_LENGTH);
    let policy = parts.headers[CONTENT_SECURITY_POLICY]
        .to_str()
        .expect("a policy");
    assert!(policy.contains("frame-ancestors 'none'"), "{policy}");
    let policy = policy.replace("frame-ancestors 'none'", "frame-ancestors 'self'");
    let policy = HeaderValue::from_str(&policy).expect("a policy");
    parts.headers.insert(CONTENT_SECURITY_POLICY, policy);
    let text = text.replace("</head>", "<script src=\"/probe.js\"></script></head>");
    Response::from_parts(parts, Body::from(text))
}

/// A frame around a page: `/frame/360/alerts/1`.
async fn frame(UrlPath((width, path)): UrlPath<(u32, String)>) -> Html<String> {
    Html(format!(
        "<!DOCTYPE html><body><iframe src=\"/{path}\" width=\"{width}\" height=\"900\" \
         style=\"border: 0\"></iframe>"
    ))
}

async fn first_frame(UrlPath(width): UrlPath<u32>) -> Html<String> {
    frame(UrlPath((width, String::new()))).await
}

async fn probe() -> ([(axum::http::HeaderName, &'static str); 1], &'static str) {
    ([(CONTENT_TYPE, "text/javascript")], PROBE)
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
    let router = app(Arc::new(page))
        .layer(from_fn(with_probe))
        .route("/probe.js", get(probe))
        .route("/frame/{width}/", get(first_frame))
        .route("/frame/{width}/{*path}", get(frame));
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
        .await
        .expect("a port");
    let address = listener.local_addr().expect("its address");
    tokio::spawn(serve(Arc::new(listener), router));
    format!("http://{address}")
}

fn seen(base: &str, path: &str, width: u32) -> String {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("live-browser-{width}"));
    fs::create_dir_all(&folder).expect("a folder for the browser");
    // The last rule of that name counts: the page's own address is the only one there is.
    let rules = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1";
    let flags = ["--window-size=1300,1000", rules, "--hide-scrollbars"];
    let dom = browse(&format!("{base}/frame/{width}{path}"), &folder, &flags);
    let start = dom
        .find("<p id=\"seen\"")
        .unwrap_or_else(|| panic!("{path}: no page: {dom}"));
    let rest = &dom[start..];
    rest[..rest.find('>').map_or(rest.len(), |end| end + 1)].to_owned()
}

#[test]
fn the_live_page_fits_a_desk_and_a_phone_and_is_read_out_by_keys() {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .expect("a runtime");
    let (_place, config) = record();
    let base = runtime.block_on(listen(config));
    for width in [1_200, 360] {
        for path in [
            "/",
            "/alerts",
            "/alerts/1",
            "/streams",
            "/streams/1",
            "/feeds",
            "/login",
        ] {
            let seen = seen(&base, path, width);
            let number = |key: &str| -> u32 {
                let text = attribute(&seen, key);
                text.parse()
                    .unwrap_or_else(|_| panic!("{path}: {key} is {text:?} in {seen}"))
            };
            assert_eq!(number("width"), width, "{path}: {seen}");
            assert!(
                number("scrolls") <= width,
                "{path} scrolls sideways: {seen}"
            );
            assert_eq!(attribute(&seen, "wide"), "", "{path} is cut off: {seen}");
            assert!(!attribute(&seen, "heading").is_empty(), "{path}: {seen}");
            assert!(number("letters") > 80, "{path} is empty: {seen}");
            if ["/alerts/1", "/streams/1"].contains(&path) {
                assert_eq!(
                    number("drawn"),
                    1,
                    "{path}: one drawing for this width: {seen}"
                );
                assert_eq!(
                    number("marks"),
                    2,
                    "{path}: the point is marked in both: {seen}"
                );
                assert_read_out(attribute(&seen, "said"), path);
            }
        }
    }
}

/// What was read out: the last point, the one before, the first, the second, the next signal.
fn assert_read_out(said: &str, path: &str) {
    let said: Vec<&str> = said.split(" | ").collect();
    let starts = [
        "30 of 30: ",
        "29 of 30: ",
        "1 of 30: ",
        "2 of 30: ",
        "28 of 30: ",
    ];
    assert_eq!(said.len(), starts.len(), "{path}: {said:?}");
    for (said, start) in said.iter().zip(starts) {
        assert!(said.starts_with(start), "{path}: {said}");
        assert!(
            said.contains(LONG) && said.contains(" um"),
            "{path}: {said}"
        );
    }
    assert!(said[2].contains("P0: 100"), "{path}: {}", said[2]);
    assert!(
        said[4].contains("beyond the control limits"),
        "{path}: {}",
        said[4]
    );
}
