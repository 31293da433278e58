//! Charts of rare events (sources in between_events_valve.toml).

use crate::load::{column, list, near, number, positions, same, table};
use spc::between_events::{BetweenEvents, Law, Tails};
use spc::chart::{ChartKind, Limits, Sample};
use spc::rules::beyond;

const FILE: &str = "between_events_valve.toml";

#[test]
fn failures_of_a_valve() {
    let golden = table(FILE);
    let hours = column("between_events_valve.csv", 0);
    let found = BetweenEvents::estimate(Law::Exponential, &hours).unwrap();
    let value = |key: &str| number(&golden, &format!("recomputed.{key}"));
    same(found.mean, value("mean"));
    let equal = found.bounds(value("alpha"), Tails::Equal).unwrap();
    same(equal.lower.unwrap(), value("equal_lower"));
    same(equal.upper.unwrap(), value("equal_upper"));
    same(equal.centre, value("median"));
    let samples: Vec<Sample> = hours.iter().map(|x| single(*x)).collect();
    let limits = Limits::estimate(ChartKind::T, &samples, 3.0).unwrap();
    for bounds in [equal, limits.bounds(1.0)] {
        let outside: Vec<usize> = (1..=hours.len())
            .filter(|i| beyond(hours[i - 1], bounds).is_some())
            .collect();
        assert_eq!(outside, positions(&golden, "published.outside"));
    }
    // The recalled data are those of the table: both of its columns agree.
    let exponent = number(&golden, "published.exponent");
    for (hours, printed) in hours.iter().zip(column("between_events_valve.csv", 1)) {
        near(hours.powf(exponent), printed, 1e-4);
    }
}

fn single(value: f64) -> Sample {
    Sample {
        size: 1.0,
        value,
        spread: None,
    }
}

#[test]
fn factors_equal_the_independent_solution() {
    let golden = table(FILE);
    let key = |name: &str| list(&golden, &format!("recomputed_factors.{name}"));
    let law = BetweenEvents {
        law: Law::Exponential,
        mean: 1.0,
        events: 0,
    };
    for (i, alpha) in key("alpha").into_iter().enumerate() {
        for (tails, name) in [(Tails::Equal, "equal"), (Tails::Unbiased, "unbiased")] {
            let found = law.bounds(alpha, tails).unwrap();
            let expected = |side: &str| key(&format!("{name}_{side}"))[i];
            same(found.lower.unwrap(), expected("lower"));
            same(found.upper.unwrap(), expected("upper"));
        }
    }
}

#[test]
fn counts_between_rare_defects() {
    let golden = table(FILE);
    let key = |name: &str| list(&golden, &format!("recomputed_counts.{name}"));
    for (i, p) in key("p").into_iter().enumerate() {
        let law = BetweenEvents {
            law: Law::Geometric,
            mean: 1.0 / p,
            events: 0,
        };
        let found = law.bounds(0.0027, Tails::Equal).unwrap();
        same(found.lower.unwrap(), key("lower")[i]);
        same(found.upper.unwrap(), key("upper")[i]);
        same(found.centre, key("median")[i]);
    }
}
