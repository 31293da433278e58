//! The program is asked to end, is started twice, and is started again after a kill.
//!
//! The one invariant: whoever holds the record is the only one that writes it, until it is gone.

use std::time::Duration;

use driftvane::clock::Monotonic;

use crate::kept::{assert_whole, counted, deliveries, quick_config, undisturbed};
use crate::place::{Chance, Place, assert_same_charts, wait_until};
use crate::tools::{rounds, signal};

/// A stop in mid-file and in mid-batch: the transaction ends or leaves nothing.
#[test]
fn a_stop_at_any_moment_is_orderly_and_changes_nothing() {
    let config = quick_config();
    let files = deliveries(82);
    let expected = undisturbed(&config, &files);
    let mut chance = Chance::new(4);
    let rounds = rounds(8, 100);
    let place = Place::new(&config);
    let mut left = files.as_slice();
    let mut longest_ms = 0;
    for round in 0..rounds {
        let mut watching = place.watch();
        let count = left.len() / (rounds - round);
        let (now, later) = left.split_at(count);
        now.iter().for_each(|file| place.deliver(file));
        left = later;
        // From the start on, so that the moment also falls into start, reading and commit. A
        // signal before there is anyone to take it is the system's to answer.
        wait_until("the daemon to be at work", || {
            place.log().matches("watching").count() > round
        });
        std::thread::sleep(Duration::from_millis(chance.below(500) as u64));
        let since = Monotonic::start();
        signal("TERM", watching.id());
        let ended = watching.wait();
        longest_ms = longest_ms.max(since.ms());
        assert_eq!(ended.code(), Some(0), "round {round}: {}", place.log());
    }
    println!("{rounds} stops, the longest took {longest_ms} ms");
    assert!(longest_ms <= 5_000, "a stop took {longest_ms} ms");
    assert_eq!(place.log().matches("stopped").count(), rounds);
    assert!(place.number("SELECT count(*) FROM file") > 0);
    place.replay();
    assert_whole(&place);
    assert_eq!(counted(&expected), counted(&place));
    assert_same_charts(&expected.charts(), &place.charts());
    assert_eq!(expected.alerts(), place.alerts());
}

#[test]
fn a_second_daemon_is_refused_at_once_and_a_killed_one_leaves_no_lock() {
    let place = Place::new(&quick_config());
    let files = deliveries(83);
    files[..20].iter().for_each(|file| place.deliver(file));
    let mut first = place.watch();
    wait_until("the first daemon to read", || {
        place.streams_if_any() > 0 && place.number("SELECT count(*) FROM file") > 0
    });
    for command in ["watch", "replay"] {
        let since = Monotonic::start();
        let second = place.run(&[command]);
        println!("{command} was refused after {} ms", since.ms());
        assert_eq!(second.code, Some(1), "{}", second.err);
        assert!(
            second.err.contains("another driftvane works on"),
            "{}",
            second.err
        );
        assert!(second.err.contains("driftvane-data"), "{}", second.err);
    }
    assert!(first.runs());
    first.kill();
    files[20..40].iter().for_each(|file| place.deliver(file));
    place.replay();
    assert_whole(&place);
    let expected = undisturbed(&quick_config(), &files[..40]);
    assert_eq!(counted(&expected), counted(&place));
}
