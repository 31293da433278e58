//! CUSUM and EWMA on published series.

use crate::load::{at, near, number, numbers, positions, same, table};
use spc::cusum::{Cusum, CusumState};
use spc::ewma::{Ewma, EwmaState};
use spc::rules::Side;

/// Standardises the second column, runs the CUSUM and checks every printed row.
fn run(data: &str, centre: f64, unit: f64, cusum: Cusum) -> Vec<(usize, Side, CusumState)> {
    let mut state = cusum.start();
    let mut signals = Vec::new();
    for row in numbers(data) {
        let [i, x, upper, upper_points, lower, lower_points] = row[..] else {
            panic!("{row:?}")
        };
        if let Some(side) = cusum.push(&mut state, (x - centre) / unit) {
            signals.push((i as usize, side, state));
        }
        near(state.upper * unit, upper, 1e-9);
        near(state.lower * unit, lower, 1e-9);
        assert_eq!(
            (state.upper_points, state.lower_points),
            (upper_points as u32, lower_points as u32)
        );
    }
    signals
}

fn expected_signals(golden: &toml::Table) -> Vec<(usize, Side)> {
    let signals = at(golden, "recomputed.signals").as_array().unwrap();
    let signal = |s: &toml::Value| {
        assert_eq!(s["side"].as_str(), Some("upper"));
        (s["i"].as_integer().unwrap() as usize, Side::Upper)
    };
    signals.iter().map(signal).collect()
}

fn sides(signals: &[(usize, Side, CusumState)]) -> Vec<(usize, Side)> {
    signals.iter().map(|(i, side, _)| (*i, *side)).collect()
}

#[test]
fn cusum_of_thirty_observations() {
    let golden = table("cusum_montgomery.toml");
    let value = |key: &str| number(&golden, key);
    let cusum = Cusum {
        reference: value("k"),
        threshold: value("h"),
        head_start: 0.0,
    };
    let signals = run("cusum_montgomery.csv", value("mu0"), value("sigma"), cusum);
    assert_eq!(sides(&signals), expected_signals(&golden));
    let (i, side, state) = signals[0];
    same(i as f64, value("published.first_signal"));
    near(state.upper, value("published.c_plus_29"), 1e-9);
    same(f64::from(state.upper_points), value("published.n_plus_29"));
    let last_good = i - state.upper_points as usize;
    same(last_good as f64, value("published.last_period_in_control"));
    let mean = value("mu0") + value("sigma") * cusum.mean_since(&state, side).unwrap();
    same(mean, value("recomputed.mean_estimate"));
    near(mean, value("published.new_mean_estimate"), 5.1e-3);
}

#[test]
fn cusum_of_twenty_subgroup_means() {
    let golden = table("cusum_nist.toml");
    let value = |key: &str| number(&golden, key);
    let (reference, threshold) = (value("k_absolute"), value("h_absolute"));
    let cusum = Cusum {
        reference,
        threshold,
        head_start: 0.0,
    };
    let signals = run("cusum_nist.csv", value("mu0"), 1.0, cusum);
    assert_eq!(sides(&signals), expected_signals(&golden));
    same(signals[0].0 as f64, value("published.first_upper_signal"));
    near(signals[0].2.upper, value("published.s_hi_14"), 5.1e-3);
    near(signals[6].2.upper, value("published.s_hi_20"), 5.1e-3);
}

#[test]
fn ewma_of_thirty_observations() {
    let golden = table("ewma_montgomery.toml");
    let value = |key: &str| number(&golden, key);
    let chart = Ewma {
        weight: value("lambda_"),
        width: value("L"),
    };
    let (centre, sigma) = (value("mu0"), value("sigma"));
    let mut state = EwmaState::default();
    let mut signals = Vec::new();
    let mut averages = vec![f64::NAN];
    for row in numbers("ewma_montgomery.csv") {
        let [i, x, average, lower, upper] = row[..] else {
            panic!("{row:?}")
        };
        if chart.push(&mut state, (x - centre) / sigma).is_some() {
            signals.push(i as usize);
        }
        let half = sigma * chart.limit(state.points);
        averages.push(centre + sigma * state.average);
        // The file carries ten decimals.
        near(averages[i as usize], average, 1e-9);
        near(centre - half, lower, 1e-9);
        near(centre + half, upper, 1e-9);
    }
    assert_eq!(signals, positions(&golden, "recomputed.outside"));
    for i in [1, 2, 29, 30] {
        near(averages[i], value(&format!("published.z_{i}")), 5.1e-5);
    }
    for i in [1, 2] {
        let half = sigma * chart.limit(i);
        near(centre + half, value(&format!("published.ucl_{i}")), 5.1e-3);
        near(centre - half, value(&format!("published.lcl_{i}")), 5.1e-3);
    }
    let steady = sigma * chart.steady_limit();
    same(centre + steady, value("recomputed.ucl_steady"));
    same(centre - steady, value("recomputed.lcl_steady"));
    near(centre + steady, value("published.ucl_steady"), 5.1e-3);
    near(centre - steady, value("published.lcl_steady"), 5.1e-3);
}
