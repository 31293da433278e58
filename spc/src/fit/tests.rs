//! Fits find what was drawn; the choice is open and cautious.

use super::*;
use crate::simulation::Normals;
use proptest::prelude::*;

fn fitted(family: Family, readings: &[f64], bound: f64) -> Fit {
    one(family, readings, bound).unwrap().outcome.unwrap()
}

/// Readings at evenly spread shares of a distribution: as typical a sample as can be.
fn typical(distribution: &Distribution, count: u32) -> Vec<f64> {
    let share = |i: u32| (f64::from(i) + 0.5) / f64::from(count);
    (0..count)
        .map(|i| distribution.quantile(share(i)).unwrap())
        .collect()
}

fn skewed() -> Vec<(Distribution, f64)> {
    let new = |family, bound, first, second| {
        Distribution::new(family, bound, first, second).expect("in range")
    };
    vec![
        (new(Family::LogNormal, 0.0, 1.0, 0.6), 0.02),
        (new(Family::LogNormal, 50.0, 1.0, 0.6), 0.02),
        (new(Family::Weibull, 0.0, 1.2, 8.0), 0.02),
        (new(Family::Gamma, 0.0, 2.0, 3.0), 0.02),
        (new(Family::FoldedNormal, 0.0, 1.0, 1.0), 0.05),
    ]
}

#[test]
fn parameters_come_back_from_typical_samples() {
    for (distribution, tolerance) in skewed() {
        let bound = distribution.bound().unwrap();
        let readings = typical(&distribution, 1000);
        let found = fitted(distribution.family(), &readings, bound).distribution;
        let ((a, b), (c, d)) = (found.parameters(), distribution.parameters());
        assert!(
            (a / c - 1.0).abs() < tolerance,
            "{found:?} {distribution:?}"
        );
        assert!(
            (b / d - 1.0).abs() < tolerance,
            "{found:?} {distribution:?}"
        );
    }
}

#[test]
fn no_neighbouring_parameters_are_likelier() {
    for (distribution, _) in skewed() {
        let bound = distribution.bound().unwrap();
        let readings = typical(&distribution, 300);
        let family = distribution.family();
        let fit = fitted(family, &readings, bound);
        let (a, b) = fit.distribution.parameters();
        for (by_first, by_second) in [(1.01, 1.0), (0.99, 1.0), (1.0, 1.01), (1.0, 0.99)] {
            let near = Distribution::new(family, bound, a * by_first, b * by_second).unwrap();
            let likelihood: f64 = readings.iter().map(|x| near.log_density(*x)).sum();
            assert!(likelihood <= fit.log_likelihood, "{family:?}");
        }
    }
}

#[test]
fn skewed_readings_get_their_own_family_and_normal_ones_stay_normal() {
    for (distribution, _) in skewed() {
        let readings = typical(&distribution, 200);
        let found = select(&readings, distribution.bound().unwrap()).unwrap();
        assert_eq!(found.reason, Reason::AnotherFits, "{distribution:?}");
        assert_eq!(found.chosen.distribution.family(), distribution.family());
        assert_eq!(found.candidates.len(), Family::ALL.len());
    }
    let normal = Distribution::new(Family::Normal, 0.0, 120.0, 8.0).unwrap();
    let found = select(&typical(&normal, 200), 0.0).unwrap();
    assert_eq!(found.reason, Reason::NormalNotRejected);
    let folded = found.candidate(Family::FoldedNormal).unwrap();
    assert_eq!(folded.outcome, Err(Unfit::SameAsNormal));
}

#[test]
fn where_nothing_fits_the_choice_says_so() {
    let mut readings = vec![1.0; 60];
    readings.extend([9.0; 60]);
    readings.extend((0..10).map(|i| 5.0 + f64::from(i) * 0.01));
    let found = select(&readings, 0.0).unwrap();
    assert_eq!(found.reason, Reason::NothingFits);
    assert_eq!(found.chosen.distribution.family(), Family::Normal);
    assert_eq!(found.distinct, 12);
}

#[test]
fn half_normal_readings_are_found_at_the_edge() {
    let half = Distribution::new(Family::FoldedNormal, 0.0, 0.0, 2.0).unwrap();
    let found = select(&typical(&half, 150), 0.0).unwrap();
    let folded = found.candidate(Family::FoldedNormal).unwrap();
    let fit = folded.outcome.unwrap();
    assert!(fit.judgement.p_value > 0.5);
    let (location, sigma) = fit.distribution.parameters();
    assert!(location < 1.1 && (sigma.hypot(location) / 2.0 - 1.0).abs() < 0.02);
}

#[test]
fn right_families_are_rarely_rejected() {
    let mut normals = Normals::new(0xa54f_f53a_5f1d_36f1);
    let rounds = 400;
    let (mut folded, mut log_normal, mut gamma, mut weibull) = (0, 0, 0, 0);
    for round in 0..rounds {
        let z: Vec<f64> = (0..80).map(|_| normals.draw()).collect();
        let other: Vec<f64> = (0..80).map(|_| normals.draw()).collect();
        let rejects = |family, readings: Vec<f64>| {
            i32::from(fitted(family, &readings, 0.0).judgement.p_value < 0.05)
        };
        // Half the sum of two squares is exponential: gamma of shape 1 and Weibull of shape 1.
        let pairs = z.iter().zip(&other).map(|(a, b)| 0.5 * (a * a + b * b));
        let exponential: Vec<f64> = pairs.collect();
        gamma += rejects(Family::Gamma, exponential.clone());
        weibull += rejects(Family::Weibull, exponential);
        log_normal += rejects(Family::LogNormal, z.iter().map(|x| x.exp()).collect());
        // Each of its p-values is simulated, so fewer do.
        if round < 40 {
            let readings: Vec<f64> = z.iter().take(30).map(|x| (x + 1.5).abs()).collect();
            folded += rejects(Family::FoldedNormal, readings);
        }
    }
    for rejected in [gamma, weibull, log_normal] {
        let share = f64::from(rejected) / f64::from(rounds);
        assert!(share < 0.085, "{share}");
    }
    assert!(folded <= 7, "{folded}");
    assert!(gamma > 4 && weibull > 4 && log_normal > 4);
}

#[test]
fn unusable_readings_are_refused() {
    let few = ReadingsError::TooFew {
        needed: 8,
        found: 3,
    };
    assert_eq!(select(&[1.0, 2.0, 3.0], 0.0), Err(few));
    let bound = ReadingsError::Parameter("bound of the readings");
    let readings: Vec<f64> = (0..9).map(f64::from).collect();
    assert_eq!(select(&readings, f64::NAN), Err(bound));
    let found = select(&readings, 0.0).unwrap();
    let weibull = found.candidate(Family::Weibull).unwrap();
    assert_eq!(weibull.outcome, Err(Unfit::AtOrBelowBound(0.0)));
    assert!(
        found
            .candidate(Family::FoldedNormal)
            .unwrap()
            .outcome
            .is_ok()
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    #[test]
    fn scale_moves_the_parameters_and_nothing_else(
        readings in prop::collection::vec(0.01..50.0f64, 8..40),
        scale in 0.01..100.0f64,
    ) {
        let scaled: Vec<f64> = readings.iter().map(|x| scale * x).collect();
        for family in [Family::Normal, Family::LogNormal, Family::Weibull, Family::Gamma] {
            let first = one(family, &readings, 0.0).unwrap().outcome;
            let second = one(family, &scaled, 0.0).unwrap().outcome;
            if let (Ok(first), Ok(second)) = (first, second) {
                let gap = first.judgement.statistic - second.judgement.statistic;
                prop_assert!(gap.abs() < 1e-6, "{:?} {:?}", first, second);
                prop_assert!((0.0..=1.0).contains(&second.judgement.p_value));
                let shift = (readings.len() as f64) * scale.ln();
                let moved = first.log_likelihood - second.log_likelihood - shift;
                prop_assert!(moved.abs() < 1e-5, "{moved}");
            }
        }
    }
}
