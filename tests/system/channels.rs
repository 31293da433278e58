//! Notices on their way out, against servers that are not of this project: aiosmtpd for e-mail,
//! mosquitto for MQTT; and against a hub that does what a test says.
//!
//! All of them listen at the loopback address only. `tests/run` installs what is missing.

pub mod servers;

use std::collections::BTreeMap;
use std::fs;

use serde_json::Value;

use self::servers::{Broker, Hub, MailServer, Says, certificates};
use crate::place::{Place, Watching, list, number, small_config, small_plant, text, wait_until};

/// A place with notices in its record that have not left by the channels that follow.
pub fn alarmed(channels: &str) -> Place {
    let place = Place::new(&format!("{}\n{channels}", small_config(60)));
    fs::create_dir_all(place.path("secrets")).unwrap();
    for delivery in small_plant().deliveries(61) {
        place.deliver(&delivery);
    }
    place.replay_and_notify();
    assert!(notices(&place).len() > 1, "the plant's faults are alerts");
    place
}

/// The keys of all notices that are for every channel, in order.
pub fn notices(place: &Place) -> Vec<String> {
    let record = place.record();
    let all = "SELECT key FROM notice WHERE channel IS NULL ORDER BY id";
    let mut query = record.prepare(all).unwrap();
    let keys = query.query_map([], |row| row.get(0)).unwrap();
    keys.map(Result::unwrap).collect()
}

pub fn channel(place: &Place, name: &str) -> Value {
    let channels = place.json(&["alerts", "channels"]);
    let of_name = |one: &&Value| one["channel"] == name;
    list(&channels)
        .iter()
        .find(of_name)
        .cloned()
        .unwrap_or_default()
}

/// How many notices the channel beside the file has taken.
pub fn sent(place: &Place) -> usize {
    let sent = "SELECT count(*) FROM delivery WHERE state = 'sent' AND channel <> 'file'";
    usize::try_from(place.number(sent)).unwrap()
}

fn mail_channel(server: &MailServer) -> String {
    let (one, two) = (
        "[\"pe@plant.example\"]",
        "[\"pe@plant.example\", \"nobody@plant.example\"]",
    );
    server.channel().replace(one, two)
}

#[test]
fn a_mail_server_gets_text_html_and_chart_over_tls_with_a_login() {
    let (certificates, authority) = certificates();
    let server = MailServer::start(&certificates);
    let place = alarmed(&mail_channel(&server));
    server.trust(&place, &authority);
    let raised = "SELECT count(*) FROM notice WHERE state = 'active'";
    let wanted = usize::try_from(place.number(raised)).unwrap();
    let _watching = place.watch();
    wait_until("all mails", || server.mails().len() >= wanted);
    wait_until("the last is kept", || {
        place.number("SELECT count(*) FROM delivery WHERE state = 'waiting'") == 0
    });
    let mails = server.mails();
    assert_eq!(mails.len(), wanted, "no notice is sent twice");
    for mail in &mails {
        assert_eq!(mail["from"], "driftvane@plant.example");
        assert_eq!(mail["to"], serde_json::json!(["pe@plant.example"]));
        assert_eq!(
            (&mail["is_tls"], &mail["login"]),
            (&Value::from(true), &Value::from("dv"))
        );
        assert_eq!(mail["defects"], serde_json::json!([]), "{mail}");
        let kinds = [
            "multipart/alternative",
            "text/plain",
            "multipart/related",
            "text/html",
            "image/png",
        ];
        assert_eq!(mail["kinds"], serde_json::json!(kinds));
        assert!(text(mail, "png").starts_with("89504e470d0a1a0a"));
        assert_eq!(mail["png_id"], "<chart>");
        assert!(text(mail, "html").contains("src=\"cid:chart\""));
        let plain = text(mail, "plain");
        assert!(
            plain.contains("Hold the") || plain.contains("Stream: "),
            "{plain}"
        );
    }
    let says = |words: &str| mails.iter().any(|mail| text(mail, "plain").contains(words));
    assert!(says("Moved: ") && says("Points to the "), "{mails:?}");
    let ids: Vec<String> = mails.iter().map(|mail| text(mail, "id")).collect();
    for key in place.table("SELECT key FROM notice WHERE state = 'active'") {
        let key = key.trim_start_matches("[Text(\"").trim_end_matches("\")]");
        assert!(
            ids.contains(&format!("<{key}@plant.example>")),
            "{key}: {ids:?}"
        );
    }
    // One of the two addresses does not exist: told, and the other one got everything.
    let stands = channel(&place, "engineers");
    assert!(
        text(&stands, "problem").contains("nobody@plant.example: 550"),
        "{stands}"
    );
    assert_eq!(stands["failures"], 0);
    let log = place.log();
    assert!(!log.contains("geheim"), "no secret is in the log");
    place.assert_sound();
}

#[test]
fn a_test_tells_exactly_what_failed() {
    let (certificates, authority) = certificates();
    let (server, broker) = (
        MailServer::start(&certificates),
        Broker::start(&certificates),
    );
    let channels = format!(
        "{}\n[[alerts.channel]]\nname = \"broker\"\nkind = \"mqtt\"\n\
         server = \"localhost:{}\"\nca_file = \"secrets/ca.pem\"\nlogin = \"dv\"\n\
         password = {{ file = \"secrets/mail\" }}\n",
        mail_channel(&server).replace(", \"nobody@plant.example\"", ""),
        broker.tls_port
    );
    // No record is needed.
    let place = Place::new(&format!("{}\n{channels}", small_config(60)));
    fs::create_dir_all(place.path("secrets")).unwrap();
    let test = |channel: &str| place.run(&["alerts", "test", channel]);
    let refused = |channel: &str, words: &str| {
        let answer = test(channel);
        assert_eq!(answer.code, Some(1), "{}{}", answer.out, answer.err);
        assert!(answer.err.contains(words), "{words}: {}", answer.err);
        assert!(!answer.err.contains("wrong-one"), "{}", answer.err);
    };
    refused("engineers", "ca_file");
    fs::write(place.path("secrets/ca.pem"), certificates.stranger()).unwrap();
    refused("engineers", "nobody trusted vouches for its certificate");
    fs::write(place.path("secrets/ca.pem"), &authority).unwrap();
    refused("engineers", "secrets/mail can not be read");
    place.keep_secret("secrets/mail", "wrong-one\n");
    refused("engineers", "refused the login of dv");
    refused("broker", "it refuses the login");
    place.keep_secret("secrets/mail", "geheim\n");
    for (channel, words) in [
        ("engineers", "250 taken"),
        ("broker", "with TLS, MQTT 3.1.1, topic"),
        ("file", "alerts.jsonl"),
    ] {
        let answer = test(channel);
        assert_eq!(answer.code, Some(0), "{}", answer.err);
        assert!(answer.out.contains(words), "{}", answer.out);
    }
    let mails = server.mails();
    assert_eq!(mails.len(), 1);
    assert!(text(&mails[0], "subject").contains("Test of the channel engineers"));
    let answer = test("engineer");
    assert_eq!(answer.code, Some(2));
    assert!(
        answer.err.contains("file, engineers, broker"),
        "{}",
        answer.err
    );
}

/// By the version that is spoken by itself, and by the newest one.
#[test]
fn a_broker_gets_all_notices_and_keeps_the_state_of_each_stream() {
    let (certificates, _) = certificates();
    let broker = Broker::start(&certificates);
    let channel = |name: &str, version: &str| {
        format!(
            "[[alerts.channel]]\nname = {name:?}\nkind = \"mqtt\"\nsecurity = \"none\"\n\
             server = \"127.0.0.1:{}\"\ntopic = {name:?}\nlogin = \"dv\"\n\
             password = {{ file = \"secrets/broker\" }}\n{version}\n",
            broker.port
        )
    };
    let both = channel("plant", "") + &channel("plant5", "version = \"5\"");
    let place = alarmed(&both);
    place.keep_secret("secrets/broker", "geheim");
    let said = place.ok(&["alerts", "test", "plant5"]);
    assert!(said.contains("MQTT 5, topic plant5/notices"), "{said}");
    let wanted = notices(&place);
    let topics = ["plant", "plant5"];
    let followers = topics.map(|topic| broker.follow(&format!("{topic}/notices"), wanted.len()));
    let _watching = place.watch();
    wait_until("the broker has all", || sent(&place) == 2 * wanted.len());
    for follower in followers {
        let lines = follower.lines();
        let key = |line: &String| {
            let (_, body) = line.split_once(' ').unwrap();
            text(&serde_json::from_str(body).unwrap(), "key")
        };
        assert_eq!(lines.iter().map(key).collect::<Vec<_>>(), wanted);
    }
    // Whoever comes later is told how each stream stands: as the newest notice of it says.
    let mut newest: BTreeMap<String, String> = BTreeMap::new();
    let record = place.record();
    let all = "SELECT streams, state FROM notice WHERE channel IS NULL ORDER BY id";
    let mut query = record.prepare(all).unwrap();
    let mut rows = query.query([]).unwrap();
    while let Some(row) = rows.next().unwrap() {
        let streams: String = row.get(0).unwrap();
        let streams: Vec<String> = serde_json::from_str(&streams).unwrap();
        let state: String = row.get(1).unwrap();
        newest.extend(streams.into_iter().map(|stream| (stream, state.clone())));
    }
    for topic in topics {
        let later = broker.follow(&format!("{topic}/streams/#"), newest.len());
        let mut kept: BTreeMap<String, String> = BTreeMap::new();
        for line in later.lines() {
            let (found, state) = line.split_once(' ').unwrap();
            let state: Value = serde_json::from_str(state).unwrap();
            assert_eq!(found, format!("{topic}/streams/{}", text(&state, "stream")));
            kept.insert(text(&state, "stream"), text(&state, "state"));
        }
        assert_eq!(kept, newest);
    }
    place.assert_sound();
}

pub fn hub_channel(hub: &Hub) -> String {
    format!(
        "[[alerts.channel]]\nname = \"hub\"\nkind = \"webhook\"\n\
         url = \"http://127.0.0.1:{}/\"\n",
        hub.port
    )
}

/// The program is killed after the hub has taken a notice and before it could keep that: this one
/// notice comes once more, with the same key, and no other does.
#[test]
fn a_crash_repeats_at_most_the_notice_under_way() {
    let hub = Hub::start(Says::Nothing);
    let place = alarmed(&hub_channel(&hub));
    let wanted = notices(&place);
    let mut watching: Watching = place.watch();
    wait_until("the first notice", || hub.keys().len() == 1);
    watching.kill();
    hub.says(Says::Status(200));
    let _again = place.watch();
    wait_until("all notices", || sent(&place) == wanted.len());
    let mut expected = vec![wanted[0].clone()];
    expected.extend(wanted);
    assert_eq!(hub.keys(), expected);
    place.assert_sound();
}

#[test]
fn what_a_hub_refuses_waits_for_a_person_and_the_record_keeps_who_decided() {
    let hub = Hub::start(Says::Status(422));
    let place = alarmed(&hub_channel(&hub));
    let watching = place.watch();
    wait_until("it is refused", || {
        number(&channel(&place, "hub"), "failures") >= 3.0
    });
    let stands = channel(&place, "hub");
    assert!(
        text(&stands, "state").starts_with("failing since"),
        "{stands}"
    );
    assert!(
        text(&stands, "problem").contains("answered 422"),
        "{stands}"
    );
    assert_eq!(stands["needs_attention"], true);
    let waiting = place.json(&["alerts", "outbox", "list"]);
    let ids: Vec<String> = list(&waiting).iter().map(|one| text(one, "id")).collect();
    assert_eq!(ids.len(), notices(&place).len());
    let by = [
        "--by",
        "J. Novak",
        "--reason",
        "the hub does not know this line",
    ];
    let act =
        |what: &str, id: &str| place.run(&[&["alerts", "outbox", what, id], &by[..]].concat());
    let discard = ["alerts", "outbox", "discard", &ids[0]];
    let given_up = place.json(&[&discard[..], &by[..]].concat());
    assert_eq!(text(&given_up[0], "id"), ids[0], "{given_up}");
    assert!(!text(&given_up[0], "outcome").is_empty(), "{given_up}");
    let again = act("discard", &ids[0]);
    assert_eq!(again.code, Some(2), "{}", again.err);
    assert!(again.err.contains("outbox list"), "{}", again.err);
    assert_eq!(act("retry", &ids[1]).code, Some(0));
    hub.says(Says::Status(200));
    for id in &ids[1..] {
        // One that has left in the meantime does not wait any more.
        let again = act("retry", id);
        assert!(
            again.code == Some(0) || again.err.contains("waits"),
            "{}",
            again.err
        );
    }
    wait_until("the others leave", || {
        channel(&place, "hub")["waiting"] == 0
    });
    let kept = place.table(
        "SELECT a.what, a.who, a.reason, d.state FROM delivery_act a
         JOIN delivery d ON d.id = a.delivery ORDER BY a.id LIMIT 2",
    );
    assert!(
        kept[0].contains("give up") && kept[0].contains("J. Novak"),
        "{kept:?}"
    );
    assert!(kept[0].contains("discarded"), "{kept:?}");
    assert!(
        kept[1].contains("send again") && kept[1].contains("sent"),
        "{kept:?}"
    );
    drop(watching);
    place.assert_sound();
}

/// Reading takes as long beside a channel that accepts and never answers as without it. The ratio
/// is printed; no time is asserted.
#[test]
fn reading_goes_on_beside_a_channel_that_hangs() {
    let hub = Hub::start(Says::Nothing);
    let time = |channels: &str| {
        let place = Place::new(&format!("{}\n{channels}", small_config(60)));
        for delivery in small_plant().deliveries(61) {
            place.deliver(&delivery);
        }
        let clock = driftvane::clock::Monotonic::start();
        let _watching = place.watch();
        let plant = small_plant();
        let files = plant.deliveries(61).map(|one| (one.station, one.file_name));
        let files = files.collect::<std::collections::BTreeSet<_>>().len();
        let read = "SELECT count(DISTINCT feed || path) FROM file WHERE verdict LIKE 'accepted%'";
        wait_until("the record is there", || place.files() > 0);
        wait_until("all files are read", || {
            usize::try_from(place.number(read)).unwrap() == files
        });
        let ms = clock.ms();
        wait_until("notices are in the file", || {
            let told = "SELECT count(*) = 0 AND (SELECT count(*) > 1 FROM notice)
                FROM alert_event WHERE told = 0";
            place.number(told) == 1 && {
                let lines = fs::read_to_string(place.path("alerts.jsonl")).unwrap_or_default();
                lines.lines().count() as i64 == place.number("SELECT count(*) FROM notice")
            }
        });
        if !channels.is_empty() {
            assert!(number(&channel(&place, "hub"), "waiting") >= 1.0);
        }
        place.assert_sound();
        ms as f64
    };
    let without = time("");
    let with = time(&hub_channel(&hub));
    assert_eq!(hub.keys().len(), 1, "it hangs on its first notice");
    println!(
        "beside a channel that hangs: {:.2} times as long",
        with / without
    );
}
