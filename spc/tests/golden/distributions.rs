//! Normality, fitted distributions, quantile indices and exact intervals.

use crate::load::{at, near, number, numbers, same, table};
use spc::capability::quantile::{Quantiles, indices};
use spc::capability::{Specification, interval};
use spc::distribution::{Distribution, Family};
use spc::fit;
use spc::normality::anderson_darling;

/// The readings of a file of subgroups, without the column that counts them, or of one column.
fn readings(name: &str, rows: usize) -> Vec<f64> {
    let first = usize::from(numbers(name)[0].len() > 1);
    let rows = numbers(name).into_iter().take(rows);
    rows.flat_map(|row| row[first..].to_vec()).collect()
}

#[test]
fn normality_of_three_samples() {
    let golden = table("anderson_darling.toml");
    for (case, rows) in at(&golden, "case")
        .as_array()
        .unwrap()
        .iter()
        .zip([20, 25, 200])
    {
        let case = case.as_table().unwrap();
        let name = case["data"].as_str().unwrap();
        let found = anderson_darling(&readings(name, rows)).unwrap();
        let expected = |key: &str| number(case, &format!("expected.{key}"));
        same(found.readings as f64, expected("n"));
        same(found.statistic, expected("a2"));
        same(found.modified, expected("a2_adjusted"));
        near(found.p_value / expected("p_value"), 1.0, 1e-9);
    }
}

#[test]
fn fits_of_bursting_strength() {
    let golden = table("fits_bursting_strength.toml");
    let sample = readings("bursting_strength.csv", 20);
    for (family, block) in [
        (Family::LogNormal, "lognormal"),
        (Family::Weibull, "weibull"),
        (Family::Gamma, "gamma"),
    ] {
        let expected = |key: &str| number(&golden, &format!("{block}.{key}"));
        let found = fit::one(family, &sample, 0.0).unwrap().outcome.unwrap();
        let (first, second) = found.distribution.parameters();
        // The other software's search stops at about eight digits.
        near(first / expected("first"), 1.0, 1e-6);
        near(second / expected("second"), 1.0, 1e-6);
        near(found.judgement.statistic, expected("a2"), 1e-5);
        if family != Family::LogNormal {
            near(found.log_likelihood, expected("log_likelihood"), 1e-7);
        }
    }
    let chosen = fit::select(&sample, 0.0).unwrap();
    assert_eq!(chosen.reason, fit::Reason::NormalNotRejected);
}

#[test]
fn indices_from_quantiles_of_known_distributions() {
    let golden = table("capability_percentile.toml");
    let known = [
        (Family::LogNormal, 0.0, 0.25),
        (Family::Gamma, 1.0, 1.5),
        (Family::Normal, 10.0, 1.0),
    ];
    let cases = at(&golden, "case").as_array().unwrap();
    for (case, (family, first, second)) in cases.iter().zip(known) {
        let case = case.as_table().unwrap();
        let expected = |key: &str| number(case, &format!("expected.{key}"));
        let distribution = Distribution::new(family, 0.0, first, second).unwrap();
        let points = Quantiles::of(&distribution).unwrap();
        same(points.low, expected("x_0_00135"));
        same(points.median, expected("median"));
        same(points.high, expected("x_0_99865"));
        let lower = case.get("lsl").map(crate::load::as_number);
        let upper = number(case, "usl");
        let limits = Specification::new(lower, None, Some(upper)).unwrap();
        let found = indices(&limits, &points).unwrap();
        same(found.upper_side.unwrap(), expected("ppu"));
        same(1e6 * distribution.above(upper), expected("ppm_above"));
        if let Some(lower) = lower {
            same(found.lower_side.unwrap(), expected("ppl"));
            same(found.spread.unwrap(), expected("pp"));
            same(found.nearest, expected("ppk"));
            same(1e6 * distribution.below(lower), expected("ppm_below"));
        }
    }
}

#[test]
fn exact_interval_of_a_one_sided_index() {
    let golden = table("fits_bursting_strength.toml");
    let expected = |key: &str| number(&golden, &format!("one_sided_interval.{key}"));
    let found = interval::one_sided(expected("index"), 20, expected("confidence")).unwrap();
    same(found.lower, expected("lower"));
    same(found.upper, expected("upper"));
}
