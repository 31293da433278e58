//! What lies in the folder of a feed and is no file, what comes and goes, and what the report and
//! `driftvane feeds` say about it.

use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::process::Command;
use std::time::Duration;

use driftvane::plant::Delivery;
use serde_json::Value;

use crate::place::{Place, list, one_feed, small_config, small_plant, text, wait_until};

fn files(station: &str, count: usize) -> Vec<Delivery> {
    let plant = small_plant();
    let all = plant.deliveries(61);
    all.filter(|one| one.station == station)
        .take(count)
        .collect()
}

/// What `driftvane feeds` says about one.
fn feed(place: &Place, name: &str) -> Value {
    let feeds = place.json(&["feeds"]);
    let found = list(&feeds).iter().find(|feed| text(feed, "feed") == name);
    found.unwrap().clone()
}

/// The newest shift's report.
fn report(place: &Place) -> String {
    let path = place.ok(&["report", "shift"]);
    fs::read_to_string(path.trim()).unwrap()
}

#[test]
fn what_is_no_file_is_never_read_and_told_once() {
    let place = Place::new(&small_config(60));
    let paste = files("paste", 2);
    place.deliver(&paste[0]);
    let outside = place.path("outside.csv");
    fs::write(&outside, &paste[1].content).unwrap();
    let at = |name: &str| place.path(&format!("paste/{name}"));
    symlink(&outside, at("P000009_link.csv")).unwrap();
    symlink(at("P000009_loop.csv"), at("P000009_loop.csv")).unwrap();
    fs::create_dir(at("P000009_folder.csv")).unwrap();
    fs::write(at(".P000009_temporary.csv"), &paste[1].content).unwrap();
    let bytes = [at("").as_os_str().as_bytes(), b"P000009_\xff.csv"].concat();
    fs::write(std::ffi::OsStr::from_bytes(&bytes), &paste[1].content).unwrap();
    let pipe = at("P000009_pipe.csv");
    assert!(
        Command::new("mkfifo")
            .arg(&pipe)
            .status()
            .unwrap()
            .success()
    );

    for _ in 0..2 {
        let totals = place.replay();
        assert_eq!(totals["quarantined"], 0, "{totals}");
        let ignored = feed(&place, "paste-l1")["ignored"].clone();
        let said: Vec<String> = list(&ignored)
            .iter()
            .map(|entry| format!("{}: {}", text(entry, "name"), text(entry, "what")))
            .collect();
        let wanted = ["dot", "folder", "link;", "link;", "pipe", "UTF-8"];
        assert_eq!(said.len(), wanted.len(), "{said:?}");
        let mut found: Vec<&str> = wanted
            .into_iter()
            .filter(|part| said.iter().any(|entry| entry.contains(part)))
            .collect();
        found.dedup();
        assert_eq!(
            found,
            ["dot", "folder", "link;", "pipe", "UTF-8"],
            "{said:?}"
        );
    }
    assert_eq!(place.number("SELECT count(*) FROM file"), 1);
    place.assert_sound();

    // Nobody waits for the other end of a pipe.
    let pipe = pipe.to_str().unwrap();
    for command in [&["propose", pipe][..], &["gauge", pipe]] {
        let answer = place.run(command);
        assert_ne!(answer.code, Some(0), "{command:?}");
        assert!(answer.err.contains("file"), "{}", answer.err);
    }
    assert_eq!(place.run(&["check"]).code, Some(0));
}

#[test]
fn a_file_that_may_not_be_read_is_set_aside_once_and_the_others_count() {
    let place = Place::new(&small_config(60));
    let paste = files("paste", 2);
    paste.iter().for_each(|one| place.deliver(one));
    let secret = place.path(&format!("paste/{}", paste[0].file_name));
    // The rights of files do not bind root: the program runs as somebody else.
    let mut open = Command::new("chmod");
    open.args(["-R", "a+rwX"]).arg(&place.folder);
    assert!(open.status().unwrap().success());
    fs::set_permissions(&secret, fs::Permissions::from_mode(0o000)).unwrap();
    let run = |arguments: &[&str]| {
        let mut command = Command::new("setpriv");
        command
            .args(["--reuid", "65534", "--regid", "65534", "--clear-groups"])
            .arg(env!("CARGO_BIN_EXE_driftvane"))
            .arg("--config")
            .arg(place.path("driftvane.toml"))
            .args(["--format", "json"])
            .args(arguments);
        let output = command.output().unwrap();
        let answer: Value = serde_json::from_slice(&output.stdout).unwrap_or_default();
        (output.status.code(), answer)
    };
    let (code, totals) = run(&["replay"]);
    assert_eq!(code, Some(3), "{totals}");
    assert_eq!(
        (&totals["accepted"], &totals["quarantined"]),
        (&1.into(), &1.into())
    );
    let (code, totals) = run(&["replay"]);
    assert_eq!(
        (code, &totals["quarantined"]),
        (Some(0), &0.into()),
        "{totals}"
    );
    let aside = place.table("SELECT code, reason, fix FROM file WHERE verdict = 'quarantined'");
    assert!(
        aside[0].contains("F015") && aside[0].contains("ermission"),
        "{aside:?}"
    );
    // Once it may be read, a person has it read again.
    fs::set_permissions(&secret, fs::Permissions::from_mode(0o644)).unwrap();
    let who = ["--by", "R. Okafor", "--reason", "rights mended"];
    let id = text(&list(&run(&["quarantine", "list"]).1)[0], "id");
    let (code, asked) = run(&[&["quarantine", "retry", &id], &who[..]].concat());
    assert_eq!(code, Some(0), "{asked}");
    let (code, totals) = run(&["replay"]);
    assert_eq!(
        (code, &totals["accepted"]),
        (Some(0), &1.into()),
        "{totals}"
    );
}

#[test]
fn a_folder_that_goes_and_comes_back_is_read_again_by_itself() {
    let config = small_config(60).replace("settle_ms = 200", "settle_ms = 10\nscan_seconds = 1");
    let place = Place::new(&config);
    let paste = files("paste", 3);
    let accepted = |place: &Place| {
        let answer = place.run(&["--format", "json", "feeds"]);
        let feeds: Value = serde_json::from_str(&answer.out).unwrap_or_default();
        feeds[0]["accepted"].as_u64().unwrap_or(0)
    };
    place.deliver(&paste[0]);
    let mut watching = place.watch();
    wait_until("the first file", || accepted(&place) == 1);
    fs::rename(place.path("paste"), place.path("away")).unwrap();
    wait_until("the folder to be missed", || {
        place.log().contains("waiting for the folder")
    });
    fs::rename(place.path("away"), place.path("paste")).unwrap();
    place.deliver(&paste[1]);
    wait_until("the second file", || accepted(&place) == 2);
    assert!(
        place.log().contains("the folder is back"),
        "{}",
        place.log()
    );
    // A new folder under the old name is listened to as well.
    fs::rename(place.path("paste"), place.path("away")).unwrap();
    wait_until("the folder to be missed again", || {
        place.log().matches("waiting for the folder").count() == 2
    });
    place.deliver(&paste[2]);
    wait_until("the third file", || accepted(&place) == 3);
    assert!(watching.runs());
    watching.kill();
    place.assert_sound();
}

#[test]
fn files_renamed_and_deleted_while_they_are_looked_for_count_once() {
    let config = small_config(60).replace("settle_ms = 200", "settle_ms = 1");
    let place = Place::new(&config);
    let paste = files("paste", 40);
    let mut watching = place.watch();
    for (number, one) in paste.iter().enumerate() {
        let name = |round: usize| format!("paste/P9_{number}-{round}.csv");
        place.write(&name(0), &one.content);
        for round in 0..25 {
            fs::rename(place.path(&name(round)), place.path(&name(round + 1))).unwrap();
            let passing = place.path(&format!("paste/P8_{number}-{round}.csv"));
            fs::write(&passing, "not for long").unwrap();
            fs::remove_file(&passing).unwrap();
            std::thread::sleep(Duration::from_micros(500));
        }
    }
    let count = "SELECT count(*) FROM file WHERE verdict = 'accepted'";
    wait_until("every file to count", || {
        place.path("driftvane-data/driftvane.sqlite").exists() && place.number(count) == 40
    });
    assert!(watching.runs());
    watching.kill();
    assert_eq!(place.number("SELECT sum(rows_used) FROM file"), 40 * 256);
    place.assert_rows_add_up();
    place.assert_sound();
}

#[test]
fn a_file_that_grows_is_one_file_in_counts_and_report() {
    let place = Place::new(&small_config(60));
    for one in files("function", 12) {
        place.deliver(&one);
        place.replay();
    }
    assert!(place.number("SELECT count(*) FROM file") > 8);
    let counts = feed(&place, "function-l1");
    assert_eq!(
        counts["accepted"].as_u64().unwrap() + counts["with_rejects"].as_u64().unwrap(),
        1
    );
    let page = report(&place);
    assert!(page.contains("Made from 1 files"), "{page}");
}

#[test]
fn a_feed_whose_every_file_is_refused_stands_in_the_report_of_its_shift() {
    let place = Place::new(&small_config(60));
    files("paste", 30).iter().for_each(|one| place.deliver(one));
    for one in files("optical", 3) {
        let text = String::from_utf8(one.content).unwrap();
        place.write(
            &format!("optical/{}", one.file_name),
            text.replace("Defect;", "Fault;"),
        );
    }
    assert_eq!(place.run(&["replay"]).code, Some(3));
    let page = report(&place);
    assert!(
        page.contains("The data has gaps.") && page.contains("3 files quarantined"),
        "{page}"
    );
}

#[test]
fn boards_with_another_number_of_rows_than_stated_are_told() {
    let stated = "opportunities = { paste = 250, optical = 640, function = 8 }";
    let config = small_config(60).replace(stated, &format!("{stated}\nrows = {{ paste = 64 }}"));
    assert!(config.contains("rows = { paste"));
    let place = Place::new(&config);
    let paste = files("paste", 4);
    paste[..3].iter().for_each(|one| place.deliver(one));
    place.replay();
    assert!(report(&place).contains("The data is whole."));
    let all = String::from_utf8(paste[3].content.clone()).unwrap();
    let short: Vec<&str> = all.lines().take(200).collect();
    place.write(
        &format!("paste/{}", paste[3].file_name),
        short.join("\n") + "\n",
    );
    place.replay();
    let page = report(&place);
    assert!(page.contains("The data has gaps."), "{page}");
    assert!(
        page.contains("fewer rows than the 64 stated") && page.contains("P000004/"),
        "{page}"
    );
}

/// The daemon was down when the shift ended.
#[test]
fn a_report_that_was_missed_is_written_at_the_next_start() {
    let now = driftvane::clock::now();
    let clock = |minutes: i64| {
        let at = jiff::Timestamp::from_microsecond(now + minutes * 60_000_000).unwrap();
        at.to_zoned_datetime(jiff::tz::TimeZone::UTC)
    };
    let shifts = format!(
        "name = \"missed\"\nstarts = \"{}\"\n[[shift]]\nname = \"running\"\nstarts = \"{}\"",
        clock(-300).strftime("%H:%M"),
        clock(-5).strftime("%H:%M"),
    );
    let config = one_feed(&[("name = \"day\"\nstarts = \"00:00\"", &shifts)]);
    let place = Place::new(&config);
    place.write(
        "paste/a.csv",
        format!("At,Panel,Height\n{},B1,100\n", clock(-120).timestamp()),
    );
    let mut watching = place.watch();
    let reports = || {
        let found = fs::read_dir(place.path("driftvane-data/reports"));
        found.map_or_else(
            |_| Vec::new(),
            |found| {
                let name = |entry: std::io::Result<fs::DirEntry>| {
                    entry.unwrap().file_name().into_string().unwrap()
                };
                let mut names: Vec<String> = found.map(name).collect();
                names.retain(|name| name.ends_with(".html"));
                names
            },
        )
    };
    wait_until("the missed report", || !reports().is_empty());
    watching.kill();
    let names = reports();
    assert!(
        names.len() == 1 && names[0].ends_with("-missed.html"),
        "{names:?}"
    );
    // It is there: the next start writes none.
    let mut watching = place.watch();
    std::thread::sleep(Duration::from_millis(1_500));
    watching.kill();
    assert_eq!(reports(), names);
    place.assert_sound();
}
