//! The median chart (sources in median_chart.toml).

use crate::load::{list, near, number, numbers, positions, same, table};
use spc::chart::{ChartKind, Limits, Sample};
use spc::median;
use spc::moments::Moments;
use spc::rules::beyond;

#[test]
fn constants_equal_the_independent_integration() {
    let rows = numbers("median_constants.csv");
    assert_eq!(rows.len(), 12);
    for row in rows {
        let n = row[0] as u32;
        let deviation = median::deviation(n).unwrap();
        near(deviation, row[1], 1e-11);
        near(median::range_median(n).unwrap(), row[2], 1e-11);
        near(
            3.0 * deviation / spc::constants::d2(n).unwrap(),
            row[3],
            1e-10,
        );
    }
}

#[test]
fn constants_equal_the_printed_tables() {
    let golden = table("median_chart.toml");
    let factors = list(&golden, "published.a_median");
    let divisors = list(&golden, "published.range_median");
    for (i, n) in list(&golden, "published.n").into_iter().enumerate() {
        let n = n as u32;
        let factor = 3.0 * median::deviation(n).unwrap() / spc::constants::d2(n).unwrap();
        near(factor, factors[i], 1.1e-3);
        near(median::range_median(n).unwrap(), divisors[i], 5.1e-4);
    }
}

fn samples() -> Vec<Sample> {
    let of = |row: &Vec<f64>| {
        let mut moments = Moments::new();
        row[1..].iter().for_each(|x| moments.push(*x));
        Sample {
            size: 5.0,
            value: median::of(&row[1..]).unwrap(),
            spread: moments.range(),
        }
    };
    numbers("xbar_r_hard_bake.csv").iter().map(of).collect()
}

#[test]
fn medians_of_resist_flow_width() {
    let golden = table("median_chart.toml");
    let samples = samples();
    let baseline = &samples[..25];
    let found = [
        (
            "recomputed_means",
            Limits::estimate(ChartKind::MedianRange, baseline, 3.0),
        ),
        (
            "recomputed_medians",
            median::resistant_limits(baseline, 3.0),
        ),
    ];
    for (block, limits) in found {
        let limits = limits.unwrap();
        let value = |key: &str| number(&golden, &format!("{block}.{key}"));
        let bounds = limits.bounds(5.0);
        same(bounds.centre, value("centre"));
        same(limits.sigma, value("sigma_hat"));
        same(bounds.upper.unwrap(), value("ucl"));
        same(bounds.lower.unwrap(), value("lcl"));
        let outside: Vec<usize> = (1..=samples.len())
            .filter(|i| beyond(samples[i - 1].value, bounds).is_some())
            .collect();
        assert_eq!(outside, positions(&golden, &format!("{block}.outside")));
    }
    let limits = Limits::estimate(ChartKind::MedianRange, baseline, 3.0).unwrap();
    let ranges = limits.spread_bounds(5.0).unwrap();
    same(
        ranges.upper.unwrap(),
        number(&golden, "recomputed_means.r_ucl"),
    );
    same(ranges.lower.unwrap(), 0.0);
}
