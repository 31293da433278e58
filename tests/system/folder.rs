//! The data folder: for one writer, on a local disk, with all that belongs to a record, and
//! readable where it can not be written.
//!
//! Mounting a folder for reading only needs root; the test fails where it can not be done.

use std::fs;

use crate::place::{Answer, Place, small_config, wait_until, whole_files};
use crate::tools::Mounted;

/// A place that has read some files of every station.
fn fed() -> Place {
    let place = Place::new(&small_config(60));
    whole_files(81, 40)
        .iter()
        .for_each(|file| place.deliver(file));
    place.replay();
    place
}

#[test]
fn a_second_daemon_is_refused_at_once_and_told_who_holds_the_folder() {
    let place = fed();
    let mut daemon = place.watch();
    wait_until("the daemon to watch", || place.log().contains("watching"));
    let clock = driftvane::clock::Monotonic::start();
    for command in ["watch", "replay"] {
        let answer = place.run(&[command]);
        assert_eq!(answer.code, Some(1), "{command}: {}", answer.err);
        let words = format!(
            "another driftvane works on {}",
            place.path("driftvane-data").display()
        );
        for words in [
            &*words,
            &format!("process {} on ", daemon.id()),
            ", since 20",
        ] {
            assert!(answer.err.contains(words), "{words}: {}", answer.err);
        }
    }
    assert!(clock.ms() < 2_000, "{} ms for two", clock.ms());
    // A killed one holds nothing.
    daemon.kill();
    assert_eq!(place.run(&["replay"]).code, Some(0));
}

/// What a start and a reading command say of a damaged record; neither changes it.
fn refusals(place: &Place) -> [Answer; 2] {
    let names = ["driftvane.sqlite", "driftvane.sqlite-wal"];
    let bytes = || names.map(|name| fs::read(place.path("driftvane-data").join(name)).ok());
    let before = bytes();
    let answers = [&["replay"][..], &["alerts", "list"]].map(|command| place.run(command));
    assert_eq!(answers[0].code, Some(1), "{}", answers[0].err);
    assert_eq!(bytes()[0], before[0], "the record was changed");
    answers
}

#[test]
fn a_record_that_is_missing_empty_or_cut_is_refused_and_never_made_anew() {
    let place = fed();
    let record = place.path("driftvane-data/driftvane.sqlite");
    let whole = fs::read(&record).unwrap();
    let half = whole.len() / 2;
    for (what, bytes, words) in [
        ("empty", Some(Vec::new()), "of a record lies beside it"),
        ("missing", None, "of a record lies beside it"),
        ("cut", Some(whole[..half].to_vec()), "malformed"),
        ("cut to a page", Some(whole[..4096].to_vec()), "malformed"),
        ("no database", Some(vec![7; 9000]), "not a database"),
    ] {
        match &bytes {
            Some(bytes) => fs::write(&record, bytes).unwrap(),
            None => fs::remove_file(&record).unwrap(),
        }
        let [start, read] = refusals(&place);
        assert!(start.err.contains(words), "{what}: {}", start.err);
        assert!(
            start.err.contains("restore it from a backup"),
            "{what}: {}",
            start.err
        );
        assert_ne!(read.code, Some(0), "{what}: {}", read.out);
        assert!(!start.err.contains("panicked") && !read.err.contains("panicked"));
    }
    fs::write(&record, &whole).unwrap();
    assert_eq!(place.replay()["rows"], 0);
    place.assert_sound();
}

#[test]
fn a_record_whose_log_was_taken_away_is_refused() {
    let place = Place::new(&small_config(60));
    let files = whole_files(81, 60);
    let (first, last) = files.split_at(30);
    first.iter().for_each(|file| place.deliver(file));
    place.replay();
    let mut daemon = place.watch();
    let held = place.hold_log();
    last.iter().for_each(|file| place.deliver(file));
    let counted = "SELECT count(*) FROM file";
    wait_until("all files to be read", || place.number(counted) == 60);
    let folder = place.path("driftvane-data");
    let log = folder.join("driftvane.sqlite-wal");
    daemon.kill();
    drop(held);
    assert!(fs::metadata(&log).unwrap().len() > 0);
    let kept = fs::read(&log).unwrap();
    fs::remove_file(&log).unwrap();
    fs::remove_file(folder.join("driftvane.sqlite-shm")).unwrap();
    let [start, _] = refusals(&place);
    for words in ["is missing, such as driftvane.sqlite-wal", "was written"] {
        assert!(start.err.contains(words), "{words}: {}", start.err);
    }
    let answer = place.run(&["--format", "json", "verify"]);
    assert_eq!(answer.code, Some(1), "{}", answer.out);
    assert!(
        answer.out.contains("such as driftvane.sqlite-wal"),
        "{}",
        answer.out
    );
    // Put back, it goes on as if nothing had been.
    fs::write(&log, kept).unwrap();
    assert_eq!(place.replay()["rows"], 0);
    assert_eq!(place.number(counted), 60);
    place.assert_sound();
}

#[test]
fn a_folder_that_can_not_be_written_is_read_all_the_same() {
    let place = fed();
    let stream = place.streams().remove(0);
    let commands: [&[&str]; 7] = [
        &["streams"],
        &["chart", &stream],
        &["capability"],
        &["alerts", "list"],
        &["limits", "list"],
        &["quarantine", "list"],
        &["verify"],
    ];
    let said = |command: &[&str]| (place.ok(command), place.json(command));
    let before = commands.map(said);
    let config = fs::read_to_string(place.path("driftvane.toml")).unwrap();
    place.write(
        "driftvane.toml",
        config + "\n[reports]\nfolder = \"written-reports\"\n",
    );
    let read_only = Mounted::read_only(place.path("driftvane-data"));
    let refused = place.run(&["replay"]);
    assert_eq!(refused.code, Some(1), "{}", refused.err);
    assert!(
        refused.err.contains("Read-only file system"),
        "{}",
        refused.err
    );
    let acts = ["--by", "A", "--reason", "b"];
    let refused = place.run(&[&["limits", "restart", &stream][..], &acts].concat());
    assert_eq!(refused.code, Some(1), "{}", refused.err);
    place.ok(&["report", "shift"]);
    let after = commands.map(said);
    drop(read_only);
    assert_eq!(before, after);
    assert!(place.path("written-reports").read_dir().unwrap().count() > 0);
}

#[test]
fn an_error_says_its_reason_once() {
    let place = fed();
    let config = fs::read_to_string(place.path("driftvane.toml")).unwrap();
    fs::write(place.path("file"), "").unwrap();
    let cases = [
        (
            "\n[reports]\nfolder = \"file/reports\"\n",
            "report",
            "Not a directory",
        ),
        (
            "\n[serve]\nlisten = \"192.0.2.1:1\"\ntokens = \"t\"\nallowed_hosts = [\"a\"]\n",
            "watch",
            "(os error",
        ),
    ];
    for (more, command, reason) in cases {
        place.write("driftvane.toml", format!("{config}{more}"));
        let answer = match command {
            "report" => place.run(&["report", "shift"]),
            _ => {
                place.ok(&["token", "desk"]);
                place.run(&["watch"])
            }
        };
        let error = answer.err.lines().last().unwrap_or_default();
        assert_eq!(error.matches(reason).count(), 1, "{error}");
        assert_eq!(answer.code, Some(1), "{error}");
    }
}
