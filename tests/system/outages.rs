//! Channels that fail, beside a daemon that runs: seen by whoever looks, put right or given up by a
//! person, and no notice lost or sent twice. The servers are real ones, at the loopback address.

use std::collections::BTreeSet;
use std::fs;

use serde_json::Value;

use crate::channels::servers::{
    Hub, MailServer, Says, certificates, expired_and_renewed, free_port,
};
use crate::channels::{alarmed, channel, hub_channel, notices, sent};
use crate::place::{Place, get, list, number, small_config, small_plant, text, wait_until};

const PAGE: &str = "[serve]\nlisten = \"127.0.0.1:0\"\n";

/// A channel for e-mail to recipients, over TLS with a login.
fn mail(port: u16, to: &str, more: &str) -> String {
    format!(
        "{PAGE}[[alerts.channel]]\nname = \"engineers\"\nkind = \"email\"\n\
         server = \"localhost:{port}\"\nca_file = \"secrets/ca.pem\"\nlogin = \"dv\"\n\
         password = {{ file = \"secrets/mail\" }}\nfrom = \"driftvane@plant.example\"\n\
         to = [{to}]\n{more}"
    )
}

/// Has what waits first tried again at once.
fn ask_again(place: &Place) {
    let waiting = place.json(&["alerts", "outbox", "list"]);
    // It may have left by itself in the meantime.
    if let Some(first) = list(&waiting).first() {
        let id = text(first, "id");
        let said = ["--by", "J. Novak", "--reason", "it was put right"];
        place.run(&[&["alerts", "outbox", "retry", &id], &said[..]].concat());
    }
}

/// Waits until a channel fails for a reason, and asserts that everybody who looks is told of it,
/// and that reading goes on.
fn assert_seen(place: &Place, address: &str, words: &str) {
    wait_until(words, || {
        text(&channel(place, "engineers"), "problem").contains(words)
    });
    let health = place.json(&["alerts", "health"]);
    let told = list(&health["channels"])
        .iter()
        .find(|one| one["channel"] == "engineers");
    assert!(text(told.unwrap(), "problem").contains(words), "{health}");
    assert_eq!(told.unwrap()["needs_attention"], true);
    let table = place.ok(&["alerts", "health"]);
    assert!(
        table.contains("channel engineers: failing since"),
        "{table}"
    );
    for path in ["/", "/alerts", "/alerts/health"] {
        let page = get(address, path).1;
        assert!(page.contains(words), "{path}: {words}: {page}");
    }
    let files = place.number("SELECT count(*) FROM file");
    place.write(
        &format!("paste/P{files:06}_odd.csv"),
        format!("nothing;of\nthis;{files}\n"),
    );
    wait_until("a file that comes meanwhile", || {
        place.number("SELECT count(*) FROM file") == files + 1
    });
}

#[test]
fn a_wrong_address_an_expired_certificate_and_a_refused_login_lose_nothing() {
    let (expired, renewed, authority) = expired_and_renewed();
    let (nowhere, port) = (free_port(), free_port());
    let to = "\"pe@plant.example\"";
    let place = alarmed(&mail(nowhere, to, ""));
    place.write("secrets/ca.pem", &authority);
    place.keep_secret("secrets/mail", "wrong-one");
    let wanted = notices(&place);
    let mut daemon = place.watch();
    let address = place.address();
    assert_seen(
        &place,
        &address,
        &format!("localhost:{nowhere} can not be reached"),
    );

    let server = MailServer::start_at(port, &expired);
    let config = fs::read_to_string(place.path("driftvane.toml")).unwrap();
    let right = config.replace(
        &format!("localhost:{nowhere}"),
        &format!("localhost:{port}"),
    );
    place.write("driftvane.toml", right);
    daemon.signal("HUP");
    wait_until("the reload", || place.log().contains("was read again"));
    ask_again(&place);
    assert_seen(&place, &address, "its certificate has expired");

    drop(server);
    let server = MailServer::start_at(port, &renewed);
    ask_again(&place);
    assert_seen(&place, &address, "refused the login of dv");
    assert!(server.mails().is_empty());

    place.keep_secret("secrets/mail", "geheim");
    ask_again(&place);
    wait_until("all notices have left", || {
        channel(&place, "engineers")["waiting"] == 0
    });
    let mails = server.mails();
    let ids: BTreeSet<String> = mails.iter().map(|mail| text(mail, "id")).collect();
    assert_eq!(
        (mails.len(), ids.len()),
        (wanted.len(), wanted.len()),
        "each once"
    );
    assert_eq!(text(&channel(&place, "engineers"), "problem"), "");
    assert!(daemon.runs());
    assert!(!place.log().contains("wrong-one"));
    place.assert_sound();
}

/// What waits stays within its bound however much comes, and all of it is accounted for.
#[test]
fn a_queue_that_is_full_is_summed_up_and_names_every_notice() {
    const COMMENTS: usize = 1_010;
    let (certificates, authority) = certificates();
    let port = free_port();
    let place = alarmed(&mail(
        port,
        "\"pe@plant.example\"",
        "notices_per_minute = 3\n",
    ));
    place.write("secrets/ca.pem", &authority);
    place.keep_secret("secrets/mail", "geheim");
    let _daemon = place.watch();
    // Many notices by the shortest way: what people say of an alert.
    let record = place.record();
    let say = "WITH RECURSIVE n (i) AS (VALUES (1) UNION ALL SELECT i + 1 FROM n WHERE i < ?1)
        INSERT INTO alert_event (alert, at, what, who, comment)
        SELECT 1, 1772445600000000, 'commented', 'J. Novak', 'remark ' || i FROM n";
    record
        .execute(say, [i64::try_from(COMMENTS).unwrap()])
        .unwrap();
    let written = "SELECT count(*) FROM notice WHERE channel IS NULL";
    let all = notices(&place).len();
    wait_until("all notices are written", || {
        place.number(written) >= i64::try_from(COMMENTS).unwrap()
            && place.number("SELECT count(*) FROM alert_event WHERE told = 0") == 0
    });
    let written = place.number(written);
    assert!(usize::try_from(written).unwrap() >= all);
    wait_until("they are summed up", || {
        place.number("SELECT count(*) FROM delivery WHERE state = 'summed'") > 0
    });
    let stands = channel(&place, "engineers");
    assert!(
        (1.0..=1_000.0).contains(&number(&stands, "waiting")),
        "{stands}"
    );
    assert!(
        text(&stands, "problem").contains("can not be reached"),
        "{stands}"
    );
    let server = MailServer::start_at(port, &certificates);
    ask_again(&place);
    // Two by themselves, and one that stands for all that were summed up; what is left of a queue
    // waits for the next minute.
    wait_until("a minute's worth", || server.mails().len() == 3);
    assert!(number(&channel(&place, "engineers"), "waiting") <= 2.0);
    // Each notice was sent, or stands in one that was or still waits.
    let accounted = "SELECT count(*) FROM delivery d JOIN notice n ON n.id = d.notice
        WHERE d.channel = 'engineers' AND n.channel IS NULL AND (d.state = 'sent' OR
            d.state = 'summed' AND EXISTS (SELECT 1 FROM delivery s WHERE s.notice = d.summary
                AND s.channel = d.channel AND s.state IN ('sent', 'waiting')))";
    assert_eq!(place.number(accounted), written);
    let summary = server
        .mails()
        .iter()
        .any(|mail| text(mail, "subject").contains("notices in one"));
    assert!(summary, "one stands for many");
}

#[test]
fn a_mailbox_that_is_busy_gets_its_notices_later_and_nobody_gets_one_twice() {
    let (certificates, authority) = certificates();
    let server = MailServer::start(&certificates);
    let both = "\"pe@plant.example\", \"busy@plant.example\"";
    let place = alarmed(&mail(server.port, both, "states = [\"active\"]\n"));
    place.write("secrets/ca.pem", &authority);
    place.keep_secret("secrets/mail", "geheim");
    let active = "SELECT count(*) FROM notice WHERE state = 'active'";
    let wanted = usize::try_from(place.number(active)).unwrap();
    assert!(wanted > 1);
    server.are_busy(true);
    let _daemon = place.watch();
    let for_one = |name: &str| -> Vec<String> {
        let mails = server.mails();
        let to =
            |mail: &&Value| list(&mail["to"]).contains(&format!("{name}@plant.example").into());
        mails
            .iter()
            .filter(to)
            .map(|mail| text(mail, "id"))
            .collect()
    };
    wait_until("who is not busy has all", || for_one("pe").len() == wanted);
    assert!(for_one("busy").is_empty());
    let waiting = place.json(&["alerts", "outbox", "list"]);
    assert_eq!(list(&waiting).len(), wanted);
    let words = "busy@plant.example: 450 mailbox busy";
    assert!(
        text(&list(&waiting)[0], "problem").contains(words),
        "{waiting}"
    );
    let stands = channel(&place, "engineers");
    assert_eq!(
        text(&stands, "state"),
        "sends, with a complaint",
        "{stands}"
    );
    server.are_busy(false);
    let ids: Vec<String> = list(&waiting).iter().map(|one| text(one, "id")).collect();
    let mut again = vec!["alerts", "outbox", "retry"];
    again.extend(ids.iter().map(String::as_str));
    again.extend(["--by", "J. Novak", "--reason", "mailbox emptied"]);
    place.run(&again);
    wait_until("the other has all", || for_one("busy").len() >= wanted);
    wait_until("nothing waits", || {
        channel(&place, "engineers")["waiting"] == 0
    });
    let mut busy = for_one("busy");
    busy.sort();
    let mut other = for_one("pe");
    other.sort();
    assert_eq!(busy, other, "the same notices, each once");
    assert_eq!(other.len(), wanted);
    place.assert_sound();
}

/// Nobody is woken for what a replay found; what still goes on escalates by the channel for that.
#[test]
fn history_calls_nobody_and_what_goes_on_escalates_to_whom_it_shall() {
    let (certificates, authority) = certificates();
    let server = MailServer::start(&certificates);
    let hub = Hub::start(Says::Status(200));
    let lead = mail(
        server.port,
        "\"lead@plant.example\"",
        "events = [\"escalated\"]\n",
    );
    let first = format!("{}events = [\"raised\", \"worsened\"]\n", hub_channel(&hub));
    let place = Place::new(&format!("{}\n{lead}{first}", small_config(60)));
    fs::create_dir_all(place.path("secrets")).unwrap();
    place.write("secrets/ca.pem", &authority);
    place.keep_secret("secrets/mail", "geheim");
    for delivery in small_plant().deliveries(61) {
        place.deliver(&delivery);
    }
    place.replay();
    let events = place.number("SELECT count(*) FROM alert_event");
    assert!(events > 1);
    assert_eq!(
        place.number("SELECT count(*) FROM alert_event WHERE quiet = 0"),
        0
    );
    let lines = fs::read_to_string(place.path("alerts.jsonl")).unwrap();
    assert_eq!(i64::try_from(lines.lines().count()).unwrap(), events);
    assert!(
        lines.lines().all(|line| line.contains("\"quiet\":true")),
        "{lines}"
    );
    // An hour and more passes until the daemon runs.
    let passes = "UPDATE alert SET raised_at = raised_at - 7200000000";
    place.record().execute(passes, []).unwrap();
    let active = "SELECT count(*) FROM alert WHERE returned_at IS NULL AND revised = 0";
    let active = usize::try_from(place.number(active)).unwrap();
    assert!(active > 0, "the planted drift goes on");
    let _daemon = place.watch();
    wait_until("what goes on has escalated", || {
        server.mails().len() >= active
    });
    let left = "SELECT count(*) FROM delivery WHERE channel = 'engineers' AND state = 'waiting'";
    wait_until("it is kept", || place.number(left) == 0);
    let mails = server.mails();
    assert_eq!(mails.len(), active);
    for mail in &mails {
        assert!(text(mail, "subject").contains(" escalated: "), "{mail}");
        assert!(
            text(mail, "plain").contains("nobody has acknowledged it"),
            "{mail}"
        );
    }
    assert_eq!(sent(&place), active);
    assert!(hub.keys().is_empty(), "nothing of history is news");
    assert_eq!(
        place.number("SELECT count(*) FROM alert_event WHERE what = 'escalated'"),
        active as i64
    );
}

/// A configuration that is read again beside a channel that hangs: reading goes on at once, no
/// notice is under way twice, and a new configuration that can not be had changes nothing.
#[test]
fn a_reload_waits_for_no_channel_and_sends_nothing_twice() {
    let hub = Hub::start(Says::Nothing);
    let place = alarmed(&format!("{PAGE}{}", hub_channel(&hub)));
    let wanted = notices(&place);
    let mut daemon = place.watch();
    wait_until("the first notice is under way", || hub.keys().len() == 1);
    let config = fs::read_to_string(place.path("driftvane.toml")).unwrap();
    // A page that can not be had: nobody else may listen where this one does.
    let holder = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let taken = holder.local_addr().unwrap();
    let broken = config
        .replace("127.0.0.1:0", &taken.to_string())
        .replace("Invented demo plant", "A plant that never was");
    place.write("driftvane.toml", &broken);
    daemon.signal("HUP");
    wait_until("the refusal", || {
        place.log().contains("the old configuration stays")
    });
    assert!(
        !get(&place.address(), "/")
            .1
            .contains("A plant that never was")
    );

    place.write(
        "driftvane.toml",
        config.replace("Invented demo plant", "Another plant"),
    );
    let clock = driftvane::clock::Monotonic::start();
    daemon.signal("HUP");
    wait_until("the reload", || place.log().contains("was read again"));
    place.write("paste/P777777_odd.csv", "nothing;of\nthis;1\n");
    let read = "SELECT count(*) FROM file WHERE path LIKE '%P777777%'";
    wait_until("a file that comes then", || place.number(read) == 1);
    // A notice may take a minute: reading has not waited for it, and nobody has sent it again.
    assert!(clock.ms() < 30_000, "{} ms", clock.ms());
    assert_eq!(hub.keys().len(), 1);
    hub.says(Says::Status(200));
    hub.hang_up();
    wait_until("all notices have left", || sent(&place) == wanted.len());
    let mut expected = vec![wanted[0].clone()];
    expected.extend(wanted);
    assert_eq!(hub.keys(), expected);
    assert!(daemon.runs());
    place.assert_sound();
}
