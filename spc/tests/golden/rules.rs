//! Run rules: constructed sequences and two published series.

use crate::load::{at, number, numbers, positions, rows, same, table};
use spc::rules::{Rule, RuleState};
use std::collections::BTreeMap;
use toml::Value;

/// Positions (from 1) at which each rule fires.
fn firings(series: &[f64], centre: f64, sigma: f64) -> BTreeMap<&'static str, Vec<usize>> {
    let mut state = RuleState::default();
    let mut found: BTreeMap<_, Vec<usize>> = Rule::ALL.map(|r| (r.name(), Vec::new())).into();
    for (index, x) in series.iter().enumerate() {
        for (rule, _) in state.push((x - centre) / sigma, *x, &Rule::ALL) {
            found.entry(rule.name()).or_default().push(index + 1);
        }
    }
    found
}

#[track_caller]
fn expect(name: &str, found: &BTreeMap<&str, Vec<usize>>, expected: &Value) {
    for (rule, firings) in found {
        let expected = expected[*rule].as_array().unwrap();
        let expected: Vec<usize> = expected
            .iter()
            .map(|i| i.as_integer().unwrap() as usize)
            .collect();
        assert_eq!(*firings, expected, "{name} {rule}");
    }
}

#[test]
fn every_constructed_sequence_fires_where_expected() {
    let golden = table("run_rule_sequences.toml");
    let cells = rows("run_rule_sequences.csv");
    let sequences = at(&golden, "sequence").as_array().unwrap();
    for sequence in sequences {
        let id = sequence["id"].as_str().unwrap();
        let of_id = cells.iter().filter(|row| row[0] == id);
        let series: Vec<f64> = of_id.map(|row| row[2].parse().unwrap()).collect();
        assert!(!series.is_empty(), "{id}");
        expect(id, &firings(&series, 0.0, 1.0), &sequence["expected"]);
    }
    assert_eq!(sequences.len(), 24);
}

#[test]
fn published_series_fire_where_expected() {
    let golden = table("run_rules_on_published_series.toml");
    for (id, data) in [
        ("piston_rings", "xbar_s_piston_rings.csv"),
        ("hard_bake", "xbar_r_hard_bake.csv"),
    ] {
        let mean = |row: &Vec<f64>| row[1..].iter().sum::<f64>() / (row.len() - 1) as f64;
        let series: Vec<f64> = numbers(data).iter().map(mean).collect();
        let centre = number(&golden, &format!("{id}.center"));
        let sigma = number(&golden, &format!("{id}.sigma_xbar"));
        let found = firings(&series, centre, sigma);
        expect(id, &found, at(&golden, &format!("{id}.expected")));
        assert!(!positions(&golden, &format!("{id}.expected.beyond_3s")).is_empty());
    }
}

#[test]
fn the_definitions_name_every_rule() {
    let golden = table("run_rules.toml");
    let ids = at(&golden, "rule")
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["id"].as_str().unwrap());
    let known: Vec<_> = ids.map(Rule::from_name).collect();
    assert_eq!(known, Rule::ALL.map(Some));
}

#[test]
fn six_in_order_are_as_rare_as_counting_says() {
    // Every order of six distinct values is equally likely: 2 of 720 are a trend. Counted over all
    // orders, the rule's own frequency must be the tabled probability.
    let golden = table("run_rules.toml");
    let mut order = vec![0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
    let mut trends = 0;
    permute(&mut order, 0, &mut |values| {
        let mut state = RuleState::default();
        let last = values
            .iter()
            .map(|x| state.push(0.0, *x, &[Rule::Trend6]))
            .last();
        trends += last.map_or(0, |found| found.len());
    });
    let expected = number(&golden, "false_signal_probability_per_window.trend_6");
    same(f64::from(u32::try_from(trends).unwrap()) / 720.0, expected);
}

fn permute(values: &mut Vec<f64>, from: usize, visit: &mut impl FnMut(&[f64])) {
    if from == values.len() {
        return visit(values);
    }
    for i in from..values.len() {
        values.swap(from, i);
        permute(values, from + 1, visit);
        values.swap(from, i);
    }
}
