//! Disks that refuse: syncs that fail, files that can not be read.
//!
//! The one invariant: after a sync that failed nobody is told that anything was kept or was not;
//! the next start asks the record.

use std::time::Duration;

use crate::kept::{
    Before, ask_again, assert_same, assert_whole, deliveries, has_record, quick_config, said,
    undisturbed,
};
use crate::place::{Place, assert_same_charts, assert_same_rows, wait_until};
use crate::tools::{calls, is_long, rounds, traced, tracer};

/// How SQLite brings its log to the disk.
const RECORD_SYNC: &str = "fsync";

#[test]
fn a_sync_that_fails_ends_the_program_and_the_next_start_asks_the_record() {
    let files = deliveries(86);
    let (early, late) = files[..120].split_at(60);
    let place = undisturbed(&quick_config(), early);
    late.iter().for_each(|file| place.deliver(file));
    let before = Before::keep(&place, "before");
    let syncs = ["fdatasync", "fsync"].map(|call| {
        before.restore(&place);
        (call, calls(&place, call, &["replay"]))
    });
    let expected = said(&place);
    let (mut failed, mut ended) = (0, 0);
    for (call, count) in syncs {
        let every = if is_long() {
            1
        } else {
            count.div_ceil(4).max(1)
        };
        for number in (1..=count).step_by(every) {
            before.restore(&place);
            let injection = format!("{call}:error=EIO:when={number}");
            let answer = traced(&place, &injection, &[], &["replay"]);
            let what = format!("{call} {number} of {count}: {}", answer.err);
            match answer.code {
                // The alert file, or the tidying up behind what is kept already.
                Some(0) => assert_same(&what, &expected, &said(&place)),
                Some(1) => ended += 1,
                other => panic!("{other:?}, {what}"),
            }
            failed += 1;
            place.assert_sound();
            let again = place.run(&["replay"]);
            assert_eq!(again.code, Some(0), "{what}, then {}", again.err);
            assert_same(&what, &expected, &said(&place));
            assert_whole(&place);
        }
    }
    println!("of {syncs:?} syncs {failed} failed, {ended} of them ended the program");
    assert!(ended >= 2, "{ended} of {failed}");
}

#[test]
fn a_daemon_whose_sync_fails_ends_and_says_so() {
    let files = &deliveries(87)[..60];
    let expected = undisturbed(&quick_config(), files);
    let mut ended = 0;
    for number in 2..2 + rounds(1, 8) {
        let place = Place::new(&quick_config());
        let injection = format!("{RECORD_SYNC}:error=EIO:when={number}");
        let log = place.path("driftvane-data/driftvane.sqlite-wal");
        let wrapper = tracer(&[&injection], &[&log]);
        let mut watching = place.watch_by(place.command_under(wrapper, &["watch"]));
        for part in files.chunks(4) {
            part.iter().for_each(|file| place.deliver(file));
            std::thread::sleep(Duration::from_millis(80));
        }
        // Where many files come in one batch there are fewer syncs: it may be asked to stop before
        // the one that fails, and fail at that while it stops.
        if number > 2 && watching.runs() {
            watching.signal("TERM");
        }
        match watching.ended() {
            // Then no sync failed, and nobody is told that one did.
            Some(0) if number > 2 => assert!(!place.log().contains("start again")),
            code => {
                assert_eq!(code, Some(1), "sync {number}: {}", place.log());
                assert!(place.log().contains("start again"), "{}", place.log());
                ended += 1;
            }
        }
        if has_record(&place) {
            place.assert_sound();
        }
        place.replay();
        assert_whole(&place);
        assert_same_rows(
            &format!("sync {number}"),
            &expected.counted(),
            &place.counted(),
        );
    }
    println!("{ended} daemons ended at a sync that failed");
}

/// One file on a bad sector holds up no other; it is set aside, and read when it is asked for.
#[test]
fn a_file_that_can_not_be_read_holds_up_no_other_and_is_read_later() {
    let config = quick_config();
    let files: Vec<_> = deliveries(88).into_iter().take(40).collect();
    let place = Place::new(&config);
    files.iter().for_each(|file| place.deliver(file));
    let bad = files.iter().find(|file| file.station == "paste").unwrap();
    let path = place.path("paste").join(&bad.file_name);
    let answer = traced(&place, "read:error=EIO", &[&path], &["replay"]);
    assert_eq!(answer.code, Some(3), "{}{}", answer.out, answer.err);
    let missing = format!(
        "SELECT count(*) FROM file WHERE path LIKE '%{}'",
        bad.file_name
    );
    assert_eq!(
        place.number(&format!("{missing} AND verdict = 'accepted'")),
        0
    );
    assert!(place.number("SELECT count(*) FROM file WHERE verdict = 'accepted'") > 10);
    let set_aside = format!("{missing} AND verdict = 'quarantined' AND code = 'F015'");
    assert_eq!(place.number(&set_aside), 1);
    place.assert_sound();
    ask_again(&place);
    // Interrupted calls are no errors.
    traced(&place, "read:error=EINTR:when=1+2", &[&path], &["replay"]);
    place.replay();
    assert_whole(&place);
    let expected = undisturbed(&config, &files);
    assert_same_rows("counted", &expected.counted(), &place.counted());
    assert_same_charts(&expected.charts(), &place.charts());
}

/// In a running daemon the disk recovers after some reads, before the last try.
#[test]
fn a_running_daemon_reads_a_file_again_when_the_disk_gives_it() {
    let config = quick_config().replace("settle_ms = 20", "settle_ms = 20\nscan_seconds = 1");
    let files: Vec<_> = deliveries(89).into_iter().take(20).collect();
    let place = Place::new(&config);
    let bad = files.iter().find(|file| file.station == "paste").unwrap();
    let path = place.path("paste").join(&bad.file_name);
    let wrapper = tracer(&["read:error=EIO:when=1..2"], &[&path]);
    let mut watching = place.watch_by(place.command_under(wrapper, &["watch"]));
    files.iter().for_each(|file| place.deliver(file));
    let expected = undisturbed(&config, &files);
    let rows = expected.number("SELECT sum(rows) FROM unit");
    wait_until("all rows", || place.rows() == rows);
    assert!(watching.runs());
    watching.kill();
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
}
