//! Hotelling's T-squared of particle sizes (source in t2_particle_size.toml).

use crate::load::{at, column, list, near, number, same, table};
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
