//! The live page of a running daemon, asked over a socket as a browser would.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use driftvane::plant::Delivery;

use crate::place::{Place, Watching, list, small_config, small_plant, text, wait_until};

/// A daemon with a page on a port that the system chose.
struct Live {
    /// First, because it writes to the place until it ends.
    _daemon: Watching,
    place: Place,
    address: String,
    operator: String,
}

fn live(files: &[Delivery]) -> Live {
    let config = format!(
        "{}\n[serve]\nlisten = \"127.0.0.1:0\"\ntokens = \"tokens.toml\"\n",
        small_config(60)
    );
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
