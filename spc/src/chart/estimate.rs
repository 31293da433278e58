//! Limits from a baseline.
//!
//! Purpose: centre and sigma of each kind of chart. Must not know how points are judged. The one
//! invariant: what is estimated here is finite, and no sigma that limits need is zero.

use super::samples::check_sample;
use super::{ChartKind, Limits, LimitsError, Sample, SpreadScale};
use super::{range_scale, s_scale, sigma_between};
use crate::between_events::BetweenEvents;
use crate::laney;

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
    /// Cost: linear; the first use of a subgroup size integrates its constants.
    ///
    /// # Errors
    /// [`LimitsError`] names the precondition that failed: two samples, positive sizes (whole and
    /// at least 2 where ranges or s are charted), finite values in range, spreads present, some
    /// variation.
    ///
    /// ```
    /// use spc::chart::{ChartKind, Limits, Sample};
    /// // D. C. Montgomery, Introduction to Statistical Quality Control, Example 6.1: 25 subgroups
    /// // of 5, mean of means 1.5056, mean range 0.32521; limits 1.31795 and 1.69325 (A2 = 0.577).
    /// let sample = Sample { size: 5.0, value: 1.5056, spread: Some(0.32521) };
    /// let limits = Limits::estimate(ChartKind::MeanRange, &[sample; 25], 3.0)?;
    /// let bounds = limits.bounds(5.0);
    /// assert!(bounds.lower.is_some_and(|lower| (lower - 1.31795).abs() < 1e-4));
    /// assert!(bounds.upper.is_some_and(|upper| (upper - 1.69325).abs() < 1e-4));
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
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
