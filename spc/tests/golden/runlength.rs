//! Average run lengths of CUSUM, EWMA and Shewhart charts with run rules (sources in arl.toml).

use crate::load::{at, number, rows, same, table};
use spc::rules::Rule;
use spc::runlength::{self, Change, Effort, Method, Scheme};

/// Values of `name=number` in a list of parameters.
fn parameter(parameters: &str, name: &str) -> f64 {
    let mut pairs = parameters
        .split(' ')
        .filter_map(|pair| pair.split_once('='));
    pairs
        .find(|pair| pair.0 == name)
        .unwrap()
        .1
        .parse()
        .unwrap()
}

fn computed(scheme: &str, parameters: &str, shift: f64) -> f64 {
    let value = |name| parameter(parameters, name);
    let two_sided = |start: f64| {
        runlength::cusum_two_sided(value("k"), value("h"), shift, start * value("h")).unwrap()
    };
    match scheme {
        "cusum_one_sided" => {
            runlength::cusum_one_sided(value("k"), value("h"), shift, 0.0).unwrap()
        }
        "cusum_two_sided" => two_sided(0.0),
        "cusum_two_sided_fir" => two_sided(0.5),
        "ewma_asymptotic_limits" => runlength::ewma(value("lambda"), value("L"), shift).unwrap(),
        "shewhart_3sigma" => rules_length(&[Rule::Beyond3s], shift),
        "shewhart_western_electric" => {
            let numbers = parameters.strip_prefix("rules=").unwrap();
            let rule = |digit| match digit {
                "1" => Rule::Beyond3s,
                "2" => Rule::TwoOfThree2s,
                "3" => Rule::FourOfFive1s,
                "4" => Rule::Run8,
                other => panic!("rule {other}"),
            };
            rules_length(&numbers.split('+').map(rule).collect::<Vec<_>>(), shift)
        }
        other => panic!("scheme {other}"),
    }
}

fn rules_length(rules: &[Rule], shift: f64) -> f64 {
    let scheme = Scheme {
        rules: rules.to_vec(),
        ..Scheme::default()
    };
    let found = scheme
        .average(Change::Step(shift), Effort::default())
        .unwrap();
    assert_eq!(found.method, Method::Exact);
    found.mean
}

#[test]
fn every_tabled_run_length_is_met() {
    let mut checked = 0;
    for row in rows("arl.csv") {
        let [scheme, parameters, shift, printed, expected] = &row[..] else {
            panic!("{row:?}")
        };
        let found = computed(scheme, parameters, shift.parse().unwrap());
        let expected: f64 = expected.parse().unwrap();
        // The file says its values are exact to about 1e-5.
        assert!(
            (found - expected).abs() <= 1e-5 * expected.max(1.0),
            "{row:?}: {found}"
        );
        if let Ok(value) = printed.parse::<f64>() {
            let decimals = printed.split('.').nth(1).map_or(0, str::len) as i32;
            // Printed EWMA lengths come from a discretised chain and are up to 0.6 % off.
            let method = if scheme.starts_with("ewma") {
                0.006 * value
            } else {
                0.0
            };
            let unit = 0.5 * 10f64.powi(-decimals) * 1.02;
            let allowed = unit.max(if scheme.starts_with("shew") {
                0.0101
            } else {
                0.0
            }) + method;
            assert!((found - value).abs() <= allowed, "{row:?}: {found}");
        }
        checked += 1;
    }
    assert!(checked > 100, "{checked}");
}

#[test]
fn a_run_rule_alone_has_the_exact_run_length() {
    // 2^r - 1 for symmetric data; solved here from the rule's own states.
    let golden = table("run_rules.toml");
    for (rule, key) in [(Rule::Run8, "run_8"), (Rule::Run9, "run_9")] {
        let expected = number(&golden, &format!("in_control_arl_of_run_alone.{key}"));
        same(rules_length(&[rule], 0.0), expected);
    }
}

#[test]
fn thresholds_for_370_points_are_the_tabled_ones() {
    let golden = table("arl.toml");
    let column = |key: &str| {
        let values = at(&golden, &format!("published.hawkins.{key}")).as_array();
        let number = |value: &toml::Value| value.as_float().unwrap();
        values.unwrap().iter().map(number).collect::<Vec<f64>>()
    };
    for (k, h) in column("k").iter().zip(column("h")) {
        let found = runlength::cusum_threshold(*k, 370.0).unwrap();
        assert!((found - h).abs() < 0.006, "k {k}: {found}, printed {h}");
    }
}
