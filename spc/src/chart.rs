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

mod joint;
mod samples;

use samples::check_sample;

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
    /// Estimates limits from baseline samples in time order, `width` sigmas wide.
    ///
    /// - Individuals: mean of the values; sigma = mean moving range / d2(2).
    /// - MeanRange, MeanS: readings-weighted grand mean; sigma is the minimum-variance unbiased
    ///   combination of the subgroups' own estimates e_i = R_i/d2(n_i) or s_i/c4(n_i), weighted
    ///   by the inverse of their relative variance: (d2/d3)^2 or c4^2/(1 - c4^2) (Burr 1969). With
    ///   equal sizes this is exactly mean R / d2 or mean s / c4; with unequal ones large subgroups
    ///   count for what they know, which the plain average would ignore.
    /// - MedianRange: readings-weighted mean of the medians; sigma as for MeanRange.
    /// - ThreeWay: unweighted mean of the subgroup means; their moving range sets sigma (Wheeler).
    ///   When samples carry s, sigma within is combined as for MeanS from subgroups of two or
    ///   more, and sigma between = sqrt(max(0, sigma^2 - sigma_within^2 mean(1/n))).
    /// - P, Np, U: total of nonconforming or defects over total size; C: mean count, equal sizes.
    /// - G, T: the mean count or time between events ([`BetweenEvents::estimate`]).
    /// - PPrime, UPrime: the same centre, and sigma_z of [`crate::laney`].
    /// - TSquared: [`Limits::estimate_joint`] of the values as one measure.
    ///
    /// # Errors
    /// [`LimitsError`] names the precondition that failed: two samples, positive sizes (whole and
    /// at least 2 where ranges or s are charted), finite values in range, spreads present, some
    /// variation.
    pub fn estimate(kind: ChartKind, samples: &[Sample], width: f64) -> Result<Self, LimitsError> {
        if !(width.is_finite() && width > 0.0) {
            return Err(LimitsError::Width(width));
        }
        if samples.len() < 2 {
            return Err(LimitsError::TooFewSamples {
                found: samples.len(),
                needed: 2,
            });
        }
        for (index, sample) in samples.iter().enumerate() {
            check_sample(kind, index, sample)?;
        }
        let mut limits = Self {
            kind,
            width,
            subgroups: u32::try_from(samples.len()).unwrap_or(u32::MAX),
            centre: 0.0,
            sigma: 0.0,
            moving_range: None,
            sigma_within: None,
            sigma_between: None,
            joint: None,
        };
        match kind {
            ChartKind::Individuals => limits.fit_moving_range(samples)?,
            ChartKind::ThreeWay => limits.fit_three_way(samples)?,
            ChartKind::MeanRange | ChartKind::MedianRange => {
                limits.fit_within(samples, range_scale)?;
            }
            ChartKind::MeanS => limits.fit_within(samples, s_scale)?,
            ChartKind::P | ChartKind::Np | ChartKind::C | ChartKind::U => {
                limits.fit_attribute(samples)?;
            }
            ChartKind::G | ChartKind::T => limits.fit_between(samples)?,
            ChartKind::PPrime | ChartKind::UPrime => {
                limits.fit_attribute(samples)?;
                limits.sigma = laney::sigma_z(&limits, samples)?;
            }
            ChartKind::TSquared => {
                let rows: Vec<[f64; 1]> = samples.iter().map(|one| [one.value]).collect();
                return Self::estimate_joint(&rows, width);
            }
        }
        Ok(limits)
    }

    /// Control limits of a point of the given size: centre +/- width sigma.
    ///
    /// G and T have the exact limits of [`BetweenEvents::bounds`] instead, with unbiased tails and
    /// the chance of a false signal that `width` sigmas leave a normal variable.
    ///
    /// TSquared has an upper limit only, that of later points ([`TSquared::limit`]).
    ///
    /// Attributes are floored at 0, P and PPrime capped at 1 and Np at its size. Size is ignored by
    /// Individuals, ThreeWay and C. A size of 0 (or less) has no limits where they depend on it.
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
    pub fn between_events(&self) -> Option<BetweenEvents> {
        Some(BetweenEvents {
            law: self.kind.between()?,
            mean: self.centre,
            events: self.subgroups,
        })
    }

    /// How much more the baseline's points varied than their law explains ([`crate::laney`]), as
    /// it was found; limits take at least 1. `None` for charts other than PPrime and UPrime.
    pub fn sigma_z(&self) -> Option<f64> {
        matches!(self.kind, ChartKind::PPrime | ChartKind::UPrime).then_some(self.sigma)
    }

    /// Limits of the chart of moving ranges of two: mean MR (1 +/- width d3/d2), floored at 0.
    ///
    /// `None` where the chart has no moving range.
    pub fn moving_range_bounds(&self) -> Option<Bounds> {
        let scale = range_scale(2.0)?;
        Some(self.scaled_bounds(self.moving_range? / scale.mean, scale))
    }

    /// Chance that an in-control normal point falls beyond the limits: 2 (1 - Phi(width)).
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

    fn fit_moving_range(&mut self, samples: &[Sample]) -> Result<(), LimitsError> {
        let steps = samples
            .windows(2)
            .map(|pair| (pair[1].value - pair[0].value).abs());
        let mean_range = steps.sum::<f64>() / (samples.len() - 1) as f64;
        let d2 = range_scale(2.0).map_or(1.0, |scale| scale.mean);
        self.centre = samples.iter().map(|s| s.value).sum::<f64>() / samples.len() as f64;
        self.moving_range = Some(mean_range);
        self.sigma = positive(mean_range / d2)?;
        finite_total(self.centre)
    }

    fn fit_three_way(&mut self, samples: &[Sample]) -> Result<(), LimitsError> {
        self.fit_moving_range(samples)?;
        let with_spread: Vec<Sample> = samples
            .iter()
            .filter(|s| s.spread.is_some() && s.size >= 2.0)
            .copied()
            .collect();
        if with_spread.is_empty() {
            return Ok(());
        }
        let within = combined_sigma(&with_spread, s_scale)?;
        let inverse: f64 = samples.iter().map(|s| 1.0 / s.size).sum();
        let size = samples.len() as f64 / inverse;
        self.sigma_within = Some(within);
        self.sigma_between = Some(sigma_between(self.sigma, within, size));
        Ok(())
    }

    fn fit_within(
        &mut self,
        samples: &[Sample],
        scale: fn(f64) -> Option<SpreadScale>,
    ) -> Result<(), LimitsError> {
        self.centre = weighted_mean(samples);
        self.sigma = positive(combined_sigma(samples, scale)?)?;
        finite_total(self.centre)
    }

    fn fit_between(&mut self, samples: &[Sample]) -> Result<(), LimitsError> {
        let values: Vec<f64> = samples.iter().map(|s| s.value).collect();
        if let Some(law) = self.kind.between() {
            self.centre = BetweenEvents::estimate(law, &values)?.mean;
        }
        Ok(())
    }

    fn fit_attribute(&mut self, samples: &[Sample]) -> Result<(), LimitsError> {
        self.centre = match self.kind {
            ChartKind::Np => {
                let total: f64 = samples.iter().map(|s| s.value).sum();
                total / samples.iter().map(|s| s.size).sum::<f64>()
            }
            ChartKind::C => {
                let first = samples[0].size;
                let differs = |s: &Sample| (s.size - first).abs() > 1e-9 * first;
                if let Some(index) = samples.iter().position(differs) {
                    return Err(LimitsError::UnequalSize { index });
                }
                samples.iter().map(|s| s.value).sum::<f64>() / samples.len() as f64
            }
            _ => weighted_mean(samples),
        };
        finite_total(self.centre)?;
        positive(self.sigma_at(1.0)).map(|_| ())
    }
}

/// Chance that an in-control normal point falls beyond known limits of a width in sigma:
/// 2 (1 - Phi(width)).
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

fn combined_sigma(
    samples: &[Sample],
    scale: fn(f64) -> Option<SpreadScale>,
) -> Result<f64, LimitsError> {
    let (mut total, mut weights) = (0.0, 0.0);
    for (index, sample) in samples.iter().enumerate() {
        let spread = sample.spread.ok_or(LimitsError::MissingSpread { index })?;
        let scale = scale(sample.size).ok_or(LimitsError::Size {
            index,
            size: sample.size,
            needed: "a spread needs a whole number of at least 2 readings",
        })?;
        let weight = (scale.mean / scale.deviation).powi(2);
        total += weight * spread / scale.mean;
        weights += weight;
    }
    Ok(total / weights)
}

fn weighted_mean(samples: &[Sample]) -> f64 {
    let total: f64 = samples.iter().map(|s| s.size * s.value).sum();
    total / samples.iter().map(|s| s.size).sum::<f64>()
}

fn positive(sigma: f64) -> Result<f64, LimitsError> {
    if !sigma.is_finite() {
        return Err(LimitsError::NotFinite { index: 0 });
    }
    if sigma > 0.0 {
        Ok(sigma)
    } else {
        Err(LimitsError::ZeroVariance)
    }
}

/// Finite readings can still overflow in their sum.
fn finite_total(centre: f64) -> Result<(), LimitsError> {
    if centre.is_finite() {
        Ok(())
    } else {
        Err(LimitsError::NotFinite { index: 0 })
    }
}

#[cfg(test)]
mod tests;
