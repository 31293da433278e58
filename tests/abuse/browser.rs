//! A browser that tells what a page made it do: dialogs, requests, elements.
//!
//! Knows no page of ours. It is driven over a pair of pipes, one JSON message after another, each
//! ended by a zero byte, as Chromium's own protocol for tools has it. The one invariant: a dialog
//! fails the test at once, whoever opens it.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};

use crate::tools::tool;

/// What the browser must do without, and the only address that it may find: this computer's.
const FLAGS: [&str; 10] = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-pipe",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
];

/// After so many seconds the browser is ended, whatever it is at.
const PATIENCE_S: u32 = 300;

/// How often a browser that closes is looked at, and how many times at most: ten seconds.
const CLOSE_LOOK: Duration = Duration::from_millis(50);
const CLOSE_LOOKS: u32 = 200;

/// A running browser with one page; ended when dropped.
pub struct Browser {
    child: Child,
    asks: File,
    tells: BufReader<File>,
    session: String,
    number: u64,
    requests: BTreeSet<String>,
    is_loaded: bool,
}

impl Drop for Browser {
    fn drop(&mut self) {
        // One that is gone already has failed the test by its silence.
        let _closing = self
            .asks
            .write_all(b"{\"id\":0,\"method\":\"Browser.close\"}\0");
        for _ in 0..CLOSE_LOOKS {
            if matches!(self.child.try_wait(), Ok(Some(_))) {
                break;
            }
            std::thread::sleep(CLOSE_LOOK);
        }
        // The timer began a group of its own: whoever is left of it writes to the profile.
        let group = format!("-{}", self.child.id());
        let _ended = Command::new("kill")
            .args(["-KILL", "--", &group])
            .stderr(Stdio::null())
            .status();
        let _status = self.child.wait();
    }
}

impl Browser {
    /// Starts a browser with a profile of its own in a folder.
    pub fn start(folder: &Path) -> Browser {
        let pipe = |name: &str| {
            let path = folder.join(name);
            tool("mkfifo", &[&path.to_string_lossy()]);
            path
        };
        let (asks, tells) = (pipe("asks"), pipe("tells"));
        // Its third and fourth file are the pipes; the timer ends it where a test can not.
        let script = format!(
            "exec timeout -s KILL {PATIENCE_S} \"$@\" 3<'{}' 4>'{}'",
            asks.display(),
            tells.display()
        );
        let profile = format!("--user-data-dir={}", folder.join("profile").display());
        let child = Command::new("sh")
            .args(["-c", &script, "sh"])
            .arg(program())
            .args(FLAGS)
            .args([&profile, "about:blank"])
            .env("HOME", folder)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let asks = File::options().write(true).open(asks).unwrap();
        let tells = BufReader::new(File::open(tells).unwrap());
        let mut browser = Browser {
            child,
            asks,
            tells,
            session: String::new(),
            number: 0,
            requests: BTreeSet::new(),
            is_loaded: false,
        };
        let page = browser.ask("Target.createTarget", json!({ "url": "about:blank" }));
        let target = json!({ "targetId": page["targetId"], "flatten": true });
        let session = browser.ask("Target.attachToTarget", target);
        browser.session = session["sessionId"].as_str().unwrap().to_owned();
        for domain in ["Page", "Network", "Runtime"] {
            browser.ask(&format!("{domain}.enable"), json!({}));
        }
        browser
    }

    /// Sends a token with every request from now on.
    pub fn sign(&mut self, token: &str) {
        let headers = json!({ "headers": { "Authorization": format!("Bearer {token}") } });
        self.ask("Network.setExtraHTTPHeaders", headers);
    }

    /// Opens an address and gives what was asked for meanwhile, the address itself included.
    pub fn open(&mut self, url: &str) -> BTreeSet<String> {
        // A page that renews itself must not be taken for the next one.
        self.go("about:blank");
        self.requests.clear();
        self.go(url);
        // What a page does on its own, it does at once.
        self.value("new Promise((done) => setTimeout(done, 50))");
        self.requests.clone()
    }

    fn go(&mut self, url: &str) {
        self.is_loaded = false;
        let opened = self.ask("Page.navigate", json!({ "url": url }));
        assert!(opened["errorText"].is_null(), "{url}: {opened}");
        while !self.is_loaded {
            self.hear();
        }
    }

    /// What a script of ours finds on the page; the page's own policy does not bind it.
    pub fn value(&mut self, script: &str) -> Value {
        let what = json!({ "expression": script, "returnByValue": true, "awaitPromise": true });
        let found = self.ask("Runtime.evaluate", what);
        assert!(found["exceptionDetails"].is_null(), "{script}: {found}");
        found["result"]["value"].clone()
    }

    /// Asks for something and waits for the answer.
    fn ask(&mut self, method: &str, params: Value) -> Value {
        self.number += 1;
        let mut message = json!({ "id": self.number, "method": method, "params": params });
        if !self.session.is_empty() {
            message["sessionId"] = self.session.clone().into();
        }
        let mut bytes = message.to_string().into_bytes();
        bytes.push(0);
        self.asks.write_all(&bytes).unwrap();
        loop {
            let heard = self.hear();
            if heard["id"] == self.number {
                assert!(heard["error"].is_null(), "{method}: {heard}");
                return heard["result"].clone();
            }
        }
    }

    /// The next thing that the browser tells.
    fn hear(&mut self) -> Value {
        let mut bytes = Vec::new();
        self.tells.read_until(0, &mut bytes).unwrap();
        assert_eq!(bytes.pop(), Some(0), "the browser is gone");
        let heard: Value = serde_json::from_slice(&bytes).unwrap();
        match heard["method"].as_str().unwrap_or_default() {
            "Page.javascriptDialogOpening" => panic!("a page opens a dialog: {heard}"),
            "Page.loadEventFired" => self.is_loaded = true,
            "Network.requestWillBeSent" => {
                let url = heard["params"]["request"]["url"].as_str().unwrap();
                self.requests.insert(url.to_owned());
            }
            _ => {}
        }
        heard
    }
}

/// The browser of the variable CHROMIUM, or the first one on the path.
fn program() -> PathBuf {
    if let Some(path) = std::env::var_os("CHROMIUM") {
        return path.into();
    }
    let path = std::env::var_os("PATH").unwrap_or_default();
    let names = ["chromium", "chromium-browser"];
    std::env::split_paths(&path)
        .flat_map(|folder| names.map(|name| folder.join(name)))
        .find(|path| fs::metadata(path).is_ok_and(|found| found.is_file()))
        .expect("no chromium found; tests/run installs it as root, or set CHROMIUM to its path")
}
