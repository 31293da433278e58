//! Many tests at once: a list with a stated false discovery rate.
//!
//! Purpose: say which of thousands of deposits to show, when each has a p-value. Must not know
//! what was tested. The one invariant: a p-value on the list is never larger than one off it.
//!
//! Step-up procedure of Y. Benjamini and Y. Hochberg, Journal of the Royal Statistical Society B
//! 57(1) 1995: with p(1) <= .. <= p(m), the list ends at the largest i with p(i) <= i q/m. The
//! expected share of false entries is at most q for independent tests, and for positively
//! dependent ones (Y. Benjamini and D. Yekutieli, Annals of Statistics 29(4) 2001).

use thiserror::Error;

/// Tests that are called real.
#[derive(Clone, Debug, PartialEq)]
pub struct Discoveries {
    /// Positions of the tests on the list, by rising p-value; equal ones by position.
    pub listed: Vec<usize>,
    /// Largest p-value on the list; 0 when it is empty.
    pub threshold: f64,
    /// For each test, in the order given, the smallest rate at which it would be on the list.
    pub adjusted: Vec<f64>,
}

/// Which precondition failed.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum MultipleError {
    /// A p-value is not from 0 to 1.
    #[error("p-value {value} at position {position}; it must be from 0 to 1")]
    Probability {
        /// Position in the tests given.
        position: usize,
        /// The value.
        value: f64,
    },
    /// The rate is not inside 0 to 1.
    #[error("the false discovery rate must lie between 0 and 1, not {0}")]
    Rate(f64),
}

/// The tests to list so that at most the share `rate` of the list is expected to be false.
///
/// `p` are p-values, one a test. Equal p-values are listed together or not at all. No tests give an
/// empty list. `adjusted` holds min over j >= i of m p(j)/j, at most 1 (Y. Yekutieli and Y.
/// Benjamini, Journal of Statistical Planning and Inference 82, 1999). Cost: that of sorting.
///
/// ```
/// let found = spc::multiple::list(&[0.001, 0.6, 0.02, 0.9], 0.1)?;
/// assert_eq!(found.listed, [0, 2]);
/// # Ok::<(), spc::multiple::MultipleError>(())
/// ```
///
/// # Errors
/// [`MultipleError`] for a value that is no probability, or a rate not inside 0 to 1.
pub fn list(p: &[f64], rate: f64) -> Result<Discoveries, MultipleError> {
    if !(rate > 0.0 && rate < 1.0) {
        return Err(MultipleError::Rate(rate));
    }
    let wrong = p.iter().position(|value| !(0.0..=1.0).contains(value));
    if let Some(position) = wrong {
        let value = p[position];
        return Err(MultipleError::Probability { position, value });
    }
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]).then(a.cmp(b)));
    let count = p.len() as f64;
    let mut adjusted = vec![0.0; p.len()];
    let mut least: f64 = 1.0;
    for (rank, test) in order.iter().enumerate().rev() {
        least = least.min(count * p[*test] / (rank + 1) as f64);
        adjusted[*test] = least;
    }
    let is_listed = |rank: &usize| p[order[*rank]] * count <= rate * (*rank + 1) as f64;
    let length = (0..order.len())
        .rev()
        .find(is_listed)
        .map_or(0, |last| last + 1);
    order.truncate(length);
    let threshold = order.last().map_or(0.0, |last| p[*last]);
    Ok(Discoveries {
        listed: order,
        threshold,
        adjusted,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::normal;
    use crate::simulation::Normals;
    use proptest::prelude::*;

    /// Benjamini and Hochberg 1995, section 4.1 (from memory): 15 comparisons of a trial of
    /// thrombolysis; at q = 0.05 the procedure rejects the four smallest.
    const TRIAL: [f64; 15] = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
        0.5719, 0.6528, 0.7590, 1.0000,
    ];

    #[test]
    fn the_published_example_lists_four() {
        let found = list(&TRIAL, 0.05).unwrap();
        assert_eq!(found.listed, [0, 1, 2, 3]);
        assert!((found.threshold - 0.0095).abs() < 1e-12);
        // 15 * 0.0095 / 4.
        assert!((found.adjusted[3] - 0.035_625).abs() < 1e-12);
        assert!((found.adjusted[14] - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_later_value_can_save_an_earlier_one() {
        // 0.04 alone misses 0.05/2, but both are at most 0.05.
        assert_eq!(list(&[0.04, 0.05], 0.05).unwrap().listed, [0, 1]);
    }

    #[test]
    fn ties_and_empty_lists_are_well_defined() {
        assert_eq!(list(&[], 0.1).unwrap().listed, [0usize; 0]);
        assert_eq!(list(&[0.9, 0.8], 0.1).unwrap().listed, [0usize; 0]);
        assert_eq!(list(&[0.02; 3], 0.05).unwrap().listed, [0, 1, 2]);
        assert_eq!(list(&[0.0, 1.0], 0.05).unwrap().listed, [0]);
    }

    #[test]
    fn values_that_are_no_probability_are_refused() {
        assert_eq!(list(&[0.1], 0.0), Err(MultipleError::Rate(0.0)));
        assert!(list(&[0.1], f64::NAN).is_err());
        for value in [-0.1, 1.1, f64::NAN] {
            let refused = list(&[0.1, value], 0.1);
            assert!(matches!(
                refused,
                Err(MultipleError::Probability { position: 1, .. })
            ));
        }
    }

    /// Share of false entries over rounds of `tests` one-sided tests, one in five of them real.
    fn realised(common: f64, rate: f64) -> f64 {
        let mut normals = Normals::new(19_95);
        let (rounds, tests) = (1_500, 100);
        let mut total = 0.0;
        for _ in 0..rounds {
            // What all tests share makes them positively dependent.
            let shared = common.sqrt() * normals.draw();
            let p: Vec<f64> = (0..tests)
                .map(|i| {
                    let real = if i % 5 == 0 { 3.0 } else { 0.0 };
                    let own = (1.0 - common).sqrt() * normals.draw();
                    normal::below(-(shared + own + real))
                })
                .collect();
            let found = list(&p, rate).unwrap().listed;
            let wrong = found.iter().filter(|i| **i % 5 != 0).count();
            total += wrong as f64 / found.len().max(1) as f64;
        }
        total / f64::from(rounds)
    }

    #[test]
    fn the_realised_rate_stays_below_the_stated_one() {
        for (common, rate) in [(0.0, 0.1), (0.0, 0.3), (0.3, 0.1), (0.8, 0.2)] {
            let found = realised(common, rate);
            assert!(found <= rate + 0.02, "{common} {rate}: {found}");
        }
        // Independent tests use the rate up: 80 of 100 are not real.
        assert!(realised(0.0, 0.3) > 0.21);
    }

    proptest! {
        #[test]
        fn a_test_is_listed_just_when_its_adjusted_value_allows(
            p in prop::collection::vec(0.0..=1.0f64, 0..60),
            rate in 0.01..0.99f64,
        ) {
            let found = list(&p, rate).unwrap();
            for (i, adjusted) in found.adjusted.iter().enumerate() {
                if (adjusted - rate).abs() > 1e-12 {
                    prop_assert_eq!(found.listed.contains(&i), *adjusted < rate);
                }
            }
        }
    }
}
