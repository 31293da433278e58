//! The median chart: constants of the median of normal samples, and limits made of medians alone.
//!
//! Purpose: how far a subgroup's median strays, for any subgroup size, and limits that a few wild
//! baseline subgroups cannot move. Must not know units or configuration. The one invariant: every
//! constant is computed from its definition, to about 1e-10, and is `None` exactly when the
//! subgroup size is below 2.
//!
//! A median needs no sum, and one wild reading of a subgroup hardly moves it. The price is a
//! standard deviation larger than the mean's: by 16 % at three readings, by 25 % at most.

use crate::chart::{ChartKind, Limits, LimitsError, Sample};
use crate::constants::{self, whole_size};
use crate::normal;
use crate::quadrature::composite;
use std::sync::OnceLock;

/// Constants up to this size are kept; larger ones are integrated at every call.
const MEMO_SIZE: usize = 257;
/// Panels of sixteen nodes along each axis; twice as many change nothing above 1e-12.
const PANELS: u32 = 4;

/// Standard deviation of the median of n independent standard normal values, in sigmas; `None`
/// for n < 2. The mean of the median is 0 by symmetry.
///
/// The median of an even number of values is the mean of the two middle ones. With m = (n + 1)/2
/// (odd) its density is proportional to (Phi(w) (1 - Phi(w)))^(m - 1) phi(w); with m = n/2 (even)
/// and middle values w - t and w + t, that of both is proportional to
/// (Phi(w - t) (1 - Phi(w + t)))^(m - 1) phi(w - t) phi(w + t), t > 0 (H. A. David and
/// H. N. Nagaraja, Order Statistics, Wiley, 3rd ed. 2003, section 2.1). The variance is the mean
/// of w^2 under it, by quadrature. Cost: constant; below 257 it is paid once for each size.
///
/// ```
/// let three = spc::median::deviation(3).expect("a size of at least 2");
/// assert!((three - 0.669_829).abs() < 1e-6);
/// ```
pub fn deviation(n: u32) -> Option<f64> {
    static MEMO: [OnceLock<f64>; MEMO_SIZE] = [const { OnceLock::new() }; MEMO_SIZE];
    if n < 2 {
        return None;
    }
    let slot = usize::try_from(n).ok().and_then(|index| MEMO.get(index));
    Some(match slot {
        Some(slot) => *slot.get_or_init(|| integrate(n, PANELS)),
        None => integrate(n, PANELS),
    })
}

/// Median of the range of n independent standard normal values, in sigmas; `None` for n < 2.
///
/// The root of P(R <= r) = 1/2, by bisection to the last bit, with the distribution of
/// [`constants::d3`]. Sigma is the median of the ranges over this. Cost: about fifty quadratures
/// of one dimension; below 257 it is paid once for each size.
///
/// ```
/// let two = spc::median::range_median(2).expect("a size of at least 2");
/// assert!((two - 0.953_873).abs() < 1e-6);
/// ```
pub fn range_median(n: u32) -> Option<f64> {
    static MEMO: [OnceLock<f64>; MEMO_SIZE] = [const { OnceLock::new() }; MEMO_SIZE];
    if n < 2 {
        return None;
    }
    let slot = usize::try_from(n).ok().and_then(|index| MEMO.get(index));
    Some(match slot {
        Some(slot) => *slot.get_or_init(|| constants::range_quantile(n, 0.5)),
        None => constants::range_quantile(n, 0.5),
    })
}

/// The median of readings: the middle one, or the mean of the two middle ones. `None` without
/// readings or where one is not finite.
///
/// Cost: a sort of a copy.
///
/// ```
/// assert_eq!(spc::median::of(&[3.0, 1.0, 8.0, 2.0]), Some(2.5));
/// ```
pub fn of(readings: &[f64]) -> Option<f64> {
    if readings.iter().any(|x| !x.is_finite()) {
        return None;
    }
    let mut sorted = readings.to_vec();
    sorted.sort_by(f64::total_cmp);
    let upper = *sorted.get(sorted.len() / 2)?;
    let lower = *sorted.get((sorted.len() - 1) / 2)?;
    // Halved before they are added, so that the sum of two finite readings cannot overflow.
    Some(0.5 * lower + 0.5 * upper)
}

/// Limits of a median chart from the median of the baseline's medians and of its ranges.
///
/// Samples are those of [`ChartKind::MedianRange`] (size n, value the subgroup's median, spread
/// its range), all of one size. Centre: the median of the medians; sigma of a single reading: the
/// median range over [`range_median`]; limits of a point: centre +/- width sigma [`deviation`].
/// Up to half of the subgroups may be wild without moving the limits far, where
/// [`Limits::estimate`] uses the means of both, which know more when all is well (P. C. Clifford,
/// Industrial Quality Control 15(11) 1959, "Control charts without calculations"; from memory).
/// Cost: two sorts.
///
/// # Errors
/// Those of [`Limits::estimate`] for the same samples, [`LimitsError::UnequalSize`] where sizes
/// differ, and [`LimitsError::ZeroVariance`] where half of the ranges are 0.
///
/// ```
/// use spc::chart::Sample;
/// let sample = |value, range| Sample { size: 5.0, value, spread: Some(range) };
/// let samples = [sample(10.0, 2.0), sample(10.4, 2.3), sample(99.0, 40.0)];
/// let limits = spc::median::resistant_limits(&samples, 3.0)?;
/// assert_eq!(limits.centre, 10.4);
/// assert!((limits.sigma - 2.3 / 2.2569).abs() < 1e-4);
/// # Ok::<(), spc::chart::LimitsError>(())
/// ```
pub fn resistant_limits(samples: &[Sample], width: f64) -> Result<Limits, LimitsError> {
    let mut limits = Limits::estimate(ChartKind::MedianRange, samples, width)?;
    let size = samples[0].size;
    let differs = |sample: &Sample| (sample.size - size).abs() > 1e-9;
    if let Some(index) = samples.iter().position(differs) {
        return Err(LimitsError::UnequalSize { index });
    }
    let values: Vec<f64> = samples.iter().map(|sample| sample.value).collect();
    let ranges: Vec<f64> = samples.iter().filter_map(|sample| sample.spread).collect();
    let scale = whole_size(size).and_then(range_median);
    let sigma = of(&ranges).zip(scale).map(|(range, scale)| range / scale);
    limits.centre = of(&values).ok_or(LimitsError::NotFinite { index: 0 })?;
    limits.sigma = sigma
        .filter(|sigma| *sigma > 0.0)
        .ok_or(LimitsError::ZeroVariance)?;
    Ok(limits)
}

/// The square root of the mean of w^2 under the density of the median.
fn integrate(n: u32, panels: u32) -> f64 {
    let size = f64::from(n);
    // Twelve standard deviations of the median, but never more than a single value can stray.
    let reach = (15.0 / size.sqrt()).min(9.0);
    let places = composite(0.0, reach, panels);
    let (mass, moment) = if n % 2 == 1 {
        let power = f64::from((n - 1) / 2);
        let density = |w: f64| normal::density(w) * tails(w, w).powf(power);
        sums(&places, density)
    } else {
        let power = f64::from(n / 2 - 1);
        // Half the gap between the middle values falls off at least like exp(-1.6 power t).
        let gaps = composite(0.0, (25.0 / power).min(9.0), panels);
        let density = |w: f64| {
            let at = |t: f64| normal::density(w - t) * normal::density(w + t);
            let joint = |t: f64| at(t) * tails(w - t, w + t).powf(power);
            gaps.iter().map(|(t, weight)| weight * joint(*t)).sum()
        };
        sums(&places, density)
    };
    (moment / mass).sqrt()
}

/// 4 Phi(low) (1 - Phi(high)): 1 at most, so that its powers lose nothing.
fn tails(low: f64, high: f64) -> f64 {
    4.0 * normal::below(low) * normal::below(-high)
}

/// Integrals of a density and of w^2 times it.
fn sums(places: &[(f64, f64)], density: impl Fn(f64) -> f64) -> (f64, f64) {
    places
        .iter()
        .fold((0.0, 0.0), |(mass, moment), (w, weight)| {
            let part = weight * density(*w);
            (mass + part, moment + part * w * w)
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::f64::consts::PI;

    #[test]
    fn two_and_three_match_closed_forms() {
        // The median of two is their mean. Of three: variance 1 - sqrt(3)/pi (H. L. Jones,
        // Annals of Mathematical Statistics 19, 1948; from memory).
        let variance = |n| deviation(n).unwrap().powi(2);
        assert!((variance(2) - 0.5).abs() < 1e-12);
        assert!((variance(3) - (1.0 - 3f64.sqrt() / PI)).abs() < 1e-12);
        // The range of two is sqrt(2) times a half normal value: its median sqrt(2) 0.674490.
        let median = range_median(2).unwrap();
        assert!((median - 2f64.sqrt() * normal::quantile(0.75)).abs() < 1e-10);
        assert!(deviation(1).is_none() && range_median(1).is_none() && deviation(0).is_none());
    }

    #[test]
    fn finer_panels_change_nothing() {
        for n in [2, 3, 4, 5, 8, 15, 40, 101, 256, 1000, 100_001, 1_000_000] {
            let (coarse, fine) = (integrate(n, PANELS), integrate(n, 4 * PANELS));
            assert!((coarse / fine - 1.0).abs() < 1e-10, "{n}: {coarse} {fine}");
        }
    }

    #[test]
    fn large_samples_approach_the_asymptotic_deviation() {
        for n in [1001u32, 100_000] {
            let asymptotic = (PI / (2.0 * f64::from(n))).sqrt();
            assert!((deviation(n).unwrap() / asymptotic - 1.0).abs() < 1.0 / f64::from(n));
        }
    }

    #[test]
    fn resistant_limits_name_what_is_wrong() {
        let sample = |size, value, range| Sample {
            size,
            value,
            spread: Some(range),
        };
        let unequal = [sample(5.0, 1.0, 1.0), sample(4.0, 1.0, 1.0)];
        let found = resistant_limits(&unequal, 3.0);
        assert_eq!(found, Err(LimitsError::UnequalSize { index: 1 }));
        let still = [
            sample(5.0, 1.0, 0.0),
            sample(5.0, 1.0, 0.0),
            sample(5.0, 9.0, 4.0),
        ];
        let found = resistant_limits(&still, 3.0);
        assert_eq!(found, Err(LimitsError::ZeroVariance));
        assert_eq!(of(&[]), None);
        assert_eq!(of(&[1.0, f64::INFINITY]), None);
        assert_eq!(of(&[f64::MAX, f64::MAX]), Some(f64::MAX));
    }

    proptest! {
        #[test]
        fn limits_follow_scale_and_shift(
            raw in prop::collection::vec((-50.0..50.0f64, 0.1..5.0f64), 3..30),
            scale in 0.01..100.0f64,
            shift in -1e3..1e3f64,
        ) {
            let samples = |scale: f64, shift: f64| -> Vec<Sample> {
                let sample = |(value, range): &(f64, f64)| Sample {
                    size: 5.0,
                    value: scale * value + shift,
                    spread: Some(scale * range),
                };
                raw.iter().map(sample).collect()
            };
            let base = resistant_limits(&samples(1.0, 0.0), 3.0).unwrap().bounds(5.0);
            let moved = resistant_limits(&samples(scale, shift), 3.0).unwrap().bounds(5.0);
            let tolerance = 1e-9 * (scale * 100.0 + shift.abs());
            let expected = scale * base.upper.unwrap() + shift;
            prop_assert!((moved.upper.unwrap() - expected).abs() < tolerance);
            let expected = scale * base.lower.unwrap() + shift;
            prop_assert!((moved.lower.unwrap() - expected).abs() < tolerance);
        }
    }
}
