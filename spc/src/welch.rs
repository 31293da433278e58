//! Whether two sets of readings differ in level, when their spreads may differ too.
//!
//! Purpose: one p-value a deposit, for [`crate::multiple::list`]. Must not know what was measured.
//! The one invariant: exchanging the two sets changes the sign of the difference and nothing else.
//!
//! B. L. Welch, Biometrika 34, 1947: t = (mean2 - mean1) / sqrt(v1/n1 + v2/n2), compared with
//! Student's t at (v1/n1 + v2/n2)^2 / ((v1/n1)^2/(n1-1) + (v2/n2)^2/(n2-1)) degrees of freedom
//! (F. E. Satterthwaite, Biometrics Bulletin 2, 1946).

use statrs::distribution::{ContinuousCDF, StudentsT};
use thiserror::Error;

use crate::moments::Moments;

/// A set of independent readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    /// Readings.
    pub n: u64,
    /// Their mean, in the unit of the measure.
    pub mean: f64,
    /// Their variance with divisor n - 1.
    pub variance: f64,
}

/// How the second set differs from the first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// Second mean less first, in the unit of the measure.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Welch's t.
    pub t: f64,
    /// Degrees of freedom.
    pub degrees: f64,
    /// The chance of a t at least as far from 0 where the levels are equal.
    pub p: f64,
}

/// Which precondition failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum WelchError {
    /// A set has fewer than two readings.
    #[error("a set has {0} readings; at least 2 are needed")]
    TooFew(u64),
    /// A mean or variance is not finite, or a variance is negative.
    #[error("a mean or a variance is not a finite number, or a variance is negative")]
    NotFinite,
    /// Neither set has any spread.
    #[error("neither set has any spread, so a difference can not be judged")]
    NoSpread,
}

impl Summary {
    /// The summary of accumulated readings.
    ///
    /// Cost: constant.
    ///
    /// # Errors
    /// [`WelchError::TooFew`] for fewer than two readings.
    ///
    /// ```
    /// use spc::{moments::Moments, welch::Summary};
    /// let mut readings = Moments::new();
    /// readings.push_all([1.0, 2.0, 6.0]);
    /// assert_eq!(Summary::of(&readings)?, Summary { n: 3, mean: 3.0, variance: 7.0 });
    /// # Ok::<(), spc::welch::WelchError>(())
    /// ```
    pub fn of(readings: &Moments) -> Result<Summary, WelchError> {
        let n = readings.count();
        match (readings.mean(), readings.variance()) {
            (Some(mean), Some(variance)) => Ok(Summary { n, mean, variance }),
            _ => Err(WelchError::TooFew(n)),
        }
    }
}

/// Compares two sets. Constant time.
///
/// ```
/// use spc::welch::{Summary, compare};
/// let before = Summary { n: 30, mean: 118.0, variance: 4.0 };
/// let after = Summary { n: 12, mean: 115.0, variance: 9.0 };
/// let found = compare(before, after)?;
/// assert!(found.value == -3.0 && found.p < 0.01);
/// # Ok::<(), spc::welch::WelchError>(())
/// ```
///
/// # Errors
/// [`WelchError`] for fewer than two readings a set, numbers that are not finite, and two sets
/// without any spread.
pub fn compare(before: Summary, after: Summary) -> Result<Difference, WelchError> {
    for set in [before, after] {
        if set.n < 2 {
            return Err(WelchError::TooFew(set.n));
        }
        if !(set.mean.is_finite() && set.variance.is_finite() && set.variance >= 0.0) {
            return Err(WelchError::NotFinite);
        }
    }
    // Counts are far below 2^53.
    let of_mean = |set: Summary| set.variance / set.n as f64;
    let (first, second) = (of_mean(before), of_mean(after));
    let squared = first + second;
    if squared <= 0.0 {
        return Err(WelchError::NoSpread);
    }
    let part = |of_mean: f64, n: u64| of_mean * of_mean / (n - 1) as f64;
    let degrees = squared * squared / (part(first, before.n) + part(second, after.n));
    let value = after.mean - before.mean;
    let standard_error = squared.sqrt();
    let t = value / standard_error;
    let student = StudentsT::new(0.0, 1.0, degrees).map_err(|_| WelchError::NotFinite)?;
    let p = (2.0 * student.cdf(-t.abs())).clamp(0.0, 1.0);
    if !(t.is_finite() && p.is_finite()) {
        return Err(WelchError::NotFinite);
    }
    Ok(Difference {
        value,
        standard_error,
        t,
        degrees,
        p,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn summary(n: u64, mean: f64, variance: f64) -> Summary {
        Summary { n, mean, variance }
    }

    /// Data AUTO83B.DAT of the NIST/SEMATECH e-Handbook 1.3.5.3, unequal variances: t = -12.94627
    /// at 136.8750 degrees of freedom (figures from memory).
    #[test]
    fn agrees_with_the_two_sample_test_of_the_handbook() {
        let first = summary(249, 20.14458, 6.414700f64.powi(2));
        let second = summary(79, 30.48101, 6.107710f64.powi(2));
        let found = compare(second, first).unwrap();
        assert!((found.t + 12.94627).abs() < 1e-4, "{found:?}");
        assert!((found.degrees - 136.8750).abs() < 1e-3, "{found:?}");
        assert!(found.p < 1e-20);
        let turned = compare(first, second).unwrap();
        assert!((turned.value + found.value).abs() < 1e-12);
        assert!((turned.p - found.p).abs() < 1e-30);
    }

    /// Student's t of 4 degrees of freedom: 2.776445 leaves 5 % outside (any table).
    #[test]
    fn equal_sets_of_three_are_students_t_of_four() {
        let half = 2.776445f64 * (2.0f64 / 3.0).sqrt();
        let found = compare(summary(3, 0.0, 1.0), summary(3, half, 1.0)).unwrap();
        assert!((found.degrees - 4.0).abs() < 1e-12);
        assert!((found.p - 0.05).abs() < 1e-6, "{found:?}");
    }

    #[test]
    fn what_can_not_be_judged_is_said() {
        let some = summary(5, 1.0, 1.0);
        assert_eq!(
            compare(summary(1, 1.0, 0.0), some),
            Err(WelchError::TooFew(1))
        );
        assert_eq!(
            compare(summary(5, f64::NAN, 1.0), some),
            Err(WelchError::NotFinite)
        );
        let flat = summary(5, 1.0, 0.0);
        assert_eq!(compare(flat, flat), Err(WelchError::NoSpread));
        let mut one = Moments::new();
        one.push(3.0);
        assert_eq!(Summary::of(&one), Err(WelchError::TooFew(1)));
    }
}
