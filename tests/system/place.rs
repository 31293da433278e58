//! A plant folder of a test: its configuration, its files, and the program run on it.
//!
//! Must not know what any test expects. The one invariant: two places never share a file.

use std::collections::BTreeMap;
use std::fs::{self, OpenOptions};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use driftvane::plant::Delivery;
use rusqlite::{Connection, OpenFlags};
use serde_json::Value;

pub use plants::*;

#[path = "plants.rs"]
mod plants;

/// Between two looks at a running program.
const PAUSE: Duration = Duration::from_millis(20);

/// How long a test waits for a running program before it gives up.
const PATIENCE: Duration = Duration::from_secs(60);

/// The stations of the invented plant, which are also its folders.
pub const STATIONS: [&str; 3] = ["paste", "optical", "function"];

/// What a run of the program gave back.
#[derive(Debug)]
pub struct Answer {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Answer {
    /// Runs a command to its end.
    pub fn of(command: &mut Command) -> Answer {
        let output = command.output().unwrap();
        Answer {
            code: output.status.code(),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }
}

/// A folder with a configuration and the files of its feeds; gone when dropped.
pub struct Place {
    pub folder: PathBuf,
}

impl Drop for Place {
    fn drop(&mut self) {
        // What a failed test leaves is worth looking at.
        if !std::thread::panicking() {
            fs::remove_dir_all(&self.folder).expect("the test's folder can be removed");
        }
    }
}

impl Place {
    /// A place without any folder of a feed.
    pub fn bare(config: &str) -> Place {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let name = format!("driftvane-system-{}-{number}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        fs::create_dir_all(&folder).unwrap();
        fs::write(folder.join("driftvane.toml"), config).unwrap();
        Place { folder }
    }

    /// A place with the folders of the invented plant.
    pub fn new(config: &str) -> Place {
        let place = Place::bare(config);
        for station in STATIONS {
            fs::create_dir_all(place.folder.join(station)).unwrap();
        }
        place
    }

    /// Where something lies.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// Writes a file of a feed.
    pub fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }

    /// Writes a file that nobody else can read.
    pub fn keep_secret(&self, name: &str, secret: &str) {
        self.write(name, secret);
        let own = fs::Permissions::from_mode(0o600);
        fs::set_permissions(self.path(name), own).unwrap();
    }

    /// Appends to a file of a feed.
    pub fn append(&self, name: &str, content: &[u8]) {
        let mut options = OpenOptions::new();
        let file = options.create(true).append(true).open(self.path(name));
        file.unwrap().write_all(content).unwrap();
    }

    /// Does what a station does.
    pub fn deliver(&self, delivery: &Delivery) {
        let name = format!("{}/{}", delivery.station, delivery.file_name);
        if delivery.append {
            self.append(&name, &delivery.content);
        } else {
            self.write(&name, &delivery.content);
        }
    }

    /// The program with its arguments, not started yet.
    pub fn command(&self, arguments: &[&str]) -> Command {
        self.prepared(Command::new(env!("CARGO_BIN_EXE_driftvane")), arguments)
    }

    /// The program, started by another one that does something to it.
    pub fn command_under(&self, mut wrapper: Command, arguments: &[&str]) -> Command {
        wrapper.arg(env!("CARGO_BIN_EXE_driftvane"));
        self.prepared(wrapper, arguments)
    }

    fn prepared(&self, mut command: Command, arguments: &[&str]) -> Command {
        command
            .arg("--config")
            .arg(self.path("driftvane.toml"))
            .args(arguments)
            .env_remove("DRIFTVANE_LOG");
        command
    }

    /// Runs the program to its end.
    pub fn run(&self, arguments: &[&str]) -> Answer {
        Answer::of(&mut self.command(arguments))
    }

    /// Runs the program, which has to succeed, and gives what it printed.
    pub fn ok(&self, arguments: &[&str]) -> String {
        let answer = self.run(arguments);
        assert_eq!(answer.code, Some(0), "{arguments:?}: {}", answer.err);
        answer.out
    }

    /// Runs the program, which has to succeed, and reads the JSON it printed.
    pub fn json(&self, arguments: &[&str]) -> Value {
        let mut all = vec!["--format", "json"];
        all.extend(arguments);
        serde_json::from_str(&self.ok(&all)).unwrap()
    }

    /// Reads all that waits and gives the totals.
    pub fn replay(&self) -> Value {
        self.json(&["replay"])
    }

    /// Reads what waits; what is found leaves by all channels once a daemon runs.
    pub fn replay_and_notify(&self) -> Value {
        self.json(&["replay", "--notify"])
    }

    /// Starts the program as a daemon; its log goes to `watch.log`.
    pub fn watch(&self) -> Watching {
        self.watch_with(&[])
    }

    /// The same, with more in its environment.
    pub fn watch_with(&self, environment: &[(&str, &str)]) -> Watching {
        let mut command = self.command(&["watch"]);
        command.envs(environment.iter().copied());
        self.watch_by(command)
    }

    /// Starts the daemon by a command that a test prepared; its log goes to `watch.log`.
    pub fn watch_by(&self, mut command: Command) -> Watching {
        let mut options = OpenOptions::new();
        let log = options
            .create(true)
            .append(true)
            .open(self.path("watch.log"));
        let child = command
            .stdout(Stdio::null())
            .stderr(log.unwrap())
            .spawn()
            .unwrap();
        Watching { child }
    }

    /// What the daemon has logged so far.
    pub fn log(&self) -> String {
        fs::read_to_string(self.path("watch.log")).unwrap_or_default()
    }

    /// Where the daemon's page answers; the newest that the log names.
    pub fn address(&self) -> String {
        let mut address = None;
        wait_until("the page's address in the log", || {
            let log = self.log();
            let found = log.rsplit_once("http://").map(|(_, rest)| rest.to_owned());
            address = found.and_then(|rest| Some(rest.split_once('/')?.0.to_owned()));
            address.is_some()
        });
        address.unwrap()
    }

    /// The labels of all streams.
    pub fn streams(&self) -> Vec<String> {
        let streams = self.json(&["streams"]);
        let label = |stream: &Value| text(stream, "stream");
        let mut labels: Vec<String> = list(&streams).iter().map(label).collect();
        labels.sort();
        labels
    }

    /// One number out of the record; 0 where the record can not be read yet.
    pub fn number_if_any(&self, query: &str) -> i64 {
        if self.run(&["streams"]).code == Some(0) {
            self.number(query)
        } else {
            0
        }
    }

    /// How many rows count so far.
    pub fn rows(&self) -> i64 {
        self.number_if_any("SELECT coalesce(sum(rows), 0) FROM unit")
    }

    /// How many files, or pieces of files, the record knows so far.
    pub fn files(&self) -> i64 {
        self.number_if_any("SELECT count(*) FROM file")
    }

    /// The chart of every stream, byte for byte as it is printed.
    pub fn charts(&self) -> BTreeMap<String, String> {
        let chart = |label: String| {
            let chart = self.ok(&["--format", "json", "chart", &label]);
            (label, chart)
        };
        self.streams().into_iter().map(chart).collect()
    }

    /// One stream's chart.
    pub fn chart(&self, stream: &str) -> Value {
        self.json(&["chart", stream])
    }

    /// Every version of limits, without the time on the clock at which it was set.
    pub fn limits(&self) -> Vec<String> {
        let limits = self.json(&["limits", "list"]);
        without(&limits, &["set_at"])
    }

    /// Every alert that stands, without number, clock times and history; its number is taken out of
    /// its text.
    pub fn alerts(&self) -> Vec<String> {
        let alerts = self.json(&["alerts", "list"]);
        let stands = |alert: &&Value| !text(alert, "state").contains("revised");
        let nameless = |alert: &Value| {
            let mut alert = alert.clone();
            let said = text(&alert, "text").replace(&text(&alert, "id"), "A");
            alert["text"] = said.into();
            alert
        };
        let standing: Vec<Value> = list(&alerts).iter().filter(stands).map(nameless).collect();
        without(&Value::from(standing), &["id", "raised_at", "history"])
    }

    /// Asks the record itself.
    pub fn record(&self) -> Connection {
        Connection::open(self.path("driftvane-data/driftvane.sqlite")).unwrap()
    }

    /// Keeps the record's log from being written into the record until it is dropped, which changes
    /// nothing.
    pub fn hold_log(&self) -> Connection {
        let path = self.path("driftvane-data/driftvane.sqlite");
        let held = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
        held.execute_batch("BEGIN; SELECT count(*) FROM file;")
            .unwrap();
        held
    }

    /// One number out of the record.
    pub fn number(&self, query: &str) -> i64 {
        self.record()
            .query_row(query, [], |row| row.get(0))
            .unwrap()
    }

    /// All rows of a query as texts.
    pub fn table(&self, query: &str) -> Vec<String> {
        let record = self.record();
        let mut statement = record.prepare(query).unwrap();
        let columns = statement.column_count();
        let rows = statement.query_map([], |row| {
            let cells = (0..columns).map(|column| row.get::<_, rusqlite::types::Value>(column));
            Ok(format!("{:?}", cells.collect::<Result<Vec<_>, _>>()?))
        });
        rows.unwrap().map(Result::unwrap).collect()
    }

    /// What every visit of a unit comes to, and every call, whichever file brought it and however
    /// late its reviews came.
    pub fn sums(&self) -> Vec<String> {
        self.units("")
    }

    /// The same, and how many reviews came later than what they are about.
    pub fn counted(&self) -> Vec<String> {
        self.units(", reviewed")
    }

    fn units(&self, more: &str) -> Vec<String> {
        let mut rows = self.table(&format!(
            "SELECT feed, unit, attempt, at, product, rows, calls, confirmed, false_calls,
             opportunities{more} FROM unit ORDER BY feed, unit, attempt"
        ));
        rows.extend(self.table("SELECT * FROM defect ORDER BY 1, 2, 3, 4, 5, 6, 7"));
        rows
    }

    /// All that has been kept of visits and calls, with the files and entries they came by: for one
    /// place before and after something that must not touch it.
    pub fn kept(&self) -> Vec<String> {
        let mut rows = self.table("SELECT * FROM unit ORDER BY 1, 2, 3");
        rows.extend(self.table("SELECT * FROM defect ORDER BY 1, 2, 3, 4, 5, 6, 7"));
        rows
    }

    /// Asserts that the record and the archive are what was written, and gives what was found.
    pub fn assert_sound(&self) -> Value {
        let answer = self.run(&["--format", "json", "verify"]);
        let report: Value = serde_json::from_str(&answer.out).unwrap_or_default();
        assert_eq!(answer.code, Some(0), "{report:#}{}", answer.err);
        report
    }

    /// Asserts that the rows of every file, and of all together, add up.
    pub fn assert_rows_add_up(&self) {
        let apart = "SELECT count(*) FROM file
            WHERE rows_read <> rows_used + rows_rejected + rows_duplicate";
        assert_eq!(self.number(apart), 0);
        // Of a file set aside whole one reason is kept, not one a row.
        let rejected = "SELECT coalesce(sum(rows_rejected), 0) FROM file
            WHERE verdict <> 'quarantined'";
        assert_eq!(
            self.number("SELECT count(*) FROM reject"),
            self.number(rejected)
        );
        // A row that is used belongs to exactly one visit of a unit.
        assert_eq!(
            self.number("SELECT coalesce(sum(rows), 0) FROM unit"),
            self.number("SELECT coalesce(sum(rows_used), 0) FROM file")
        );
    }
}

/// A running daemon; killed when dropped.
pub struct Watching {
    child: Child,
}

impl Watching {
    /// The number of its process.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Ends it as a power cut would.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Sends it a signal, such as TERM or HUP.
    pub fn signal(&self, name: &str) {
        let number = self.child.id().to_string();
        let mut kill = Command::new("kill");
        let sent = kill.args(["-s", name, &number]).status().unwrap();
        assert!(sent.success(), "{name}");
    }

    /// Waits until it has ended, and gives the exit code; none where a signal ended it.
    pub fn ended(&mut self) -> Option<i32> {
        wait_until("the daemon to end", || !self.runs());
        self.child.wait().unwrap().code()
    }

    /// Asks it to stop, which it has to do in order.
    pub fn stop(mut self) {
        self.signal("TERM");
        assert_eq!(self.ended(), Some(0));
    }

    /// Whether it still runs.
    pub fn runs(&mut self) -> bool {
        self.child.try_wait().unwrap().is_none()
    }
}

impl Drop for Watching {
    fn drop(&mut self) {
        if self.runs() {
            self.kill();
        }
    }
}

/// Asks a page without a token and gives status and text.
pub fn get(address: &str, path: &str) -> (u16, String) {
    let mut stream = TcpStream::connect(address).unwrap();
    let patience = Some(Duration::from_secs(30));
    stream.set_read_timeout(patience).unwrap();
    let request = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\n\r\n");
    stream.write_all(request.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let status = answer.split(' ').nth(1).unwrap().parse().unwrap();
    let (_, text) = answer.split_once("\r\n\r\n").unwrap();
    (status, text.to_owned())
}

/// Whether the long form of the tests was asked for: `tests/run --long`.
pub fn is_long() -> bool {
    std::env::var_os("DRIFTVANE_LONG").is_some_and(|value| value == "1")
}

/// Waits until something holds; panics with its name when that takes too long.
pub fn wait_until(what: &str, mut holds: impl FnMut() -> bool) {
    let mut waited = Duration::ZERO;
    while !holds() {
        assert!(waited < PATIENCE, "waited too long for: {what}");
        std::thread::sleep(PAUSE);
        waited += PAUSE;
    }
}

fn without(rows: &Value, fields: &[&str]) -> Vec<String> {
    let strip = |row: &Value| {
        let mut row = row.clone();
        for field in fields {
            let removed = row.as_object_mut().unwrap().remove(*field);
            assert!(removed.is_some(), "{field} is not in {row}");
        }
        row.to_string()
    };
    let mut rows: Vec<String> = list(rows).iter().map(strip).collect();
    rows.sort();
    rows
}

/// An array of a JSON answer.
pub fn list(value: &Value) -> &[Value] {
    value
        .as_array()
        .unwrap_or_else(|| panic!("no array: {value}"))
}

/// A text of a JSON answer.
pub fn text(value: &Value, field: &str) -> String {
    let found = value[field].as_str();
    found
        .unwrap_or_else(|| panic!("no text {field} in {value}"))
        .to_owned()
}

/// A number of a JSON answer.
pub fn number(value: &Value, field: &str) -> f64 {
    let found = value[field].as_f64();
    found.unwrap_or_else(|| panic!("no number {field} in {value}"))
}

/// Asserts that two lists of rows are the same, and names the first that differs.
pub fn assert_same_rows(what: &str, expected: &[String], found: &[String]) {
    let differs = expected.iter().zip(found).find(|(one, other)| one != other);
    let counts = (expected.len(), found.len());
    assert!(
        differs.is_none() && counts.0 == counts.1,
        "{what}: {counts:?} rows, {differs:#?}"
    );
}

/// Asserts that two sets of charts are the same, and names the stream that differs.
pub fn assert_same_charts(left: &BTreeMap<String, String>, right: &BTreeMap<String, String>) {
    let labels = |charts: &BTreeMap<String, String>| charts.keys().cloned().collect::<Vec<_>>();
    assert_eq!(labels(left), labels(right));
    for (label, chart) in left {
        assert!(
            *chart == right[label],
            "{label} differs:\n{chart}\n{}",
            right[label]
        );
    }
}

/// Numbers that look random and follow from a seed.
pub struct Chance(u64);

impl Chance {
    /// Starts from a seed of the test, or from the one in DRIFTVANE_TEST_SEED, and prints it.
    pub fn new(seed: u64) -> Chance {
        let given = std::env::var("DRIFTVANE_TEST_SEED").ok();
        let seed = given.map_or(seed, |text| text.parse().unwrap());
        println!("seed {seed}");
        Chance(seed)
    }

    /// A number below a bound. The mixing is SplitMix64 (G. Steele, D. Lea and C. Flood, Fast
    /// splittable pseudorandom number generators, 2014).
    pub fn below(&mut self, bound: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^= mixed >> 31;
        usize::try_from(mixed % bound as u64).unwrap()
    }

    /// Puts things in another order.
    pub fn shuffle<T>(&mut self, things: &mut [T]) {
        for last in (1..things.len()).rev() {
            things.swap(last, self.below(last + 1));
        }
    }
}
