//! Whether readings may be taken for normal: the Anderson-Darling test.
//!
//! Purpose: one figure for the distance from a normal distribution, with its p-value. Must not know
//! what follows from it. The one invariant: shifting or scaling the readings changes nothing.
//!
//! Source: M. A. Stephens in R. B. D'Agostino and M. A. Stephens (eds.), Goodness-of-Fit
//! Techniques, Marcel Dekker 1986, chapter 4, case 3 (mean and variance estimated), Tables 4.7 and
//! 4.9 (coefficients from memory).

use crate::normal;
use crate::readings::{ReadingsError, ascending, check, distinct};

/// Readings below which the p-value's approximation is not published.
const READINGS_MIN: usize = 8;
/// Modified statistic from which the p-value's polynomial turns back up.
const MODIFIED_MAX: f64 = 10.0;

/// The Anderson-Darling test of one sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AndersonDarling {
    /// Readings.
    pub readings: usize,
    /// Different values among them. Ties come from the resolution of the gauge and raise the
    /// statistic: with steps above about one standard deviation a rejection says little.
    pub distinct: usize,
    /// A^2.
    pub statistic: f64,
    /// A^2 (1 + 0.75/n + 2.25/n^2).
    pub modified: f64,
    /// Chance of so large a statistic from a normal stream; not below 3.7e-24.
    pub p_value: f64,
}

/// Tests readings for normality; mean and deviation are estimated from them.
///
/// `readings` in any unit and any order, at least 8. A^2 = -n - (1/n) sum (2i - 1)
/// (ln Phi(z_i) + ln(1 - Phi(z_(n+1-i)))), z the standardised readings in ascending order
/// (Stephens, eq. 4.2); modified and given a p-value by Table 4.9. Cost: n log n.
///
/// # Errors
/// [`ReadingsError`] for fewer than 8 readings, one that is not finite, or no spread.
///
/// ```
/// let even: Vec<f64> = (0..50).map(f64::from).collect();
/// let found = spc::normality::anderson_darling(&even).expect("enough readings");
/// assert!(found.p_value > 0.1 && found.distinct == 50);
/// ```
pub fn anderson_darling(readings: &[f64]) -> Result<AndersonDarling, ReadingsError> {
    let summary = check(readings, READINGS_MIN)?;
    let sorted = ascending(readings);
    let z = |x: &f64| (x - summary.mean) / summary.deviation;
    let below: Vec<f64> = sorted.iter().map(|x| normal::log_below(z(x))).collect();
    let above: Vec<f64> = sorted.iter().map(|x| normal::log_below(-z(x))).collect();
    let statistic = statistic(&below, &above);
    let modified = modified(statistic, sorted.len());
    Ok(AndersonDarling {
        readings: sorted.len(),
        distinct: distinct(&sorted),
        statistic,
        modified,
        p_value: p_value(modified),
    })
}

/// A^2 from the logarithms of F and 1 - F at the readings in ascending order.
pub(crate) fn statistic(log_below: &[f64], log_above: &[f64]) -> f64 {
    let n = log_below.len() as f64;
    let terms = log_below.iter().zip(log_above.iter().rev()).enumerate();
    let sum: f64 = terms
        .map(|(i, (below, above))| (2 * i + 1) as f64 * (below + above))
        .sum();
    (-n - sum / n).max(0.0)
}

pub(crate) fn modified(statistic: f64, readings: usize) -> f64 {
    let n = readings as f64;
    statistic * (1.0 + 0.75 / n + 2.25 / (n * n))
}

pub(crate) fn p_value(modified: f64) -> f64 {
    let a = modified.min(MODIFIED_MAX);
    let p = if a < 0.2 {
        1.0 - (-13.436 + 101.14 * a - 223.73 * a * a).exp()
    } else if a < 0.34 {
        1.0 - (-8.318 + 42.796 * a - 59.938 * a * a).exp()
    } else if a < 0.6 {
        (0.9177 - 4.279 * a - 1.38 * a * a).exp()
    } else {
        (1.2937 - 5.709 * a + 0.0186 * a * a).exp()
    };
    p.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::Normals;
    use proptest::prelude::*;

    #[test]
    fn critical_values_are_the_tabled_ones() {
        // Table 4.7, case 3.
        for (level, value) in [(0.10, 0.631), (0.05, 0.752), (0.025, 0.873), (0.01, 1.035)] {
            assert!((p_value(value) / level - 1.0).abs() < 0.02, "{level}");
        }
        assert!(p_value(1e6) > 0.0 && p_value(1e6) < 1e-23);
    }

    #[test]
    fn a_normal_stream_is_rejected_as_often_as_the_level_says() {
        let mut normals = Normals::new(0x2545_f491_4f6c_dd1d);
        let rounds = 2000;
        let rejected = (0..rounds)
            .filter(|_| {
                let sample: Vec<f64> = (0..30).map(|_| normals.draw()).collect();
                anderson_darling(&sample).unwrap().p_value < 0.05
            })
            .count();
        let share = rejected as f64 / f64::from(rounds);
        assert!((share - 0.05).abs() < 0.016, "{share}");
    }

    #[test]
    fn a_far_reading_gives_a_finite_statistic() {
        let mut readings: Vec<f64> = (0..5000).map(|i| f64::from(i % 100)).collect();
        readings.push(1e9);
        let found = anderson_darling(&readings).unwrap();
        assert!(found.statistic.is_finite() && found.p_value < 1e-20);
    }

    proptest! {
        #[test]
        fn shift_and_scale_change_nothing(
            readings in prop::collection::vec(-100.0..100.0f64, 8..60),
            shift in -1e3..1e3f64,
            scale in 1e-3..1e3f64,
        ) {
            let moved: Vec<f64> = readings.iter().map(|x| shift + scale * x).collect();
            let (first, second) = (anderson_darling(&readings), anderson_darling(&moved));
            let (first, second) = (first.unwrap(), second.unwrap());
            prop_assert!((first.statistic - second.statistic).abs() < 1e-7);
            prop_assert!((0.0..=1.0).contains(&first.p_value));
        }
    }
}
