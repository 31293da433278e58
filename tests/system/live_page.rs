//! The live page of a running daemon, asked over a socket as a browser would.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use driftvane::plant::Delivery;
use serde_json::Value;

use crate::place::{Answer, Place, Watching, list, small_config, small_plant, text, wait_until};

/// A daemon with a page on a port that the system chose.
struct Live {
    /// First, because it writes to the place until it ends.
    _daemon: Watching,
    place: Place,
    address: String,
    operator: String,
}

fn live(files: &[Delivery]) -> Live {
    live_with(files, "")
}

fn live_with(files: &[Delivery], more: &str) -> Live {
    let config = small_config(60).replace("[alerts]\n", &format!("[alerts]\n{more}"));
    let page = "[serve]\nlisten = \"127.0.0.1:0\"\ntokens = \"tokens.toml\"\n";
    let config = format!("{config}\n{page}");
    let place = Place::new(&config);
    for file in files {
        place.deliver(file);
    }
    // Read beforehand, so that what the page tells later is new.
    place.replay();
    let operator = place
        .ok(&["token", "desk", "--role", "operate"])
        .trim()
        .to_owned();
    let daemon = place.watch();
    let address = place.address();
    Live {
        address,
        place,
        operator,
        _daemon: daemon,
    }
}

impl Live {
    fn send(&self, method: &str, path: &str, token: &str, body: &str) -> TcpStream {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(30)))
            .unwrap();
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer {token}\r\n\
             Content-Length: {}\r\n\r\n{body}",
            self.address,
            body.len()
        );
        stream.write_all(request.as_bytes()).unwrap();
        stream
    }

    /// The status and the text of an answer.
    fn ask(&self, method: &str, path: &str, body: &str) -> (u16, String) {
        let mut answer = String::new();
        let mut stream = self.send(method, path, &self.operator, body);
        stream.read_to_string(&mut answer).unwrap();
        let status = answer.split(' ').nth(1).unwrap().parse().unwrap();
        (status, answer)
    }
}

#[test]
fn the_page_of_a_running_daemon_shows_changes_and_takes_requests() {
    let files: Vec<Delivery> = small_plant().deliveries(71).collect();
    let (late, first) = files.split_last().unwrap();
    let live = live(first);
    let alerts = || live.place.json(&["alerts", "list"]);
    assert!(!list(&alerts()).is_empty());
    for (path, words) in [
        ("/", "Line L1"),
        ("/alerts", "Open, in the order of need"),
        ("/streams", "paste-height/L1/demo-controller"),
        ("/streams/1", "<svg"),
        ("/feeds", "optical-l1"),
    ] {
        let (status, page) = live.ask("GET", path, "");
        assert_eq!(status, 200, "{path}");
        assert!(page.contains(words), "{path}: {words}");
    }

    let mut events = live.send("GET", "/events", &live.operator, "");
    let mut seen = String::new();
    let mut until = |words: &str| {
        let mut piece = [0u8; 512];
        while !seen.contains(words) {
            let len = events.read(&mut piece).unwrap();
            assert!(len > 0, "the events ended: {seen}");
            seen.push_str(&String::from_utf8_lossy(&piece[..len]));
        }
    };
    until("retry: 5000");
    live.place.deliver(late);
    until("event: changed");

    let id = text(&list(&alerts())[0], "id");
    let number: u32 = id.trim_start_matches("A-").parse().unwrap();
    let path = format!("/alerts/{number}/acknowledge");
    let (status, _) = live.ask("POST", &path, "by=A+Worker&comment=wiped+the+foil");
    assert_eq!(status, 303);
    let acknowledged = alerts();
    let one = list(&acknowledged)
        .iter()
        .find(|one| text(one, "id") == id)
        .unwrap();
    assert_eq!(text(one, "acknowledged_by"), "A Worker (token desk)");

    let (status, _) = live.ask("POST", "/streams/1/restart", "by=A+Worker&reason=new+foil");
    assert_eq!(status, 303);
    let asked = "SELECT count(*) FROM request WHERE author = 'A Worker (token desk)'";
    assert_eq!(live.place.number(asked), 1);
    wait_until("the daemon to take the request", || {
        let taken = "SELECT count(*) FROM request WHERE taken IS NULL OR taken = 0";
        live.place.number(taken) == 0
    });
}

/// Two alerts, one that is acted on by commands, and one by requests.
struct Ways {
    live: Live,
    by_command: String,
    by_request: String,
}

impl Ways {
    fn new() -> Ways {
        let files: Vec<Delivery> = small_plant().deliveries(71).collect();
        let live = live_with(&files, "causes = [\"worn blade\", \"other\"]\n");
        let alerts = live.place.json(&["alerts", "list"]);
        let [one, two, ..] = list(&alerts) else {
            panic!("{alerts}");
        };
        Ways {
            by_command: text(one, "id"),
            by_request: text(two, "id"),
            live,
        }
    }

    fn act(&self, what: &str, more: &[&str]) -> Answer {
        let begin = ["--format", "json", "alerts", what, &self.by_command];
        let by = ["--by", "R. Lindner"];
        self.live.place.run(&[&begin[..], &by, more].concat())
    }

    /// What was done, as programs are told.
    fn done(&self, what: &str, more: &[&str]) -> Value {
        let answer = self.act(what, more);
        assert_eq!(answer.code, Some(0), "{}", answer.err);
        serde_json::from_str(&answer.out).unwrap()
    }

    fn ask(&self, what: &str, body: &str) -> (u16, String) {
        let number: u32 = self.by_request.trim_start_matches("A-").parse().unwrap();
        let path = format!("/alerts/{number}/{what}");
        self.live.ask("POST", &path, &format!("by=A+Worker&{body}"))
    }

    fn alert(&self, id: &str) -> Value {
        let alerts = self.live.place.json(&["alerts", "list"]);
        let of_id = |one: &&Value| text(one, "id") == id;
        list(&alerts).iter().find(of_id).unwrap().clone()
    }
}

const CLOSE: [&str; 4] = ["--cause", "worn blade", "--action", "blade changed"];

/// Both ways say and refuse the same, know the plant's own causes only, and leave the same trail.
#[test]
fn an_alert_is_acknowledged_and_closed_by_command_and_by_request_and_the_trail_tells_both() {
    let ways = Ways::new();
    // Nobody closes what nobody has acknowledged.
    let early = ways.act("close", &CLOSE);
    let (status, page) = ways.ask("close", "cause=worn+blade&action=blade+changed");
    assert_eq!((early.code, status), (Some(1), 409), "{page}");
    for said in [&early.err, &page] {
        assert!(said.contains("is acknowledged by nobody"), "{said}");
    }
    let done = ways.done("acknowledge", &["--comment", "looking"]);
    assert_eq!(text(&done, "id"), ways.by_command);
    assert_eq!(done["act"], "acknowledged");
    assert!(text(&done, "state").contains(", acknowledged"), "{done}");
    assert_eq!(ways.ask("acknowledge", "comment=looking").0, 303);
    // What is no cause of this plant is told with those that are.
    let odd = ways.act("close", &["--cause", "paste", "--action", "none"]);
    let (status, page) = ways.ask("close", "cause=paste&action=none");
    assert_eq!((odd.code, status), (Some(2), 400), "{page}");
    for said in [&odd.err, &page] {
        assert!(said.contains("write one of: worn blade, other"), "{said}");
    }
    assert_eq!(ways.done("close", &CLOSE)["act"], "closed");
    let (status, page) = ways.ask("close", "cause=worn+blade&action=blade+changed");
    assert_eq!(status, 303, "{page}");
    for (id, who) in [
        (&ways.by_command, "R. Lindner"),
        (&ways.by_request, "A Worker (token desk)"),
    ] {
        let alert = ways.alert(id);
        let closed = &alert["closed"];
        assert_eq!(
            (&closed["by"], &closed["cause"]),
            (&who.into(), &"worn blade".into())
        );
        assert_eq!(closed["action"], "blade changed");
        let theirs = list(&alert["history"])
            .iter()
            .filter(|event| event["who"] == who);
        let theirs: Vec<String> = theirs.map(|event| text(event, "what")).collect();
        assert_eq!(theirs, ["acknowledged", "closed"]);
    }
    let place = &ways.live.place;
    let sound = place.assert_sound().to_string();
    assert!(sound.contains("4 acts of people"), "{sound}");
    let other = "UPDATE alert_event SET who = 'somebody else' WHERE what = 'closed' AND id =
        (SELECT max(id) FROM alert_event WHERE what = 'closed')";
    assert_eq!(place.record().execute(other, []).unwrap(), 1);
    let damaged = place.run(&["verify"]);
    assert_eq!(damaged.code, Some(1));
    assert!(
        damaged.out.contains("closed"),
        "{}{}",
        damaged.out,
        damaged.err
    );
}

#[test]
fn strangers_get_nothing_and_the_token_is_kept_nowhere() {
    let live = live(&[]);
    let mut answer = String::new();
    live.send("GET", "/", "wrong", "")
        .read_to_string(&mut answer)
        .unwrap();
    assert!(answer.starts_with("HTTP/1.1 401 "), "{answer}");
    let mut stream = TcpStream::connect(&live.address).unwrap();
    stream
        .write_all(b"GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n")
        .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 421 "), "{answer}");
    for name in ["tokens.toml", "watch.log"] {
        let kept = std::fs::read_to_string(live.place.path(name)).unwrap();
        assert!(!kept.contains(&live.operator), "{name} holds the token");
    }
    let twice = live.place.run(&["token", "desk"]);
    assert_eq!(twice.code, Some(1), "{}", twice.err);
    assert!(
        twice.err.contains("a token named 'desk' is in"),
        "{}",
        twice.err
    );
}

#[test]
fn a_page_that_can_not_be_had_is_told_at_the_start() {
    let config = format!("{}\n[serve]\ntokens = \"none.toml\"\n", small_config(60));
    let place = Place::new(&config);
    let answer = place.run(&["watch"]);
    assert_eq!(answer.code, Some(2), "{}", answer.err);
    assert!(
        answer.err.contains("driftvane token NAME"),
        "{}",
        answer.err
    );
    let open = config.replace("[serve]", "[serve]\nlisten = \"0.0.0.0:0\"");
    place.write("driftvane.toml", open);
    let answer = place.run(&["watch"]);
    assert_eq!(answer.code, Some(2), "{}", answer.err);
    assert!(
        answer.err.contains("names no allowed_hosts"),
        "{}",
        answer.err
    );
}
