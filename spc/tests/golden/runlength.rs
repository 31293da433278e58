//! Average run lengths of CUSUM, EWMA and Shewhart charts with run rules (sources in arl.toml).

use crate::load::{number, rows, same, table};
use spc::rules::{Rule, RuleState};
use spc::runlength;
use std::collections::BTreeMap;

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

/// Exact run length of run rules, by the chain of states the rules' own memory passes through.
///
/// Rules on zones see only in which zone a point falls, so one point stands for its zone.
fn rules_length(rules: &[Rule], shift: f64) -> f64 {
    let edges = [-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
    let below = |z: f64| 0.5 * statrs::function::erf::erfc((shift - z) / 2f64.sqrt());
    let mut cumulative: Vec<f64> = edges.iter().map(|e| below(*e)).collect();
    cumulative.push(1.0);
    let zone = |i: usize| cumulative[i] - if i > 0 { cumulative[i - 1] } else { 0.0 };
    let chances: Vec<f64> = (0..8).map(zone).collect();
    let mut states = vec![RuleState::default()];
    let mut known = BTreeMap::from([(states[0].encode(), 0)]);
    let mut next: Vec<[Option<usize>; 8]> = Vec::new();
    while next.len() < states.len() {
        let from = states[next.len()].clone();
        let to: [Option<usize>; 8] = std::array::from_fn(|i| {
            let mut state = from.clone();
            let silent = state.push(i as f64 - 3.5, 0.0, rules).is_empty();
            forget_what_zones_do_not_need(&mut state, rules);
            let index = *known.entry(state.encode()).or_insert(states.len());
            if index == states.len() {
                states.push(state);
            }
            silent.then_some(index)
        });
        next.push(to);
    }
    let mut lengths = vec![1.0; states.len()];
    for _ in 0..1_000_000 {
        let mut change: f64 = 0.0;
        for (i, to) in next.iter().enumerate().rev() {
            let rest = to
                .iter()
                .zip(&chances)
                .filter_map(|(s, p)| s.map(|s| p * lengths[s]));
            let length = 1.0 + rest.sum::<f64>();
            change = change.max((length - lengths[i]).abs() / length);
            lengths[i] = length;
        }
        if change < 1e-12 {
            return lengths[0];
        }
    }
    panic!("the chain of {rules:?} does not settle")
}

/// Merges states that lead to the same future, so that the chain stays finite and small.
fn forget_what_zones_do_not_need(state: &mut RuleState, rules: &[Rule]) {
    let needs = |rule| rules.contains(&rule);
    let runs = needs(Rule::Run8) || needs(Rule::Run9);
    state.run = if runs { state.run.clamp(-9, 9) } else { 0 };
    let keep = |needed: bool, mask: u32| if needed { mask } else { 0 };
    state.beyond_2s_upper &= keep(needs(Rule::TwoOfThree2s), 0b11);
    state.beyond_2s_lower &= keep(needs(Rule::TwoOfThree2s), 0b11);
    state.beyond_1s_upper &= keep(needs(Rule::FourOfFive1s), 0b1111);
    state.beyond_1s_lower &= keep(needs(Rule::FourOfFive1s), 0b1111);
    (state.trend, state.alternation, state.within, state.outside) = (0, 0, 0, 0);
    state.last = None;
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
