//! The program as a service: readiness, stop, reload, how it is, and the unit that runs it.

use std::fs;
use std::os::unix::net::UnixDatagram;
use std::process::Command;
use std::time::Duration;

use driftvane::clock::Monotonic;

use crate::place::{Place, get, list, small_config, text, wait_until, whole_files};

/// The configuration with a live page for everyone on this computer.
fn config() -> String {
    format!("{}\n[serve]\nlisten = \"127.0.0.1:0\"\n", small_config(60))
}

fn fed(count: usize) -> Place {
    let place = Place::new(&config());
    whole_files(91, count)
        .iter()
        .for_each(|file| place.deliver(file));
    place
}

/// What the service manager has heard; more is waited for until a word comes.
fn hear(socket: &UnixDatagram, heard: &mut Vec<String>, word: &str) {
    let mut bytes = [0u8; 4_096];
    while !heard.iter().any(|one| one.contains(word)) {
        let len = socket.recv(&mut bytes).unwrap_or_else(|error| {
            panic!("{word} did not come: {error}; heard {heard:?}");
        });
        heard.push(String::from_utf8(bytes[..len].to_vec()).unwrap());
    }
}

/// The protocol of sd_notify(3): READY, RELOADING, STOPPING, STATUS and WATCHDOG.
#[test]
fn the_service_manager_is_told_readiness_life_reload_and_stop() {
    let place = fed(10);
    let path = place.path("notify");
    let socket = UnixDatagram::bind(&path).unwrap();
    socket
        .set_read_timeout(Some(Duration::from_secs(60)))
        .unwrap();
    let path = path.to_string_lossy();
    let environment = [("NOTIFY_SOCKET", &*path), ("WATCHDOG_USEC", "400000")];
    let mut daemon = place.watch_with(&environment);
    let mut heard = Vec::new();
    hear(&socket, &mut heard, "READY=1");
    assert_eq!(heard.len(), 1, "nothing before it is ready: {heard:?}");
    assert_eq!(get(&place.address(), "/health").0, 200, "ready is ready");
    hear(&socket, &mut heard, "10 files since the start, 0 wait");
    heard.clear();
    hear(&socket, &mut heard, "WATCHDOG=1");
    daemon.signal("HUP");
    heard.clear();
    hear(&socket, &mut heard, "RELOADING=1");
    hear(&socket, &mut heard, "READY=1");
    daemon.signal("TERM");
    hear(&socket, &mut heard, "STOPPING=1");
    assert_eq!(daemon.ended(), Some(0));
}

#[test]
fn a_stop_in_the_middle_of_a_backlog_takes_no_five_seconds_and_counts_nothing_twice() {
    let place = fed(110);
    let mut in_the_middle = 0;
    for round in 0..4 {
        let mut daemon = place.watch();
        wait_until("the daemon to watch", || {
            place.log().matches("watching").count() as u64 > round
        });
        std::thread::sleep(Duration::from_millis(350 * round));
        let clock = Monotonic::start();
        daemon.signal(if round % 2 == 0 { "TERM" } else { "INT" });
        assert_eq!(daemon.ended(), Some(0));
        assert!(clock.ms() < 5_000, "round {round}: {} ms", clock.ms());
        in_the_middle += usize::from(place.files() < 110);
    }
    assert!(
        in_the_middle > 0,
        "everything was read before the first stop"
    );
    place.replay();
    assert_eq!(place.number("SELECT count(*) FROM file"), 110);
    let counted = "SELECT count(*) FROM file WHERE verdict <> 'accepted'";
    assert_eq!(place.number(counted), 0);
    place.assert_rows_add_up();
    place.assert_sound();
}

#[test]
fn a_reload_takes_a_sound_configuration_and_keeps_the_old_one_before_a_broken_one() {
    let place = fed(60);
    let mut daemon = place.watch();
    let address = place.address();
    let name = || {
        let page = get(&address, "/").1;
        let (_, rest) = page.split_once("class=\"plant\">").unwrap();
        rest.split_once('<').unwrap().0.to_owned()
    };
    wait_until("all files to be read", || place.files() == 60);
    let old = name();
    let broken = config()
        .replace("time_zone = \"Europe/Berlin\"", "time_zone = \"Nowhere\"")
        .replace("starts = \"06:00\"", "starts = \"soon\"");
    place.write("driftvane.toml", &broken);
    daemon.signal("HUP");
    wait_until("the refusal", || {
        place.log().contains("the old configuration stays")
    });
    let log = place.log();
    for words in ["no time zone is called", "is no time of day"] {
        assert!(log.contains(words), "all problems at once: {words}: {log}");
    }
    assert_eq!(name(), old);

    let moved = config().replace("folder = \"driftvane-data\"", "folder = \"elsewhere\"");
    place.write("driftvane.toml", &moved);
    daemon.signal("HUP");
    wait_until("the refusal", || {
        place.log().contains("store.folder is another one")
    });
    assert!(!place.path("elsewhere").exists());

    // A new name, and a feed that looks elsewhere.
    fs::create_dir(place.path("paste-2")).unwrap();
    let sound = config()
        .replace("Invented demo plant", "Another invented plant")
        .replace("folder = \"paste\"", "folder = \"paste-2\"");
    assert!(sound.contains("paste-2") && sound.contains("Another"));
    place.write("driftvane.toml", &sound);
    daemon.signal("HUP");
    wait_until("the reload", || {
        place.log().contains("the configuration was read again")
    });
    assert_eq!(name(), "Another invented plant");
    let later = whole_files(91, 80).split_off(60);
    let paste = later.iter().find(|file| file.station == "paste").unwrap();
    place.write("paste-2/P777777_new.csv", &paste.content);
    wait_until("the file of the new folder", || {
        place.number("SELECT count(*) FROM file") == 61
    });
    assert!(daemon.runs());
    let trail = place.table("SELECT who, subject FROM chain WHERE kind = 'reloaded'");
    assert_eq!(trail.len(), 1);
    let digest = blake3_of(&sound);
    assert!(
        trail[0].contains("driftvane.toml") && trail[0].contains(&digest),
        "{trail:?}"
    );
    daemon.stop();
    place.assert_sound();
}

/// The digest of a text, by another program than the one under test.
fn blake3_of(text: &str) -> String {
    blake3::hash(text.as_bytes()).to_hex().to_string()
}

#[test]
fn health_and_metrics_say_what_was_read() {
    let place = fed(59);
    place.write("paste/P000001_bad.csv", "nothing;of\nthis;1\n");
    let daemon = place.watch();
    let address = place.address();
    wait_until("all files to be read", || place.files() == 60);
    wait_until("nothing to wait", || {
        let metrics = get(&address, "/metrics").1;
        let waits = [
            "\ndriftvane_files_waiting 0\n",
            "\ndriftvane_outbox_notices 0\n",
        ];
        waits.iter().all(|one| metrics.contains(one))
    });
    let (status, body) = get(&address, "/health");
    let told: serde_json::Value = serde_json::from_str(&body).unwrap();
    assert_eq!((status, text(&told, "state").as_str()), (200, "reading"));
    assert!(list(&told["alerts_of_the_system"]).is_empty());

    let (status, metrics) = get(&address, "/metrics");
    assert_eq!(status, 200);
    let rows = place.number("SELECT sum(rows_used) FROM file");
    for line in [
        "driftvane_files_total{outcome=\"accepted\"} 59",
        "driftvane_files_total{outcome=\"quarantined\"} 1",
        &format!("driftvane_rows_total{{outcome=\"used\"}} {rows}"),
        "driftvane_paused 0",
        "driftvane_lag_seconds 0",
        "driftvane_hindered{kind=\"disk-full\"} 0",
        "driftvane_outbox_notices 0",
    ] {
        assert!(metrics.lines().any(|one| one == line), "{line}: {metrics}");
    }
    assert_is_exposition(&metrics);
    assert!(metrics.lines().count() < 100, "as many for any plant");
    daemon.stop();
}

/// The text format of Prometheus, as its documentation describes it ("Exposition formats"): every
/// family has its help and type before its samples, samples are a name, labels and a number, and a
/// histogram's classes add up to its count.
fn assert_is_exposition(text: &str) {
    let mut families: Vec<(String, String)> = Vec::new();
    let (mut last, mut count) = (0.0, None);
    assert!(text.ends_with('\n'));
    for line in text.lines() {
        if let Some(rest) = line.strip_prefix("# HELP ") {
            let (name, help) = rest.split_once(' ').unwrap();
            assert!(
                !help.is_empty() && !families.iter().any(|one| one.0 == name),
                "{line}"
            );
            families.push((name.to_owned(), String::new()));
        } else if let Some(rest) = line.strip_prefix("# TYPE ") {
            let (name, kind) = rest.split_once(' ').unwrap();
            let family = families.last_mut().unwrap();
            assert_eq!(family.0, name);
            assert!(["counter", "gauge", "histogram"].contains(&kind), "{line}");
            assert_eq!(kind == "counter", name.ends_with("_total"), "{line}");
            family.1 = kind.to_owned();
        } else {
            let (sample, value) = line.rsplit_once(' ').unwrap();
            let value: f64 = value.parse().unwrap();
            let name = sample.split('{').next().unwrap();
            let family = families.last().unwrap();
            let is_part = family.1 == "histogram" && name.starts_with(&family.0);
            assert!(name == family.0 || is_part, "{line} in {family:?}");
            assert!(
                name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_'),
                "{line}"
            );
            if name.ends_with("_bucket") {
                assert!(value >= last, "{line}");
                last = value;
            }
            if name.ends_with("_count") {
                count = Some(value);
            }
        }
    }
    assert_eq!(count.map(|count| count.to_bits()), Some(last.to_bits()));
}

#[test]
fn the_unit_scores_at_most_two_in_systemds_own_analysis() {
    let unit = concat!(env!("CARGO_MANIFEST_DIR"), "/../config/driftvane.service");
    let analysis = Command::new("systemd-analyze")
        .args([
            "security",
            "--offline=true",
            "--no-pager",
            "--threshold=20",
            unit,
        ])
        .output()
        .expect("systemd-analyze; install systemd (Debian: apt-get install systemd)");
    let told = String::from_utf8_lossy(&analysis.stdout);
    let line = told
        .lines()
        .find(|line| line.contains("Overall exposure level"))
        .unwrap_or_else(|| panic!("{told}{}", String::from_utf8_lossy(&analysis.stderr)));
    let score = line.split(": ").nth(1).unwrap().split(' ').next().unwrap();
    println!("{line}");
    assert!(score.parse::<f64>().unwrap() <= 2.0, "{line}");
    assert!(analysis.status.success(), "{told}");
}
