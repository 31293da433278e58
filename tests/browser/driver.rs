//! A browser that is driven as a person would: it goes to pages, points, types and looks; and that
//! tells what a page made it do.
//!
//! Speaks the browser's own protocol over two pipes, a JSON object and a zero byte at a time. Knows
//! no page. The invariants: what the browser says is waited for a minute and no longer, and a
//! dialog fails the test at once, whoever opens it.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use serde_json::{Value, json};

/// How often the browser is looked at, and how many times at most: a minute.
pub const LOOK_EVERY: Duration = Duration::from_millis(100);
pub const LOOKS_MAX: u32 = 600;

/// What the browser must do without: everything that could reach out or that needs a screen.
pub const FLAGS: [&str; 8] = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
];

/// How long an answer may take.
const PATIENCE: Duration = Duration::from_secs(60);

/// The pinned release of axe-core, a checker of accessibility; `tests/run` fetches it.
const AXE: &str = "axe-core-4.11.1/axe.min.js";

/// A running browser with one page.
pub struct Browser {
    child: Child,
    to: ChildStdin,
    from: Receiver<Value>,
    page: String,
    calls: u64,
    /// What was asked for since the page was opened.
    requests: BTreeSet<String>,
    pub folder: PathBuf,
}

impl Drop for Browser {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

impl Browser {
    /// Starts one with a profile of its own.
    pub fn start(name: &str) -> Browser {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("driven-{name}"));
        if folder.exists() {
            fs::remove_dir_all(&folder).expect("an old folder can be removed");
        }
        fs::create_dir_all(&folder).expect("a folder for the browser");
        let profile = format!("--user-data-dir={}", folder.display());
        // This computer is the only one there is.
        let rules = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1";
        let errors = File::create(folder.join("errors.txt")).expect("a file");
        // The browser reads its orders at descriptor 3 and answers at 4.
        let mut child = Command::new("sh")
            .args(["-c", "exec \"$0\" \"$@\" 3<&0 4>&1 </dev/null >/dev/null"])
            .arg(program())
            .args(FLAGS)
            .args([
                &profile,
                rules,
                "--hide-scrollbars",
                "--remote-debugging-pipe",
            ])
            .env("HOME", &folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(errors)
            .spawn()
            .expect("the browser starts");
        let to = child.stdin.take().expect("its orders");
        let mut answers = BufReader::new(child.stdout.take().expect("its answers"));
        let (said, from) = channel();
        std::thread::spawn(move || {
            let mut text = Vec::new();
            while answers.read_until(0, &mut text).is_ok_and(|read| read > 0) {
                text.pop();
                let answer = serde_json::from_slice(&text).expect("an answer in JSON");
                if said.send(answer).is_err() {
                    return;
                }
                text.clear();
            }
        });
        let mut browser = Browser {
            child,
            to,
            from,
            page: String::new(),
            calls: 0,
            requests: BTreeSet::new(),
            folder,
        };
        browser.open_page();
        browser
    }

    fn open_page(&mut self) {
        let made = self.call("Target.createTarget", json!({"url": "about:blank"}));
        let target = json!({"targetId": made["targetId"], "flatten": true});
        let attached = self.call("Target.attachToTarget", target);
        self.page = attached["sessionId"].as_str().expect("a page").to_owned();
        for domain in ["Page", "Network"] {
            self.call(&format!("{domain}.enable"), json!({}));
        }
        let download = json!({"behavior": "allow", "downloadPath": self.folder.join("taken")});
        self.call("Page.setDownloadBehavior", download);
    }

    /// Gives an order and waits for what comes of it, which has to be done.
    pub fn call(&mut self, method: &str, parameters: Value) -> Value {
        let done = self.ask(method, parameters);
        done.unwrap_or_else(|error| panic!("{method}: {error}"))
    }

    /// Gives an order and waits for what comes of it, or why it was not done.
    fn ask(&mut self, method: &str, parameters: Value) -> Result<Value, Value> {
        self.calls += 1;
        let mut order = json!({"id": self.calls, "method": method, "params": parameters});
        if !self.page.is_empty() {
            order["sessionId"] = json!(self.page);
        }
        let mut text = order.to_string().into_bytes();
        text.push(0);
        self.to.write_all(&text).expect("the browser takes orders");
        self.to.flush().expect("the browser takes orders");
        loop {
            let mut heard = self.hear(method);
            if heard["id"] == json!(self.calls) {
                return match heard["error"].take() {
                    Value::Null => Ok(heard["result"].take()),
                    error => Err(error),
                };
            }
        }
    }

    /// The next thing that the browser tells while it is asked for something.
    fn hear(&mut self, method: &str) -> Value {
        let heard = self.from.recv_timeout(PATIENCE);
        let heard = heard.unwrap_or_else(|_| panic!("{method}: no answer"));
        match heard["method"].as_str().unwrap_or_default() {
            "Page.javascriptDialogOpening" => panic!("a page opens a dialog: {heard}"),
            "Network.requestWillBeSent" => {
                let url = heard["params"]["request"]["url"].as_str();
                self.requests.insert(url.expect("an address").to_owned());
            }
            _ => {}
        }
        heard
    }

    /// Opens an address and gives what was asked for meanwhile, the address itself included.
    pub fn open(&mut self, url: &str) -> BTreeSet<String> {
        // A page that renews itself must not be taken for the next one.
        self.go("about:blank");
        self.requests.clear();
        self.go(url);
        // What a page does on its own, it does at once.
        self.js("new Promise((done) => setTimeout(done, 50))");
        self.requests.clone()
    }

    /// Makes the window as wide as a screen, light or dark.
    pub fn be(&mut self, width: u32, scheme: &str) {
        let size = json!({
            "width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500,
        });
        self.call("Emulation.setDeviceMetricsOverride", size);
        let wish = json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]});
        self.call("Emulation.setEmulatedMedia", wish);
    }

    /// Goes to a page and waits until it is there.
    pub fn go(&mut self, url: &str) {
        self.js("window.isOld = true");
        self.call("Page.navigate", json!({"url": url}));
        self.until("!window.isOld && document.readyState === 'complete'");
    }

    /// What a script gives.
    pub fn js(&mut self, script: &str) -> Value {
        let wish = json!({"expression": script, "returnByValue": true, "awaitPromise": true});
        let mut answer = self.call("Runtime.evaluate", wish);
        let fault = &answer["exceptionDetails"];
        assert!(fault.is_null(), "{script}: {fault}");
        answer["result"]["value"].take()
    }

    /// The text of what a selector finds.
    pub fn text(&mut self, selector: &str) -> String {
        let script = format!("document.querySelector({}).innerText", json!(selector));
        self.js(&script).as_str().unwrap_or_default().to_owned()
    }

    /// Waits until something is so.
    pub fn until(&mut self, what: &str) {
        for _ in 0..LOOKS_MAX {
            // A page on its way out has no context to ask in.
            let wish = json!({"expression": format!("Boolean({what})"), "returnByValue": true});
            // One of another origin comes in another process, which closes this one.
            let answer = self.ask("Runtime.evaluate", wish);
            if answer.is_ok_and(|answer| answer["result"]["value"] == json!(true)) {
                return;
            }
            std::thread::sleep(LOOK_EVERY);
        }
        let page = self.js("document.body.innerText");
        panic!("it never came that {what}; the page says: {page}");
    }

    /// Where the middle of an element is, once it is in view.
    fn middle(&mut self, selector: &str) -> (f64, f64) {
        let script = format!(
            "(() => {{ const one = document.querySelector({}); one.scrollIntoView({{block: \
             'center', behavior: 'instant'}}); const box = one.getBoundingClientRect(); \
             return [box.x + box.width / 2, box.y + box.height / 2]; }})()",
            json!(selector)
        );
        let place = self.js(&script);
        let number = |at: usize| place[at].as_f64().expect("a place");
        (number(0), number(1))
    }

    /// Moves the pointer onto an element.
    pub fn point_at(&mut self, selector: &str) {
        let (x, y) = self.middle(selector);
        self.mouse("mouseMoved", (x, y));
    }

    /// Presses an element with the pointer.
    pub fn press(&mut self, selector: &str) {
        let at = self.middle(selector);
        for what in ["mouseMoved", "mousePressed", "mouseReleased"] {
            self.mouse(what, at);
        }
    }

    fn mouse(&mut self, what: &str, (x, y): (f64, f64)) {
        let button = if what == "mouseMoved" { "none" } else { "left" };
        let event = json!({"type": what, "x": x, "y": y, "button": button, "clickCount": 1});
        self.call("Input.dispatchMouseEvent", event);
    }

    /// Presses a key.
    pub fn key(&mut self, key: &str) {
        for what in ["keyDown", "keyUp"] {
            let event = json!({"type": what, "key": key, "code": key});
            self.call("Input.dispatchKeyEvent", event);
        }
    }

    /// Goes to a field and types.
    pub fn write(&mut self, selector: &str, text: &str) {
        self.press(selector);
        self.call("Input.insertText", json!({"text": text}));
    }

    /// What axe-core finds on the page: a line for each violation.
    pub fn violations(&mut self) -> Vec<String> {
        let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("..").join(AXE);
        let axe = fs::read_to_string(&path).unwrap_or_else(|_| {
            panic!(
                "no {} found; tests/run fetches axe-core where there is npm, and otherwise says \
                 what to do",
                path.display()
            )
        });
        self.js(&format!("{axe}; null"));
        let found = self.js(
            "axe.run({resultTypes: ['violations']}).then((all) => all.violations.map((one) => \
             one.id + ': ' + one.help + ': ' + one.nodes.slice(0, 3).map((node) => \
             node.html.slice(0, 200)).join(' | ')))",
        );
        let lines = found.as_array().expect("a list of violations");
        lines.iter().map(ToString::to_string).collect()
    }
}

/// The browser of the variable CHROMIUM, or the first one on the path.
pub fn program() -> PathBuf {
    if let Some(path) = std::env::var_os("CHROMIUM") {
        return path.into();
    }
    let path = std::env::var_os("PATH").unwrap_or_default();
    let folders: Vec<PathBuf> = std::env::split_paths(&path).collect();
    let names = ["chromium", "chromium-browser"];
    let found = names
        .iter()
        .flat_map(|name| folders.iter().map(move |folder| folder.join(name)));
    found
        .into_iter()
        .find(|path| path.is_file())
        .unwrap_or_else(|| {
            panic!(
                "no chromium found; install it (Debian: apt-get install chromium), or set CHROMIUM \
             to the browser's path; tests/run installs it when it runs as root"
            )
        })
}
