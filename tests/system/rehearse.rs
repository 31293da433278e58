//! `driftvane rehearse`: false alerts beside the budget, and delays, before anything runs.
//!
//! Must not know how figures are simulated. The one invariant: the same seed gives the same answer.

use serde_json::Value;

use crate::place::{CONFIG, Place, list, number};

/// Few made streams: enough to tell large shifts from small ones.
const FEW: [&str; 3] = ["rehearse", "--runs", "20"];

fn named<'a>(answer: &'a Value, name: &str) -> &'a Value {
    let rows = list(&answer["characteristics"]);
    let found = rows.iter().find(|row| row["characteristic"] == name);
    found.expect("the characteristic is rehearsed")
}

#[test]
fn a_configuration_is_rehearsed_before_there_is_a_record() {
    let place = Place::new(CONFIG);
    let answer = place.json(&FEW);
    assert_eq!(answer, place.json(&FEW), "the same seed, the same figures");
    let height = named(&answer, "paste-height");
    assert_eq!(height["measured"], false);
    let stated = number(height, "stated_run_length");
    assert!(
        number(&height["run_length"], "value") > 0.85 * stated,
        "{height}"
    );
    let delays = list(&height["delays"]);
    let means: Vec<f64> = delays.iter().map(|found| number(found, "mean")).collect();
    assert_eq!(means.len(), 5);
    assert!(
        means[0] > means[1] && means[1] > means[2] && means[2] > means[3],
        "{means:?}"
    );
    let line = &list(&answer["lines"])[0];
    let expected = number(line, "false_alerts_per_shift");
    assert!(
        expected > 0.0 && expected <= 1.2 * number(line, "budget"),
        "{line}"
    );
    let counts = named(&answer, "optical-calls");
    assert!(
        counts["note"]
            .as_str()
            .is_some_and(|note| note.contains("counts")),
        "{counts}"
    );
}

#[test]
fn a_drift_that_is_none_is_refused() {
    let place = Place::new(CONFIG);
    let answer = place.run(&["rehearse", "--drift", "0"]);
    assert_eq!(answer.code, Some(2), "{answer:?}");
    assert!(answer.err.contains("above 0"), "{}", answer.err);
}
