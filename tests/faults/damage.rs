//! Records that are damaged, cut, gone or of another version.
//!
//! Single flipped bits are in the system tests, beside the command that finds them. The one
//! invariant: a record that can not be trusted is refused and left as it is; none is made anew
//! over what one stood for.

use std::fs;
use std::path::PathBuf;

use crate::kept::{Before, assert_same, assert_whole, deliveries, quick_config, said, undisturbed};
use crate::older::make_older;
use crate::place::{Chance, Place, assert_same_rows, wait_until};
use crate::tools::{calls, is_long, rounds, traced, was_killed};

fn database(place: &Place) -> PathBuf {
    place.path("driftvane-data/driftvane.sqlite")
}

/// How many segments there are in the archive.
fn segments(place: &Place) -> usize {
    let (mut folders, mut found) = (vec![place.path("driftvane-data/archive")], 0);
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).into_iter().flatten() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found += usize::from(path.extension().is_some_and(|end| end == "parquet"));
            }
        }
    }
    found
}

#[test]
fn a_record_that_is_cut_is_refused_and_left_as_it_is() {
    let files = &deliveries(341)[..60];
    let place = undisturbed(&quick_config(), files);
    let whole = fs::read(database(&place)).unwrap();
    let (archived, expected) = (segments(&place), said(&place));
    let mut chance = Chance::new(341);
    // What is cut off has to be more than the noughts at the end of the last page.
    let most = whole.len() - 4_096;
    let mut lengths = vec![1, 99, 100, 4_095, 4_096, whole.len() / 2, most];
    lengths.extend((0..rounds(3, 40)).map(|_| 1 + chance.below(most)));
    for len in lengths {
        fs::write(database(&place), &whole[..len]).unwrap();
        let verified = place.run(&["verify"]);
        assert_eq!(verified.code, Some(1), "{len} bytes: {}", verified.out);
        for command in ["replay", "watch"] {
            let answer = place.run(&[command]);
            assert_eq!(answer.code, Some(1), "{len}, {command}: {}", answer.err);
            assert!(answer.err.contains("backup"), "{len}: {}", answer.err);
        }
        // What only reads may find what it asks for in what is left.
        let read = place.run(&["streams"]);
        assert!(!read.err.contains("panicked"), "{len}: {}", read.err);
        assert!(
            fs::read(database(&place)).unwrap() == whole[..len],
            "{len} bytes were changed"
        );
        assert_eq!(segments(&place), archived, "{len} bytes");
    }
    fs::write(database(&place), &whole).unwrap();
    for left in ["driftvane.sqlite-wal", "driftvane.sqlite-shm"] {
        fs::remove_file(place.path("driftvane-data").join(left)).ok();
    }
    assert_eq!(place.replay()["rows"], 0);
    assert_same("put back", &expected, &said(&place));
    assert_whole(&place);
}

#[test]
fn a_record_that_is_gone_or_empty_or_foreign_is_not_made_anew_over_its_archive() {
    let files = &deliveries(342)[..60];
    let place = undisturbed(&quick_config(), files);
    let whole = fs::read(database(&place)).unwrap();
    let expected = said(&place);
    let archived = segments(&place);
    assert!(archived > 0);
    let damages: [(&str, &dyn Fn()); 4] = [
        ("gone", &|| fs::remove_file(database(&place)).unwrap()),
        ("empty", &|| fs::write(database(&place), "").unwrap()),
        ("text", &|| {
            fs::write(database(&place), "not a record\n").unwrap()
        }),
        ("noughts", &|| {
            fs::write(database(&place), vec![0; whole.len()]).unwrap()
        }),
    ];
    for (what, damage) in damages {
        damage();
        let was = fs::read(database(&place)).ok();
        for command in ["replay", "watch"] {
            let answer = place.run(&[command]);
            assert_eq!(answer.code, Some(1), "{what}, {command}: {}", answer.err);
            assert!(answer.err.contains("backup"), "{what}: {}", answer.err);
        }
        assert_eq!(segments(&place), archived, "{what}: the archive is gone");
        let is = fs::read(database(&place)).ok();
        assert!(
            is == was || (was.is_none() && is.is_some_and(|is| is.is_empty())),
            "{what}"
        );
        fs::write(database(&place), &whole).unwrap();
        place.replay();
        assert_same(what, &expected, &said(&place));
        assert_whole(&place);
    }
}

/// After a kill the newest transactions are in the log beside the database. Without it the record
/// lacks what was shown, so that it is refused until the log is back.
#[test]
fn a_record_without_its_log_is_refused_until_it_is_back() {
    let files = &deliveries(343)[..80];
    let expected = undisturbed(&quick_config(), files);
    for how in ["deleted", "empty", "cut"] {
        let place = undisturbed(&quick_config(), &files[..40]);
        files[40..].iter().for_each(|file| place.deliver(file));
        let held = place.hold_log();
        let mut watching = place.watch();
        let all = expected.rows();
        wait_until("all rows", || place.rows() == all);
        watching.kill();
        drop(held);
        let log = database(&place).with_extension("sqlite-wal");
        let bytes = fs::read(&log).unwrap();
        assert!(!bytes.is_empty());
        match how {
            "deleted" => fs::remove_file(&log).unwrap(),
            "empty" => fs::write(&log, "").unwrap(),
            _ => fs::write(&log, &bytes[..bytes.len() / 3]).unwrap(),
        }
        let refused = place.run(&["replay"]);
        assert_eq!(refused.code, Some(1), "{how}: {}", refused.err);
        assert!(refused.err.contains("backup"), "{how}: {}", refused.err);
        fs::write(&log, &bytes).unwrap();
        fs::remove_file(database(&place).with_extension("sqlite-shm")).ok();
        place.replay();
        place.assert_sound();
        place.assert_rows_add_up();
        assert_same_rows(how, &expected.counted(), &place.counted());
    }
}

/// A kill before any write of the change of version: either version, whole, and it goes on.
#[test]
fn a_kill_while_an_older_record_is_brought_up_to_date_loses_nothing() {
    let place = undisturbed(&quick_config(), &deliveries(344)[..40]);
    let mut expected = said(&place);
    // An older record knows no causes that alerts have in common.
    expected.remove("news");
    make_older(&place);
    let before = Before::keep(&place, "before");
    let mut chance = Chance::new(344);
    let mut killed = 0;
    for call in ["pwrite64", "fdatasync", "fsync", "rename", "write"] {
        before.restore(&place);
        let count = calls(&place, call, &["replay"]);
        let mut numbers: Vec<usize> = (1..=count).collect();
        if !is_long() {
            chance.shuffle(&mut numbers);
            numbers.truncate(2);
        }
        for number in numbers {
            before.restore(&place);
            let injection = format!("{call}:signal=SIGKILL:when={number}");
            let answer = traced(&place, &injection, &[], &["replay"]);
            killed += usize::from(was_killed(&answer));
            let again = place.run(&["replay"]);
            assert_eq!(again.code, Some(0), "{call} {number}: {}", again.err);
            assert_same(&format!("{call} {number}"), &expected, &said(&place));
            assert_whole(&place);
        }
    }
    println!("{killed} kills while the version changed");
    assert!(killed >= 6, "only {killed} kills");
}
