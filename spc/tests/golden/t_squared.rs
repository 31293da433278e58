//! Hotelling's T-squared of particle sizes (source in t2_particle_size.toml).

use crate::load::{at, column, list, near, number, same, table};
use spc::baseline::joint::examine_joint;
use spc::t_squared::{Covariance, Phase, TSquared};

#[test]
fn particle_sizes_as_single_observations() {
    let file = "t2_particle_size.csv";
    let golden = table("t2_particle_size.toml");
    let rows: Vec<[f64; 2]> = column(file, 1)
        .into_iter()
        .zip(column(file, 2))
        .map(|(large, medium)| [large, medium])
        .collect();
    for (covariance, place, name) in [
        (Covariance::Sample, 4, "sample"),
        (Covariance::Successive, 5, "successive"),
    ] {
        let chart = TSquared::from_singles(&rows, covariance).unwrap();
        let expected = list(&golden, "recomputed.mean");
        chart
            .mean()
            .iter()
            .zip(expected)
            .for_each(|(x, e)| same(*x, e));
        let expected = at(&golden, &format!("recomputed.s_{name}"));
        for (i, row) in chart.covariance().into_iter().enumerate() {
            for (j, found) in row.into_iter().enumerate() {
                same(found, expected[i][j].as_float().unwrap());
            }
        }
        let printed = match covariance {
            Covariance::Sample => list(&golden, "published.t2_sample_cov_first5"),
            Covariance::Successive => list(&golden, "published.t2_successive_diff_first5"),
        };
        for (i, expected) in column(file, place).into_iter().enumerate() {
            let found = chart.statistic(&rows[i]).unwrap();
            // The file carries six decimals.
            near(found, expected, 6e-7);
            if let Some(printed) = printed.get(i) {
                near(found, *printed, 5.1e-4);
            }
        }
    }
    let chart = TSquared::from_singles(&rows, Covariance::Sample).unwrap();
    let limit = chart.limit(0.001, Phase::Baseline).unwrap().unwrap();
    same(
        limit,
        number(&golden, "recomputed.ucl_phase1_beta_alpha_0_001"),
    );
}

/// J. H. Sullivan and W. H. Woodall, Journal of Quality Technology 28(4) 1996, found a shift of the
/// level after observation 24 of this series (from memory). An independent computation puts the
/// largest two-sample T-squared there, at 46.3011, with a chance of 7.4789e-8 for one split.
#[test]
fn the_shift_of_the_particle_sizes_is_seen() {
    let file = "t2_particle_size.csv";
    let pairs = column(file, 1).into_iter().zip(column(file, 2));
    let rows: Vec<[f64; 2]> = pairs.map(|(large, medium)| [large, medium]).collect();
    let found = examine_joint(&rows, 0.01).unwrap();
    let shift = found[1];
    near(shift.statistic, 46.30105, 1e-5);
    near(shift.p_value.unwrap() / 55.0, 7.478924e-8, 1e-13);
    assert!(shift.warns);
}
