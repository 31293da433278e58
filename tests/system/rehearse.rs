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
}

/// 4 of 100 a point is a Poisson law of mean 4: the least count that at most 0.135 % pass is 11
/// (0.9991 up to it, in tables of that law), and at twice the rate 0.1119 pass it.
#[test]
fn counts_are_rehearsed_at_their_level() {
    // Without the characteristics that are measured, which take their time.
    let cut = |text: &str, from: &str, to: &str| {
        let start = text.find(from).expect("it is there");
        let end = text.find(to).expect("it is there");
        format!("{}{}", &text[..start], &text[end..])
    };
    let named_so = |name: &str| format!("[[characteristic]]\nname = \"{name}\"");
    let config = cut(
        CONFIG,
        &named_so("paste-height"),
        &named_so("optical-calls"),
    );
    let config = cut(&config, &named_so("analog-input"), "[[gauge]]");
    let place = Place::new(&config);
    let answer = place.json(&["rehearse", "--runs", "20", "--points", "10"]);
    let calls = named(&answer, "optical-calls");
    let is = |of: &Value, name: &str, value: f64| (number(of, name) - value).abs() < 1e-12;
    assert!(is(&calls["level"], "size", 100.0) && is(&calls["level"], "centre", 0.04));
    assert!(is(calls, "stated_run_length", 370.0), "{calls}");
    assert!(number(&calls["run_length"], "value") > 370.0, "{calls}");
    assert!(is(&calls["run_length"], "standard_error", 0.0));
    let delays = list(&calls["delays"]);
    let means: Vec<f64> = delays.iter().map(|found| number(found, "mean")).collect();
    assert_eq!(delays[1]["change"], "rate");
    assert!((means[1] - 1.0 / 0.1119).abs() < 0.01, "{calls}");
    assert!(means[0] > means[1] && means[1] > means[2], "{means:?}");
    let none = place.json(&[
        "rehearse",
        "--runs",
        "20",
        "--inspected",
        "1",
        "--counted",
        "3",
    ]);
    assert!(number(&named(&none, "optical-calls")["run_length"], "value") > 370.0);
    let text = place.run(&FEW);
    assert!(text.out.contains("rate x 1.5"), "{}", text.out);
    assert!(text.out.contains("4 of 100 units a point"), "{}", text.out);
}

#[test]
fn a_drift_that_is_none_is_refused() {
    let place = Place::new(CONFIG);
    let answer = place.run(&["rehearse", "--drift", "0"]);
    assert_eq!(answer.code, Some(2), "{answer:?}");
    assert!(answer.err.contains("above 0"), "{}", answer.err);
}

/// Classic rules bring a chart down to about a hundred points from one false alarm to the next: the
/// run length of all four with three-sigma limits is 91.75 in C. W. Champ and W. H. Woodall,
/// Technometrics 29(4) 1987 (from memory); two of them leave a few hundred at most.
#[test]
fn run_rules_are_remarked_on_where_they_shorten_the_run_length() {
    let rules = "rules = [\"run_9\", \"two_of_three_2s\"]\nreaction_plan = \"Hold";
    let place = Place::new(&CONFIG.replace("reaction_plan = \"Hold", rules));
    let height = named(&place.json(&FEW), "paste-height").clone();
    let length = number(&height["run_length"], "value");
    assert!(length < 400.0 && length > 91.75, "{height}");
    assert!(length < 0.5 * number(&height, "stated_run_length"));
    let note = height["note"].as_str().unwrap_or_default();
    assert!(note.contains("does not cover run rules"), "{height}");
}
