//! Skewness, resolution and mass at the ends.
//!
//! Purpose: checks that need no order of the points. Must not know time. The one invariant:
//! shifting or scaling the readings changes no verdict.

use super::{Check, Checked, READINGS_MIN, check_level};
use crate::normal;
use crate::readings::{ReadingsError, ascending, check, distinct};
use statrs::distribution::{Binomial, DiscreteCDF};

/// Step over deviation above which a chart is misled: the deviation is then overstated.
const STEP_BOUND: f64 = 1.0;
/// Different values that a chart of spread needs (D. J. Wheeler's rule, from memory).
const DISTINCT_MIN: usize = 5;
/// Readings at one end below which nothing is said of a pile.
const PILE_MIN: u64 = 3;
/// Share of them below which a pile moves no limit.
const PILE_SHARE: f64 = 0.01;

/// Skewness with the test of its distance from 0.
///
/// Input, errors and level as for [`super::examine`]. sqrt(b1) = m3/m2^1.5 with divisor n, brought
/// to a standard normal variable by R. B. D'Agostino's transform (Biometrika 57, 1970; R. B.
/// D'Agostino, A. Belanger and R. B. D'Agostino Jr., The American Statistician 44(4) 1990; from
/// memory). Cost: n.
///
/// # Errors
/// As [`super::examine`].
///
/// ```
/// let skewed: Vec<f64> = (1..60).map(|i| (f64::from(i) / 12.0).exp()).collect();
/// assert!(spc::baseline::shape::skewness(&skewed, 0.01).expect("usable").warns);
/// ```
pub fn skewness(readings: &[f64], level: f64) -> Result<Checked, ReadingsError> {
    check_level(level)?;
    let summary = check(readings, READINGS_MIN)?;
    let n = readings.len() as f64;
    let power = |k: i32| {
        let z = |x: &f64| ((x - summary.mean) / summary.deviation).powi(k);
        readings.iter().map(z).sum::<f64>() / n
    };
    let root_b1 = power(3) / power(2).powf(1.5);
    let p_value = 2.0 * normal::below(-skewness_score(root_b1, n).abs());
    Ok(Checked::by_p_value(
        Check::Skewness,
        root_b1,
        p_value,
        level,
    ))
}

/// D'Agostino's transform of sqrt(b1) to a standard normal variable, for n of at least 8.
pub(super) fn skewness_score(root_b1: f64, n: f64) -> f64 {
    let y = root_b1 * ((n + 1.0) * (n + 3.0) / (6.0 * (n - 2.0))).sqrt();
    let kurtosis = 3.0 * (n * n + 27.0 * n - 70.0) * (n + 1.0) * (n + 3.0)
        / ((n - 2.0) * (n + 5.0) * (n + 7.0) * (n + 9.0));
    let w_squared = (2.0 * (kurtosis - 1.0)).sqrt() - 1.0;
    let delta = 1.0 / (0.5 * w_squared.ln()).sqrt();
    let alpha = (2.0 / (w_squared - 1.0)).sqrt();
    delta * (y / alpha).asinh()
}

/// The step of the gauge, in the unit of the readings: the smallest difference of two different
/// readings, if every other difference of neighbours is a multiple of it and some readings are
/// equal; otherwise `None`, as for an empty sample. Cost: n log n.
///
/// ```
/// let found = spc::baseline::shape::step(&[1.5, 2.0, 2.0, 3.5]).expect("a grid");
/// assert!((found - 0.5).abs() < 1e-12);
/// ```
pub fn step(readings: &[f64]) -> Option<f64> {
    let sorted = ascending(readings);
    let range = sorted.last()? - sorted.first()?;
    // Below a billionth of the range a difference is a rounding error of a decimal fraction.
    let gaps: Vec<f64> = sorted
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|gap| *gap > 1e-9 * range)
        .collect();
    let smallest = gaps.iter().copied().fold(f64::INFINITY, f64::min);
    let whole = |gap: &f64| {
        let ratio = gap / smallest;
        (ratio - ratio.round()).abs() < 0.02
    };
    let tied = gaps.len() + 1 < sorted.len();
    (tied && !gaps.is_empty() && gaps.iter().all(whole)).then_some(smallest)
}

/// Step of the gauge against the spread, and how many different values there are.
///
/// Input and errors as for [`super::examine`]. Warns where the step is above one standard deviation
/// (at two the deviation is 14 % too high, at three charts are erratic; by computation) and below 5
/// different values (Wheeler's rule). Readings without a step have the statistic 0.
///
/// Cost: n log n.
///
/// # Errors
/// As [`super::examine`].
///
/// ```
/// let readings: Vec<f64> = (0..40).map(|i| f64::from(i % 9) * 0.5).collect();
/// let [step, values] = spc::baseline::shape::resolution(&readings).expect("usable");
/// assert!(!step.warns && !values.warns);
/// ```
pub fn resolution(readings: &[f64]) -> Result<[Checked; 2], ReadingsError> {
    let summary = check(readings, READINGS_MIN)?;
    let ratio = step(readings).map_or(0.0, |step| step / summary.deviation);
    let values = distinct(&ascending(readings));
    Ok([
        Checked {
            check: Check::Resolution,
            statistic: ratio,
            bound: Some(STEP_BOUND),
            p_value: None,
            warns: ratio > STEP_BOUND,
        },
        Checked {
            check: Check::DistinctValues,
            statistic: values as f64,
            bound: Some(DISTINCT_MIN as f64),
            p_value: None,
            warns: values < DISTINCT_MIN,
        },
    ])
}

/// Mass at the smallest and at the largest value.
///
/// Input, errors and level as for [`super::examine`]. The p-value is the binomial chance that so
/// many of n readings lie within half a step of that value in a normal stream with the median found
/// and the sigma of the far half, (median - quartile)/0.6745, which a pile of up to half the
/// readings does not draw along. Warns from 3 readings and 1 % on: a measure that saturates or a
/// physical bound shows here. Our own construction from the binomial distribution. Cost: n log n.
///
/// # Errors
/// As [`super::examine`].
///
/// ```
/// let mut readings: Vec<f64> = (0..60).map(|i| f64::from(i % 20)).collect();
/// readings.extend([25.0; 40]);
/// let [low, high] = spc::baseline::shape::mass(&readings, 0.01).expect("usable");
/// assert!(!low.warns && high.warns);
/// ```
pub fn mass(readings: &[f64], level: f64) -> Result<[Checked; 2], ReadingsError> {
    check_level(level)?;
    let summary = check(readings, READINGS_MIN)?;
    let sorted = ascending(readings);
    let mirrored: Vec<f64> = sorted.iter().rev().map(|x| -x).collect();
    // Without a step equal readings are a wonder, whatever the spread.
    let step = step(readings).unwrap_or_default();
    let pile = |sorted: &[f64], check| {
        let (median, quartile) = (part(sorted, 2), part(sorted, 4));
        let far_half = (median - quartile) / -normal::quantile(0.25);
        // Equal quartile and median: the resolution leaves no half to measure.
        let sigma = if far_half > 0.0 {
            far_half
        } else {
            summary.deviation
        };
        highest(sorted, (median, sigma, step), check, level)
    };
    Ok([
        pile(&mirrored, Check::MassAtLowest)?,
        pile(&sorted, Check::MassAtHighest)?,
    ])
}

/// The value at one over `divisor` of an ascending sample.
fn part(sorted: &[f64], divisor: usize) -> f64 {
    sorted
        .get(sorted.len() / divisor)
        .copied()
        .unwrap_or_default()
}

fn highest(
    sorted: &[f64],
    (median, sigma, step): (f64, f64, f64),
    check: Check,
    level: f64,
) -> Result<Checked, ReadingsError> {
    let most = sorted.last().copied().unwrap_or_default();
    let at = sorted.iter().filter(|x| **x >= most).count() as u64;
    let above = |x: f64| normal::below((median - x) / sigma);
    let chance = above(most - 0.5 * step) - above(most + 0.5 * step);
    let n = sorted.len() as u64;
    let law = Binomial::new(chance.clamp(0.0, 1.0), n).map_err(|_| ReadingsError::OutOfRange)?;
    let tail = law.sf(at.saturating_sub(1));
    let p_value = if tail.is_finite() {
        tail.clamp(0.0, 1.0)
    } else {
        1.0
    };
    let share = at as f64 / n as f64;
    let mut checked = Checked::by_p_value(check, share, p_value, level);
    checked.warns &= at >= PILE_MIN && share >= PILE_SHARE;
    Ok(checked)
}
