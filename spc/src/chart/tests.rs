//! Unit tests of chart limits; published examples are checked in tests/golden.rs.

use super::*;
use proptest::prelude::*;

fn sample(size: f64, value: f64, spread: Option<f64>) -> Sample {
    Sample {
        size,
        value,
        spread,
    }
}

fn singles(values: &[f64]) -> Vec<Sample> {
    values.iter().map(|v| sample(1.0, *v, None)).collect()
}

#[track_caller]
fn close(found: f64, expected: f64) {
    assert!(
        (found - expected).abs() <= 1e-12 * expected.abs().max(1.0),
        "{found} {expected}"
    );
}

const KINDS: [ChartKind; 11] = [
    ChartKind::Individuals,
    ChartKind::MeanRange,
    ChartKind::MedianRange,
    ChartKind::MeanS,
    ChartKind::ThreeWay,
    ChartKind::P,
    ChartKind::PPrime,
    ChartKind::Np,
    ChartKind::C,
    ChartKind::U,
    ChartKind::UPrime,
];

#[test]
fn failed_preconditions_are_named() {
    let estimate = |kind, samples: &[Sample]| Limits::estimate(kind, samples, 3.0).unwrap_err();
    for kind in KINDS {
        let one = [sample(5.0, 0.5, Some(0.1))];
        let few = LimitsError::TooFewSamples {
            found: 1,
            needed: 2,
        };
        assert_eq!(estimate(kind, &one), few);
        let mut bad = [one[0]; 3];
        bad[2].size = 0.0;
        assert!(matches!(
            estimate(kind, &bad),
            LimitsError::Size { index: 2, .. }
        ));
        bad[2] = sample(5.0, f64::NAN, Some(0.1));
        assert_eq!(estimate(kind, &bad), LimitsError::NotFinite { index: 2 });
        bad[2] = sample(5.0, 0.5, Some(-0.1));
        assert!(matches!(
            estimate(kind, &bad),
            LimitsError::Value { index: 2, .. }
        ));
        let width = Limits::estimate(kind, &[one[0]; 3], f64::NAN);
        assert!(matches!(width, Err(LimitsError::Width(_))));
    }
}

#[test]
fn distances_between_events_have_exact_limits_and_normal_scores() {
    let samples = singles(&[800.0, 1500.0, 700.0]);
    let limits = Limits::estimate(ChartKind::G, &samples, 3.0).unwrap();
    close(limits.centre, 1000.0);
    let bounds = limits.bounds(1.0);
    assert!(limits.standardised(1e5, 1.0) > 3.0);
    // A count on a limit scores within three sigma, one beyond it outside.
    let (lower, upper) = (bounds.lower.unwrap(), bounds.upper.unwrap());
    assert!((3.0..4.0).contains(&lower) && (8000.0..8200.0).contains(&upper));
    assert!(limits.standardised(bounds.centre.round(), 1.0).abs() < 0.01);
    assert!(limits.spread_bounds(2.0).is_none());
    let broken = Limits::estimate(ChartKind::G, &singles(&[3.0, 2.5]), 3.0);
    assert!(matches!(broken, Err(LimitsError::Value { index: 1, .. })));
    let flat = Limits::estimate(ChartKind::T, &singles(&[0.0, 0.0]), 3.0);
    assert_eq!(flat, Err(LimitsError::ZeroVariance));
}

#[test]
fn samples_without_variation_give_no_limits() {
    let still = [sample(5.0, 0.0, Some(0.0)); 4];
    for kind in KINDS {
        assert_eq!(
            Limits::estimate(kind, &still, 3.0),
            Err(LimitsError::ZeroVariance)
        );
    }
    let all_bad = [sample(5.0, 1.0, None); 4];
    let found = Limits::estimate(ChartKind::P, &all_bad, 3.0);
    assert_eq!(found, Err(LimitsError::ZeroVariance));
}

#[test]
fn values_outside_their_range_are_refused() {
    for (kind, value) in [
        (ChartKind::P, 1.2),
        (ChartKind::PPrime, 1.2),
        (ChartKind::Np, 6.0),
        (ChartKind::C, -1.0),
        (ChartKind::U, -0.1),
        (ChartKind::UPrime, -0.1),
    ] {
        let samples = [sample(5.0, 0.5, None), sample(5.0, value, None)];
        let found = Limits::estimate(kind, &samples, 3.0);
        assert!(
            matches!(found, Err(LimitsError::Value { index: 1, .. })),
            "{kind:?}"
        );
    }
}

#[test]
fn means_need_spread_and_whole_sizes() {
    let missing = [sample(5.0, 1.0, Some(1.0)), sample(5.0, 1.0, None)];
    let single = [sample(5.0, 1.0, Some(1.0)), sample(1.0, 1.0, Some(0.0))];
    let broken = [sample(5.0, 1.0, Some(1.0)), sample(2.5, 1.0, Some(0.5))];
    for kind in [
        ChartKind::MeanRange,
        ChartKind::MedianRange,
        ChartKind::MeanS,
    ] {
        let estimate = |samples: &[Sample]| Limits::estimate(kind, samples, 3.0).unwrap_err();
        assert_eq!(estimate(&missing), LimitsError::MissingSpread { index: 1 });
        assert!(matches!(
            estimate(&single),
            LimitsError::Size { index: 1, .. }
        ));
        assert!(matches!(
            estimate(&broken),
            LimitsError::Size { index: 1, .. }
        ));
    }
}

#[test]
fn counts_on_unequal_areas_are_sent_to_the_u_chart() {
    let samples = [
        sample(1.0, 4.0, None),
        sample(1.0, 4.0, None),
        sample(2.0, 4.0, None),
    ];
    let found = Limits::estimate(ChartKind::C, &samples, 3.0);
    assert_eq!(found, Err(LimitsError::UnequalSize { index: 2 }));
}

#[test]
fn unequal_subgroups_are_weighted_by_what_they_know() {
    let samples = [sample(2.0, 10.0, Some(3.0)), sample(20.0, 11.0, Some(1.0))];
    let limits = Limits::estimate(ChartKind::MeanS, &samples, 3.0).unwrap();
    close(limits.centre, (2.0 * 10.0 + 20.0 * 11.0) / 22.0);
    // By hand: weights c4^2/(1 - c4^2) with c4(2) = 0.797885, c4(20) = 0.9869 (table of factors).
    let (c2, c20) = (0.797_884_560_803, 0.986934267525);
    let weight = |c: f64| c * c / (1.0 - c * c);
    let expected = (weight(c2) * 3.0 / c2 + weight(c20) * 1.0 / c20) / (weight(c2) + weight(c20));
    assert!(
        (limits.sigma - expected).abs() < 1e-7,
        "{} {expected}",
        limits.sigma
    );
    assert!(limits.sigma < 1.2, "the small subgroup must not dominate");
    close(limits.sigma_at(4.0), limits.sigma / 2.0);
}

#[test]
fn np_follows_the_size_of_each_sample() {
    let samples = [sample(100.0, 10.0, None), sample(300.0, 30.0, None)];
    let limits = Limits::estimate(ChartKind::Np, &samples, 3.0).unwrap();
    close(limits.centre, 0.1);
    let bounds = limits.bounds(200.0);
    close(bounds.centre, 20.0);
    close(bounds.upper.unwrap(), 20.0 + 3.0 * 18f64.sqrt());
    close(
        limits.bounds(3.0).upper.unwrap(),
        (0.3 + 3.0 * 0.27f64.sqrt()).min(3.0),
    );
    close(limits.standardised(29.0, 100.0), 19.0 / 3.0);
}

#[test]
fn attribute_limits_stay_within_what_can_happen() {
    let p = Limits::estimate(ChartKind::P, &[sample(10.0, 0.9, None); 2], 3.0).unwrap();
    assert_eq!(p.bounds(10.0).upper, Some(1.0));
    let p = Limits::estimate(ChartKind::P, &[sample(10.0, 0.1, None); 2], 3.0).unwrap();
    assert_eq!(p.bounds(10.0).lower, Some(0.0));
    let u = Limits::estimate(ChartKind::U, &[sample(10.0, 0.1, None); 2], 3.0).unwrap();
    assert_eq!(u.bounds(1.0).lower, Some(0.0));
    assert_eq!(u.spread_bounds(10.0), None);
}

#[test]
fn a_size_of_zero_has_no_limits_and_no_nan() {
    for kind in KINDS {
        let samples = [sample(5.0, 0.4, Some(0.1)), sample(5.0, 0.6, Some(0.1))];
        let limits = Limits::estimate(kind, &samples, 3.0).unwrap();
        for size in [0.0, -1.0, f64::NAN] {
            let bounds = limits.bounds(size);
            assert!(
                !bounds.centre.is_nan() && !limits.sigma_at(size).is_nan(),
                "{kind:?}"
            );
            assert!(bounds.lower.is_none_or(f64::is_finite), "{kind:?}");
            assert!(limits.standardised(0.7, size).is_finite(), "{kind:?}");
        }
    }
}

#[test]
fn three_way_without_spreads_still_charts_the_means() {
    let samples = singles(&[1.0, 2.0, 1.5, 1.8]);
    let limits = Limits::estimate(ChartKind::ThreeWay, &samples, 3.0).unwrap();
    assert_eq!((limits.sigma_within, limits.sigma_between), (None, None));
    assert_eq!(limits.spread_bounds(5.0), None);
    assert!(limits.moving_range_bounds().is_some());
    let alike = Limits::estimate(ChartKind::Individuals, &samples, 3.0).unwrap();
    close(limits.sigma, alike.sigma);
}

#[test]
fn false_alarms_follow_the_width() {
    let wide = |width| {
        let limits = Limits::estimate(ChartKind::Individuals, &singles(&[1.0, 2.0]), width);
        limits.unwrap().false_alarm_per_point()
    };
    // 0.0027 at three sigma: Montgomery, section 5.3.
    assert!((wide(3.0) - 0.002_699_796_063_260_2).abs() < 1e-15);
    assert!((wide(1.959_963_984_540_054) - 0.05).abs() < 1e-12);
}

proptest! {
    #[test]
    fn limits_move_with_unit_and_origin(
        values in prop::collection::vec(-50.0..50.0f64, 5..40),
        scale in 0.01..100.0f64,
        shift in -1e3..1e3f64,
    ) {
        let moved: Vec<f64> = values.iter().map(|v| scale * v + shift).collect();
        let plain = Limits::estimate(ChartKind::Individuals, &singles(&values), 3.0).unwrap();
        let moved = Limits::estimate(ChartKind::Individuals, &singles(&moved), 3.0).unwrap();
        let expected = scale * plain.bounds(1.0).upper.unwrap() + shift;
        let found = moved.bounds(1.0).upper.unwrap();
        prop_assert!((found - expected).abs() <= 1e-9 * (expected.abs() + 1e3));
    }

    #[test]
    fn equal_sizes_reduce_to_the_plain_average(
        spreads in prop::collection::vec(0.1..5.0f64, 2..30),
        size in 2u32..40,
    ) {
        let n = f64::from(size);
        let samples: Vec<Sample> = spreads.iter().map(|s| sample(n, 1.0, Some(*s))).collect();
        let mean = spreads.iter().sum::<f64>() / spreads.len() as f64;
        let by_s = Limits::estimate(ChartKind::MeanS, &samples, 3.0).unwrap().sigma;
        let by_range = Limits::estimate(ChartKind::MeanRange, &samples, 3.0).unwrap().sigma;
        prop_assert!((by_s - mean / crate::constants::c4(size).unwrap()).abs() < 1e-11);
        prop_assert!((by_range - mean / crate::constants::d2(size).unwrap()).abs() < 1e-11);
    }
}
