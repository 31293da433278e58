//! Preconditions of a capability study and the order of its bounds.

use super::interval::chi_square_quantile;
use super::*;
use proptest::prelude::*;

fn study() -> Study {
    Study {
        subgroups: 25,
        readings: 125,
        mean: 16.0,
        sigma_within: 2.0,
        sigma_overall: 2.5,
        observed_below: 0,
        observed_above: 3,
    }
}

fn both_sides() -> Specification {
    Specification::new(Some(8.0), None, Some(20.0)).unwrap()
}

#[test]
fn an_unstable_stream_has_no_capability() {
    let found = capability(&both_sides(), &study(), Stability::Unstable, 0.95).unwrap();
    assert_eq!(found.capability, None);
    assert_eq!(found.quoted().label, Label::Performance);
    let stable = capability(&both_sides(), &study(), Stability::Stable, 0.95).unwrap();
    assert_eq!(stable.quoted().label.nearest_symbol(), "Cpk");
    assert_eq!(stable.performance, found.performance);
}

#[test]
fn one_sided_specifications_have_no_spread_index() {
    let upper = Specification::new(None, Some(15.0), Some(20.0)).unwrap();
    let found = capability(&upper, &study(), Stability::Stable, 0.95).unwrap();
    let pair = found.quoted();
    assert_eq!(
        (pair.spread, pair.lower_side, pair.expected_ppm_below),
        (None, None, None)
    );
    assert_eq!((found.off_centre, found.observed_ppm_below), (None, None));
    assert!((pair.nearest.value - 2.0 / 3.0).abs() < 1e-15);
    assert!((found.observed_ppm_above.unwrap() - 24_000.0).abs() < 1e-9);
}

#[test]
fn unusable_specifications_are_refused() {
    use SpecificationError as E;
    let new = Specification::new;
    assert_eq!(new(None, Some(1.0), None), Err(E::NoLimit));
    assert_eq!(new(Some(f64::NAN), None, None), Err(E::NotFinite));
    let reversed = E::Reversed {
        lower: 2.0,
        upper: 1.0,
    };
    assert_eq!(new(Some(2.0), None, Some(1.0)), Err(reversed));
    assert!(new(Some(1.0), None, Some(1.0)).is_err());
    assert_eq!(new(Some(1.0), Some(0.5), None), Err(E::TargetOutside(0.5)));
    assert_eq!(
        new(Some(1.0), Some(3.5), Some(3.0)),
        Err(E::TargetOutside(3.5))
    );
    let unchecked = Specification {
        lower: None,
        target: None,
        upper: None,
    };
    let found = capability(&unchecked, &study(), Stability::Stable, 0.95);
    assert_eq!(found, Err(CapabilityError::Specification(E::NoLimit)));
}

#[test]
fn failed_preconditions_are_named() {
    use CapabilityError as E;
    let run = |study: Study, confidence| {
        capability(&both_sides(), &study, Stability::Stable, confidence).unwrap_err()
    };
    assert_eq!(
        run(
            Study {
                subgroups: 1,
                ..study()
            },
            0.95
        ),
        E::TooFewSubgroups(1)
    );
    assert!(matches!(
        run(
            Study {
                readings: 24,
                ..study()
            },
            0.95
        ),
        E::Counts(_)
    ));
    assert!(matches!(
        run(
            Study {
                observed_below: 123,
                ..study()
            },
            0.95
        ),
        E::Counts(_)
    ));
    assert_eq!(
        run(
            Study {
                mean: f64::NAN,
                ..study()
            },
            0.95
        ),
        E::MeanNotFinite
    );
    assert_eq!(run(study(), 1.0), E::Confidence(1.0));
    for sigma in [0.0, -1.0, f64::INFINITY] {
        let within = Study {
            sigma_within: sigma,
            ..study()
        };
        let overall = Study {
            sigma_overall: sigma,
            ..study()
        };
        assert!(matches!(run(within, 0.95), E::Sigma { .. }));
        assert!(matches!(run(overall, 0.95), E::Sigma { .. }));
        assert!(capability(&both_sides(), &within, Stability::Unstable, 0.95).is_ok());
    }
}

#[test]
fn chi_square_quantiles_are_those_of_the_table() {
    // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4 (printed to 3 decimals).
    for (p, freedom, tabled) in [
        (0.95, 1.0, 3.841),
        (0.99, 10.0, 23.209),
        (0.975, 19.0, 32.852),
        (0.05, 10.0, 3.940),
    ] {
        let found = chi_square_quantile(p, freedom);
        assert!((found - tabled).abs() <= 5.1e-4, "{p} {freedom}: {found}");
    }
    // Two degrees of freedom: the quantile is -2 ln(1 - p).
    let exact = -2.0 * 0.025f64.ln();
    assert!((chi_square_quantile(0.975, 2.0) - exact).abs() < 1e-11);
}

proptest! {
    #[test]
    fn bounds_enclose_the_estimate_and_widen_with_confidence(
        mean in 8.0..20.0f64,
        sigma in 0.1..5.0f64,
        subgroups in 2u32..200,
    ) {
        let study = Study { mean, sigma_within: sigma, subgroups, readings: 1000, ..study() };
        let at = |confidence| {
            let found = capability(&both_sides(), &study, Stability::Stable, confidence);
            *found.unwrap().quoted()
        };
        let (narrow, wide) = (at(0.8), at(0.99));
        let spread = narrow.spread.unwrap();
        prop_assert!(narrow.nearest.value <= spread.value + 1e-12);
        prop_assert!(wide.nearest.lower < narrow.nearest.lower);
        prop_assert!(narrow.nearest.lower < narrow.nearest.value);
        prop_assert!(narrow.nearest.value < narrow.nearest.upper);
        prop_assert!(wide.spread.unwrap().lower < spread.lower);
        prop_assert!(spread.lower < spread.upper);
    }
}
