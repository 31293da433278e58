//! The life of an alert from outside: by commands, over files that come later.
//!
//! The plant and its numbers are invented.

use driftvane::plant::Delivery;
use serde_json::Value;

use crate::place::{Place, list, small_config, small_plant, text, wait_until};

/// The panels between which the confirmed defects are planted, in the small plant.
const OPTICAL: &str = "optical-confirmed/L1/demo-controller";

fn alert(place: &Place, stream: &str) -> Value {
    let alerts = place.json(&["alerts", "list"]);
    let on_stream = |alert: &&Value| list(&alert["streams"]).contains(&stream.into());
    list(&alerts).iter().find(on_stream).unwrap().clone()
}

fn told(place: &Place, id: &str) -> Vec<String> {
    let alerts = place.json(&["alerts", "list"]);
    let alert = list(&alerts).iter().find(|alert| alert["id"] == id);
    let history = list(&alert.unwrap()["history"]);
    history.iter().map(|event| text(event, "what")).collect()
}

fn deliver(place: &Place, files: &[Delivery]) {
    files.iter().for_each(|file| place.deliver(file));
    place.replay_and_notify();
}

/// Delivers files until the optical fault is told; gives those that are left.
fn deliver_until_seen<'a>(place: &Place, files: &'a [Delivery]) -> &'a [Delivery] {
    let (first, mut left) = files.split_at(60);
    deliver(place, first);
    while place.number("SELECT count(*) FROM episode") == 0
        || !place.ok(&["alerts", "list"]).contains(OPTICAL)
    {
        let (now, later) = left.split_at(6);
        deliver(place, now);
        left = later;
    }
    left
}

#[test]
fn what_was_done_is_verified_by_points_in_control_and_refuted_by_a_signal() {
    let files: Vec<Delivery> = small_plant().deliveries(61).collect();
    // Somewhere within the second half the optical fault is there; it ends at panel 40.
    let place = Place::new(&small_config(0));
    let left = deliver_until_seen(&place, &files);
    let id = text(&alert(&place, OPTICAL), "id");
    let by = ["--by", "R. Lindner"];
    let run = |arguments: &[&str]| {
        let all: Vec<&str> = ["alerts"]
            .iter()
            .chain(arguments)
            .chain(&by)
            .copied()
            .collect();
        place.run(&all)
    };
    assert_eq!(
        run(&["acknowledge", &id, "--comment", "looking"]).code,
        Some(0)
    );
    let close = [
        "close",
        &id,
        "--cause",
        "placement or reflow",
        "--action",
        "nozzle changed",
    ];
    assert_eq!(run(&close).code, Some(0));
    // It was closed too early: the fault goes on.
    let (now, later) = left.split_at(18);
    deliver(&place, now);
    assert!(
        told(&place, &id).contains(&"reopened".to_owned()),
        "{:?}",
        told(&place, &id)
    );
    assert_eq!(alert(&place, OPTICAL)["closed"], Value::Null);
    // Panels without the fault, and then it is closed once more.
    let (now, later) = later.split_at(later.len() / 2);
    deliver(&place, now);
    assert!(text(&alert(&place, OPTICAL), "state").starts_with("returned"));
    assert_eq!(run(&close).code, Some(0));
    let state = text(&alert(&place, OPTICAL), "state");
    assert!(
        state.contains("closed, 0 of 5 points in control"),
        "{state}"
    );
    let (later, last) = later.split_at(later.len() - 1);
    deliver(&place, later);
    let after = alert(&place, OPTICAL);
    assert!(
        text(&after, "state").ends_with("closed and verified"),
        "{after}"
    );
    assert_eq!(told(&place, &id).last().unwrap(), "verified");
    assert_eq!(after["closed"]["cause"], "placement or reflow");
    place.assert_sound();
    // A signal soon after belongs to the same alert: that it was verified does not hide it.
    let number = id.trim_start_matches("A-");
    let again = format!("UPDATE alert SET returned_at = NULL WHERE id = {number}");
    assert_eq!(place.record().execute(&again, []).unwrap(), 1);
    deliver(&place, last);
    assert_eq!(told(&place, &id).last().unwrap(), "reopened");
    assert_eq!(alert(&place, OPTICAL)["closed"], Value::Null);
}

#[test]
fn a_stream_out_of_service_calls_nobody_and_everything_is_kept() {
    let files: Vec<Delivery> = small_plant().deliveries(61).collect();
    let place = Place::new(&small_config(60));
    deliver(&place, &files[..60]);
    let why = ["--by", "R. Lindner", "--reason", "lamp is being replaced"];
    let run = |what: &str| {
        let all: Vec<&str> = ["alerts", what, OPTICAL]
            .iter()
            .chain(&why)
            .copied()
            .collect();
        place.run(&all)
    };
    assert_eq!(run("in-service").code, Some(1), "it is in service");
    assert_eq!(run("out-of-service").code, Some(0));
    assert_eq!(run("out-of-service").code, Some(1), "it is out already");
    deliver(&place, &files[60..]);
    let found = alert(&place, OPTICAL);
    assert_eq!(found["suppressed"], "out of service", "{found}");
    let id = text(&found, "id");
    let number = id.trim_start_matches("A-");
    let heard = format!("SELECT sum(quiet = 0) FROM alert_event WHERE alert = {number}");
    assert_eq!(place.number(&heard), 0);
    assert!(!list(&found["history"]).is_empty());
    let acts = place.assert_sound().to_string();
    assert!(acts.contains("1 acts of people"), "{acts}");
    // Also when it has been shelved and its time is over.
    let hours = ["alerts", "shelve", &id, "--hours", "0.0001"];
    assert_eq!(place.run(&[&hours[..], &why].concat()).code, Some(0));
    let mut daemon = place.watch();
    let ended = "SELECT count(*) FROM alert_event WHERE what = 'shelving ended'";
    wait_until("the shelving to end", || place.number(ended) == 1);
    daemon.signal("TERM");
    assert_eq!(daemon.ended(), Some(0));
    assert_eq!(place.number(&format!("{ended} AND quiet")), 1);
    place.assert_sound();
}
