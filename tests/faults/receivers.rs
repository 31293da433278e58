//! Receivers of notices that are slow, silent, broken, away or not who they should be, and more
//! notices at once than anyone can read.
//!
//! The one invariant: whatever the other side does, files are read, nothing of an alert is lost,
//! and what has not left can be seen.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use driftvane::clock::Monotonic;
use driftvane::plant::Delivery;
use serde_json::Value;

use crate::kept::{assert_whole, deliveries, quick_config, undisturbed};
use crate::place::{
    Place, assert_same_charts, assert_same_rows, get, list, number, one_feed, text, wait_until,
};
use crate::servers::{Hub, MailServer, Says, certificates};
use crate::tools::is_long;

/// What the other side of a channel does to each connection.
#[derive(Clone, Copy)]
enum Does {
    /// It answers as it should, after so long.
    Slow(Duration),
    /// It takes the request and never answers.
    Silent,
    /// It says that it failed.
    Fails,
    /// It ends the connection at once, in the middle of everything.
    Resets,
    /// It says something that is no protocol.
    Babbles,
    /// It answers without an end.
    Endless,
}

/// The other side of a channel, and how often it was asked.
struct Receiver {
    port: u16,
    asked: Arc<AtomicUsize>,
}

impl Receiver {
    fn start(does: Does) -> Receiver {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let asked = Arc::<AtomicUsize>::default();
        let count = Arc::clone(&asked);
        std::thread::spawn(move || {
            for socket in listener.incoming() {
                count.fetch_add(1, Ordering::Relaxed);
                let socket = socket.unwrap();
                std::thread::spawn(move || answer(socket, does));
            }
        });
        Receiver { port, asked }
    }
}

fn answer(mut socket: TcpStream, does: Does) {
    let mut request = [0; 1 << 16];
    if matches!(does, Does::Resets) {
        // With bytes that nobody read, the system resets the connection.
        std::thread::sleep(Duration::from_millis(50));
        return;
    }
    let _asked = socket.read(&mut request);
    let mut say = |text: &[u8]| socket.write_all(text).is_ok();
    match does {
        Does::Slow(how_long) => {
            std::thread::sleep(how_long);
            say(b"HTTP/1.1 200 Taken\r\nContent-Length: 0\r\n\r\n");
        }
        Does::Fails => {
            say(b"HTTP/1.1 500 Broken\r\nContent-Length: 0\r\n\r\n");
        }
        Does::Babbles => {
            say(b"220 ready or not\r\n\0\0\xff\xfe");
        }
        Does::Endless => while say(b"HTTP/1.1 200 Taken\r\nX: y\r\n") {},
        // Until the other side goes.
        _ => while socket.read(&mut request).is_ok_and(|len| len > 0) {},
    }
}

/// Channels that do not work, by name, with their receivers where these are there.
fn broken_channels() -> (String, Vec<(&'static str, Option<Receiver>)>) {
    let free = TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port();
    let mut receivers = Vec::new();
    let mut config = String::new();
    let mut channel = |name: &'static str, does: Option<Does>, url: &str| {
        let receiver = does.map(Receiver::start);
        let port = receiver.as_ref().map_or(free, |one| one.port).to_string();
        let url = url.replace("PORT", &port);
        config.push_str(&format!(
            "[[alerts.channel]]\nname = \"{name}\"\nkind = \"webhook\"\nurl = \"{url}\"\n"
        ));
        receivers.push((name, receiver));
    };
    let (plain, secure) = ("http://127.0.0.1:PORT/", "https://localhost:PORT/");
    channel("silent", Some(Does::Silent), plain);
    channel("slow", Some(Does::Slow(Duration::from_secs(3))), plain);
    channel("fails", Some(Does::Fails), plain);
    channel("resets", Some(Does::Resets), plain);
    channel("babbles", Some(Does::Babbles), plain);
    channel("endless", Some(Does::Endless), plain);
    channel("no-tls", Some(Does::Babbles), secure);
    channel("silent-tls", Some(Does::Silent), secure);
    channel("away", None, plain);
    channel("no-name", None, "http://no-such-host.invalid:PORT/");
    (config, receivers)
}

/// Channels whose fault is seen without waiting for it.
const FAIL_AT_ONCE: [&str; 6] = ["fails", "resets", "babbles", "no-tls", "away", "no-name"];

/// A channel as the command shows it; nothing before it has begun.
fn shown(place: &Place, name: &str) -> Value {
    let channels = place.json(&["alerts", "channels"]);
    let found = list(&channels).iter().find(|one| one["channel"] == name);
    found.cloned().unwrap_or_default()
}

#[test]
fn no_receiver_whatever_it_does_holds_up_a_file_or_loses_a_notice() {
    let (channels, receivers) = broken_channels();
    let serve = "[serve]\nlisten = \"127.0.0.1:0\"\n";
    let place = Place::new(&(quick_config() + &channels + serve));
    let files = deliveries(320);
    let expected = undisturbed(&quick_config(), &files);
    let clock = Monotonic::start();
    let watching = place.watch();
    let (early, late) = files.split_at(files.len() / 2);
    early.iter().for_each(|file| place.deliver(file));
    wait_until("every channel to have failed", || {
        place.files() > 0
            && FAIL_AT_ONCE
                .iter()
                .all(|name| shown(&place, name)["failures"].as_u64() > Some(0))
    });
    // While all of them are at it, what comes is read.
    late.iter().for_each(|file| place.deliver(file));
    let rows = expected.rows();
    wait_until("all rows", || place.rows() == rows);
    wait_until("all news to be told", || {
        place.number("SELECT count(*) > 0 AND sum(told = 0) = 0 FROM alert_event") == 1
    });
    let address = place.address();
    let metrics = get(&address, "/metrics").1;
    let waiting = metrics
        .lines()
        .find_map(|line| line.strip_prefix("driftvane_outbox_notices "));
    assert!(
        waiting.unwrap().parse::<f64>().unwrap() >= receivers.len() as f64 - 1.0,
        "{metrics}"
    );
    let page = get(&address, "/alerts").1;
    for (name, receiver) in &receivers {
        let stands = shown(&place, name);
        let asked = receiver
            .as_ref()
            .map_or(0, |one| one.asked.load(Ordering::Relaxed));
        println!("{name}: asked {asked} times; {stands}");
        // Half a second between two tries at least.
        let most = usize::try_from(clock.ms() / 500).unwrap() + 1;
        assert!(asked <= most, "{name} was asked {asked} times");
        if *name != "slow" {
            assert!(number(&stands, "waiting") >= 1.0, "{name}: {stands}");
            assert!(
                !page.is_empty() && page.contains(name),
                "{name} is not on the page"
            );
        }
    }
    for name in FAIL_AT_ONCE {
        let stands = shown(&place, name);
        let is_told = !text(&stands, "problem").is_empty() && !text(&stands, "fix").is_empty();
        assert!(
            is_told && number(&stands, "failures") >= 1.0,
            "{name}: {stands}"
        );
    }
    watching.stop();
    let lost = "SELECT count(*) FROM notice, channel WHERE notice.channel IS NULL AND NOT EXISTS
        (SELECT 1 FROM delivery WHERE delivery.notice = notice.id
         AND delivery.channel = channel.name) AND notice.id <= channel.routed";
    assert_eq!(place.number(lost), 0);
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
    assert_same_charts(&expected.charts(), &place.charts());
    assert_same_rows("alerts", &expected.alerts(), &place.alerts());
}

/// Someone else's certificate, a name that is not in it, and nobody who vouches for it.
#[test]
fn a_receiver_that_can_not_prove_its_name_gets_nothing() {
    let (own, authority) = certificates();
    let server = MailServer::start(&own);
    let channel = |name: &str, from: &str, to: &str| {
        let channel = server
            .channel()
            .replace("\"engineers\"", &format!("\"{name}\""));
        assert!(channel.contains(from), "{channel}");
        channel.replace(from, to)
    };
    let channels = [
        channel("unknown", "ca_file = \"secrets/ca.pem\"\n", ""),
        channel("stranger", "secrets/ca.pem", "secrets/stranger.pem"),
        channel("name", "localhost", "127.0.0.1"),
        channel("right", "", ""),
    ];
    let place = Place::new(&(quick_config() + &channels.concat()));
    server.trust(&place, &authority);
    place.write("secrets/stranger.pem", own.stranger());
    for name in ["unknown", "stranger", "name"] {
        let answer = place.run(&["alerts", "test", name]);
        assert_eq!(answer.code, Some(1), "{name}: {}", answer.out);
        assert!(answer.err.contains("certificate"), "{name}: {}", answer.err);
    }
    assert!(
        server.mails().is_empty(),
        "who could not prove its name got a mail"
    );
    place.ok(&["alerts", "test", "right"]);
    assert_eq!(server.mails().len(), 1);
}

/// How long each file takes until its rows count, in milliseconds, in order, once what was read
/// before has brought news and a notice is under way.
fn latencies_ms(
    config: &str,
    (before, files): (&[Delivery], &[Delivery]),
    is_under_way: &dyn Fn() -> bool,
) -> Vec<u64> {
    let place = Place::new(config);
    let watching = place.watch();
    wait_until("the daemon to be at work", || {
        place.log().contains("watching")
    });
    before.iter().for_each(|file| place.deliver(file));
    let told = "SELECT count(*) > 0 AND sum(told = 0) = 0 FROM alert_event";
    wait_until("the news to be told", || place.number_if_any(told) == 1);
    wait_until("a notice to be under way", is_under_way);
    let (mut all, record) = (Vec::new(), place.record());
    let rows = || -> i64 {
        record
            .query_row("SELECT coalesce(sum(rows), 0) FROM unit", [], |row| {
                row.get(0)
            })
            .unwrap()
    };
    for file in files {
        let (counted, clock) = (rows(), Monotonic::start());
        place.deliver(file);
        while rows() == counted && clock.ms() < 5_000 {
            std::thread::sleep(Duration::from_millis(1));
        }
        all.push(clock.ms());
    }
    watching.stop();
    place.assert_sound();
    all.sort_unstable();
    all
}

/// A time is no promise of a test; the long form measures it, by turns, on the same files.
#[test]
fn reading_beside_a_silent_receiver_takes_as_long_as_without_it() {
    let of_paste = |file: &Delivery| file.station == "paste";
    let (mut paste, mut before): (Vec<_>, Vec<_>) = deliveries(322).into_iter().partition(of_paste);
    // The first of them come late, and count all the same.
    before.extend(paste.split_off(20));
    let files = (before.as_slice(), paste.as_slice());
    let hub = Hub::start(Says::Nothing);
    let channel = format!(
        "[[alerts.channel]]\nname = \"hub\"\nkind = \"webhook\"\nurl = \"http://127.0.0.1:{}/\"\n",
        hub.port
    );
    let config = quick_config();
    let (mut without, mut with) = (Vec::new(), Vec::new());
    for round in 0..if is_long() { 5 } else { 1 } {
        without.extend(latencies_ms(&config, files, &|| true));
        let is_under_way = || hub.keys().len() > round;
        with.extend(latencies_ms(
            &(config.clone() + &channel),
            files,
            &is_under_way,
        ));
    }
    without.sort_unstable();
    with.sort_unstable();
    let at = |all: &[u64], share: f64| all[((all.len() - 1) as f64 * share) as usize];
    for share in [0.5, 0.99] {
        let (alone, beside) = (at(&without, share), at(&with, share));
        println!(
            "{share} of {} files within {alone} ms alone, {beside} ms beside it: {:.2} times",
            without.len(),
            beside as f64 / alone as f64
        );
    }
}

/// Charts that trip at once, each for a cause of its own.
const CHARTS: usize = 1_000;

/// Panels before the one that is far off.
const BEFORE: usize = 12;

/// A thousand products on a thousand charts: each of them a cause of its own.
fn write_storm(place: &Place) {
    for panel in 0..=BEFORE + 1 {
        let mut rows = "At,Panel,Product,Height\n".to_owned();
        for product in 0..CHARTS {
            let height = if panel >= BEFORE {
                300
            } else {
                100 + (panel * 7 + product) % 5
            };
            rows.push_str(&format!(
                "2026-03-02T06:{panel:02}:{:02}Z,P{panel}-{product},X{product},{height}\n",
                product % 60
            ));
        }
        place.write(&format!("paste/{panel:02}.csv"), rows);
    }
}

#[test]
fn of_a_thousand_charts_that_trip_at_once_few_notices_leave_and_none_is_missing() {
    let hub = Hub::start(Says::Status(200));
    let channel = format!(
        "[[alerts.channel]]\nname = \"hub\"\nkind = \"webhook\"\nurl = \"http://127.0.0.1:{}/\"\n\
         notices_per_minute = 5\n",
        hub.port
    );
    let config = one_feed(&[
        (
            "panel = \"Panel\"",
            "panel = \"Panel\"\nproduct = \"Product\"",
        ),
        ("[\"line\"]", "[\"line\", \"product\"]"),
    ]) + "baseline = 10\nbaseline_minimum = 10\ndetection = [\"limits\"]\n\
         [alerts]\nfile = \"alerts.jsonl\"\n";
    let place = Place::bare(&(config + &channel));
    let (watching, clock) = (place.watch(), Monotonic::start());
    write_storm(&place);
    let raised = "SELECT count(*) FROM alert_event WHERE what = 'raised'";
    wait_until("all alerts", || {
        place.number_if_any(raised) == i64::try_from(CHARTS).unwrap()
    });
    let untold = "SELECT count(*) FROM alert_event WHERE told = 0";
    wait_until("all news to be told", || place.number(untold) == 0);
    wait_until("the rest to be summed up", || hub.keys().len() >= 5);
    std::thread::sleep(Duration::from_secs(5));
    let left = hub.keys();
    assert!(
        clock.ms() < 60_000 || is_long(),
        "this took longer than the minute it is about"
    );
    println!("{} notices left in {} ms: {left:?}", left.len(), clock.ms());
    assert_eq!(
        left.len(),
        5,
        "as many as the configuration allows in a minute"
    );
    watching.stop();
    // Every alert stands in the record, every event is a notice, and every notice is on its way.
    let alerts =
        "SELECT count(DISTINCT stream) FROM alert JOIN episode ON episode.alert = alert.id";
    assert_eq!(place.number(alerts), i64::try_from(CHARTS).unwrap());
    let events = place.number("SELECT count(*) FROM alert_event WHERE quiet = 0");
    let notices = place.number("SELECT count(*) FROM notice WHERE channel IS NULL");
    assert!(notices >= events, "{notices} notices of {events} events");
    let of_hub = "SELECT count(*) FROM delivery WHERE channel = 'hub'";
    let states =
        place.table("SELECT state, count(*) FROM delivery WHERE channel = 'hub' GROUP BY 1");
    println!("{events} events, {notices} notices, to the hub: {states:?}");
    assert!(place.number(of_hub) >= notices, "{states:?}");
    let told = std::fs::read_to_string(place.path("alerts.jsonl")).unwrap();
    assert_eq!(
        told.lines()
            .filter(|line| line.contains("\"raised\""))
            .count(),
        CHARTS
    );
    place.assert_rows_add_up();
    place.assert_sound();
}
