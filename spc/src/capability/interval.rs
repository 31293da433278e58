//! Intervals of capability indices, and Taguchi's index.
//!
//! Purpose: say how sure an index is. Must not know where the numbers came from. The one invariant:
//! the lower bound is at most the index and the upper one at least.
//!
//! Every interval takes the number of independent subgroups (panels) as its sample size.

use super::{CapabilityError, Estimate, Specification, Study, Taguchi};
use crate::{noncentral_t, normal};
use statrs::distribution::{ChiSquared, ContinuousCDF};

/// The interval of Cp or Pp, with no unit.
///
/// Cp sqrt(chi2(alpha/2; m - 1)/(m - 1)) to Cp sqrt(chi2(1 - alpha/2; m - 1)/(m - 1)), exact for a
/// normal stream (D. C. Montgomery, Introduction to Statistical Quality Control, 6th ed. 2009,
/// chapter 8, interval of Cp). Cost: two quantiles.
///
/// # Errors
/// [`CapabilityError`] for fewer than two subgroups, an index that is not finite and positive, or a
/// confidence not inside 0 to 1.
///
/// ```
/// // Montgomery, 6th ed., Example 8.4: 2.29, from 1.57 to 3.01.
/// let found = spc::capability::interval::spread(24.0 / (6.0 * 1.75), 20, 0.95).expect("enough");
/// assert!((found.lower - 1.565).abs() < 5e-4);
/// ```
pub fn spread(value: f64, subgroups: u32, confidence: f64) -> Result<Estimate, CapabilityError> {
    check(value, subgroups, confidence)?;
    if value <= 0.0 {
        return Err(CapabilityError::Index(value));
    }
    Ok(chi_square(value, f64::from(subgroups - 1), confidence))
}

/// The approximate interval of Cpk or Ppk with two limits, with no unit.
///
/// Cpk -/+ z sqrt(1/(9 m) + Cpk^2/(2 (m - 1))) (A. F. Bissell, Applied Statistics 39(3) 1990,
/// 331-340, the interval that ISO 22514 also gives; from memory). Cost: constant.
///
/// # Errors
/// [`CapabilityError`] for fewer than two subgroups, an index that is not finite, or a confidence
/// not inside 0 to 1.
///
/// ```
/// let found = spc::capability::interval::nearest(1.67, 100, 0.90).expect("enough subgroups");
/// assert!((found.lower - 1.47).abs() < 5e-3);
/// ```
pub fn nearest(value: f64, subgroups: u32, confidence: f64) -> Result<Estimate, CapabilityError> {
    check(value, subgroups, confidence)?;
    Ok(bissell(value, subgroups, confidence))
}

/// The exact interval of Cpl, Cpu, Ppl or Ppu, with no unit, for a normal stream.
///
/// 3 sqrt(m) times the index has a noncentral t distribution with m - 1 degrees of freedom and
/// noncentrality 3 sqrt(m) times the true index; the bounds are the true indices at which the one
/// found is the alpha/2 and 1 - alpha/2 point (S. Kotz and N. L. Johnson, Process Capability
/// Indices, Chapman and Hall 1993, chapter 2; from memory). Cost: about 100 numerical integrals.
///
/// # Errors
/// As [`nearest`].
///
/// ```
/// let found = spc::capability::interval::one_sided(1.0, 30, 0.95).expect("enough subgroups");
/// assert!(found.lower < 0.8 && found.upper > 1.2);
/// ```
pub fn one_sided(value: f64, subgroups: u32, confidence: f64) -> Result<Estimate, CapabilityError> {
    check(value, subgroups, confidence)?;
    Ok(exact(value, subgroups, confidence))
}

/// Taguchi's index Cpm (Ppm) against a target, with no unit.
///
/// Cpm = (U - L)/(6 tau), tau^2 = sigma^2 + (mean - T)^2 (L. K. Chan, S. W. Cheng and F. A.
/// Spiring, Journal of Quality Technology 20(3) 1988). Without a target in the specification T is
/// the middle of the limits, and the result says so. Interval: Cpm sqrt(chi2(alpha/2; f)/f) to
/// Cpm sqrt(chi2(1 - alpha/2; f)/f) with f = m (1 + d^2)^2/(1 + 2 d^2), d = (mean - T)/sigma
/// (R. A. Boyles, Journal of Quality Technology 23(1) 1991, 17-26; both from memory). `None` for a
/// one-sided specification, which has no middle to lose. Cost: two quantiles.
///
/// # Errors
/// [`CapabilityError`] for an unusable specification, fewer than two subgroups, a mean that is not
/// finite, a sigma that is not positive, or a confidence not inside 0 to 1.
///
/// ```
/// use spc::capability::{Specification, interval::taguchi};
/// let limits = Specification::new(Some(8.0), Some(14.0), Some(20.0)).expect("limits in order");
/// let found = taguchi(&limits, 16.0, 2.0, 50, 0.95).expect("usable").expect("two limits");
/// assert!((found.index.value - 12.0 / (6.0 * 8f64.sqrt())).abs() < 1e-15);
/// ```
pub fn taguchi(
    specification: &Specification,
    mean: f64,
    sigma: f64,
    subgroups: u32,
    confidence: f64,
) -> Result<Option<Taguchi>, CapabilityError> {
    specification.check()?;
    check(1.0, subgroups, confidence)?;
    if !mean.is_finite() {
        return Err(CapabilityError::MeanNotFinite);
    }
    if !(sigma.is_finite() && sigma > 0.0) {
        let which = "the sigma of Taguchi's index";
        return Err(CapabilityError::Sigma { which, sigma });
    }
    let m = f64::from(subgroups);
    Ok(against_target(specification, mean, sigma, m, confidence))
}

fn check(value: f64, subgroups: u32, confidence: f64) -> Result<(), CapabilityError> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(CapabilityError::Confidence(confidence));
    }
    if subgroups < 2 {
        return Err(CapabilityError::TooFewSubgroups(subgroups));
    }
    if value.is_finite() {
        Ok(())
    } else {
        Err(CapabilityError::Index(value))
    }
}

pub(super) fn taguchi_index(
    specification: &Specification,
    study: &Study,
    sigma: f64,
    confidence: f64,
) -> Option<Taguchi> {
    let m = f64::from(study.subgroups);
    against_target(specification, study.mean, sigma, m, confidence)
}

fn against_target(
    specification: &Specification,
    mean: f64,
    sigma: f64,
    m: f64,
    confidence: f64,
) -> Option<Taguchi> {
    let (lower, upper) = (specification.lower?, specification.upper?);
    let target = specification.target.unwrap_or(0.5 * (lower + upper));
    let distance = (mean - target) / sigma;
    let value = (upper - lower) / (6.0 * sigma.hypot(mean - target));
    let ratio = (1.0 + distance * distance) / (1.0 + 2.0 * distance * distance);
    // The ratio tends to 1/2; this order keeps a huge distance from overflowing early.
    let freedom = (m * ratio * (1.0 + distance * distance)).min(FREEDOM_MAX);
    Some(Taguchi {
        index: chi_square(value, freedom, confidence),
        target,
        target_given: specification.target.is_some(),
    })
}

/// Degrees of freedom from which the interval is closed to plotting accuracy; keeps the quantile
/// in the range where it is found.
const FREEDOM_MAX: f64 = 1e9;

/// Interval of an index whose square is inverse to a chi-square variable over its freedom.
pub(super) fn chi_square(value: f64, freedom: f64, confidence: f64) -> Estimate {
    let tail = 0.5 * (1.0 - confidence);
    let factor = |p: f64| (chi_square_quantile(p, freedom) / freedom).sqrt();
    Estimate {
        value,
        lower: value * factor(tail),
        upper: value * factor(1.0 - tail),
    }
}

/// Bissell's normal approximation to the interval of a one-sided index.
pub(super) fn bissell(value: f64, subgroups: u32, confidence: f64) -> Estimate {
    let m = f64::from(subgroups);
    let deviation = (1.0 / (9.0 * m) + value * value / (2.0 * (m - 1.0))).sqrt();
    let half = normal::quantile(0.5 * (1.0 + confidence)) * deviation;
    Estimate {
        value,
        lower: value - half,
        upper: value + half,
    }
}

pub(super) fn exact(value: f64, subgroups: u32, confidence: f64) -> Estimate {
    let m = f64::from(subgroups);
    let scale = 3.0 * m.sqrt();
    let tail = 0.5 * (1.0 - confidence);
    let bound = |p: f64| noncentral_t::noncentrality(scale * value, m - 1.0, p) / scale;
    Estimate {
        value,
        lower: bound(1.0 - tail),
        upper: bound(tail),
    }
}

pub(crate) fn chi_square_quantile(p: f64, freedom: f64) -> f64 {
    let Ok(distribution) = ChiSquared::new(freedom) else {
        return freedom;
    };
    // The library's inverse stops at a coarse tolerance; bisection from a bracket around it
    // reaches the last bits.
    let start = distribution.inverse_cdf(p);
    let (mut low, mut high) = (0.0, 2.0 * start + 1.0);
    while distribution.cdf(high) < p {
        high *= 2.0;
    }
    while high - low > 1e-14 * high {
        let middle = 0.5 * (low + high);
        if distribution.cdf(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
        if middle <= low && middle >= high {
            break;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::Normals;

    #[test]
    fn the_exact_interval_covers_as_often_as_it_says() {
        // True Cpl of 1.2 with 15 subgroups; Bissell's misses more on one side.
        let mut normals = Normals::new(0x9e37_79b9_7f4a_7c15);
        let (rounds, mut above, mut below) = (1500, 0, 0);
        for _ in 0..rounds {
            let sample: Vec<f64> = (0..15).map(|_| normals.draw()).collect();
            let mean = sample.iter().sum::<f64>() / 15.0;
            let squares = sample.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
            let index = (mean + 3.6) / (3.0 * (squares / 14.0).sqrt());
            let found = one_sided(index, 15, 0.90).unwrap();
            above += i32::from(found.lower > 1.2);
            below += i32::from(found.upper < 1.2);
        }
        for missed in [above, below] {
            let share = f64::from(missed) / f64::from(rounds);
            assert!((share - 0.05).abs() < 0.018, "{share}");
        }
    }

    #[test]
    fn exact_and_approximate_intervals_meet_for_large_samples() {
        let exact = one_sided(1.5, 2_000, 0.95).unwrap();
        let bissell = nearest(1.5, 2_000, 0.95).unwrap();
        assert!((exact.lower - bissell.lower).abs() < 2e-3);
        assert!((exact.upper - bissell.upper).abs() < 2e-3);
    }

    #[test]
    fn on_target_the_index_of_taguchi_is_cp() {
        let limits = Specification::new(Some(-6.0), None, Some(6.0)).unwrap();
        let found = taguchi(&limits, 0.0, 1.0, 40, 0.95).unwrap().unwrap();
        assert!((found.index.value - 2.0).abs() < 1e-15 && !found.target_given);
        // One degree of freedom more than Cp has: the target is known, not estimated.
        let cp = spread(2.0, 41, 0.95).unwrap();
        assert!((found.index.lower - cp.lower).abs() < 1e-12);
        let far = taguchi(&limits, 1e12, 1e-3, 40, 0.95).unwrap().unwrap();
        assert!(far.index.lower.is_finite() && far.index.lower <= far.index.value);
        let one = Specification::new(None, Some(1.0), Some(6.0)).unwrap();
        assert_eq!(taguchi(&one, 0.0, 1.0, 40, 0.95), Ok(None));
    }

    #[test]
    fn failed_preconditions_are_named() {
        use CapabilityError as E;
        assert_eq!(spread(1.0, 1, 0.95), Err(E::TooFewSubgroups(1)));
        assert_eq!(spread(0.0, 9, 0.95), Err(E::Index(0.0)));
        assert_eq!(
            nearest(f64::INFINITY, 9, 0.95),
            Err(E::Index(f64::INFINITY))
        );
        assert_eq!(one_sided(1.0, 9, 0.0), Err(E::Confidence(0.0)));
        let limits = Specification::new(Some(0.0), None, Some(1.0)).unwrap();
        let run = |mean, sigma| taguchi(&limits, mean, sigma, 9, 0.95).unwrap_err();
        assert_eq!(run(f64::INFINITY, 1.0), E::MeanNotFinite);
        assert!(matches!(run(0.5, 0.0), E::Sigma { .. }));
    }
}
