//! Capability and performance indices with their confidence bounds.
//!
//! Purpose: relate a stream's spread to its specification and say how sure the figure is. Must not
//! know streams or reports. The one invariant: a capability index (Cp, Cpk) exists only for a
//! stable stream; an unstable one has performance indices (Pp, Ppk) and nothing else.
//!
//! Sources: V. E. Kane, Journal of Quality Technology 18(1) 1986 (Cp, Cpk); A. F. Bissell, Applied
//! Statistics 39(3) 1990, 331-340 (interval of Cpk); D. C. Montgomery, Introduction to Statistical
//! Quality Control, Wiley, 6th ed. 2009, chapter 8 (interval of Cp, parts per million). The exact
//! one-sided interval and Cpm are in [`interval`], quantile indices in [`quantile`].

pub mod interval;
pub mod quantile;
pub mod time_model;

use crate::normal;
use thiserror::Error;

/// Specification limits and target, in the unit of the measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Specification {
    /// Lower limit, if there is one.
    pub lower: Option<f64>,
    /// Target, if there is one.
    pub target: Option<f64>,
    /// Upper limit, if there is one.
    pub upper: Option<f64>,
}

/// Why a specification was refused.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum SpecificationError {
    /// Neither limit is given.
    #[error("a specification needs a lower or an upper limit")]
    NoLimit,
    /// A limit or the target is not finite.
    #[error("a specification limit or target is not a finite number")]
    NotFinite,
    /// The lower limit is not below the upper one.
    #[error("the lower specification limit {lower} is not below the upper one {upper}")]
    Reversed {
        /// Lower limit given.
        lower: f64,
        /// Upper limit given.
        upper: f64,
    },
    /// The target lies outside the limits.
    #[error("the target {0} lies outside the specification limits")]
    TargetOutside(f64),
}

impl Specification {
    /// A checked specification.
    ///
    /// Cost: constant.
    ///
    /// # Errors
    /// [`SpecificationError`] when both limits are absent, a number is not finite, the limits are
    /// equal or reversed, or the target lies outside them.
    ///
    /// ```
    /// use spc::capability::{Specification, SpecificationError};
    /// assert!(Specification::new(Some(38.0), None, Some(62.0)).is_ok());
    /// let reversed = Specification::new(Some(62.0), None, Some(38.0));
    /// let (lower, upper) = (62.0, 38.0);
    /// assert_eq!(reversed, Err(SpecificationError::Reversed { lower, upper }));
    /// ```
    pub fn new(
        lower: Option<f64>,
        target: Option<f64>,
        upper: Option<f64>,
    ) -> Result<Self, SpecificationError> {
        let specification = Self {
            lower,
            target,
            upper,
        };
        specification.check()?;
        Ok(specification)
    }

    fn check(&self) -> Result<(), SpecificationError> {
        let Self {
            lower,
            target,
            upper,
        } = *self;
        if [lower, target, upper]
            .into_iter()
            .flatten()
            .any(|x| !x.is_finite())
        {
            return Err(SpecificationError::NotFinite);
        }
        match (lower, upper) {
            (None, None) => return Err(SpecificationError::NoLimit),
            (Some(lower), Some(upper)) if lower >= upper => {
                return Err(SpecificationError::Reversed { lower, upper });
            }
            _ => {}
        }
        match target {
            Some(t) if lower.is_some_and(|l| t < l) || upper.is_some_and(|u| t > u) => {
                Err(SpecificationError::TargetOutside(t))
            }
            _ => Ok(()),
        }
    }
}

/// Whether the stream was in control over the study.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stability {
    /// No signal over the study.
    Stable,
    /// At least one signal, or not judged.
    Unstable,
}

/// What was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Study {
    /// Independent subgroups (panels). The confidence bounds rest on this number: readings of one
    /// panel move together and are not separate evidence.
    pub subgroups: u32,
    /// Readings in all.
    pub readings: u64,
    /// Mean of the readings.
    pub mean: f64,
    /// Sigma within subgroups, in the unit of the measure.
    pub sigma_within: f64,
    /// Standard deviation of all readings (divisor n - 1).
    pub sigma_overall: f64,
    /// Readings below the lower limit.
    pub observed_below: u64,
    /// Readings above the upper limit.
    pub observed_above: u64,
}

/// An index with its two-sided confidence bounds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Point estimate.
    pub value: f64,
    /// Lower confidence bound.
    pub lower: f64,
    /// Upper confidence bound.
    pub upper: f64,
}

/// Taguchi's index with the target it was taken against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Taguchi {
    /// The index with its bounds.
    pub index: Estimate,
    /// The target, in the unit of the measure.
    pub target: f64,
    /// Whether the specification names the target; otherwise it is the middle of the limits.
    pub target_given: bool,
}

/// Which family a pair of indices belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Label {
    /// Cp and Cpk, from sigma within.
    Capability,
    /// Pp and Ppk, from the overall standard deviation.
    Performance,
}

impl Label {
    /// Symbol of the spread index: `Cp` or `Pp`.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::capability::Label;
    /// let symbols = [Label::Capability, Label::Performance].map(Label::spread_symbol);
    /// assert_eq!(symbols, ["Cp", "Pp"]);
    /// ```
    pub fn spread_symbol(self) -> &'static str {
        match self {
            Label::Capability => "Cp",
            Label::Performance => "Pp",
        }
    }

    /// Symbol of Taguchi's index: `Cpm` or `Ppm`.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::capability::Label;
    /// assert_eq!(Label::Capability.taguchi_symbol(), "Cpm");
    /// ```
    pub fn taguchi_symbol(self) -> &'static str {
        match self {
            Label::Capability => "Cpm",
            Label::Performance => "Ppm",
        }
    }

    /// Symbol of the index of the nearer side: `Cpk` or `Ppk`.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::capability::Label;
    /// assert_eq!(Label::Performance.nearest_symbol(), "Ppk");
    /// ```
    pub fn nearest_symbol(self) -> &'static str {
        match self {
            Label::Capability => "Cpk",
            Label::Performance => "Ppk",
        }
    }
}

/// Distribution under which rates outside the specification are expected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Model {
    /// Normal with the mean and sigma of the index.
    Normal,
}

impl Model {
    /// Name for a report.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// assert_eq!(spc::capability::Model::Normal.name(), "normal");
    /// ```
    pub fn name(self) -> &'static str {
        match self {
            Model::Normal => "normal",
        }
    }
}

/// A spread index with the index of the nearer side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IndexPair {
    /// Which family.
    pub label: Label,
    /// Sigma used.
    pub sigma: f64,
    /// Cp or Pp: (upper - lower) / (6 sigma); `None` for a one-sided specification.
    pub spread: Option<Estimate>,
    /// Cpk or Ppk: the smaller of the sides that exist. With one side only, the bounds are exact
    /// (noncentral t); with two they are Bissell's.
    pub nearest: Estimate,
    /// Cpm or Ppm: Taguchi's index, which also counts the distance from the target; `None` for a
    /// one-sided specification.
    pub taguchi: Option<Taguchi>,
    /// (mean - lower) / (3 sigma); `None` without a lower limit.
    pub lower_side: Option<f64>,
    /// (upper - mean) / (3 sigma); `None` without an upper limit.
    pub upper_side: Option<f64>,
    /// Expected parts per million below the lower limit under the model.
    pub expected_ppm_below: Option<f64>,
    /// Expected parts per million above the upper limit under the model.
    pub expected_ppm_above: Option<f64>,
    /// Distribution the expected rates assume.
    pub model: Model,
}

/// Indices of one study.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Indices {
    /// Cp and Cpk; `None` unless the stream was stable.
    pub capability: Option<IndexPair>,
    /// Pp and Ppk.
    pub performance: IndexPair,
    /// |midpoint - mean| over half the tolerance; `None` for a one-sided specification.
    pub off_centre: Option<f64>,
    /// Observed parts per million below the lower limit.
    pub observed_ppm_below: Option<f64>,
    /// Observed parts per million above the upper limit.
    pub observed_ppm_above: Option<f64>,
    /// Independent subgroups the bounds rest on.
    pub subgroups: u32,
    /// Confidence of the bounds, such as 0.95.
    pub confidence: f64,
}

impl Indices {
    /// The pair to quote: capability for a stable stream, performance otherwise.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::capability::{Label, Specification, Stability, Study, capability};
    /// let study = Study {
    ///     subgroups: 20, readings: 20, mean: 50.0, sigma_within: 1.75, sigma_overall: 1.75,
    ///     observed_below: 0, observed_above: 0,
    /// };
    /// let limits = Specification::new(Some(38.0), None, Some(62.0))?;
    /// let label = |stability| -> Result<Label, spc::capability::CapabilityError> {
    ///     Ok(capability(&limits, &study, stability, 0.95)?.quoted().label)
    /// };
    /// assert_eq!(label(Stability::Stable)?, Label::Capability);
    /// assert_eq!(label(Stability::Unstable)?, Label::Performance);
    /// # Ok::<(), spc::capability::CapabilityError>(())
    /// ```
    pub fn quoted(&self) -> &IndexPair {
        self.capability.as_ref().unwrap_or(&self.performance)
    }
}

/// Which precondition of a capability study failed.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum CapabilityError {
    /// The specification is not usable.
    #[error(transparent)]
    Specification(#[from] SpecificationError),
    /// Confidence bounds need at least two independent subgroups.
    #[error("capability needs at least 2 independent subgroups, {0} given; collect more")]
    TooFewSubgroups(u32),
    /// Fewer readings than subgroups, or more outside than read.
    #[error("the study's counts contradict each other: {0}")]
    Counts(&'static str),
    /// The mean is not finite.
    #[error("the mean of the study is not a finite number")]
    MeanNotFinite,
    /// A sigma is zero, negative or not finite.
    #[error("{which} is {sigma}; an index needs a positive finite sigma, check the resolution")]
    Sigma {
        /// Which sigma.
        which: &'static str,
        /// The value given.
        sigma: f64,
    },
    /// An index is not a finite number, or is zero or negative where it can not be.
    #[error("the index {0} can not have an interval; it must be a finite number")]
    Index(f64),
    /// Confidence is not inside 0 to 1.
    #[error("the confidence must lie between 0 and 1, not {0}")]
    Confidence(f64),
}

/// Indices, expected and observed rates of a study against a specification.
///
/// Cp (Pp) = (U - L)/(6 sigma), with bounds Cp sqrt(chi2(alpha/2; m - 1)/(m - 1)) and
/// Cp sqrt(chi2(1 - alpha/2; m - 1)/(m - 1)). Cpk (Ppk) = min(U - mean, mean - L)/(3 sigma), with
/// bounds Cpk -/+ z sqrt(1/(9 m) + Cpk^2/(2 (m - 1))) (Bissell), or with one limit only the exact
/// ones of [`interval::one_sided`]. Cpm: [`interval::taguchi`]. m is the number of independent
/// subgroups. Expected rates: 1e6 Phi(-3 side index) on each side.
///
/// Cost: constant but for the exact interval of one limit, some dozen integrals.
///
/// # Errors
/// [`CapabilityError`] when the specification is unusable, there are fewer than two subgroups,
/// counts contradict each other, the mean is not finite, a sigma needed is not positive, or the
/// confidence is not inside 0 to 1. Sigma within is needed only for a stable stream.
///
/// ```
/// use spc::capability::{Specification, Stability, Study, capability};
/// // D. C. Montgomery, Introduction to Statistical Quality Control, Example 8.4: 20 readings,
/// // s 1.75, limits 38 and 62. Cp 2.29, 95 % interval 1.57 to 3.01.
/// let study = Study {
///     subgroups: 20, readings: 20, mean: 50.0, sigma_within: 1.75, sigma_overall: 1.75,
///     observed_below: 0, observed_above: 0,
/// };
/// let limits = Specification::new(Some(38.0), None, Some(62.0))?;
/// let found = capability(&limits, &study, Stability::Stable, 0.95)?;
/// let cp = found.quoted().spread.expect("two limits");
/// assert!((cp.value - 2.29).abs() < 0.005);
/// assert!((cp.lower - 1.57).abs() < 0.006 && (cp.upper - 3.01).abs() < 0.006);
/// # Ok::<(), spc::capability::CapabilityError>(())
/// ```
pub fn capability(
    specification: &Specification,
    study: &Study,
    stability: Stability,
    confidence: f64,
) -> Result<Indices, CapabilityError> {
    specification.check()?;
    check(study, confidence)?;
    let pair = |label, which, sigma: f64| {
        if !(sigma.is_finite() && sigma > 0.0) {
            return Err(CapabilityError::Sigma { which, sigma });
        }
        Ok(index_pair(specification, study, label, sigma, confidence))
    };
    let within = ("the sigma within subgroups", study.sigma_within);
    let capability = match stability {
        Stability::Stable => Some(pair(Label::Capability, within.0, within.1)?),
        Stability::Unstable => None,
    };
    let overall = "the overall standard deviation";
    let ppm = |count: u64| 1e6 * count as f64 / study.readings as f64;
    Ok(Indices {
        capability,
        performance: pair(Label::Performance, overall, study.sigma_overall)?,
        off_centre: off_centre(specification, study.mean),
        observed_ppm_below: specification.lower.map(|_| ppm(study.observed_below)),
        observed_ppm_above: specification.upper.map(|_| ppm(study.observed_above)),
        subgroups: study.subgroups,
        confidence,
    })
}

fn check(study: &Study, confidence: f64) -> Result<(), CapabilityError> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(CapabilityError::Confidence(confidence));
    }
    if study.subgroups < 2 {
        return Err(CapabilityError::TooFewSubgroups(study.subgroups));
    }
    if study.readings < u64::from(study.subgroups) {
        return Err(CapabilityError::Counts("fewer readings than subgroups"));
    }
    if study.observed_below.saturating_add(study.observed_above) > study.readings {
        return Err(CapabilityError::Counts(
            "more readings outside than readings",
        ));
    }
    if study.mean.is_finite() {
        Ok(())
    } else {
        Err(CapabilityError::MeanNotFinite)
    }
}

fn off_centre(specification: &Specification, mean: f64) -> Option<f64> {
    let (lower, upper) = (specification.lower?, specification.upper?);
    Some((0.5 * (lower + upper) - mean).abs() / (0.5 * (upper - lower)))
}

fn index_pair(
    specification: &Specification,
    study: &Study,
    label: Label,
    sigma: f64,
    confidence: f64,
) -> IndexPair {
    let Specification { lower, upper, .. } = *specification;
    let lower_side = lower.map(|limit| (study.mean - limit) / (3.0 * sigma));
    let upper_side = upper.map(|limit| (limit - study.mean) / (3.0 * sigma));
    let nearest = match (lower_side, upper_side) {
        (Some(below), Some(above)) => below.min(above),
        (side, other) => side.or(other).unwrap_or_default(),
    };
    let expected = |side: f64| 1e6 * normal::below(-3.0 * side);
    let tolerance = lower.zip(upper).map(|(lower, upper)| upper - lower);
    let freedom = f64::from(study.subgroups - 1);
    IndexPair {
        label,
        sigma,
        spread: tolerance.map(|t| interval::chi_square(t / (6.0 * sigma), freedom, confidence)),
        nearest: match tolerance {
            Some(_) => interval::bissell(nearest, study.subgroups, confidence),
            None => interval::exact(nearest, study.subgroups, confidence),
        },
        taguchi: interval::taguchi_index(specification, study, sigma, confidence),
        lower_side,
        upper_side,
        expected_ppm_below: lower_side.map(expected),
        expected_ppm_above: upper_side.map(expected),
        model: Model::Normal,
    }
}

#[cfg(test)]
mod tests;
