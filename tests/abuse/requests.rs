//! Requests made to get in, over a socket: every route with every method, odd numbers and names.
//!
//! The routes are taken from the router's own source, so that none can be forgotten. The plant is
//! invented. The one invariant: who may not do something gets a refusal with all headers, and
//! nothing is done.

use std::fs;
use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use crate::place::{Place, Watching, assert_same_rows, one_feed, wait_until};

/// The headers that every answer has, by how their value starts.
const HEADERS: [(&str, &str); 6] = [
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cache-control", "no-store"),
];

const METHODS: [&str; 9] = [
    "GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE", "TRACE", "BREW",
];

/// What everyone may have.
const PUBLIC: [&str; 3] = ["/login", "/style.css", "/page.js"];

/// Every route of the page, with `{id}` where a number stands.
fn routes() -> Vec<String> {
    let source = include_str!("../../daemon/src/serve/mod.rs");
    let (_, routers) = source.split_once("pub fn app(").unwrap();
    let (routers, _) = routers.split_once("/// Opens an address").unwrap();
    let texts = routers.split('"').skip(1).step_by(2);
    let routes: Vec<String> = texts.map(str::to_owned).collect();
    assert_eq!(routes.len(), routers.matches(".route(").count());
    assert!(routes.len() > 25 && routes.iter().all(|one| one.starts_with('/')));
    routes
}

/// A daemon with a page, an open alert and tokens.
pub struct Live {
    /// First, because it writes to the place until it ends.
    pub watching: Watching,
    pub place: Place,
    pub address: String,
    pub operator: String,
    pub viewer: String,
}

pub fn live(command: impl Fn(&Place) -> Command) -> Live {
    let serve = "[serve]\nlisten = \"127.0.0.1:0\"\ntokens = \"tokens.toml\"\n";
    let place = Place::bare(&(one_feed(&[]) + "baseline = 10\n" + serve));
    write_panels(&place, 0, 24);
    place.replay();
    let token = |name, role| place.ok(&["token", name, "--role", role]).trim().to_owned();
    let (operator, viewer) = (token("desk", "operate"), token("wall", "view"));
    let watching = place.watch_by(command(&place));
    let address = place.address();
    wait_until("the news to be told", || {
        place.number("SELECT count(*) FROM alert_event WHERE told = 0") == 0
    });
    Live {
        watching,
        place,
        address,
        operator,
        viewer,
    }
}

pub fn plainly(place: &Place) -> Command {
    place.command(&["watch"])
}

/// A file of panels; every twentieth is far off.
pub fn write_panels(place: &Place, from: usize, count: usize) {
    let mut rows = "At,Panel,Height\n".to_owned();
    for panel in from..from + count {
        let height = 100 + panel % 5 + if panel % 20 == 18 { 90 } else { 0 };
        rows.push_str(&format!(
            "2026-03-02T{:02}:{:02}:00Z,P{panel},{height}\n",
            6 + panel / 60 % 18,
            panel % 60
        ));
    }
    place.write(&format!("paste/{from}.csv"), rows);
}

/// What came back.
pub struct Answer {
    pub status: u16,
    head: String,
    body: String,
}

impl Live {
    /// Sends a request with further header lines, and a form where there is one.
    fn ask(&self, request: &str, headers: &[String], form: &str) -> Answer {
        let mut text = format!("{request} HTTP/1.1\r\nContent-Length: {}\r\n", form.len());
        if !headers.iter().any(|line| line.starts_with("Host:")) {
            text.push_str(&format!("Host: {}\r\n", self.address));
        }
        for line in headers {
            text.push_str(&format!("{line}\r\n"));
        }
        let answer = exchange(&self.address, format!("{text}\r\n{form}").as_bytes());
        let answer = answer.unwrap_or_else(|error| panic!("{request}: {error}"));
        for (name, value) in HEADERS {
            let found = answer.head.lines().filter_map(|line| line.split_once(": "));
            let found: Vec<&str> = found.filter(|one| one.0 == name).map(|one| one.1).collect();
            assert!(
                found.len() == 1 && found[0].starts_with(value),
                "{request} {headers:?}: {name} is {found:?}"
            );
        }
        answer
    }

    /// All that a request could have done.
    fn done(&self) -> Vec<String> {
        let mut all = Vec::new();
        for table in ["chain", "alert_event", "request", "alert", "delivery_act"] {
            let rows = self.place.table(&format!("SELECT * FROM {table}"));
            all.extend(rows.into_iter().map(|row| format!("{table}: {row}")));
        }
        all.extend(files_below(&self.place.folder));
        all
    }
}

/// Sends bytes and takes the answer; of a stream of events its head.
pub fn exchange(address: &str, bytes: &[u8]) -> std::io::Result<Answer> {
    let mut stream = TcpStream::connect(address)?;
    stream.set_read_timeout(Some(Duration::from_secs(30)))?;
    stream.write_all(bytes)?;
    let (mut all, mut piece) = (Vec::new(), [0; 4_096]);
    loop {
        let len = stream.read(&mut piece)?;
        all.extend_from_slice(&piece[..len]);
        let is_stream = String::from_utf8_lossy(&all).contains("text/event-stream");
        if len == 0 || is_stream {
            break;
        }
    }
    let text = String::from_utf8_lossy(&all).into_owned();
    let (head, body) = text
        .split_once("\r\n\r\n")
        .ok_or(ErrorKind::UnexpectedEof)?;
    let status = head
        .split(' ')
        .nth(1)
        .and_then(|status| status.parse().ok());
    Ok(Answer {
        status: status.ok_or(ErrorKind::InvalidData)?,
        head: head.to_owned(),
        body: body.to_owned(),
    })
}

/// The files below a folder, but for what the database and the log write by themselves.
pub fn files_below(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.to_string_lossy().into_owned();
        if path.is_dir() {
            found.extend(files_below(&path));
        } else if !["-wal", "-shm", ".log", ".head"]
            .iter()
            .any(|end| name.ends_with(end))
        {
            found.push(name);
        }
    }
    found.sort();
    found
}

pub fn bearer(token: &str) -> String {
    format!("Authorization: Bearer {token}")
}

const FORM: &str = "by=A&comment=b&reason=c&hours=1&cause=other&action=d&token=x&override=yes";

#[test]
fn who_may_not_gets_a_refusal_from_every_route_by_every_method_and_nothing_is_done() {
    let live = live(plainly);
    let before = live.done();
    let (operator, viewer) = (bearer(&live.operator), bearer(&live.viewer));
    let own = "Sec-Fetch-Site: same-origin".to_owned();
    let mut count = 0;
    for route in routes() {
        let path = route.replace("{id}", "1");
        let is_public = PUBLIC.contains(&path.as_str());
        for method in METHODS {
            let is_safe = ["GET", "HEAD", "OPTIONS"].contains(&method);
            let request = format!("{method} {path}");
            let mut expect = |headers: &[&str], statuses: &[u16]| {
                let headers: Vec<String> = headers.iter().map(|&one| one.to_owned()).collect();
                let status = live.ask(&request, &headers, FORM).status;
                assert!(
                    statuses.contains(&status),
                    "{request} {headers:?}: {status}"
                );
                count += 1;
            };
            match (is_safe, is_public) {
                (false, _) => expect(&[], &[403]),
                (true, false) => expect(&[], &[401]),
                (true, true) => expect(&[], &[200, 405]),
            }
            // Guessing is put off after a while.
            expect(&["Authorization: Bearer wrong"], &[401, 429]);
            for host in [
                "Host: evil.example",
                "Host: localhost.evil.example",
                "Host: 127.0.0.1.x",
            ] {
                expect(&[host, &own, &operator], &[421]);
            }
            if !is_safe {
                expect(&["Sec-Fetch-Site: cross-site", &operator], &[403]);
                expect(&["Sec-Fetch-Site: same-site", &operator], &[403]);
                expect(&["Origin: http://evil.example", &operator], &[403]);
                expect(&["Origin: null", &operator], &[403]);
                expect(
                    &["Cookie: driftvane=guessed", "Referer: http://evil.example/"],
                    &[403],
                );
                // Who may look may sign in and out, and nothing else.
                let may = match (method, path.as_str()) {
                    ("POST", "/login") => &[401, 429][..],
                    ("POST", "/logout") => &[303],
                    ("POST", _) => &[403, 405],
                    _ => &[405],
                };
                expect(&[&own, &viewer], may);
            }
        }
    }
    println!("{count} requests of {} routes", routes().len());
    let Live {
        watching, place, ..
    } = &live;
    assert_same_rows("what was done", &before, &live.done());
    assert_lines_are_whole(place);
    assert!(watching.id() > 0);
    place.assert_sound();
    live.watching.stop();
}

/// Asserts that every line of the log is one that the program began.
pub fn assert_lines_are_whole(place: &Place) {
    for line in place.log().lines() {
        let is_ours = line.starts_with("20") && line.get(10..11) == Some("T");
        assert!(is_ours, "{line:?} stands in the log");
    }
}

/// What stands for a number in an address, and is none.
fn odd_ids() -> Vec<String> {
    let mut ids: Vec<String> = [
        "..",
        "../",
        "../../etc/passwd",
        "%2e%2e",
        "%2e%2e%2f",
        "..%2f..%2fetc%2fpasswd",
        "%2f",
        "%5c..%5c",
        "1%2f..%2f1",
        "1/../1/",
        "%00",
        "1%00",
        "%0d%0aSet-Cookie:%20a=b",
        "1%0d%0a",
        "1%0a",
        "%e2%80%ae1",
        "1%e2%80%ae",
        "%d9%a1",
        "%ef%bc%91",
        "%ff%fe",
        "%",
        "%g1",
        "%25",
        "0x1",
        "1e0",
        "1.0",
        "-1",
        "-0",
        "1%20",
        "%201",
        "99999999999999999999",
        "9223372036854775807",
        "-9223372036854775808",
        "1;x",
        "1'",
        "1%27%20OR%20%271%27=%271",
        "%3Cscript%3E",
        "null",
        "~root",
        "con",
        "C:%5c",
    ]
    .map(str::to_owned)
    .into();
    ids.push("1".repeat(2_000));
    ids.push("%41".repeat(10 << 10));
    ids
}

#[test]
fn no_odd_number_or_name_in_an_address_leads_anywhere() {
    let live = live(plainly);
    let before = live.done();
    let headers = [
        bearer(&live.operator),
        "Sec-Fetch-Site: same-origin".to_owned(),
    ];
    let mut count = 0;
    let with_ids: Vec<String> = routes()
        .into_iter()
        .filter(|one| one.contains("{id}"))
        .collect();
    assert!(with_ids.len() > 8, "{with_ids:?}");
    for route in &with_ids {
        for id in odd_ids() {
            for method in ["GET", "POST"] {
                let request = format!("{method} {}", route.replace("{id}", &id));
                let answer = live.ask(&request, &headers, FORM);
                let is_refused = [400, 403, 404, 405, 409, 414, 431].contains(&answer.status);
                assert!(is_refused, "{request:.200}: {}", answer.status);
                assert!(
                    !answer.head.to_lowercase().contains("set-cookie"),
                    "{}",
                    answer.head
                );
                assert!(!answer.body.contains("root:") && !answer.body.contains("<script>"));
                count += 1;
            }
        }
    }
    for find in [
        "%0d%0aX-Evil:%201",
        "..%2f..%2fetc%2fpasswd",
        "%00",
        "%e2%80%ae",
        "%ff",
    ] {
        let answer = live.ask(&format!("GET /streams?find={find}"), &headers, "");
        assert!(
            [200, 400].contains(&answer.status),
            "{find}: {}",
            answer.status
        );
        assert!(!answer.head.contains("X-Evil"), "{}", answer.head);
    }
    println!("{count} requests of {} routes", with_ids.len());
    assert_same_rows("what was done", &before, &live.done());
    assert_lines_are_whole(&live.place);
    live.place.assert_sound();
    live.watching.stop();
}

#[test]
fn no_odd_number_or_name_that_a_command_is_given_leads_anywhere() {
    let live = live(plainly);
    let before = live.done();
    for name in [
        "../1",
        "A-../1",
        "%2f",
        "1\r\nA-1",
        "\u{202e}1",
        &"9".repeat(10 << 10),
    ] {
        let by = ["--by", "A", "--reason", "b"];
        for command in [
            &["alerts", "boards", name][..],
            &["chart", name],
            &[&["quarantine", "retry", name][..], &by].concat(),
            &[&["limits", "restart", name][..], &by].concat(),
            &[&["alerts", "outbox", "discard", name][..], &by].concat(),
        ] {
            let answer = live.place.run(command);
            assert!(
                [Some(1), Some(2)].contains(&answer.code),
                "{command:?}: {}",
                answer.out
            );
            assert!(!answer.err.contains("panicked"), "{}", answer.err);
        }
    }
    assert_same_rows("what was done", &before, &live.done());
    live.place.assert_sound();
    live.watching.stop();
}
