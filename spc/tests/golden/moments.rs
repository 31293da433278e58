//! NIST Statistical Reference Datasets, univariate summary statistics.

use crate::load::{at, column, table};
use spc::moments::Moments;

fn of(readings: impl IntoIterator<Item = f64>) -> Moments {
    let mut moments = Moments::new();
    readings.into_iter().for_each(|x| moments.push(x));
    moments
}

/// The certified value as printed, without its remark.
fn certified(dataset: &toml::Value, key: &str) -> f64 {
    let text = dataset["certified"][key].as_str().unwrap();
    text.split(' ').next().unwrap().parse().unwrap()
}

#[track_caller]
fn within(found: f64, expected: f64, relative: f64) {
    assert!(
        (found / expected - 1.0).abs() <= relative,
        "{found} {expected}"
    );
}

#[test]
fn certified_values_are_met_as_far_as_the_doubles_allow() {
    let golden = table("strd_univariate.toml");
    let sets = at(&golden, "dataset").as_array().unwrap();
    assert_eq!(sets.len(), 7);
    for dataset in sets {
        let name = dataset["name"].as_str().unwrap();
        let m = of(column(dataset["data"].as_str().unwrap(), 1));
        // Steps of 0.1 or 1e-5 are not exact doubles; the loss grows with mean over deviation.
        let deviation_tolerance = match name {
            "NumAcc4" => 1e-8,
            "NumAcc3" => 1e-9,
            "Mavro" | "Michelso" => 1e-12,
            _ => 3e-15,
        };
        assert_eq!(
            m.count() as i64,
            dataset["recomputed"]["n"].as_integer().unwrap()
        );
        within(m.mean().unwrap(), certified(dataset, "mean"), 2.3e-16);
        within(
            m.standard_deviation().unwrap(),
            certified(dataset, "sd"),
            deviation_tolerance,
        );
    }
}

#[test]
fn certified_deviations_are_met_in_full_on_exact_readings() {
    // Scaled by a power of ten every reading is an integer, hence exact; the deviation then has
    // no excuse and must carry all 15 certified digits.
    let golden = table("strd_univariate.toml");
    for dataset in at(&golden, "dataset").as_array().unwrap() {
        let scale = match dataset["name"].as_str().unwrap() {
            "NumAcc2" | "NumAcc3" | "NumAcc4" => 10.0,
            "Michelso" => 100.0,
            "Mavro" => 1e5,
            _ => 1.0,
        };
        let readings = column(dataset["data"].as_str().unwrap(), 1);
        let m = of(readings.into_iter().map(|y| (y * scale).round()));
        let expected = certified(dataset, "sd") * scale;
        within(m.standard_deviation().unwrap(), expected, 1.2e-15);
    }
}

/// In parts, in another order and merged, the same bits as in one pass.
#[test]
fn parts_of_a_set_merge_to_the_certified_whole() {
    let golden = table("strd_univariate.toml");
    for dataset in at(&golden, "dataset").as_array().unwrap() {
        let readings = column(dataset["data"].as_str().unwrap(), 1);
        let whole = of(readings.iter().copied());
        let mut merged = Moments::new();
        for part in readings.chunks(7).rev() {
            merged.merge(&of(part.iter().copied()));
        }
        assert_eq!(merged, whole);
    }
}
