//! What time and people do to an alert, by a clock that the test holds.

use super::*;
use crate::commands::alerts::life::{Said, acknowledge, close, comment, shelve, unshelve};
use crate::store::alerts::AlertRow;

const HOUR: i64 = 60 * MINUTE;

fn by<'a>(name: &'a str, words: &'a str, now: i64) -> Said<'a> {
    Said {
        by: name,
        words,
        now,
    }
}

fn events(reader: &Reader) -> Vec<String> {
    let events = reader.alert_events(1).unwrap();
    events.into_iter().map(|event| event.what).collect()
}

fn state_of(config: &Config, reader: &Reader) -> String {
    alerts::state(config, &reader.alert(1).unwrap().unwrap())
}

#[test]
fn an_alert_that_nobody_acknowledges_escalates_once_and_is_told_again_after_hours() {
    let base = folder("escalates");
    let (config, reader) = record(&base.0);
    let raised = reader.alert(1).unwrap().unwrap().raised_at;
    // A new start of the program goes on with the same timers: they are in the record.
    let at = |now: i64| {
        let mut store = Store::open(&config.data_folder).unwrap();
        store.timers(&config.alerts, raised + now).unwrap()
    };
    assert_eq!(at(59 * MINUTE), 0);
    assert_eq!((at(60 * MINUTE), at(61 * MINUTE)), (1, 0));
    assert_eq!(events(&reader), ["raised", "escalated"]);
    assert_eq!((at(8 * HOUR), at(9 * HOUR), at(9 * HOUR + 1)), (0, 1, 0));
    assert_eq!(events(&reader).last().unwrap(), "reminded");
}

#[test]
fn a_shelved_alert_is_quiet_until_its_time_is_over_and_no_longer_than_allowed() {
    let base = folder("shelved");
    let (config, reader) = record(&base.0);
    let now = reader.alert(1).unwrap().unwrap().raised_at;
    let refused = |hours: f64, words: &str| {
        let said = by("Ada", words, now);
        shelve(&config, &reader, "A-0001", hours, said)
            .unwrap_err()
            .is_usage()
    };
    assert!(refused(24.1, "wait") && refused(0.0, "wait") && refused(f64::NAN, "wait"));
    assert!(refused(1.0, " "));
    assert!(
        !unshelve(&reader, "1", by("Ada", "why", now))
            .unwrap_err()
            .is_usage()
    );
    shelve(&config, &reader, "1", 2.0, by("Ada", "blade ordered", now)).unwrap();
    assert!(state_of(&config, &reader).contains("shelved until"));
    let mut store = Store::open(&config.data_folder).unwrap();
    let mut at = |now: i64| store.timers(&config.alerts, now).unwrap();
    // Nothing escalates while it is shelved; then time runs anew.
    assert_eq!((at(now + 2 * HOUR - 1), at(now + 2 * HOUR)), (0, 1));
    assert_eq!(at(now + 2 * HOUR + 1), 1);
    assert_eq!(
        events(&reader),
        ["raised", "shelved", "shelving ended", "escalated"]
    );
    assert!(!state_of(&config, &reader).contains("shelved"));
}

#[test]
fn nothing_is_closed_without_cause_action_and_someone_who_knows_of_it() {
    let base = folder("closed");
    let (config, reader) = record(&base.0);
    let closed = |cause: &str, action: &str| {
        close(&config, &reader, "A-0001", cause, by("Ada", action, START))
    };
    assert!(
        closed("gremlins", "prayed")
            .unwrap_err()
            .to_string()
            .contains("stencil")
    );
    assert!(closed("stencil", "").unwrap_err().is_usage());
    assert!(
        closed("stencil", "washed")
            .unwrap_err()
            .to_string()
            .contains("acknowledge")
    );
    acknowledge(&config, &reader, "1", ("Ada", "seen"), START).unwrap();
    comment(&reader, "1", by("Bob", "foil is bent", START)).unwrap();
    closed("stencil", "washed").unwrap();
    assert!(closed("stencil", "washed").is_err(), "once is enough");
    let row = reader.alert(1).unwrap().unwrap();
    let kept = row.closed.unwrap();
    assert_eq!(
        (kept.cause.as_str(), kept.action.as_str()),
        ("stencil", "washed")
    );
    assert!(state_of(&config, &reader).ends_with("closed, 0 of 5 points in control"));
    let told = ["raised", "acknowledged", "commented", "closed"];
    assert_eq!(events(&reader), told);
}

#[test]
fn alerts_that_nobody_has_seen_come_first_and_quiet_ones_last() {
    let folder = folder("urgency");
    let (_, reader) = record(&folder.0);
    let seen = Some((0, "A. Kern".to_owned(), "seen".to_owned()));
    let active = AlertRow {
        returned_at: None,
        ..reader.alerts().unwrap().remove(0)
    };
    let acknowledged = AlertRow {
        acknowledged: seen,
        ..active.clone()
    };
    let returned = AlertRow {
        returned_at: Some(1),
        ..active.clone()
    };
    let shelved = AlertRow {
        shelved_until: Some(1),
        ..active.clone()
    };
    let over = AlertRow {
        returned_at: Some(1),
        ..acknowledged.clone()
    };
    let wanted = [active, acknowledged, returned, shelved, over];
    let order: Vec<_> = wanted.iter().map(alerts::urgency).collect();
    assert!(order.windows(2).all(|pair| pair[0] < pair[1]), "{order:?}");
}
