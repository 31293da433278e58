//! Baselines (Phase 1): what to leave out, and whether the rest may carry limits.
//!
//! Purpose: screen a baseline in the open and test what limits silently assume. Must not know
//! streams, storage or who decides. The one invariant: nothing is left out or passed over without a
//! record that says why, with its figures.
//!
//! Source of the approach: ISO 7870-2 (Phase 1); W. A. Jensen, L. A. Jones-Farmer, C. W. Champ and
//! W. H. Woodall, Journal of Quality Technology 38(4) 2006, 349-364; both from memory.

pub mod joint;
pub mod mixture;
pub mod screening;
pub mod shape;
pub mod stability;
#[cfg(test)]
mod tests;

use crate::readings::ReadingsError;
use crate::{normality, readings};

/// Readings that the checks need.
pub const READINGS_MIN: usize = 10;

/// What is checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Check {
    /// Points beyond three sigma.
    Beyond,
    /// Points at which a run rule fires.
    Runs,
    /// A lasting shift somewhere in the series.
    Shift,
    /// Correlation of each point with the one before.
    Autocorrelation,
    /// Distance from a normal distribution.
    Normality,
    /// Lack of symmetry.
    Skewness,
    /// Step of the gauge against the spread.
    Resolution,
    /// Different values among the readings.
    DistinctValues,
    /// Two populations in one.
    Mixture,
    /// Readings piled up at the smallest value.
    MassAtLowest,
    /// Readings piled up at the largest value.
    MassAtHighest,
    /// The farthest of several measures together.
    Farthest,
    /// A lasting shift of several measures together.
    JointShift,
    /// Correlation of several measures with those before.
    JointAutocorrelation,
    /// Distance of several measures from a joint normal distribution.
    JointShape,
}

impl Check {
    /// All of them.
    pub const ALL: [Check; 15] = [
        Check::Beyond,
        Check::Runs,
        Check::Shift,
        Check::Autocorrelation,
        Check::Normality,
        Check::Skewness,
        Check::Resolution,
        Check::DistinctValues,
        Check::Mixture,
        Check::MassAtLowest,
        Check::MassAtHighest,
        Check::Farthest,
        Check::JointShift,
        Check::JointAutocorrelation,
        Check::JointShape,
    ];

    /// The check of a [`Check::name`]; `None` for any other text.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::baseline::Check;
    /// assert_eq!(Check::from_name("shift"), Some(Check::Shift));
    /// assert_eq!(Check::from_name("shifts"), None);
    /// ```
    pub fn from_name(name: &str) -> Option<Check> {
        Check::ALL.into_iter().find(|check| check.name() == name)
    }

    /// Name for configuration, storage and programs.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::baseline::Check;
    /// assert_eq!(Check::DistinctValues.name(), "distinct_values");
    /// ```
    pub fn name(self) -> &'static str {
        match self {
            Check::Beyond => "beyond",
            Check::Runs => "runs",
            Check::Shift => "shift",
            Check::Autocorrelation => "autocorrelation",
            Check::Normality => "normality",
            Check::Skewness => "skewness",
            Check::Resolution => "resolution",
            Check::DistinctValues => "distinct_values",
            Check::Mixture => "mixture",
            Check::MassAtLowest => "mass_at_lowest",
            Check::MassAtHighest => "mass_at_highest",
            Check::Farthest => "farthest",
            Check::JointShift => "joint_shift",
            Check::JointAutocorrelation => "joint_autocorrelation",
            Check::JointShape => "joint_shape",
        }
    }

    /// What the statistic is.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::baseline::Check;
    /// assert_eq!(Check::Normality.statistic(), "Anderson-Darling A*");
    /// ```
    pub fn statistic(self) -> &'static str {
        match self {
            Check::Beyond => "points beyond three sigma",
            Check::Runs => "points at which a run rule fires",
            Check::Shift => "largest |t| of before against after",
            Check::Autocorrelation => "lag-1 autocorrelation",
            Check::Normality => "Anderson-Darling A*",
            Check::Skewness => "skewness",
            Check::Resolution => "step over standard deviation",
            Check::DistinctValues => "different values",
            Check::Mixture => "likelihood ratio of two populations against one",
            Check::MassAtLowest => "share of readings at the smallest value",
            Check::MassAtHighest => "share of readings at the largest value",
            Check::Farthest => "largest T-squared",
            Check::JointShift => "largest T-squared of before against after",
            Check::JointAutocorrelation => "sum of squared lag-1 correlations times points",
            Check::JointShape => "Anderson-Darling A of T-squared from its beta law",
        }
    }

    /// What a warning means for limits and indices.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::baseline::Check;
    /// assert!(Check::Normality.warning().starts_with("not normal"));
    /// ```
    pub fn warning(self) -> &'static str {
        match self {
            Check::Beyond => "more points beyond three sigma than a stable stream gives",
            Check::Runs => "more runs and drifts than a stable stream gives",
            Check::Shift => "the level shifts within the series",
            Check::Autocorrelation => "points depend on the one before: alarms and bounds mislead",
            Check::Normality => "not normal: three sigma do not mean 0.27 %",
            Check::Skewness => "skewed: false alarms gather on one side",
            Check::Resolution => "the gauge's step is coarse against the spread",
            Check::DistinctValues => "too few different values for a chart of spread",
            Check::Mixture => "two populations in one stream: split it by stroke or position",
            Check::MassAtLowest => "readings pile up at the smallest value",
            Check::MassAtHighest => "readings pile up at the largest value",
            Check::Farthest => "a point lies farther out than a stable stream's",
            Check::JointShift => "the level of the measures together shifts",
            Check::JointAutocorrelation => "points depend on the one before: alarms mislead",
            Check::JointShape => "together not normal: the limit's chance is not the stated one",
        }
    }
}

/// A check with its figures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Checked {
    /// What was checked.
    pub check: Check,
    /// The statistic, as [`Check::statistic`] names it.
    pub statistic: f64,
    /// The value beyond which it warns, where there is a fixed one.
    pub bound: Option<f64>,
    /// Chance of such a statistic from a stable normal stream, where it is known; for
    /// [`Check::Shift`] an upper bound of it.
    pub p_value: Option<f64>,
    /// Whether it warns.
    pub warns: bool,
}

impl Checked {
    fn by_p_value(check: Check, statistic: f64, p_value: f64, level: f64) -> Self {
        Self {
            check,
            statistic,
            bound: None,
            p_value: Some(p_value),
            warns: p_value <= level,
        }
    }
}

/// Checks a series of plotted values in time order.
///
/// `series` in any unit, at least 10 values; `level` the p-value at or below which a check warns,
/// such as 0.01. In this order: points beyond, runs, shift ([`stability`]), autocorrelation,
/// normality ([`crate::normality`]), skewness ([`shape`]), mixture ([`mixture`]). Each check errs
/// at most as often as the level says, all seven together more often. Cost: mixture
/// 120 n exponentials, the others n log n; where the statistic of a simulated one is not small, a
/// few hundred times that, once a program for each size.
///
/// # Errors
/// [`ReadingsError`] for fewer than 10 values, one that is not finite, no spread, or a level not
/// inside 0 to 1.
///
/// ```
/// let stepped: Vec<f64> = (0..40).map(|i| f64::from(i % 5) + 9.0 * f64::from(i / 20)).collect();
/// let found = spc::baseline::examine(&stepped, 0.01).expect("usable");
/// assert!(found.iter().any(|one| one.check.name() == "shift" && one.warns));
/// ```
pub fn examine(series: &[f64], level: f64) -> Result<Vec<Checked>, ReadingsError> {
    check_level(level)?;
    readings::check(series, READINGS_MIN)?;
    let [beyond, runs] = stability::signals(series, level)?;
    let [shift, autocorrelation] = examine_order(series, level)?;
    let normality = normality::anderson_darling(series)?;
    Ok(vec![
        beyond,
        runs,
        shift,
        autocorrelation,
        Checked::by_p_value(
            Check::Normality,
            normality.modified,
            normality.p_value,
            level,
        ),
        shape::skewness(series, level)?,
        mixture::mixture(series, level)?,
    ])
}

/// Checks what only the order of a series tells: shift, then autocorrelation ([`stability`]).
///
/// Input, errors and level as for [`examine`]. For scores of counts, whose law is not normal, the
/// p-values are approximate, and the other checks of [`examine`] say nothing. Cost: n.
///
/// # Errors
/// As [`examine`].
///
/// ```
/// let stepped: Vec<f64> = (0..40).map(|i| f64::from(i % 5) + 9.0 * f64::from(i / 20)).collect();
/// let [shift, _] = spc::baseline::examine_order(&stepped, 0.01).expect("usable");
/// assert!(shift.warns);
/// ```
pub fn examine_order(series: &[f64], level: f64) -> Result<[Checked; 2], ReadingsError> {
    check_level(level)?;
    let shift = stability::shift(series)?;
    Ok([
        Checked::by_p_value(Check::Shift, shift.statistic, shift.p_value, level),
        stability::autocorrelated(series, level)?,
    ])
}

/// Checks what the gauge does to readings: resolution, different values, mass at either end.
///
/// Input, errors and level as for [`examine`]; the order of the readings does not matter. Cost:
/// n log n.
///
/// # Errors
/// As [`examine`].
///
/// ```
/// let coarse: Vec<f64> = (0..40).map(|i| f64::from(i % 3)).collect();
/// let found = spc::baseline::examine_gauge(&coarse, 0.01).expect("usable");
/// assert!(found.iter().any(|one| one.check.name() == "distinct_values" && one.warns));
/// ```
pub fn examine_gauge(readings: &[f64], level: f64) -> Result<Vec<Checked>, ReadingsError> {
    check_level(level)?;
    readings::check(readings, READINGS_MIN)?;
    let mut found = shape::resolution(readings)?.to_vec();
    found.extend(shape::mass(readings, level)?);
    Ok(found)
}

fn check_level(level: f64) -> Result<(), ReadingsError> {
    if level > 0.0 && level < 1.0 {
        Ok(())
    } else {
        Err(ReadingsError::Parameter("level of the checks"))
    }
}

/// At most so many values, evenly taken in order.
fn thinned(series: &[f64], most: usize) -> Vec<f64> {
    if series.len() <= most {
        return series.to_vec();
    }
    (0..most).map(|i| series[i * series.len() / most]).collect()
}
