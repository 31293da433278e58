//! The chart of several measures together: its one limit, from a baseline.
//!
//! Purpose: [`Limits`] that hold a T-squared chart. Must not know which measures they are. The one
//! invariant: limits made here have a finite upper limit at every width that is not vanishing.

use super::{ChartKind, Limits, LimitsError};
use crate::t_squared::{Covariance, Phase, TSquared, TSquaredError};

impl Limits {
    /// The limit of T-squared, from a baseline of single observations in time order, each a value
    /// of every measure: covariance from successive differences, the chance of a false signal that
    /// `width` sigmas leave a normal variable, and the median as centre line.
    ///
    /// Cost: observations times measures squared.
    ///
    /// # Errors
    /// [`LimitsError::Width`], or [`LimitsError::Joint`]: as
    /// [`TSquared::from_singles`], and p measures need 2 p + 2 observations.
    ///
    /// ```
    /// use spc::chart::Limits;
    /// let offsets = [[1.0, 2.0], [2.0, 1.0], [0.0, 0.0], [3.0, 3.5], [-1.0, 0.5], [0.0, 1.0]];
    /// let limits = Limits::estimate_joint(&offsets, 3.0)?;
    /// let (bounds, far) = (limits.bounds(1.0), limits.joint_value(&[9.0, -9.0]).unwrap());
    /// assert!(bounds.lower.is_none() && bounds.upper.is_some());
    /// assert!(far > bounds.centre);
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn estimate_joint<T: AsRef<[f64]>>(
        observations: &[T],
        width: f64,
    ) -> Result<Self, LimitsError> {
        if !(width.is_finite() && width > 0.0) {
            return Err(LimitsError::Width(width));
        }
        let joint = TSquared::from_singles(observations, Covariance::Successive)?;
        let (measures, found) = (joint.mean().len(), observations.len());
        let needed = 2 * measures + 2;
        let centre = joint.limit(0.5, Phase::Monitoring)?;
        let Some(centre) = centre.filter(|_| found >= needed) else {
            return Err(LimitsError::Joint(TSquaredError::TooFew {
                measures,
                found,
                needed,
            }));
        };
        Ok(Self {
            kind: ChartKind::TSquared,
            width,
            subgroups: u32::try_from(found).unwrap_or(u32::MAX),
            centre,
            sigma: 0.0,
            moving_range: None,
            sigma_within: None,
            sigma_between: None,
            joint: Some(joint),
        })
    }

    /// T-squared of an observation; `None` for other charts and another number of measures. One
    /// that overflows is as far out as a number can say.
    ///
    /// Cost: measures squared.
    ///
    /// ```
    /// use spc::chart::Limits;
    /// let offsets = [[1.0, 2.0], [2.0, 1.0], [0.0, 0.0], [3.0, 3.5], [-1.0, 0.5], [0.0, 1.0]];
    /// let limits = Limits::estimate_joint(&offsets, 3.0)?;
    /// let mean = [5.0 / 6.0, 8.0 / 6.0];
    /// assert!(limits.joint_value(&mean).is_some_and(|at_the_mean| at_the_mean < 1e-20));
    /// assert_eq!(limits.joint_value(&[1.0]), None);
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn joint_value(&self, observation: &[f64]) -> Option<f64> {
        match self.joint.as_ref()?.statistic(observation) {
            Ok(found) => Some(found),
            Err(TSquaredError::NotFinite { .. }) => Some(f64::MAX),
            Err(_) => None,
        }
    }

    /// The place of the measure that contributes most to T-squared of an observation
    /// ([`TSquared::contributions`]); the first of equal ones. `None` as [`Limits::joint_value`].
    ///
    /// Cost: measures cubed.
    ///
    /// ```
    /// use spc::chart::Limits;
    /// let offsets = [[1.0, 2.0], [2.0, 1.0], [0.0, 0.0], [3.0, 3.5], [-1.0, 0.5], [0.0, 1.0]];
    /// let limits = Limits::estimate_joint(&offsets, 3.0)?;
    /// let mean = [5.0 / 6.0, 8.0 / 6.0];
    /// assert_eq!(limits.leading_measure(&[mean[0], mean[1] + 5.0]), Some(1));
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn leading_measure(&self, observation: &[f64]) -> Option<usize> {
        let shares = self.joint.as_ref()?.contributions(observation).ok()?;
        let places = shares.iter().enumerate().rev();
        places
            .max_by(|(_, a), (_, b)| a.total_cmp(b))
            .map(|(place, _)| place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::Normals;

    /// Two measures of which the second follows the first.
    fn baseline(count: usize) -> Vec<[f64; 2]> {
        let mut normals = Normals::new(9);
        let mut pair = || {
            let (a, b) = (normals.draw(), normals.draw());
            [a, 0.9 * a + 0.436 * b]
        };
        (0..count).map(|_| pair()).collect()
    }

    #[test]
    fn a_point_against_the_correlation_is_beyond_where_each_measure_alone_is_not() {
        let limits = Limits::estimate_joint(&baseline(50), 3.0).unwrap();
        let upper = limits.bounds(1.0).upper.unwrap();
        let with = limits.joint_value(&[1.8, 1.8]).unwrap();
        let against = limits.joint_value(&[1.8, -1.8]).unwrap();
        assert!(with < upper && against > upper, "{with} {against} {upper}");
        // A limit of so many sigmas is passed where the score is above so many.
        assert!(limits.standardised(with, 1.0) < 3.0);
        assert!(limits.standardised(against, 1.0) > 3.0);
        assert!((limits.standardised(upper, 1.0) - 3.0).abs() < 1e-6);
        assert!(limits.standardised(f64::MAX, 1.0).is_finite());
        assert_eq!(limits.leading_measure(&[0.1, 5.0]), Some(1));
        assert_eq!(limits.leading_measure(&[5.0, 0.1]), Some(0));
    }

    #[test]
    fn baselines_that_are_too_short_or_stand_still_are_refused() {
        let error = Limits::estimate_joint(&baseline(5), 3.0).unwrap_err();
        let needed = LimitsError::Joint(TSquaredError::TooFew {
            measures: 2,
            found: 5,
            needed: 6,
        });
        assert_eq!(error, needed);
        assert!(Limits::estimate_joint(&baseline(6), 3.0).is_ok());
        let still = Limits::estimate_joint(&[[1.0, 2.0]; 30], 3.0).unwrap_err();
        assert_eq!(still, LimitsError::Joint(TSquaredError::Singular));
        let flat = Limits::estimate_joint(&baseline(30), 0.0).unwrap_err();
        assert_eq!(flat, LimitsError::Width(0.0));
    }
}
