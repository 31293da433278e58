//! Limits of Shewhart charts, from a baseline to the bounds of one point.
//!
//! Purpose: estimate centre and sigma once, then answer for any subgroup size. Must not know
//! which stream is charted, nor when. The one invariant: a [`Limits`] made by
//! [`Limits::estimate`] is finite, with a positive sigma for every positive size.
//!
//! Formulas: D. C. Montgomery, Introduction to Statistical Quality Control, Wiley, 6th ed. 2009,
//! chapters 6 and 7; unequal subgroups after I. W. Burr, Journal of Quality Technology 1(3) 1969;
//! the three-way chart after D. J. Wheeler, Advanced Topics in Statistical Process Control.

use crate::between_events::{self, BetweenEvents, Tails};
use crate::constants::{self, whole_size};
use crate::t_squared::{Phase, TSquared, TSquaredError};
use crate::{laney, median, normal};
use thiserror::Error;

mod estimate;
mod joint;
mod samples;

/// What a chart plots, and hence how its sigma is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ChartKind {
    /// Single values, sigma from their moving range.
    Individuals,
    /// Subgroup means, sigma from the ranges.
    MeanRange,
    /// Subgroup medians, sigma from the ranges.
    MedianRange,
    /// Subgroup means, sigma from the standard deviations.
    MeanS,
    /// Subgroup means treated as individuals, with a chart of the spread within.
    ThreeWay,
    /// Proportion of nonconforming units.
    P,
    /// The same, with limits that hold its variation from sample to sample (p', Laney).
    PPrime,
    /// Number of nonconforming units.
    Np,
    /// Number of nonconformities on an equal area of opportunity.
    C,
    /// Nonconformities per unit of opportunity.
    U,
    /// The same, with limits that hold its variation from sample to sample (u', Laney).
    UPrime,
    /// Units inspected from one rare event to the next, the one with the event included.
    G,
    /// Time from one rare event to the next.
    T,
    /// How far several measures together are from their centre ([`crate::t_squared`]).
    TSquared,
}

impl ChartKind {
    /// The law of what lies between events (G, T).
    fn between(self) -> Option<between_events::Law> {
        match self {
            ChartKind::G => Some(between_events::Law::Geometric),
            ChartKind::T => Some(between_events::Law::Exponential),
            _ => None,
        }
    }
}

/// One plotted sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Readings in the subgroup, units inspected (P, Np) or units of opportunity (C, U).
    pub size: f64,
    /// Mean, median, single value, proportion, count, rate or distance between events, by the kind
    /// of chart.
    pub value: f64,
    /// Range (MeanRange, MedianRange) or standard deviation (MeanS, ThreeWay) within the subgroup.
    pub spread: Option<f64>,
}

/// Control limits of one point. A point on a limit is not beyond it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// Lower limit; `None` where none exists (size 0).
    pub lower: Option<f64>,
    /// Centre line.
    pub centre: f64,
    /// Upper limit; `None` where none exists (size 0).
    pub upper: Option<f64>,
}

/// Estimated limits. All fields are plain, so that a caller can store and restore them.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// Kind of chart.
    pub kind: ChartKind,
    /// Half width of the limits in sigmas of the plotted value, usually 3.
    pub width: f64,
    /// Samples the estimate rests on.
    pub subgroups: u32,
    /// Centre: a mean, count, rate or distance between events. For Np it is the proportion, so
    /// that sizes may vary.
    pub centre: f64,
    /// Individuals, ThreeWay: sigma of the plotted value. MeanRange, MedianRange, MeanS: sigma of
    /// a single reading within a subgroup. PPrime, UPrime: sigma_z as it was found, which counts
    /// as 1 where it is less. Other attributes and events: 0, sigma follows from centre and size.
    pub sigma: f64,
    /// Mean moving range of the plotted value (Individuals, ThreeWay).
    pub moving_range: Option<f64>,
    /// Sigma of a single reading within a subgroup (ThreeWay with spreads).
    pub sigma_within: Option<f64>,
    /// Sigma between subgroups beyond what the readings within explain (ThreeWay with spreads).
    pub sigma_between: Option<f64>,
    /// Centre and covariance of the measures (TSquared).
    pub joint: Option<TSquared>,
}

/// Which precondition of an estimate failed. Indices count from 0.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum LimitsError {
    /// A chart needs at least two samples.
    #[error("limits need at least {needed} samples, {found} given; collect more")]
    TooFewSamples {
        /// Samples given.
        found: usize,
        /// Samples needed.
        needed: usize,
    },
    /// The half width is not a positive finite number.
    #[error("the width of the limits must be a positive number of sigmas, not {0}")]
    Width(f64),
    /// A size is zero, negative, not finite, or not a whole number of at least 2 where needed.
    #[error("sample {index} has size {size}; {needed}")]
    Size {
        /// Position of the sample.
        index: usize,
        /// The size given.
        size: f64,
        /// What the chart needs.
        needed: &'static str,
    },
    /// Sizes differ on a chart that needs equal ones.
    #[error("sample {index} differs in size from the first; use a u chart for unequal areas")]
    UnequalSize {
        /// Position of the first sample that differs.
        index: usize,
    },
    /// A value is not finite.
    #[error("sample {index} has a value or spread that is not a finite number")]
    NotFinite {
        /// Position of the sample.
        index: usize,
    },
    /// A value lies outside what its kind can be: negative, or more nonconforming than inspected.
    #[error("sample {index} has the value {value}; {needed}")]
    Value {
        /// Position of the sample.
        index: usize,
        /// The value given.
        value: f64,
        /// What the chart needs.
        needed: &'static str,
    },
    /// The chart needs the spread within each subgroup.
    #[error("sample {index} has no spread within the subgroup, which this chart needs")]
    MissingSpread {
        /// Position of the sample.
        index: usize,
    },
    /// The samples do not vary, so no limit can be drawn.
    #[error("the samples show no variation, so no limit can be estimated; check the resolution")]
    ZeroVariance,
    /// Several measures have no chart together.
    #[error(transparent)]
    Joint(#[from] TSquaredError),
}

impl Limits {
    /// Control limits of a point of the given size: centre +/- width sigma.
    ///
    /// G and T have the exact limits of [`BetweenEvents::bounds`] instead, with unbiased tails and
    /// the chance of a false signal that `width` sigmas leave a normal variable.
    ///
    /// TSquared has an upper limit only, that of later points ([`TSquared::limit`]).
    ///
    /// Attributes are floored at 0, P and PPrime capped at 1 and Np at its size. Size is ignored by
    /// Individuals, ThreeWay and C. A size of 0 (or less) has no limits where they depend on it.
    ///
    /// Cost: constant; that of exact limits where the chart has them.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// // 516 nonconformities on 26 boards: D. C. Montgomery, Introduction to Statistical Quality
    /// // Control, Example 7.3: 6.48 and 33.22.
    /// let sample = Sample { size: 1.0, value: 516.0 / 26.0, spread: None };
    /// let bounds = Limits::estimate(ChartKind::C, &[sample; 26], 3.0)?.bounds(1.0);
    /// assert!(bounds.lower.is_some_and(|lower| (lower - 6.48).abs() < 0.01));
    /// assert!(bounds.upper.is_some_and(|upper| (upper - 33.22).abs() < 0.01));
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn bounds(&self, size: f64) -> Bounds {
        if let Some(law) = self.between_events() {
            let none = Bounds {
                lower: None,
                centre: self.centre,
                upper: None,
            };
            let chance = self.false_alarm_per_point();
            return law.bounds(chance, Tails::Unbiased).unwrap_or(none);
        }
        if let Some(joint) = &self.joint {
            let upper = joint.limit(self.false_alarm_per_point(), Phase::Monitoring);
            return Bounds {
                lower: None,
                centre: self.centre,
                upper: upper.ok().flatten(),
            };
        }
        let (floor, cap) = match self.kind {
            ChartKind::P | ChartKind::PPrime => (0.0, 1.0),
            ChartKind::Np => (0.0, size.max(0.0)),
            ChartKind::C | ChartKind::U | ChartKind::UPrime => (0.0, f64::INFINITY),
            _ => (f64::NEG_INFINITY, f64::INFINITY),
        };
        let centre = self.centre_at(size);
        let half = self.width * self.sigma_at(size);
        if !half.is_finite() {
            return Bounds {
                lower: None,
                centre,
                upper: None,
            };
        }
        Bounds {
            lower: Some((centre - half).max(floor)),
            centre,
            upper: Some((centre + half).min(cap)),
        }
    }

    /// Sigma of the plotted value at the given size, in its unit.
    ///
    /// Means: sigma/sqrt(n). Medians: sigma times [`median::deviation`] of n; infinite where n is
    /// not a whole number of at least 2. P: sqrt(p(1-p)/n). Np: sqrt(n p(1-p)). C: sqrt(c). U:
    /// sqrt(u/n). PPrime, UPrime: that of P or U times sigma_z, at least 1. G: sqrt(m (m - 1)), T:
    /// m, m being the mean. TSquared: infinite, it is a distance in sigmas itself. Infinite too
    /// where a size of 0 (or less) carries no information.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// // Proportions of 30 samples of 50 that average 0.2313: D. C. Montgomery, Introduction to
    /// // Statistical Quality Control, Example 7.1.
    /// let sample = Sample { size: 50.0, value: 0.2313, spread: None };
    /// let limits = Limits::estimate(ChartKind::P, &[sample; 30], 3.0)?;
    /// assert!((limits.sigma_at(50.0) - 0.0596).abs() < 1e-4);
    /// assert!(limits.sigma_at(0.0).is_infinite());
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn sigma_at(&self, size: f64) -> f64 {
        match self.kind {
            ChartKind::Individuals | ChartKind::ThreeWay => self.sigma,
            ChartKind::MeanRange | ChartKind::MeanS => over(self.sigma * self.sigma, size),
            ChartKind::MedianRange => match whole_size(size).and_then(median::deviation) {
                Some(deviation) => self.sigma * deviation,
                None => f64::INFINITY,
            },
            ChartKind::PPrime | ChartKind::UPrime => {
                laney::applied(self.sigma) * self.law_sigma_at(size)
            }
            ChartKind::P | ChartKind::Np | ChartKind::C | ChartKind::U => self.law_sigma_at(size),
            ChartKind::G => (self.centre * (self.centre - 1.0).max(0.0)).sqrt(),
            ChartKind::T => self.centre,
            ChartKind::TSquared => f64::INFINITY,
        }
    }

    /// Sigma of an attribute after the binomial or Poisson law alone; 0 for measured values.
    pub(crate) fn law_sigma_at(&self, size: f64) -> f64 {
        let size = size.max(0.0);
        let centre = self.centre.max(0.0);
        let binomial = centre * (1.0 - centre).max(0.0);
        match self.kind {
            ChartKind::P | ChartKind::PPrime => over(binomial, size),
            ChartKind::Np => (size * binomial).sqrt(),
            ChartKind::C => centre.sqrt(),
            ChartKind::U | ChartKind::UPrime => over(centre, size),
            _ => 0.0,
        }
    }

    /// Distance of a value from the centre in sigmas of the plotted value; 0 where a size of 0
    /// gives no sigma. G and T: the normal score ([`BetweenEvents::score`]), for they are skewed.
    /// TSquared: the magnitude of a normal variable that chance leads as far out as seldom.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// // Proportions of 30 samples of 50 that average 0.2313: D. C. Montgomery, Introduction to
    /// // Statistical Quality Control, Example 7.1.
    /// let sample = Sample { size: 50.0, value: 0.2313, spread: None };
    /// let limits = Limits::estimate(ChartKind::P, &[sample; 30], 3.0)?;
    /// // 0.4102 is the upper limit there, and so lies three sigma out.
    /// assert!((limits.standardised(0.4102, 50.0) - 3.0).abs() < 1e-3);
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn standardised(&self, value: f64, size: f64) -> f64 {
        if let Some(law) = self.between_events() {
            return law.score(value).unwrap_or(0.0);
        }
        if let Some(joint) = &self.joint {
            let chance = joint.chance_beyond(value).unwrap_or(1.0);
            // Below it the quantile of the normal distribution is not finite.
            return -normal::quantile(0.5 * chance.max(1e-300));
        }
        let distance = value - self.centre_at(size);
        let sigma = self.sigma_at(size);
        if sigma > 0.0 && distance.is_finite() {
            distance / sigma
        } else {
            0.0
        }
    }

    /// Centre line at the given size: size times the proportion for Np, the median for G and T,
    /// else the centre.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// // Proportions of 30 samples of 50 that average 0.2313: D. C. Montgomery, Introduction to
    /// // Statistical Quality Control, Example 7.1.
    /// let sample = Sample { size: 50.0, value: 0.2313 * 50.0, spread: None };
    /// let limits = Limits::estimate(ChartKind::Np, &[sample; 30], 3.0)?;
    /// assert!((limits.centre_at(50.0) - 11.565).abs() < 1e-9);
    /// assert!((limits.centre_at(100.0) - 23.13).abs() < 1e-9);
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn centre_at(&self, size: f64) -> f64 {
        match self.kind {
            ChartKind::Np => self.centre * size.max(0.0),
            ChartKind::G | ChartKind::T => self.bounds(size).centre,
            _ => self.centre,
        }
    }

    /// Limits of the chart of spread, floored at 0.
    ///
    /// MeanRange, MedianRange: d2 sigma +/- width d3 sigma. MeanS and ThreeWay: c4 sigma +/-
    /// width sigma sqrt(1 - c4^2), for ThreeWay with the sigma within. Individuals: the moving
    /// range chart.
    /// `None` for attributes, for a size that is not a whole number of at least 2, and for a
    /// ThreeWay without spreads.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// // D. C. Montgomery, Introduction to Statistical Quality Control, Example 6.1: mean range
    /// // 0.32521 of 5; its chart has the limits 0 and 0.68749 (D4 = 2.114).
    /// let sample = Sample { size: 5.0, value: 1.5056, spread: Some(0.32521) };
    /// let limits = Limits::estimate(ChartKind::MeanRange, &[sample; 25], 3.0)?;
    /// let bounds = limits.spread_bounds(5.0).expect("a chart of ranges");
    /// assert_eq!(bounds.lower, Some(0.0));
    /// assert!(bounds.upper.is_some_and(|upper| (upper - 0.68749).abs() < 3e-4));
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn spread_bounds(&self, size: f64) -> Option<Bounds> {
        match self.kind {
            ChartKind::Individuals => self.moving_range_bounds(),
            ChartKind::MeanRange | ChartKind::MedianRange => {
                Some(self.scaled_bounds(self.sigma, range_scale(size)?))
            }
            ChartKind::MeanS => Some(self.scaled_bounds(self.sigma, s_scale(size)?)),
            ChartKind::ThreeWay => Some(self.scaled_bounds(self.sigma_within?, s_scale(size)?)),
            ChartKind::P | ChartKind::PPrime | ChartKind::Np => None,
            ChartKind::C | ChartKind::U | ChartKind::UPrime => None,
            ChartKind::G | ChartKind::T | ChartKind::TSquared => None,
        }
    }

    /// The law of what lies between events (G, T).
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// let counts = [800.0, 1500.0, 700.0].map(|value| Sample { size: 1.0, value, spread: None });
    /// let limits = Limits::estimate(ChartKind::G, &counts, 3.0)?;
    /// let law = limits.between_events().expect("a chart of events");
    /// assert_eq!((law.mean, law.events), (1000.0, 3));
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn between_events(&self) -> Option<BetweenEvents> {
        Some(BetweenEvents {
            law: self.kind.between()?,
            mean: self.centre,
            events: self.subgroups,
        })
    }

    /// How much more the baseline's points varied than their law explains ([`crate::laney`]), as
    /// it was found; limits take at least 1. `None` for charts other than PPrime and UPrime.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// // 10 % and 30 % of 100 around 20 %: 2.5 sigma below and above, so a moving range of 5.
    /// let shares = [0.1, 0.3].map(|value| Sample { size: 100.0, value, spread: None });
    /// let limits = Limits::estimate(ChartKind::PPrime, &shares, 3.0)?;
    /// assert!(limits.sigma_z().is_some_and(|found| (found - 5.0 / 1.12838).abs() < 1e-4));
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn sigma_z(&self) -> Option<f64> {
        matches!(self.kind, ChartKind::PPrime | ChartKind::UPrime).then_some(self.sigma)
    }

    /// Limits of the chart of moving ranges of two: mean MR (1 +/- width d3/d2), floored at 0.
    ///
    /// `None` where the chart has no moving range.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// // D. C. Montgomery, Introduction to Statistical Quality Control, Example 6.5: mean moving
    /// // range 7.79, upper limit 25.45 (D4 = 3.267).
    /// let values = [300.0, 307.79, 300.0].map(|value| Sample { size: 1.0, value, spread: None });
    /// let limits = Limits::estimate(ChartKind::Individuals, &values, 3.0)?;
    /// let bounds = limits.moving_range_bounds().expect("a chart of individuals");
    /// assert!(bounds.upper.is_some_and(|upper| (upper - 25.45).abs() < 0.01));
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn moving_range_bounds(&self) -> Option<Bounds> {
        let scale = range_scale(2.0)?;
        Some(self.scaled_bounds(self.moving_range? / scale.mean, scale))
    }

    /// Chance that an in-control normal point falls beyond the limits: 2 (1 - Phi(width)).
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// // Proportions of 30 samples of 50 that average 0.2313: D. C. Montgomery, Introduction to
    /// // Statistical Quality Control, Example 7.1.
    /// let sample = Sample { size: 50.0, value: 0.2313, spread: None };
    /// let limits = Limits::estimate(ChartKind::P, &[sample; 30], 3.0)?;
    /// assert!((limits.false_alarm_per_point() - 0.0027).abs() < 1e-6);
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn false_alarm_per_point(&self) -> f64 {
        false_alarm(self.width)
    }

    fn scaled_bounds(&self, sigma: f64, scale: SpreadScale) -> Bounds {
        let centre = scale.mean * sigma;
        let half = self.width * scale.deviation * sigma;
        Bounds {
            lower: Some((centre - half).max(0.0)),
            centre,
            upper: Some(centre + half),
        }
    }
}

/// Chance that an in-control normal point falls beyond known limits of a width in sigma:
/// 2 (1 - Phi(width)).
///
/// Cost: constant.
///
/// ```
/// assert!((spc::chart::false_alarm(3.0) - 0.0027).abs() < 1e-6);
/// ```
pub fn false_alarm(width: f64) -> f64 {
    2.0 * normal::below(-width)
}

/// Sigma between subgroups: sqrt(max(0, sigma^2 - within^2 / size)).
///
/// `sigma_of_means` is that of the plotted means, `within` that of single readings, `size` the
/// (harmonic mean) number of readings in a subgroup. 0 when the readings within explain all.
///
/// Cost: constant.
///
/// ```
/// // Means of 4 with sigma 5, readings within with sigma 6: 25 = 4^2 + 36/4.
/// assert_eq!(spc::chart::sigma_between(5.0, 6.0, 4.0), 4.0);
/// assert_eq!(spc::chart::sigma_between(2.0, 6.0, 4.0), 0.0);
/// ```
pub fn sigma_between(sigma_of_means: f64, within: f64, size: f64) -> f64 {
    (sigma_of_means * sigma_of_means - within * within / size)
        .max(0.0)
        .sqrt()
}

/// Mean and standard deviation of a spread statistic, per sigma of a single reading.
#[derive(Clone, Copy)]
struct SpreadScale {
    mean: f64,
    deviation: f64,
}

fn range_scale(size: f64) -> Option<SpreadScale> {
    let n = whole_size(size)?;
    Some(SpreadScale {
        mean: constants::d2(n)?,
        deviation: constants::d3(n)?,
    })
}

fn s_scale(size: f64) -> Option<SpreadScale> {
    let c4 = constants::c4(whole_size(size)?)?;
    Some(SpreadScale {
        mean: c4,
        deviation: constants::spread_of_s(c4),
    })
}

/// Sigma of a mean over `size` readings of this variance; infinite for a size of 0.
fn over(variance: f64, size: f64) -> f64 {
    if size > 0.0 {
        (variance / size).sqrt()
    } else {
        f64::INFINITY
    }
}

#[cfg(test)]
mod tests;
