//! Whether a series stays where it is: signals, a shift, dependence in time.
//!
//! Purpose: checks that need the order of the points. Must not know their distribution beyond the
//! normal one they are compared with. The one invariant: shifting or scaling the series changes no
//! p-value.

use super::{Check, Checked, READINGS_MIN, check_level, thinned};
use crate::chart::{ChartKind, Limits, Sample};
use crate::normal;
use crate::readings::{ReadingsError, check};
use crate::rules::{Rule, RuleState};
use crate::simulation::{Normals, Simulated};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Simulated series behind the p-values of signals.
const SIMULATED_SERIES_MAX: usize = 199;
/// Points of a series that signals are counted in and simulated for.
const SIGNAL_POINTS_MAX: usize = 1_000;
/// The run rules counted: those of the Western Electric handbook but the first.
const RUN_RULES: [Rule; 3] = [Rule::TwoOfThree2s, Rule::FourOfFive1s, Rule::Run8];

/// The counts of simulated series.
static COUNTS: Simulated<[usize; 2]> = Simulated::new();

/// Points beyond three sigma and points at which a run rule fires, on individuals limits made from
/// the series itself.
///
/// Input, errors and level as for [`super::examine`]. The p-value is the share of 199 simulated
/// normal series of the same length with at least as many, judged by limits of their own, so that
/// the error of the limits is in it (at most 1,000 points, evenly taken; not below 1/200). Rules:
/// two of three beyond 2 sigma, four of five beyond 1, eight on one side (Western Electric,
/// Statistical Quality Control Handbook, 1956, pp. 25-28).
///
/// Cost: the points times 200 at most, from the second call of a size on once.
///
/// # Errors
/// As [`super::examine`].
///
/// ```
/// let mut series: Vec<f64> = (0..50).map(|i| f64::from(i * 7 % 10)).collect();
/// series[20] = 200.0;
/// let [beyond, _] = spc::baseline::stability::signals(&series, 0.05).expect("usable");
/// assert!(beyond.statistic > 0.5);
/// ```
pub fn signals(series: &[f64], level: f64) -> Result<[Checked; 2], ReadingsError> {
    check_level(level)?;
    check(series, READINGS_MIN)?;
    let series = thinned(series, SIGNAL_POINTS_MAX);
    // A thinned series may have lost its spread.
    let own = count(&series).ok_or(ReadingsError::OutOfRange)?;
    let mut larger = [0_usize; 2];
    if own != [0, 0] {
        for counts in COUNTS.of_size(series.len(), || counts(series.len())).iter() {
            for ((larger, other), own) in larger.iter_mut().zip(counts).zip(own) {
                *larger += usize::from(*other >= own);
            }
        }
    }
    let checked = |check, place: usize| {
        let p_value = if own[place] == 0 {
            1.0
        } else {
            (larger[place] + 1) as f64 / (SIMULATED_SERIES_MAX + 1) as f64
        };
        Checked::by_p_value(check, own[place] as f64, p_value, level)
    };
    Ok([checked(Check::Beyond, 0), checked(Check::Runs, 1)])
}

/// The counts of simulated normal series of a size; as many as can be where there are none.
fn counts(size: usize) -> Vec<[usize; 2]> {
    let mut normals = Normals::new(0x5041_0001);
    let draw = |_| {
        let drawn: Vec<f64> = (0..size).map(|_| normals.draw()).collect();
        count(&drawn).unwrap_or([usize::MAX; 2])
    };
    (0..SIMULATED_SERIES_MAX).map(draw).collect()
}

/// Points beyond and points at which a run rule fires; `None` without limits.
fn count(series: &[f64]) -> Option<[usize; 2]> {
    let sample = |value: &f64| Sample {
        size: 1.0,
        value: *value,
        spread: None,
    };
    let samples: Vec<Sample> = series.iter().map(sample).collect();
    let limits = Limits::estimate(ChartKind::Individuals, &samples, 3.0).ok()?;
    let mut state = RuleState::default();
    let mut found = [0, 0];
    for value in series {
        let z = limits.standardised(*value, 1.0);
        found[0] += usize::from(z.abs() > 3.0);
        found[1] += usize::from(!state.push(z, *value, &RUN_RULES).is_empty());
    }
    Some(found)
}

/// A shift of the mean somewhere in a series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// First point after the shift that splits the series best, from 0.
    pub first_after: usize,
    /// Mean after less mean before, in the unit of the series.
    pub by: f64,
    /// Largest |t| of a two-sample t test over all splits.
    pub statistic: f64,
    /// Upper bound of its chance in a stable normal series.
    pub p_value: f64,
}

/// The best split of a series into before and after, by likelihood ratio for a normal mean.
///
/// `series` in time order, at least 10 values. The likelihood ratio rises with the largest
/// two-sample |t| over the n - 1 splits (K. J. Worsley, Journal of the American Statistical
/// Association 74, 1979, 365-367; D. M. Hawkins, P. Qiu and C. W. Kang, Journal of Quality
/// Technology 35(4) 2003). The p-value is Bonferroni's bound, n - 1 times that of one t with n - 2
/// degrees of freedom, hence cautious. Cost: n.
///
/// # Errors
/// [`ReadingsError`] for fewer than 10 values, one that is not finite, or no spread.
///
/// ```
/// let mut series: Vec<f64> = (0..30).map(|i| f64::from(i % 4)).collect();
/// series[18..].iter_mut().for_each(|x| *x += 5.0);
/// let found = spc::baseline::stability::shift(&series).expect("usable");
/// assert_eq!(found.first_after, 18);
/// assert!(found.p_value < 1e-6);
/// ```
pub fn shift(series: &[f64]) -> Result<Shift, ReadingsError> {
    let summary = check(series, READINGS_MIN)?;
    let n = series.len() as f64;
    // Centred and scaled, so that no sum loses its digits.
    let z: Vec<f64> = series
        .iter()
        .map(|x| (x - summary.mean) / summary.deviation)
        .collect();
    let mut sum = 0.0;
    let (mut best, mut at) = (0.0, 1);
    for (place, value) in z.iter().enumerate().take(z.len() - 1) {
        sum += value;
        let before = (place + 1) as f64;
        let gain = sum * sum * n / (before * (n - before));
        if gain > best {
            (best, at) = (gain, place + 1);
        }
    }
    // Total sum of squares is n - 1 after scaling.
    let within = (n - 1.0 - best).max(f64::MIN_POSITIVE);
    let statistic = (best / (within / (n - 2.0))).sqrt().min(f64::MAX);
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    let law = StudentsT::new(0.0, 1.0, n - 2.0).map_err(|_| ReadingsError::OutOfRange)?;
    Ok(Shift {
        first_after: at,
        by: summary.deviation * (mean(&z[at..]) - mean(&z[..at])),
        statistic,
        p_value: (2.0 * (n - 1.0) * law.sf(statistic)).clamp(0.0, 1.0),
    })
}

/// Autocorrelation of a series at a lag.
///
/// sum (x_i - mean)(x_(i+lag) - mean) / sum (x_i - mean)^2 (NIST/SEMATECH e-Handbook of Statistical
/// Methods, 1.3.5.12). Between -1 and 1. Cost: n.
///
/// # Errors
/// [`ReadingsError`] for a lag of 0 or fewer than lag + 2 values, one that is not finite, or no
/// spread.
///
/// ```
/// let alternating: Vec<f64> = (0..20).map(|i| f64::from(i % 2)).collect();
/// let found = spc::baseline::stability::autocorrelation(&alternating, 1).expect("usable");
/// assert!((found + 0.95).abs() < 1e-12);
/// ```
pub fn autocorrelation(series: &[f64], lag: usize) -> Result<f64, ReadingsError> {
    if lag == 0 {
        return Err(ReadingsError::Parameter("lag"));
    }
    let summary = check(series, lag.saturating_add(2))?;
    let z = |x: &f64| (x - summary.mean) / summary.deviation;
    let products: f64 = series
        .iter()
        .zip(&series[lag..])
        .map(|(a, b)| z(a) * z(b))
        .sum();
    Ok(products / (series.len() as f64 - 1.0))
}

/// Whether each point depends on the one before: lag-1 autocorrelation against z/sqrt(n).
///
/// Input, errors and level as for [`super::examine`]. Bound and p-value from the normal
/// approximation with variance 1/n (M. S. Bartlett, Supplement to the Journal of the Royal
/// Statistical Society 8, 1946; same section of the handbook). A strongly negative value means that
/// points alternate: two strokes or two positions in one stream.
///
/// Cost: constant.
///
/// # Errors
/// As [`super::examine`].
///
/// ```
/// let slow: Vec<f64> = (0..40).map(|i| (f64::from(i) * 0.3).sin()).collect();
/// assert!(spc::baseline::stability::autocorrelated(&slow, 0.01).expect("usable").warns);
/// ```
pub fn autocorrelated(series: &[f64], level: f64) -> Result<Checked, ReadingsError> {
    check_level(level)?;
    check(series, READINGS_MIN)?;
    let statistic = autocorrelation(series, 1)?;
    let root = (series.len() as f64).sqrt();
    let p_value = 2.0 * normal::below(-statistic.abs() * root);
    let mut checked = Checked::by_p_value(Check::Autocorrelation, statistic, p_value, level);
    checked.bound = Some(-normal::quantile(0.5 * level) / root);
    Ok(checked)
}
