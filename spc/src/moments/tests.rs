//! Exact sums against their definition: order, cuts, bounds, stored bytes.

use super::*;
use proptest::prelude::*;

fn of(readings: &[f64]) -> Moments {
    let mut moments = Moments::new();
    readings.iter().for_each(|x| moments.push(*x));
    moments
}

fn bits(value: Option<f64>) -> Option<u64> {
    value.map(f64::to_bits)
}

#[test]
fn empty_and_single_have_no_variance() {
    assert_eq!(Moments::new().mean(), None);
    assert_eq!(Moments::new().range(), None);
    assert_eq!(of(&[4.5]).variance(), None);
    assert_eq!(bits(of(&[4.5]).mean()), Some(4.5f64.to_bits()));
}

#[test]
fn small_integers_give_textbook_values() {
    let m = of(&[2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]);
    assert_eq!(bits(m.mean()), bits(Some(5.0)));
    assert_eq!(bits(m.variance()), bits(Some(32.0 / 7.0)));
    assert_eq!(bits(m.range()), bits(Some(7.0)));
}

#[test]
fn equal_readings_have_exactly_zero_variance() {
    assert_eq!(bits(of(&[0.1; 1000]).variance()), bits(Some(0.0)));
    assert_eq!(bits(of(&[0.1; 1000]).mean()), bits(Some(0.1)));
}

#[test]
fn huge_readings_do_not_swallow_small_ones() {
    let m = of(&[1e19, 1.0, -1e19]);
    assert_eq!(bits(m.mean()), bits(Some(1.0 / 3.0)));
}

#[test]
fn readings_below_the_last_bit_are_rounded() {
    let unit = 2f64.powi(-120);
    assert_eq!(bits(of(&[unit * 0.5]).mean()), bits(Some(unit)));
    assert_eq!(bits(of(&[-unit * 0.5]).mean()), bits(Some(-unit)));
    assert_eq!(bits(of(&[unit * 0.49]).mean()), bits(Some(0.0)));
    assert_eq!(bits(of(&[unit * 1.25]).mean()), bits(Some(unit)));
    assert_eq!(bits(of(&[5e-324, -5e-324]).variance()), bits(Some(0.0)));
    let exact = 2f64.powi(-67) * (1.0 + f64::EPSILON);
    assert_eq!(bits(of(&[exact]).mean()), bits(Some(exact)));
}

#[test]
fn negative_zero_leaves_no_trace_of_order() {
    assert_eq!(of(&[0.0, -0.0]), of(&[-0.0, 0.0]));
    assert_eq!(of(&[-0.0]), of(&[0.0]));
}

#[test]
fn accepts_finite_below_two_to_the_64() {
    assert!(Moments::accepts(1.8e19) && Moments::accepts(-0.0));
    for bad in [
        f64::NAN,
        f64::INFINITY,
        -f64::INFINITY,
        2f64.powi(64),
        -1e300,
    ] {
        assert!(!Moments::accepts(bad), "{bad}");
    }
}

#[test]
fn contradicting_bytes_are_refused() {
    let good = of(&[1.0, 2.0, 4.0]).to_bytes();
    assert!(matches!(
        Moments::from_bytes(&good[1..]),
        Err(DecodeError::Length { .. })
    ));
    let refuse = |at: usize, value: u64| {
        let mut bytes = good.clone();
        bytes[at..at + 8].copy_from_slice(&value.to_le_bytes());
        assert!(Moments::from_bytes(&bytes).is_err(), "word at {at}");
    };
    refuse(0, 0);
    refuse(8, 9f64.to_bits());
    refuse(16, f64::NAN.to_bits());
    refuse(40, 1 << 60);
    refuse(56 + 24, 0);
}

fn reading() -> impl Strategy<Value = f64> {
    prop_oneof![
        -1e3..1e3f64,
        -1e18..1e18f64,
        -1e-30..1e-30f64,
        Just(0.0),
        Just(-0.0),
        Just(1.844_674_407_370_955e19),
    ]
}

#[test]
fn more_readings_than_narrow_sums_hold() {
    let largest = f64::from_bits(2.0f64.to_bits() - 1);
    let given: Vec<f64> = (0..100_000)
        .map(|n| if n % 3 == 0 { 8.0 * largest } else { -largest })
        .collect();
    let mut at_once = Moments::new();
    at_once.push_all(given.iter().copied());
    assert_eq!(at_once, of(&given));
}

proptest! {
    #[test]
    fn order_does_not_matter(
        (given, shuffled) in prop::collection::vec(reading(), 0..60)
            .prop_flat_map(|v| (Just(v.clone()), Just(v).prop_shuffle()))
    ) {
        prop_assert_eq!(of(&given), of(&shuffled));
    }

    #[test]
    fn many_at_once_equal_one_by_one(given in prop::collection::vec(reading(), 0..200)) {
        let mut at_once = Moments::new();
        at_once.push_all(given.iter().copied());
        prop_assert_eq!(at_once, of(&given));
    }

    #[test]
    fn splits_merge_to_the_same_bits(
        given in prop::collection::vec(reading(), 0..60),
        cuts in prop::collection::vec(0usize..60, 0..5),
    ) {
        let whole = of(&given);
        let mut merged = Moments::new();
        let mut cuts: Vec<_> = cuts.into_iter().map(|c| c.min(given.len())).collect();
        cuts.extend([0, given.len()]);
        cuts.sort_unstable();
        for pair in cuts.windows(2).rev() {
            merged.merge(&of(&given[pair[0]..pair[1]]));
        }
        prop_assert_eq!(&merged, &whole);
        prop_assert_eq!(bits(merged.variance()), bits(whole.variance()));
    }

    #[test]
    fn bytes_restore_the_same_state(given in prop::collection::vec(reading(), 0..40)) {
        let m = of(&given);
        prop_assert_eq!(Moments::from_bytes(&m.to_bytes()), Ok(m));
    }

    #[test]
    fn agrees_with_the_two_pass_formula(given in prop::collection::vec(-1e3..1e3f64, 2..50)) {
        let m = of(&given);
        let n = given.len() as f64;
        let mean = given.iter().sum::<f64>() / n;
        let variance = given.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0);
        let own = m.variance().unwrap();
        prop_assert!((m.mean().unwrap() - mean).abs() <= 1e-10);
        prop_assert!((own - variance).abs() <= 1e-9 * variance.max(1e-6));
    }
}
