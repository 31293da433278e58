//! Indices from quantiles, for streams that are not normal.
//!
//! Purpose: put the 0.135 %, 50 % and 99.865 % points of a stream in place of mean and sigma. Must
//! not know how a distribution was chosen. The one invariant: the quantiles behind an index are
//! finite and rise strictly.
//!
//! Source: ISO 22514-2 (process performance of time-dependent models, quantile method); J. A.
//! Clements, Quality Progress 22(9) 1989, 95-100; both from memory. A normal stream gets the
//! indices from mean and sigma within 1e-5, as its 0.135 % point lies 2.99998 sigma out.

use super::{Specification, SpecificationError};
use crate::distribution::Distribution;
use crate::readings::{ReadingsError, ascending, check};
use statrs::distribution::{Binomial, DiscreteCDF};
use thiserror::Error;

/// Share below the lower reference point.
pub const LOW: f64 = 0.00135;
/// Share below the upper reference point.
pub const HIGH: f64 = 0.99865;
/// Readings from which quantiles of the readings themselves are given: 1.35 are then expected
/// beyond each reference point. Common practice; bounds on the points need 2,731 (see
/// [`empirical`]).
pub const EMPIRICAL_MIN: usize = 1_000;

/// The three reference points, in the unit of the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantiles {
    /// 0.135 % point.
    pub low: f64,
    /// Median.
    pub median: f64,
    /// 99.865 % point.
    pub high: f64,
}

/// Indices from quantiles.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct QuantileIndices {
    /// (U - L)/(high - low); `None` for a one-sided specification.
    pub spread: Option<f64>,
    /// The smaller of the sides that exist.
    pub nearest: f64,
    /// (median - L)/(median - low); `None` without a lower limit.
    pub lower_side: Option<f64>,
    /// (U - median)/(high - median); `None` without an upper limit.
    pub upper_side: Option<f64>,
}

/// Why there are no quantile indices.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum QuantileError {
    /// The specification is not usable.
    #[error(transparent)]
    Specification(#[from] SpecificationError),
    /// A quantile is not finite, or they do not rise.
    #[error("the quantiles {low}, {median}, {high} do not rise; check the resolution")]
    NotRising {
        /// Lower reference point given.
        low: f64,
        /// Median given.
        median: f64,
        /// Upper reference point given.
        high: f64,
    },
}

impl Quantiles {
    /// The reference points of a distribution; `None` where one overflows.
    ///
    /// Cost: that of [`Distribution::quantile`], three times.
    ///
    /// ```
    /// use spc::{capability::quantile::Quantiles, distribution::{Distribution, Family}};
    /// let normal = Distribution::new(Family::Normal, 0.0, 10.0, 1.0).expect("in range");
    /// let found = Quantiles::of(&normal).expect("finite");
    /// assert!((found.high - 12.999977).abs() < 1e-6);
    /// ```
    pub fn of(distribution: &Distribution) -> Option<Self> {
        Some(Self {
            low: distribution.quantile(LOW)?,
            median: distribution.quantile(0.5)?,
            high: distribution.quantile(HIGH)?,
        })
    }
}

/// Indices of a specification from reference points in the same unit.
///
/// Pp = (U - L)/(X99.865% - X0.135%), Ppk the smaller of (U - X50%)/(X99.865% - X50%) and
/// (X50% - L)/(X50% - X0.135%) (ISO 22514-2); called Cp and Cpk for a stable stream. With one limit
/// only its side exists. No interval: the standards give none for fitted quantiles. Cost: constant.
///
/// # Errors
/// [`QuantileError`] for an unusable specification and for points that do not rise strictly.
///
/// ```
/// use spc::capability::{Specification, quantile::{Quantiles, indices}};
/// let points = Quantiles { low: 0.5, median: 1.0, high: 2.0 };
/// let limits = Specification::new(None, None, Some(4.0)).expect("one limit");
/// let found = indices(&limits, &points).expect("rising");
/// assert!((found.nearest - 3.0).abs() < 1e-15 && found.spread.is_none());
/// ```
pub fn indices(
    specification: &Specification,
    points: &Quantiles,
) -> Result<QuantileIndices, QuantileError> {
    specification.check()?;
    let Quantiles { low, median, high } = *points;
    let finite = low.is_finite() && (high - low).is_finite();
    if !(finite && low < median && median < high) {
        return Err(QuantileError::NotRising { low, median, high });
    }
    let Specification { lower, upper, .. } = *specification;
    let lower_side = lower.map(|limit| (median - limit) / (median - low));
    let upper_side = upper.map(|limit| (limit - median) / (high - median));
    let nearest = match (lower_side, upper_side) {
        (Some(below), Some(above)) => below.min(above),
        (side, other) => side.or(other).unwrap_or_default(),
    };
    Ok(QuantileIndices {
        spread: lower.zip(upper).map(|(l, u)| (u - l) / (high - low)),
        nearest,
        lower_side,
        upper_side,
    })
}

/// A quantile of the readings with its order-statistic interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Empirical {
    /// Estimate.
    pub value: f64,
    /// Lower bound; `None` where too few readings lie below.
    pub lower: Option<f64>,
    /// Upper bound; `None` where too few readings lie above.
    pub upper: Option<f64>,
}

/// The reference points of the readings themselves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EmpiricalQuantiles {
    /// 0.135 % point.
    pub low: Empirical,
    /// Median.
    pub median: Empirical,
    /// 99.865 % point.
    pub high: Empirical,
    /// Readings.
    pub readings: usize,
}

impl EmpiricalQuantiles {
    /// The estimates alone.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// let readings: Vec<f64> = (1..=3000).map(f64::from).collect();
    /// let found = spc::capability::quantile::empirical(&readings, 0.95)?;
    /// assert!((found.values().median - 1500.5).abs() < 1e-9);
    /// # Ok::<(), spc::readings::ReadingsError>(())
    /// ```
    pub fn values(&self) -> Quantiles {
        Quantiles {
            low: self.low.value,
            median: self.median.value,
            high: self.high.value,
        }
    }
}

/// Reference points of at least 1,000 readings, whatever their distribution.
///
/// `readings` in any unit and order. Estimate: the order statistic at (n + 1/3) p + 1/3, between
/// neighbours by a straight line (R. J. Hyndman and Y. Fan, The American Statistician 50(4) 1996,
/// definition 8). Interval: the order statistics between which the binomial distribution puts the
/// quantile with at least `confidence`, half of the rest on each side (H. A. David and H. N.
/// Nagaraja, Order Statistics, 3rd ed., Wiley 2003, section 7.1; both from memory). At 95 % the
/// outer bound of a 0.135 % point exists from 2,731 readings on; readings that are not independent
/// make every bound too narrow. Cost: n log n.
///
/// # Errors
/// [`ReadingsError`] for fewer than 1,000 readings, one that is not finite, no spread, or a
/// confidence not inside 0 to 1.
///
/// ```
/// let readings: Vec<f64> = (1..=3000).map(f64::from).collect();
/// let found = spc::capability::quantile::empirical(&readings, 0.95).expect("enough");
/// assert!(found.low.value > 4.0 && found.low.value < 4.5);
/// assert_eq!(found.low.lower, Some(1.0));
/// ```
pub fn empirical(readings: &[f64], confidence: f64) -> Result<EmpiricalQuantiles, ReadingsError> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(ReadingsError::Parameter("confidence"));
    }
    check(readings, EMPIRICAL_MIN)?;
    let sorted = ascending(readings);
    let point = |p: f64| order_statistic(&sorted, p, 0.5 * (1.0 - confidence));
    Ok(EmpiricalQuantiles {
        low: point(LOW)?,
        median: point(0.5)?,
        high: point(HIGH)?,
        readings: sorted.len(),
    })
}

fn order_statistic(sorted: &[f64], p: f64, tail: f64) -> Result<Empirical, ReadingsError> {
    let count = sorted.len() as u64;
    let law = Binomial::new(p, count).map_err(|_| ReadingsError::OutOfRange)?;
    let place = ((count as f64 + 1.0 / 3.0) * p + 1.0 / 3.0).max(1.0);
    let from = (place.floor() as usize).min(sorted.len());
    let at = |rank: usize| sorted[rank.clamp(1, sorted.len()) - 1];
    let part = place - place.floor();
    let value = at(from) + part * (at(from + 1) - at(from));
    // The r-th smallest lies above the quantile when fewer than r readings lie below it.
    let lower = (1..=from).rev().find(|r| law.cdf(*r as u64 - 1) <= tail);
    let upper = (from..=sorted.len()).find(|r| law.cdf(*r as u64 - 1) >= 1.0 - tail);
    Ok(Empirical {
        value,
        lower: lower.map(at),
        upper: upper.map(at),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn bounds_open_where_readings_do_not_reach() {
        let of = |count: u32| {
            let readings: Vec<f64> = (1..=count).map(f64::from).collect();
            empirical(&readings, 0.95).unwrap()
        };
        // 0.99865^n falls to 0.025 at n = 2731.
        assert_eq!(of(2_730).low.lower, None);
        assert_eq!(of(2_731).low.lower, Some(1.0));
        assert_eq!(of(2_730).high.upper, None);
        assert_eq!(of(2_731).high.upper, Some(2_731.0));
        let median = of(1_000).median;
        assert!((median.value - 500.5).abs() < 1e-9);
        // Binomial(1000, 1/2): normal approximation 500 -/+ 1.96 x 15.8.
        assert!((median.lower.unwrap() - 469.0).abs() <= 1.0);
        assert!((median.upper.unwrap() - 532.0).abs() <= 1.0);
    }

    #[test]
    fn failed_preconditions_are_named() {
        let few = ReadingsError::TooFew {
            needed: 1_000,
            found: 999,
        };
        let readings: Vec<f64> = (0..999).map(f64::from).collect();
        assert_eq!(empirical(&readings, 0.95), Err(few));
        assert!(empirical(&readings, f64::NAN).is_err());
        let limits = Specification::new(Some(0.0), None, None).unwrap();
        let flat = Quantiles {
            low: 1.0,
            median: 1.0,
            high: 2.0,
        };
        let found = indices(&limits, &flat);
        assert!(matches!(found, Err(QuantileError::NotRising { .. })));
        let unchecked = Specification {
            lower: None,
            target: None,
            upper: None,
        };
        let none = QuantileError::Specification(SpecificationError::NoLimit);
        assert_eq!(indices(&unchecked, &flat), Err(none));
    }

    proptest! {
        #[test]
        fn shift_and_scale_change_no_index(
            low in -10.0..0.0f64, rise in 0.1..5.0f64, further in 0.1..5.0f64,
            shift in -100.0..100.0f64, scale in 0.1..10.0f64,
        ) {
            let points = Quantiles { low, median: low + rise, high: low + rise + further };
            let moved = |x: f64| shift + scale * x;
            let other = Quantiles {
                low: moved(points.low), median: moved(points.median), high: moved(points.high),
            };
            let limits = |f: &dyn Fn(f64) -> f64| {
                Specification::new(Some(f(-12.0)), None, Some(f(12.0))).unwrap()
            };
            let first = indices(&limits(&|x| x), &points).unwrap();
            let second = indices(&limits(&moved), &other).unwrap();
            prop_assert!((first.nearest - second.nearest).abs() < 1e-8);
            prop_assert!((first.spread.unwrap() - second.spread.unwrap()).abs() < 1e-8);
        }
    }
}
