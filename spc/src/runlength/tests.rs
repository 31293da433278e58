//! Lengths of combinations against exact ones and against one another.

use super::*;
use crate::cusum::SET_REFERENCES;

fn cusum(reference: f64, threshold: f64, head_start: f64) -> Cusum {
    Cusum {
        reference,
        threshold,
        head_start,
    }
}

fn few(runs: u32) -> Effort {
    Effort {
        runs,
        ..Effort::default()
    }
}

#[test]
fn simulation_agrees_with_the_exact_lengths() {
    let one = Scheme {
        cusums: vec![cusum(0.5, 4.0, 2.0)],
        ..Scheme::default()
    };
    let average = Scheme {
        ewmas: vec![Ewma {
            weight: 0.2,
            width: 2.7,
        }],
        ..Scheme::default()
    };
    let rules = Scheme {
        limits: Some(3.0),
        rules: vec![Rule::Run8, Rule::Within1s15, Rule::Outside1s8],
        ..Scheme::default()
    };
    for scheme in [one, average, rules] {
        for change in [Change::None, Change::Step(0.7)] {
            let exact = scheme.average(change, few(1)).unwrap();
            assert_eq!(exact.method, Method::Exact);
            let drawn = scheme.delay(change, 0, few(3_000)).unwrap();
            let gap = (drawn.mean - exact.mean).abs() / drawn.standard_error;
            assert!(gap < 3.5, "{change:?} {exact:?} {drawn:?}");
        }
    }
}

#[test]
fn a_drift_is_followed_exactly_by_the_chain() {
    let scheme = Scheme {
        limits: Some(3.0),
        rules: vec![Rule::TwoOfThree2s],
        ..Scheme::default()
    };
    let change = Change::Drift(0.05);
    let exact = scheme.average(change, few(1)).unwrap();
    let drawn = scheme.delay(change, 0, few(4_000)).unwrap();
    assert!((drawn.mean - exact.mean).abs() < 3.5 * drawn.standard_error);
    assert!((drawn.ninety.unwrap() - exact.ninety.unwrap()).abs() <= 2.0);
}

#[test]
fn rare_signals_have_the_exact_length() {
    // The tilted measures against the integral equation and the closed form, up to 1e8.
    for (k, h, start) in [(0.25, 18.0, 0.0), (0.5, 12.657, 0.0), (0.5, 16.0, 8.0)] {
        let scheme = Scheme {
            cusums: vec![cusum(k, h, start)],
            ..Scheme::default()
        };
        let found = tilted::length(&scheme, 0.0, few(1_500)).unwrap();
        let exact = cusum_two_sided(k, h, 0.0, start).unwrap();
        let gap = (found.mean - exact).abs() / found.standard_error;
        assert!(
            gap < 3.5 && found.standard_error < 0.08 * exact,
            "{k} {exact} {found:?}"
        );
    }
    let limits = Scheme {
        limits: Some(5.0),
        ..Scheme::default()
    };
    for shift in [0.0, 0.3] {
        let found = tilted::length(&limits, shift, few(4_000)).unwrap();
        let exact = limits.average(Change::Step(shift), few(1)).unwrap().mean;
        assert!((found.mean - exact).abs() < 3.5 * found.standard_error);
    }
    let chart = Ewma {
        weight: 0.1,
        width: 4.824,
    };
    let scheme = Scheme {
        ewmas: vec![chart],
        ..Scheme::default()
    };
    let found = tilted::length(&scheme, 0.0, few(2_000)).unwrap();
    let exact = ewma_from_start(&chart, 0.0).unwrap();
    assert!(
        (found.mean - exact).abs() < 3.5 * found.standard_error,
        "{exact} {found:?}"
    );
}

#[test]
fn rare_and_frequent_signals_of_a_set_agree() {
    let cusums = SET_REFERENCES.iter().zip([12.0, 7.0, 3.7]);
    let scheme = Scheme {
        limits: Some(3.6),
        cusums: cusums.map(|(k, h)| cusum(*k, h, 0.5 * h)).collect(),
        ..Scheme::default()
    };
    let tilted = tilted::length(&scheme, 0.0, few(4_000)).unwrap();
    let plain = plain::length(&scheme, Change::None, 0, few(4_000)).unwrap();
    let error = tilted.standard_error.hypot(plain.standard_error);
    assert!(
        (tilted.mean - plain.mean).abs() < 3.5 * error,
        "{tilted:?} {plain:?}"
    );
}

#[test]
fn a_million_points_cost_no_more_than_a_thousand() {
    let scheme = Scheme {
        limits: Some(5.2),
        cusums: vec![cusum(0.5, 14.0, 7.0), cusum(1.0, 7.2, 3.6)],
        ..Scheme::default()
    };
    let found = scheme.average(Change::None, few(2_500)).unwrap();
    assert_eq!(found.method, Method::Simulated);
    assert!(
        found.mean > 5e5 && found.standard_error < 0.1 * found.mean,
        "{found:?}"
    );
    assert_eq!(found, scheme.average(Change::None, few(2_500)).unwrap());
}

#[test]
fn what_cannot_be_answered_is_refused() {
    let none = Scheme::default().average(Change::None, few(1));
    assert_eq!(none, Err(RunLengthError::NothingOn));
    let with = |limits, head_start| Scheme {
        limits,
        cusums: vec![cusum(0.5, 4.0, head_start)],
        ..Scheme::default()
    };
    assert!(
        with(Some(f64::NAN), 0.0)
            .average(Change::None, few(1))
            .is_err()
    );
    assert!(with(None, 4.0).average(Change::None, few(1)).is_err());
    assert!(
        with(None, 0.0)
            .average(Change::Step(f64::NAN), few(1))
            .is_err()
    );
    assert!(with(None, 0.0).average(Change::None, few(0)).is_err());
    let rare = Scheme {
        limits: Some(9.0),
        ..Scheme::default()
    };
    let effort = Effort {
        points_max: 1_000,
        ..Effort::default()
    };
    let refused = rare.delay(Change::None, 0, effort);
    assert_eq!(refused, Err(RunLengthError::NoSignal { points: 1_000 }));
}

#[test]
fn runs_cut_off_by_the_effort_still_count_their_points() {
    let scheme = Scheme {
        limits: Some(3.0),
        rules: vec![Rule::Trend6],
        ..Scheme::default()
    };
    let cut = Effort {
        points_max: 100_000,
        ..Effort::default()
    };
    let (all, part) = (
        scheme.average(Change::None, few(1_000)),
        scheme.average(Change::None, cut),
    );
    let (all, part) = (all.unwrap(), part.unwrap());
    let error = all.standard_error.hypot(part.standard_error);
    assert!(
        (all.mean - part.mean).abs() < 3.5 * error,
        "{all:?} {part:?}"
    );
}
