//! The program is asked to end, is started twice, and is started again after a kill.
//!
//! The one invariant: whoever holds the record is the only one that writes it, until it is gone.

use std::time::Duration;

use driftvane::clock::Monotonic;

use crate::kept::{assert_whole, deliveries, quick_config, undisturbed};
use crate::place::{Chance, Place, assert_same_charts, assert_same_rows, wait_until};
use crate::tools::rounds;

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
    let (mut longest_ms, mut orderly) = (0, 0);
    for round in 0..rounds {
        let mut watching = place.watch();
        let count = left.len() / (rounds - round);
        let (now, later) = left.split_at(count);
        now.iter().for_each(|file| place.deliver(file));
        left = later;
        // The moment falls into reading and commit, and by turns into the start.
        let is_at_work = || place.log().matches("watching").count() > orderly;
        if round % 2 == 0 {
            wait_until("the daemon to be at work", is_at_work);
        }
        std::thread::sleep(Duration::from_millis(chance.below(500) as u64));
        let since = Monotonic::start();
        watching.signal("TERM");
        let ended = watching.ended();
        longest_ms = longest_ms.max(since.ms());
        // Before there is anyone to take it, a signal is the system's to answer.
        let is_early = ended.is_none() && !is_at_work();
        assert!(
            ended == Some(0) || is_early,
            "round {round}: {}",
            place.log()
        );
        orderly += usize::from(!is_early);
    }
    println!("{rounds} stops, the longest took {longest_ms} ms");
    assert!(longest_ms <= 5_000, "a stop took {longest_ms} ms");
    assert!(
        orderly >= rounds / 2,
        "only {orderly} of {rounds} were at work"
    );
    assert_eq!(place.log().matches("stopped").count(), orderly);
    assert!(place.number("SELECT count(*) FROM file") > 0);
    place.replay();
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
    assert_same_charts(&expected.charts(), &place.charts());
    assert_same_rows("alerts", &expected.alerts(), &place.alerts());
}

#[test]
fn a_second_daemon_is_refused_at_once_and_a_killed_one_leaves_no_lock() {
    let place = Place::new(&quick_config());
    let files = deliveries(83);
    files[..20].iter().for_each(|file| place.deliver(file));
    let mut first = place.watch();
    wait_until("the first daemon to read", || place.files() > 0);
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
    assert_same_rows("counted", &expected.counted(), &place.counted());
}
