//! Checks of a baseline against certified and independently computed values.

use crate::load::{column, near, number, numbers, same, table};
use spc::baseline::shape::skewness;
use spc::baseline::stability::autocorrelation;

#[test]
fn autocorrelation_is_the_certified_one() {
    let golden = table("strd_univariate.toml");
    let sets = golden["dataset"].as_array().unwrap();
    let mut compared = 0;
    for set in sets {
        let data = set["data"].as_str().unwrap();
        let certified = set["recomputed"]["r1"].as_str().unwrap();
        let series = column(data, 1);
        near(
            autocorrelation(&series, 1).unwrap(),
            certified.parse().unwrap(),
            1e-9,
        );
        compared += 1;
    }
    assert!(compared >= 4);
}

#[test]
fn skewness_of_bursting_strength() {
    let golden = table("fits_bursting_strength.toml");
    let expected = |key: &str| number(&golden, &format!("skewness.{key}"));
    let sample: Vec<f64> = numbers("bursting_strength.csv")
        .into_iter()
        .flat_map(|row| row[1..].to_vec())
        .collect();
    let found = skewness(&sample, 0.05).unwrap();
    same(found.statistic, expected("g1"));
    same(found.p_value.unwrap(), expected("p_value"));
}
