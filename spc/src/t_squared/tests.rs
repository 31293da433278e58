//! Unit tests of T-squared; the published example is checked in tests/golden.

use super::*;
use crate::simulation::Normals;
use proptest::prelude::*;

fn correlated(normals: &mut Normals) -> [f64; 2] {
    let (a, b) = (normals.draw(), normals.draw());
    [3.0 + 2.0 * a, -1.0 + 0.5 * (0.8 * a + 0.6 * b)]
}

#[test]
fn failed_preconditions_are_named() {
    let fit = |rows: &[Vec<f64>]| TSquared::from_singles(rows, Covariance::Sample).unwrap_err();
    assert_eq!(fit(&[]), TSquaredError::Measures(0));
    assert_eq!(fit(&[vec![0.0; 9]]), TSquaredError::Measures(9));
    let rows = |last: Vec<f64>| {
        vec![
            vec![1.0, 2.0],
            vec![2.0, 1.0],
            vec![0.0, 4.0],
            vec![3.0, 3.0],
            last,
        ]
    };
    let found = fit(&rows(vec![1.0]));
    assert!(matches!(found, TSquaredError::Length { index: 4, .. }));
    let found = fit(&rows(vec![1.0, f64::NAN]));
    assert_eq!(found, TSquaredError::NotFinite { index: 4 });
    let found = fit(&rows(vec![1.0, 1.0])[..3]);
    assert!(matches!(found, TSquaredError::TooFew { needed: 4, .. }));
    let still: Vec<Vec<f64>> = (0..9).map(|i| vec![f64::from(i), 7.0]).collect();
    assert_eq!(fit(&still), TSquaredError::Singular);
    let sum: Vec<Vec<f64>> = (0..9)
        .map(|i| vec![f64::from(i % 4), 5.0 - f64::from(i % 4)])
        .collect();
    assert_eq!(fit(&sum), TSquaredError::Singular);
    let one = vec![vec![1.0, 2.0], vec![2.0, 0.0]];
    let found = TSquared::from_subgroups(std::slice::from_ref(&one)).unwrap_err();
    assert!(matches!(found, TSquaredError::TooFew { needed: 2, .. }));
    let found = TSquared::from_subgroups(&[one.clone(), one[..1].to_vec()]).unwrap_err();
    assert_eq!(found, TSquaredError::Subgroup { index: 1, found: 1 });
    let skewed = [vec![1.0, 0.5], vec![0.2, 1.0]];
    let found = TSquared::known(&[0.0, 0.0], &skewed).unwrap_err();
    assert_eq!(found, TSquaredError::Singular);
    let good = TSquared::known(&[0.0], &[vec![1.0]]).unwrap();
    assert!(matches!(
        good.limit(f64::NAN, Phase::Baseline),
        Err(TSquaredError::Chance(_))
    ));
    assert!(good.statistic(&[f64::INFINITY]).is_err());
}

/// One measure: T-squared is the square of Student's t, and of a standard normal value if known.
#[test]
fn one_measure_is_the_square_of_student() {
    let rows: Vec<[f64; 1]> = (0..21).map(|i| [f64::from(i * i % 11)]).collect();
    let chart = TSquared::from_singles(&rows, Covariance::Sample).unwrap();
    let limit = chart.limit(0.05, Phase::Monitoring).unwrap().unwrap();
    // t(0.975; 20) = 2.086 (NIST/SEMATECH e-Handbook 1.3.6.7.2), (1 + 1/21) t^2.
    assert!(
        (limit * 21.0 / 22.0 - 2.086f64.powi(2)).abs() < 2e-3,
        "{limit}"
    );
    let known = TSquared::known(&[0.0], &[vec![1.0]]).unwrap();
    let limit = known.limit(0.05, Phase::Monitoring).unwrap().unwrap();
    assert!((limit - 1.959_963_984_540_054_f64.powi(2)).abs() < 1e-9);
}

/// The limits hold their chance: simulated with several hundred baselines.
#[test]
fn limits_hold_the_chance_they_name() {
    let mut normals = Normals::new(5);
    let (mut own, mut later, mut points) = (0, 0, 0);
    for _ in 0..1500 {
        let rows: Vec<[f64; 2]> = (0..20).map(|_| correlated(&mut normals)).collect();
        let chart = TSquared::from_singles(&rows, Covariance::Sample).unwrap();
        let first = chart.limit(0.05, Phase::Baseline).unwrap().unwrap();
        let second = chart.limit(0.05, Phase::Monitoring).unwrap().unwrap();
        for row in &rows {
            points += 1;
            own += u32::from(chart.statistic(row).unwrap() > first);
            let new = correlated(&mut normals);
            later += u32::from(chart.statistic(&new).unwrap() > second);
        }
    }
    for count in [own, later] {
        // 30,000 points, standard error 0.13 % and a little more for shared baselines.
        let share = f64::from(count) / f64::from(points);
        assert!((share - 0.05).abs() < 0.006, "{share}");
    }
}

#[test]
fn limits_of_subgroups_hold_the_chance_they_name() {
    let mut normals = Normals::new(6);
    let (mut own, mut later, mut points) = (0, 0, 0);
    for _ in 0..1000 {
        let mut group =
            || -> Vec<Vec<f64>> { (0..4).map(|_| correlated(&mut normals).to_vec()).collect() };
        let groups: Vec<Vec<Vec<f64>>> = (0..12).map(|_| group()).collect();
        let chart = TSquared::from_subgroups(&groups).unwrap();
        let first = chart.limit(0.05, Phase::Baseline).unwrap().unwrap();
        let second = chart.limit(0.05, Phase::Monitoring).unwrap().unwrap();
        for one in &groups {
            points += 1;
            own += u32::from(chart.statistic(&mean_of(one, 2)).unwrap() > first);
            let new = mean_of(&group(), 2);
            later += u32::from(chart.statistic(&new).unwrap() > second);
        }
    }
    for count in [own, later] {
        let share = f64::from(count) / f64::from(points);
        assert!((share - 0.05).abs() < 0.009, "{share}");
    }
}

#[test]
fn a_contribution_is_what_the_other_measures_do_not_explain() {
    let covariance = [vec![4.0, 1.5], vec![1.5, 1.0]];
    let chart = TSquared::known(&[1.0, 2.0], &covariance).unwrap();
    let point = [4.0, 1.0];
    let whole = chart.statistic(&point).unwrap();
    let found = chart.contributions(&point).unwrap();
    assert!((found[0] - (whole - 1.0)).abs() < 1e-12, "without x: 1^2/1");
    assert!(
        (found[1] - (whole - 2.25)).abs() < 1e-12,
        "without y: 3^2/4"
    );
    for (row, expected) in chart.covariance().iter().zip(&covariance) {
        for (found, expected) in row.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-12);
        }
    }
}

/// Successive differences have no exact law: the share of later points beyond the limit is counted
/// over many baselines, each with one later point. Four standard errors of a share of 1 % in
/// 20 000 trials are 0.28 %.
#[test]
fn later_points_pass_the_limit_of_successive_differences_as_seldom_as_it_says() {
    let mut normals = Normals::new(41);
    for m in [15, 25] {
        let mut beyond = 0;
        for _ in 0..20_000 {
            let rows: Vec<[f64; 2]> = (0..m).map(|_| correlated(&mut normals)).collect();
            let chart = TSquared::from_singles(&rows, Covariance::Successive).unwrap();
            let chance = chart.chance_beyond(chart.statistic(&correlated(&mut normals)).unwrap());
            beyond += u32::from(chance.unwrap() < 0.01);
        }
        let share = f64::from(beyond) / 20_000.0;
        assert!((share - 0.01).abs() < 0.0028, "{m}: {share}");
    }
}

#[test]
fn the_chance_beyond_a_limit_is_the_one_it_was_asked_for() {
    let mut normals = Normals::new(5);
    let rows: Vec<[f64; 2]> = (0..25).map(|_| correlated(&mut normals)).collect();
    let subgroups: Vec<Vec<Vec<f64>>> = rows
        .chunks(5)
        .map(|five| five.iter().map(|row| row.to_vec()).collect())
        .collect();
    let charts = [
        TSquared::from_singles(&rows, Covariance::Sample).unwrap(),
        TSquared::from_singles(&rows, Covariance::Successive).unwrap(),
        TSquared::from_subgroups(&subgroups).unwrap(),
        TSquared::known(&[0.0, 0.0], &[vec![1.0, 0.5], vec![0.5, 1.0]]).unwrap(),
    ];
    for chart in charts {
        for alpha in [0.5, 0.01, 0.0027, 1e-5] {
            let limit = chart.limit(alpha, Phase::Monitoring).unwrap().unwrap();
            let found = chart.chance_beyond(limit).unwrap();
            assert!((found / alpha - 1.0).abs() < 1e-6, "{alpha}: {found}");
        }
        assert_eq!(chart.chance_beyond(0.0), Some(1.0));
    }
}

#[test]
fn a_chart_is_restored_to_the_last_bit() {
    let mut normals = Normals::new(6);
    let rows: Vec<[f64; 2]> = (0..25).map(|_| correlated(&mut normals)).collect();
    let chart = TSquared::from_singles(&rows, Covariance::Successive).unwrap();
    let again = TSquared::restored(chart.mean(), &chart.covariance(), chart.origin()).unwrap();
    assert_eq!(chart, again);
}

proptest! {
    /// Units and origins do not matter: T-squared is the same for scaled and shifted measures.
    #[test]
    fn scale_and_shift_change_nothing(
        rows in prop::collection::vec(prop::array::uniform3(-9.0..9.0f64), 8..40),
        scale in prop::array::uniform3(1e-6..1e6f64),
        shift in prop::array::uniform3(-50.0..50.0f64),
    ) {
        let moved: Vec<[f64; 3]> = rows
            .iter()
            .map(|row| std::array::from_fn(|i| scale[i] * (row[i] + shift[i])))
            .collect();
        for covariance in [Covariance::Sample, Covariance::Successive] {
            let base = TSquared::from_singles(&rows, covariance).unwrap();
            let other = TSquared::from_singles(&moved, covariance).unwrap();
            for (row, moved) in rows.iter().zip(&moved) {
                let (a, b) = (base.statistic(row).unwrap(), other.statistic(moved).unwrap());
                prop_assert!((a - b).abs() < 1e-6 * (1.0 + a), "{} {}", a, b);
                prop_assert!(a >= 0.0);
            }
            // (m - 1)^2/m bounds the statistic of a baseline's own point.
            let m = rows.len() as f64;
            if covariance == Covariance::Sample {
                let largest = rows.iter().map(|row| base.statistic(row).unwrap());
                prop_assert!(largest.fold(0.0, f64::max) <= (m - 1.0).powi(2) / m + 1e-9);
            }
        }
    }
}
