//! What the measures of a T-squared chart have moved: scores of points, shares of a change.
//!
//! Purpose: tell where a change lies once a point has signalled. Must not know which measures they
//! are. The one invariant: shares are from 0 to 1 and add up to 1, unless nothing has moved.

use super::{TSquared, TSquaredError, check, difference, mean_of};
use crate::attribution::Interval;
use crate::simulation::Normals;

/// Draws behind the interval of a measure's share.
const SHARE_DRAWS: usize = 1_000;

impl TSquared {
    /// A point as independent scores, as many as measures: L^-1 (x - mean) with L L' the
    /// covariance, L lower triangular. Their squares add up to T-squared (of subgroups: over their
    /// size); in control each is nearly standard normal.
    ///
    /// Cost: measures squared.
    ///
    /// # Errors
    /// As [`TSquared::statistic`].
    ///
    /// ```
    /// use spc::t_squared::TSquared;
    /// let known = TSquared::known(&[1.0, 2.0], &[vec![4.0, 1.2], vec![1.2, 1.0]])?;
    /// let scores = known.scores(&[3.0, 1.0])?;
    /// let sum: f64 = scores.iter().map(|score| score * score).sum();
    /// assert!((sum - known.statistic(&[3.0, 1.0])?).abs() < 1e-12);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn scores(&self, point: &[f64]) -> Result<Vec<f64>, TSquaredError> {
        self.statistic(point)?;
        Ok(self.root.solve_lower(&difference(point, &self.mean)))
    }

    /// What share of a change each measure contributes: the contributions of the mean of points
    /// since the change, over their sum, with the interval that `confidence` asks for. The interval
    /// is that of means of points drawn anew with replacement, from a stated seed (B. Efron, Annals
    /// of Statistics 7(1) 1979); of a single point it is the share itself.
    ///
    /// Cost: a thousand times the points.
    ///
    /// # Errors
    /// As [`TSquared::statistic`], [`TSquaredError::TooFew`] without a point, and
    /// [`TSquaredError::Chance`] unless 0 < confidence < 1.
    ///
    /// ```
    /// use spc::t_squared::TSquared;
    /// let known = TSquared::known(&[0.0, 0.0], &[vec![4.0, 0.0], vec![0.0, 1.0]])?;
    /// let shares = known.shares(&[[0.2, 3.0], [-0.4, 2.5], [0.1, 3.5]], 0.95, 1)?;
    /// assert!(shares[1].low > 0.9 && shares[0].high < 0.1);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn shares<T: AsRef<[f64]>>(
        &self,
        points: &[T],
        confidence: f64,
        seed: u64,
    ) -> Result<Vec<Interval>, TSquaredError> {
        if !(confidence > 0.0 && confidence < 1.0) {
            return Err(TSquaredError::Chance(confidence));
        }
        let (size, count) = (self.mean.len(), points.len());
        for (index, point) in points.iter().enumerate() {
            check(index, point.as_ref(), size)?;
        }
        if count == 0 {
            return Err(TSquaredError::TooFew {
                measures: size,
                found: 0,
                needed: 1,
            });
        }
        let parts = |mean: &[f64]| {
            let all = self.contributions(mean)?;
            let total: f64 = all.iter().sum();
            let share = |one: &f64| if total > 0.0 { one / total } else { 0.0 };
            Ok::<Vec<f64>, TSquaredError>(all.iter().map(share).collect())
        };
        let found = parts(&mean_of(points, size))?;
        let mut normals = Normals::new(seed);
        let mut drawn: Vec<Vec<f64>> = Vec::with_capacity(SHARE_DRAWS);
        for _ in 0..SHARE_DRAWS {
            let again: Vec<&T> = (0..count).map(|_| &points[normals.below(count)]).collect();
            drawn.push(parts(&mean_of(&again, size))?);
        }
        let place = |share: f64| (share * (SHARE_DRAWS - 1) as f64).round() as usize;
        let tail = 0.5 * (1.0 - confidence);
        let interval = |measure: usize| {
            let mut own: Vec<f64> = drawn.iter().map(|one| one[measure]).collect();
            own.sort_by(f64::total_cmp);
            Interval {
                value: found[measure],
                low: own[place(tail)].min(found[measure]),
                high: own[place(1.0 - tail)].max(found[measure]),
            }
        };
        Ok((0..size).map(interval).collect())
    }
}
