//! Each check fires on made data and is silent on normal data; screening hides nothing.

use super::screening::{Beyond, Ending, SHARE, ScreeningError, screen};
use super::*;
use crate::chart::{ChartKind, Sample};
use crate::rules::Side;
use crate::simulation::Normals;
use proptest::prelude::*;

fn drawn(seed: u64, count: usize) -> Vec<f64> {
    let mut normals = Normals::new(seed);
    (0..count).map(|_| 100.0 + 5.0 * normals.draw()).collect()
}

fn one(found: &[Checked], check: Check) -> Checked {
    *found.iter().find(|one| one.check == check).unwrap()
}

/// The checks that warn for a series.
fn warnings(series: &[f64]) -> Vec<Check> {
    let found = examine(series, 0.01).unwrap();
    let warning = found.iter().filter(|one| one.warns);
    warning.map(|one| one.check).collect()
}

#[test]
fn a_normal_series_rarely_warns() {
    let rounds = 60;
    let mut counts = std::collections::BTreeMap::new();
    for seed in 0..rounds {
        for check in warnings(&drawn(seed, 60)) {
            *counts.entry(check).or_insert(0) += 1;
        }
    }
    // 1 % of 60 is 0.6; five or more of a kind has a chance below one in a thousand.
    assert!(counts.values().all(|count| *count < 5), "{counts:?}");
}

#[test]
fn each_check_fires_on_what_it_is_for() {
    let base = drawn(7, 100);
    let with = |change: &dyn Fn(usize, f64) -> f64| -> Vec<f64> {
        base.iter()
            .enumerate()
            .map(|(i, x)| change(i, *x))
            .collect()
    };
    let outlying = with(&|i, x| if i % 40 == 10 { 160.0 } else { x });
    assert!(warnings(&outlying).contains(&Check::Beyond));
    let shifted = with(&|i, x| if i < 60 { x } else { x + 8.0 });
    let found = warnings(&shifted);
    assert!(
        found.contains(&Check::Shift) && found.contains(&Check::Runs),
        "{found:?}"
    );
    let at = stability::shift(&shifted).unwrap();
    assert!(
        at.first_after.abs_diff(60) <= 3 && (at.by - 8.0).abs() < 3.0,
        "{at:?}"
    );
    let slow = with(&|i, x| x + 9.0 * (i as f64 * 0.4).sin());
    assert!(warnings(&slow).contains(&Check::Autocorrelation));
    let skewed = with(&|_, x| (x / 10.0).exp());
    let found = warnings(&skewed);
    assert!(
        found.contains(&Check::Skewness) && found.contains(&Check::Normality),
        "{found:?}"
    );
    let strokes = with(&|i, x| if i % 2 == 0 { x } else { x + 22.0 });
    let found = warnings(&strokes);
    assert!(found.contains(&Check::Mixture), "{found:?}");
    let all = examine(&strokes, 0.01).unwrap();
    assert!(one(&all, Check::Autocorrelation).statistic < -0.5);
}

#[test]
fn the_gauge_checks_fire_on_what_they_are_for() {
    let base = drawn(11, 200);
    let rounded =
        |step: f64| -> Vec<f64> { base.iter().map(|x| (x / step).round() * step).collect() };
    let fired = |readings: &[f64]| -> Vec<Check> {
        let found = examine_gauge(readings, 0.01).unwrap();
        found
            .iter()
            .filter(|one| one.warns)
            .map(|one| one.check)
            .collect()
    };
    assert_eq!(fired(&base), []);
    assert_eq!(fired(&rounded(1.0)), []);
    let found = examine_gauge(&rounded(0.1), 0.01).unwrap();
    assert!((one(&found, Check::Resolution).statistic * 5.0 - 0.1).abs() < 0.03);
    assert!(fired(&rounded(8.0)).contains(&Check::Resolution));
    assert!(fired(&rounded(15.0)).contains(&Check::DistinctValues));
    let saturated: Vec<f64> = base.iter().map(|x| x.min(104.0)).collect();
    assert_eq!(fired(&saturated), [Check::MassAtHighest]);
    let floored: Vec<f64> = base.iter().map(|x| x.max(96.0)).collect();
    assert_eq!(
        fired(&floored),
        [Check::MassAtLowest],
        "{:?}",
        examine_gauge(&floored, 0.01)
    );
}

#[test]
fn skewness_has_the_published_score() {
    // D'Agostino, Belanger and D'Agostino Jr. 1990: 62 cholesterol readings, sqrt(b1) 1.02, score
    // 3.14 (from memory).
    let score = shape::skewness_score(1.02, 62.0);
    assert!((score * 100.0 - 314.0).abs() < 1.0, "{score}");
}

#[test]
fn the_bound_of_a_shift_is_kept() {
    let rounds = 1500;
    let mut normals = Normals::new(5);
    let rejected = (0..rounds)
        .filter(|_| {
            let series: Vec<f64> = (0..30).map(|_| normals.draw()).collect();
            stability::shift(&series).unwrap().p_value <= 0.05
        })
        .count();
    let share = rejected as f64 / f64::from(rounds);
    assert!(share < 0.05 && share > 0.01, "{share}");
}

fn samples(values: &[f64]) -> Vec<Sample> {
    let sample = |value: &f64| Sample {
        size: 5.0,
        value: *value,
        spread: Some(1.0 + (value * 10.0).rem_euclid(1.0)),
    };
    values.iter().map(sample).collect()
}

#[test]
fn screening_records_what_it_leaves_out_and_stops_at_the_share() {
    let mut values = drawn(3, 60);
    values[10] = 150.0;
    values[30] = 60.0;
    let found = screen(ChartKind::ThreeWay, &samples(&values), 3.0, 0.1).unwrap();
    assert_eq!(found.ending, Ending::Settled);
    let upper = found.exclusions.iter().find(|one| one.index == 10).unwrap();
    assert_eq!((upper.side, upper.beyond), (Side::Upper, Beyond::Value));
    assert!(upper.value > upper.limit && upper.round == 1);
    assert_eq!(found.limits.subgroups as usize + found.exclusions.len(), 60);
    let none = screen(ChartKind::ThreeWay, &samples(&values), 3.0, 0.01).unwrap();
    assert_eq!(none.ending, Ending::ShareReached(2));
    assert!(none.exclusions.is_empty() && none.limits.subgroups == 60);
    let mut spread = samples(&drawn(3, 60));
    spread[5].spread = Some(40.0);
    let found = screen(ChartKind::ThreeWay, &spread, 3.0, 0.1).unwrap();
    assert_eq!(found.exclusions.len(), 1);
    assert_eq!(
        (found.exclusions[0].index, found.exclusions[0].beyond),
        (5, Beyond::Spread)
    );
}

#[test]
fn small_counts_are_screened_by_their_exact_limits() {
    let mut values = [0.0; 40];
    for place in [3, 11, 12, 20, 28, 35] {
        values[place] = 1.0;
    }
    values[17] = 2.0;
    // Mean 0.2, three sigma 1.54; P(X > 2) is 0.0011 and P(X > 3) 0.00006 (Poisson).
    let sample = |value: f64| Sample {
        size: 1.0,
        value,
        spread: None,
    };
    let found = screen(ChartKind::C, &values.map(sample), 3.0, SHARE).unwrap();
    assert_eq!((found.exclusions.len(), found.ending), (0, Ending::Settled));
    values[17] = 6.0;
    let found = screen(ChartKind::C, &values.map(sample), 3.0, SHARE).unwrap();
    assert_eq!(
        (found.exclusions.len(), found.exclusions[0].limit),
        (1, 3.0)
    );
}

/// Why the program screens at widened limits and not at three sigma.
#[test]
fn a_healthy_baseline_seldom_loses_a_point_at_widened_limits() {
    let trimmed = |width: f64| {
        let loses = |seed: &u64| {
            let samples = samples(&drawn(*seed, 25));
            let found = screen(ChartKind::Individuals, &samples, width, SHARE).unwrap();
            !found.exclusions.is_empty()
        };
        (0..400).filter(loses).count()
    };
    let widened = 3.0 * crate::widening::factor(ChartKind::Individuals, 25, 1.0).unwrap();
    let (plain, widened) = (trimmed(3.0), trimmed(widened));
    assert!(plain > 12 && widened < 4, "{plain} and {widened} of 400");
}

#[test]
fn a_check_is_told_by_its_name() {
    for check in Check::ALL {
        assert_eq!(Check::from_name(check.name()), Some(check));
    }
    assert_eq!(Check::from_name("order"), None);
}

#[test]
fn failed_preconditions_are_named() {
    let few = ReadingsError::TooFew {
        needed: 10,
        found: 2,
    };
    assert_eq!(examine(&[1.0, 2.0], 0.01), Err(few));
    assert!(examine_gauge(&[], 0.01).is_err());
    assert_eq!(examine(&[3.0; 20], 0.01), Err(ReadingsError::NoSpread(3.0)));
    assert!(examine(&drawn(1, 20), 0.0).is_err() && examine(&drawn(1, 20), f64::NAN).is_err());
    assert!(stability::autocorrelation(&[1.0, 2.0, 3.0], 0).is_err());
    assert!(stability::autocorrelation(&[1.0, 2.0, 3.0], usize::MAX).is_err());
    assert_eq!(shape::step(&[]), None);
    let found = screen(ChartKind::Individuals, &samples(&[1.0, 2.0]), 3.0, 0.9);
    assert_eq!(found, Err(ScreeningError::Share(0.9)));
    let found = screen(ChartKind::Individuals, &samples(&[1.0]), 3.0, 0.1);
    assert!(matches!(found, Err(ScreeningError::Limits(_))));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn shift_and_scale_change_no_verdict(
        series in prop::collection::vec(-10.0..10.0f64, 10..30),
        shift in -100.0..100.0f64,
        scale in 0.01..100.0f64,
    ) {
        let moved: Vec<f64> = series.iter().map(|x| shift + scale * x).collect();
        let first = examine(&series, 0.01).unwrap();
        let second = examine(&moved, 0.01).unwrap();
        for (a, b) in first.iter().zip(&second) {
            prop_assert!((a.statistic - b.statistic).abs() < 1e-5 * a.statistic.abs().max(1.0));
            prop_assert!((0.0..=1.0).contains(&b.p_value.unwrap()));
        }
        for one in examine_gauge(&moved, 0.01).unwrap() {
            prop_assert!(one.statistic.is_finite());
        }
    }
}
