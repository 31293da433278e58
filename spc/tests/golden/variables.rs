//! Individuals, mean and range, mean and s, and three-way charts.

use crate::load::{column, list, near, number, numbers, positions, rows, same, table};
use spc::chart::{Bounds, ChartKind, Limits, Sample, sigma_between};
use spc::moments::Moments;
use spc::rules::beyond;
use toml::Table;

fn moments(readings: &[f64]) -> Moments {
    let mut moments = Moments::new();
    readings.iter().for_each(|x| moments.push(*x));
    moments
}

fn sample(kind: ChartKind, readings: &[f64]) -> Sample {
    let m = moments(readings);
    let spread = if kind == ChartKind::MeanRange {
        m.range()
    } else {
        m.standard_deviation()
    };
    Sample {
        size: readings.len() as f64,
        value: m.mean().unwrap(),
        spread,
    }
}

fn outside(values: impl Iterator<Item = f64>, bounds: Bounds) -> Vec<usize> {
    let flags = values
        .enumerate()
        .filter(|(_, value)| beyond(*value, bounds).is_some());
    flags.map(|(i, _)| i + 1).collect()
}

#[track_caller]
fn limits_are(found: Bounds, golden: &Table, lower: &str, upper: &str, tolerance: f64) {
    near(found.lower.unwrap(), number(golden, lower), tolerance);
    near(found.upper.unwrap(), number(golden, upper), tolerance);
}

fn singles(values: &[f64]) -> Vec<Sample> {
    values
        .iter()
        .map(|x| Sample {
            size: 1.0,
            value: *x,
            spread: None,
        })
        .collect()
}

#[test]
fn individuals_of_flow_rate() {
    let golden = table("imr_flowrate.toml");
    let values = column("imr_flowrate.csv", 1);
    let limits = Limits::estimate(ChartKind::Individuals, &singles(&values), 3.0).unwrap();
    let (bounds, ranges) = (limits.bounds(1.0), limits.spread_bounds(1.0).unwrap());
    same(limits.centre, number(&golden, "recomputed.mean"));
    same(limits.sigma, number(&golden, "recomputed.sigma_hat"));
    same(
        limits.moving_range.unwrap(),
        number(&golden, "recomputed.mr_bar"),
    );
    limits_are(bounds, &golden, "recomputed.lcl", "recomputed.ucl", 1e-9);
    limits_are(
        ranges,
        &golden,
        "recomputed.mr_lcl",
        "recomputed.mr_ucl",
        1e-9,
    );
    near(
        limits.moving_range.unwrap(),
        number(&golden, "published.mr_bar"),
        5.1e-5,
    );
    // Printed with d2 = 1.128, which widens each limit by 0.0017.
    limits_are(bounds, &golden, "published.lcl", "published.ucl", 1.8e-3);
    let steps: Vec<f64> = values
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .collect();
    for (found, printed) in steps.iter().zip(list(&golden, "published.moving_ranges")) {
        near(*found, printed, 1e-9);
    }
    let expected = positions(&golden, "recomputed.points_outside");
    assert_eq!(outside(values.into_iter(), bounds), expected);
    let expected = positions(&golden, "recomputed.mr_points_outside");
    assert_eq!(outside(steps.into_iter(), ranges), expected);
}

#[test]
fn individuals_of_loan_cost_with_monitoring() {
    let golden = table("imr_mortgage_cost.toml");
    let values = column("imr_mortgage.csv", 1);
    let limits = Limits::estimate(ChartKind::Individuals, &singles(&values[..20]), 3.0).unwrap();
    let (bounds, ranges) = (limits.bounds(1.0), limits.moving_range_bounds().unwrap());
    same(limits.centre, number(&golden, "recomputed_phase1.mean"));
    same(limits.sigma, number(&golden, "recomputed_phase1.sigma_hat"));
    limits_are(
        bounds,
        &golden,
        "recomputed_phase1.lcl",
        "recomputed_phase1.ucl",
        1e-9,
    );
    limits_are(
        ranges,
        &golden,
        "recomputed_phase1.mr_lcl",
        "recomputed_phase1.mr_ucl",
        1e-9,
    );
    // Printed with mean range 7.79 and d2 = 1.128.
    limits_are(bounds, &golden, "published.lcl", "published.ucl", 0.015);
    near(
        ranges.upper.unwrap(),
        number(&golden, "published.mr_ucl"),
        0.0101,
    );
    let signals = outside(values.into_iter(), bounds);
    assert_eq!(
        signals,
        positions(&golden, "recomputed_phase2.points_outside")
    );
    same(
        signals[0] as f64,
        number(&golden, "published.first_phase2_signal"),
    );
}

/// Checks both charts of a set of subgroups against one `recomputed` block.
fn subgroup_charts(golden: &Table, block: &str, readings: &[Vec<f64>]) -> [Limits; 2] {
    let at = |key: &str| format!("{block}.{key}");
    let kinds = [
        (ChartKind::MeanRange, "sigma_hat_r", "r_bar", "xbar_r", "r"),
        (ChartKind::MeanS, "sigma_hat_s", "s_bar", "xbar_s", "s"),
    ];
    kinds.map(|(kind, sigma, spread, mean_chart, spread_chart)| {
        let samples: Vec<Sample> = readings.iter().map(|r| sample(kind, r)).collect();
        let limits = Limits::estimate(kind, &samples, 3.0).unwrap();
        let size = number(golden, &at("n"));
        let (means, spreads) = (limits.bounds(size), limits.spread_bounds(size).unwrap());
        same(
            f64::from(limits.subgroups),
            number(golden, &at("subgroups")),
        );
        same(limits.centre, number(golden, &at("grand_mean")));
        same(limits.sigma, number(golden, &at(sigma)));
        same(spreads.centre, number(golden, &at(spread)));
        for (chart, bounds) in [(mean_chart, means), (spread_chart, spreads)] {
            let key = |name: &str| at(&format!("{chart}.{name}"));
            limits_are(bounds, golden, &key("lcl"), &key("ucl"), 1e-9);
            let values = samples.iter().map(|s| {
                if chart == mean_chart {
                    s.value
                } else {
                    s.spread.unwrap()
                }
            });
            assert_eq!(outside(values, bounds), positions(golden, &key("outside")));
        }
        limits
    })
}

fn readings_of(name: &str) -> Vec<Vec<f64>> {
    numbers(name)
        .into_iter()
        .map(|row| row[1..].to_vec())
        .collect()
}

#[test]
fn mean_and_range_of_resist_flow_width() {
    let golden = table("xbar_r_hard_bake.toml");
    let readings = readings_of("xbar_r_hard_bake.csv");
    let [by_range, _] = subgroup_charts(&golden, "recomputed_phase1", &readings[..25]);
    let bounds = by_range.bounds(5.0);
    // Printed with A2 = 0.577, D4 = 2.114 and d2 = 2.326.
    limits_are(
        bounds,
        &golden,
        "published.xbar_lcl",
        "published.xbar_ucl",
        1.1e-4,
    );
    let ranges = by_range.spread_bounds(5.0).unwrap();
    limits_are(ranges, &golden, "published.r_lcl", "published.r_ucl", 2e-4);
    near(
        by_range.sigma,
        number(&golden, "published.sigma_hat"),
        5.1e-5,
    );
    let means: Vec<f64> = readings
        .iter()
        .map(|r| moments(r).mean().unwrap())
        .collect();
    for (found, expected) in means[25..]
        .iter()
        .zip(list(&golden, "recomputed_phase2.xbar"))
    {
        same(*found, expected);
    }
    let signals = outside(means.into_iter(), bounds);
    assert_eq!(signals, positions(&golden, "recomputed_phase2.outside"));
    same(
        signals[0] as f64,
        number(&golden, "published.first_phase2_xbar_signal"),
    );
    let all_ranges = readings.iter().map(|r| moments(r).range().unwrap());
    let expected = positions(&golden, "recomputed_phase2.r_outside");
    assert_eq!(outside(all_ranges, ranges), expected);
}

#[test]
fn mean_and_s_of_piston_rings() {
    let golden = table("xbar_s_piston_rings.toml");
    let readings = readings_of("xbar_s_piston_rings.csv");
    let [by_range, by_s] = subgroup_charts(&golden, "recomputed_phase1", &readings[..25]);
    let bounds = by_s.bounds(5.0);
    let keys = ("published.xbar_lcl_from_s", "published.xbar_ucl_from_s");
    // The printed limits start from the grand mean rounded to 74.001.
    limits_are(bounds, &golden, keys.0, keys.1, 6.1e-4);
    let spread = by_s.spread_bounds(5.0).unwrap();
    limits_are(
        spread,
        &golden,
        "published.s_lcl",
        "published.s_ucl",
        5.1e-5,
    );
    let ranges = by_range.spread_bounds(5.0).unwrap();
    near(
        ranges.upper.unwrap(),
        number(&golden, "published.r_ucl"),
        5.1e-4,
    );
    let means: Vec<f64> = readings
        .iter()
        .map(|r| moments(r).mean().unwrap())
        .collect();
    for (found, expected) in means[25..]
        .iter()
        .zip(list(&golden, "recomputed_phase2.xbar"))
    {
        same(*found, expected);
    }
    let signals = outside(means.into_iter(), bounds);
    assert_eq!(signals, positions(&golden, "recomputed_phase2.outside"));
    assert_eq!(signals, positions(&golden, "published.phase2_xbar_signals"));
}

#[test]
fn mean_and_range_of_bursting_strength() {
    let golden = table("capability.toml");
    let examples = golden["example"].as_array().unwrap();
    let example = examples
        .iter()
        .find(|e| e["id"].as_str() == Some("bursting_strength"));
    let example = example.unwrap().as_table().unwrap();
    let readings = readings_of("bursting_strength.csv");
    let [by_range, _] = subgroup_charts(example, "recomputed.chart", &readings);
    let bounds = by_range.bounds(5.0);
    // Printed with A2 = 0.577 and D4 = 2.114.
    limits_are(
        bounds,
        example,
        "published.xbar_lcl",
        "published.xbar_ucl",
        0.02,
    );
    let ranges = by_range.spread_bounds(5.0).unwrap();
    near(
        ranges.upper.unwrap(),
        number(example, "published.r_ucl"),
        0.05,
    );
}

#[test]
fn three_way_chart_of_line_width() {
    let golden = table("three_way_cassettes.toml");
    let mut cassettes: Vec<Vec<f64>> = vec![Vec::new(); 30];
    for row in rows("litho_linewidth.csv") {
        let cassette: usize = row[0].parse().unwrap();
        cassettes[cassette - 1].push(row[3].parse().unwrap());
    }
    let of_kind = |kind| {
        cassettes
            .iter()
            .map(|r| sample(kind, r))
            .collect::<Vec<Sample>>()
    };
    let by_s = of_kind(ChartKind::ThreeWay);
    let limits = Limits::estimate(ChartKind::ThreeWay, &by_s, 3.0).unwrap();
    let n = number(&golden, "recomputed.n");
    let bounds = limits.bounds(n);
    same(limits.centre, number(&golden, "recomputed.center"));
    same(
        limits.moving_range.unwrap(),
        number(&golden, "recomputed.mr_bar"),
    );
    let keys = ("recomputed.individuals.lcl", "recomputed.individuals.ucl");
    limits_are(bounds, &golden, keys.0, keys.1, 1e-9);
    let expected = positions(&golden, "recomputed.individuals.outside");
    assert_eq!(outside(by_s.iter().map(|s| s.value), bounds), expected);
    let moving = limits.moving_range_bounds().unwrap();
    same(
        moving.upper.unwrap(),
        number(&golden, "recomputed.moving_range.ucl"),
    );
    // The reference takes the spread within from ranges.
    let by_range = of_kind(ChartKind::MeanRange);
    let within = Limits::estimate(ChartKind::MeanRange, &by_range, 3.0).unwrap();
    same(within.sigma, number(&golden, "recomputed.sigma_within"));
    let between = sigma_between(limits.sigma, within.sigma, n);
    same(between, number(&golden, "recomputed.sigma_between"));
    same(
        between.hypot(within.sigma),
        number(&golden, "recomputed.sigma_between_within"),
    );
    let ranges = within.spread_bounds(n).unwrap();
    same(ranges.centre, number(&golden, "recomputed.range.center"));
    limits_are(
        ranges,
        &golden,
        "recomputed.range.lcl",
        "recomputed.range.ucl",
        1e-9,
    );
    let expected = positions(&golden, "recomputed.range.outside");
    assert_eq!(
        outside(by_range.iter().map(|s| s.spread.unwrap()), ranges),
        expected
    );
    // Sigma within from s estimates the same quantity; 420 degrees of freedom keep them close.
    near(limits.sigma_within.unwrap(), within.sigma, 0.03);
    let own = sigma_between(limits.sigma, limits.sigma_within.unwrap(), n);
    same(limits.sigma_between.unwrap(), own);
}
