//! Preconditions, sums and coverage of gauge studies.

use super::anova::{Interaction, analyse};
use super::nested::nested;
use super::range::ranges;
use super::*;
use crate::simulation::Normals;
use proptest::prelude::*;

/// A study with known sigmas of parts, operators, interaction and trials.
fn drawn(normals: &mut Normals, shape: (usize, usize, usize), sigmas: [f64; 4]) -> Study {
    let (parts, operators, trials) = shape;
    let [of_part, of_operator, of_both, of_trial] = sigmas;
    let biases: Vec<f64> = (0..operators)
        .map(|_| of_operator * normals.draw())
        .collect();
    let mut values = Vec::new();
    for _ in 0..parts {
        let part = of_part * normals.draw();
        for bias in &biases {
            let cell = part + bias + of_both * normals.draw();
            values.extend((0..trials).map(|_| cell + of_trial * normals.draw()));
        }
    }
    Study::new(parts, operators, trials, values).unwrap()
}

#[test]
fn bounds_cover_the_true_components_as_often_as_they_say() {
    let sigmas = [3.0, 0.8, 0.5, 1.0];
    let [part, operator, both, trial] = sigmas.map(|sigma: f64| sigma * sigma);
    let gauge = operator + both + trial;
    let mut normals = Normals::new(20);
    let rounds = 400;
    let mut covered = [0; 6];
    for _ in 0..rounds {
        let study = drawn(&mut normals, (10, 6, 3), sigmas);
        let found = analyse(&study, Interaction::Kept, 0.90).unwrap().components;
        let rows = [
            (Some(found.repeatability), trial),
            (found.reproducibility, operator),
            (found.interaction, both),
            (Some(found.gauge), gauge),
            (Some(found.part), part),
            (Some(found.total), gauge + part),
        ];
        for (count, (component, truth)) in covered.iter_mut().zip(rows) {
            let (lower, upper) = component.unwrap().bounds.unwrap();
            *count += i32::from(lower <= truth && truth <= upper);
        }
    }
    for count in covered {
        let share = f64::from(count) / f64::from(rounds);
        assert!(share > 0.86 && share < 0.97, "{covered:?}");
    }
}

#[test]
fn one_operator_leaves_repeatability_and_parts() {
    let study = drawn(&mut Normals::new(3), (12, 1, 4), [5.0, 0.0, 0.0, 1.0]);
    let found = analyse(&study, Interaction::PooledAbove(0.25), 0.95).unwrap();
    assert_eq!(
        (found.operator, found.interaction, found.pooled),
        (None, None, None)
    );
    let parts = found.components;
    assert!((parts.gauge.variance - parts.repeatability.variance).abs() < 1e-12);
    assert!((parts.repeatability.sigma() - 1.0).abs() < 0.35);
    let by_range = ranges(&study).unwrap();
    assert_eq!(by_range.k2, None);
    assert!((by_range.components.repeatability.sigma() - 1.0).abs() < 0.35);
}

#[test]
fn a_gauge_without_variation_has_no_count_of_categories() {
    let study = Study::new(2, 1, 2, vec![1.0, 1.0, 2.0, 2.0]).unwrap();
    let found = analyse(&study, Interaction::Kept, 0.95).unwrap();
    assert_eq!((found.part.f, found.part.p_value), (None, None));
    assert_eq!(found.components.distinct_categories(), None);
    let poor = Study::new(2, 1, 2, vec![1.0, 2.0, 1.1, 2.1]).unwrap();
    let found = analyse(&poor, Interaction::Kept, 0.95).unwrap().components;
    assert!(found.part.was_negative);
    assert_eq!(found.distinct_categories(), Some(1));
}

#[test]
fn a_wild_trial_is_named() {
    let mut study = drawn(&mut Normals::new(9), (10, 3, 3), [3.0, 0.5, 0.0, 0.2]);
    // Part 4, operator 1, first trial.
    study.values[(4 * 3 + 1) * 3] += 8.0;
    assert_eq!(ranges(&study).unwrap().beyond, [(4, 1)]);
}

#[test]
fn failed_preconditions_are_named() {
    use GaugeError as E;
    let new = |p, o, t, values: &[f64]| Study::new(p, o, t, values.to_vec()).unwrap_err();
    let few = |what, needed, found| E::TooFew {
        what,
        needed,
        found,
    };
    assert_eq!(new(1, 1, 2, &[1.0, 2.0]), few("parts", 2, 1));
    assert_eq!(new(2, 0, 2, &[]), few("operators", 1, 0));
    assert_eq!(new(2, 1, 1, &[1.0, 2.0]), few("trials", 2, 1));
    let shape = E::Shape {
        needed: 4,
        found: 2,
    };
    assert_eq!(new(2, 1, 2, &[1.0, 2.0]), shape);
    assert_eq!(new(2, 1, 2, &[1.0, 2.0, f64::NAN, 1.0]), E::NotFinite(2));
    assert_eq!(new(2, 1, 2, &[0.1; 4]), E::NoVariation);
    assert_eq!(new(2, 1, 2, &[1e300, -1e300, 0.0, 0.0]), E::OutOfRange);
    assert_eq!(nested(&[], &[], 0.95), Err(few("levels", 1, 0)));
    assert_eq!(
        nested(&[2, 1], &[1.0, 2.0], 0.95),
        Err(few("groups of each level", 2, 1))
    );
    let study = Study::new(2, 1, 2, vec![1.0, 1.5, 2.0, 2.0]).unwrap();
    assert!(analyse(&study, Interaction::Kept, 1.0).is_err());
    assert!(analyse(&study, Interaction::PooledAbove(f64::NAN), 0.95).is_err());
    let found = analyse(&study, Interaction::Kept, 0.95).unwrap().components;
    for tolerance in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(found.share(&found.gauge, Some(tolerance)).is_err());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    #[test]
    fn shift_and_scale_move_components_as_they_should(
        seed in 0u64..1000,
        parts in 2usize..6,
        operators in 1usize..4,
        trials in 2usize..4,
        scale in 0.01..100.0f64,
        shift in -50.0..50.0f64,
    ) {
        let shape = (parts, operators, trials);
        let study = drawn(&mut Normals::new(seed), shape, [2.0, 1.0, 0.5, 1.0]);
        let moved = study.values.iter().map(|x| shift + scale * x).collect();
        let other = Study::new(parts, operators, trials, moved).unwrap();
        let of = |study: &Study| {
            let found = analyse(study, Interaction::PooledAbove(0.25), 0.95).unwrap();
            let lines = found.part.sum_of_squares
                + found.operator.map_or(0.0, |line| line.sum_of_squares)
                + found.interaction.map_or(0.0, |line| line.sum_of_squares)
                + found.repeatability.sum_of_squares;
            assert!((lines - found.total.sum_of_squares).abs() <= 1e-9 * lines);
            (found.components, ranges(study).unwrap().components)
        };
        let ((first, by_range), (second, other_range)) = (of(&study), of(&other));
        let squared = scale * scale;
        for (a, b) in [
            (first.gauge, second.gauge),
            (first.part, second.part),
            (by_range.gauge, other_range.gauge),
            (by_range.part, other_range.part),
        ] {
            prop_assert!((b.variance - squared * a.variance).abs() <= 1e-6 * squared);
            if let Some((lower, upper)) = b.bounds {
                prop_assert!(lower.is_finite() && lower <= upper && !upper.is_nan());
                prop_assert!(lower <= b.variance + 1e-9 && b.variance <= upper + 1e-9);
            }
        }
    }
}
