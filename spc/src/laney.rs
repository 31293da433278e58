//! Overdispersion of counts: the factor sigma_z of the p' and u' charts.
//!
//! Purpose: how much more the points of an attribute chart vary from one to the next than the
//! binomial or Poisson law explains. Must not know what was counted. The one invariant: the
//! factor that limits are multiplied by is never below 1.
//!
//! D. B. Laney, "Improved control charts for attributes", Quality Engineering 14(4) 2002,
//! pp. 531-537: z_i = (p_i - pbar)/s_i, sigma_z = mean |z_i - z_(i-1)| / d2(2), limits
//! pbar +/- 3 s_i sigma_z. Where thousands of joints are inspected a unit, the law alone gives
//! limits so narrow that every day signals; the variation from unit to unit belongs in them.

use crate::chart::{Limits, LimitsError, Sample};
use crate::constants;

/// sigma_z of samples in time order, about the centre and the binomial or Poisson sigma of
/// `limits` (kinds P and PPrime: proportions; U and UPrime: rates; no unit).
///
/// Near 1 the law explains the variation; above 1 there is more (overdispersion), which the
/// limits must hold; below 1 there is less, which is shown but must not narrow them
/// ([`applied`]). 0 when all points agree. Cost: linear.
///
/// # Errors
/// [`LimitsError::TooFewSamples`] for fewer than two samples; [`LimitsError::Size`] where a size
/// gives no sigma (0, negative, not finite); [`LimitsError::NotFinite`] for a value that is none;
/// [`LimitsError::ZeroVariance`] where the law itself has no spread (a centre of 0, or of 1 for
/// proportions).
///
/// ```
/// use spc::chart::{ChartKind, Limits, Sample};
/// let share = |bad: f64| Sample { size: 400.0, value: bad / 400.0, spread: None };
/// let samples = [share(20.0), share(52.0), share(31.0), share(8.0), share(40.0)];
/// let limits = Limits::estimate(ChartKind::P, &samples, 3.0)?;
/// assert!(spc::laney::sigma_z(&limits, &samples)? > 4.0);
/// # Ok::<(), spc::chart::LimitsError>(())
/// ```
pub fn sigma_z(limits: &Limits, samples: &[Sample]) -> Result<f64, LimitsError> {
    if samples.len() < 2 {
        return Err(LimitsError::TooFewSamples {
            found: samples.len(),
            needed: 2,
        });
    }
    let mut points = Vec::with_capacity(samples.len());
    for (index, sample) in samples.iter().enumerate() {
        let size = sample.size;
        if !(size.is_finite() && size > 0.0) {
            let needed = "a size must be a positive number";
            return Err(LimitsError::Size {
                index,
                size,
                needed,
            });
        }
        let sigma = limits.law_sigma_at(size);
        if sigma <= 0.0 {
            return Err(LimitsError::ZeroVariance);
        }
        let z = (sample.value - limits.centre) / sigma;
        if !z.is_finite() {
            return Err(LimitsError::NotFinite { index });
        }
        points.push(z);
    }
    let steps = points.windows(2).map(|pair| (pair[1] - pair[0]).abs());
    let mean = steps.sum::<f64>() / (points.len() - 1) as f64;
    Ok(mean / constants::d2(2).unwrap_or(1.0))
}

/// The factor that limits are multiplied by: sigma_z, but at least 1.
///
/// Less variation than the law gives comes from few baseline points or from samples that are not
/// independent; narrower limits would not be earned. A sigma_z that is not a number counts as 1.
///
/// Cost: constant.
///
/// ```
/// assert_eq!(spc::laney::applied(0.47), 1.0);
/// assert_eq!(spc::laney::applied(1.38), 1.38);
/// ```
pub fn applied(sigma_z: f64) -> f64 {
    sigma_z.max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::ChartKind;
    use crate::simulation::Normals;
    use proptest::prelude::*;

    fn rate(size: f64, value: f64) -> Sample {
        Sample {
            size,
            value,
            spread: None,
        }
    }

    #[test]
    fn a_shift_of_the_rate_itself_is_found_as_overdispersion() {
        // Rates whose own mean moves with a deviation tau: sigma_z^2 is near 1 + tau^2 n / u.
        let (u, n, tau) = (0.02, 10_000.0, 0.002f64);
        let mut normals = Normals::new(0x9e37_79b9_7f4a_7c15);
        let mut draw = || {
            let sigma = (u / n + tau * tau).sqrt();
            rate(n, u + sigma * normals.draw())
        };
        let samples: Vec<Sample> = (0..2000).map(|_| draw()).collect();
        let limits = Limits::estimate(ChartKind::UPrime, &samples, 3.0).unwrap();
        let expected = (1.0 + tau * tau * n / u).sqrt();
        assert!(
            (limits.sigma / expected - 1.0).abs() < 0.05,
            "{}",
            limits.sigma
        );
    }

    #[test]
    fn failed_preconditions_are_named() {
        let samples = [rate(10.0, 0.1), rate(10.0, 0.3)];
        let limits = Limits::estimate(ChartKind::U, &samples, 3.0).unwrap();
        let few = LimitsError::TooFewSamples {
            found: 1,
            needed: 2,
        };
        assert_eq!(sigma_z(&limits, &samples[..1]), Err(few));
        let found = sigma_z(&limits, &[samples[0], rate(0.0, 0.1)]);
        assert!(matches!(found, Err(LimitsError::Size { index: 1, .. })));
        let found = sigma_z(&limits, &[samples[0], rate(10.0, f64::NAN)]);
        assert_eq!(found, Err(LimitsError::NotFinite { index: 1 }));
        let flat = Limits {
            centre: 0.0,
            ..limits
        };
        assert_eq!(sigma_z(&flat, &samples), Err(LimitsError::ZeroVariance));
    }

    proptest! {
        /// Limits never lie inside those of the plain chart, and never give a NaN.
        #[test]
        fn limits_are_never_narrower_than_the_law_allows(
            raw in prop::collection::vec((1.0..5000.0f64, 0.0..1.0f64), 2..40),
            width in 0.5..5.0f64,
        ) {
            let samples: Vec<Sample> = raw.iter().map(|(n, p)| rate(n.floor(), *p)).collect();
            for (plain, prime) in
                [(ChartKind::P, ChartKind::PPrime), (ChartKind::U, ChartKind::UPrime)]
            {
                let plain = Limits::estimate(plain, &samples, width).unwrap();
                let prime = Limits::estimate(prime, &samples, width).unwrap();
                for sample in &samples {
                    let (inner, outer) = (plain.bounds(sample.size), prime.bounds(sample.size));
                    prop_assert!(outer.lower.unwrap() <= inner.lower.unwrap());
                    prop_assert!(outer.upper.unwrap() >= inner.upper.unwrap());
                }
            }
        }
    }
}
