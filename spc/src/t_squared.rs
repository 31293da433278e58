//! Hotelling's T-squared: one chart for a few measures that move together, such as the offset of a
//! placed part in x and y.
//!
//! Purpose: centre, covariance, the statistic of a point, its exact limits and what each measure
//! contributes. Must not know which measures they are. The one invariant: a fitted [`TSquared`]
//! has a covariance of full rank, so that every finite point has a finite statistic of at least 0.
//!
//! Charted one by one, two measures that move together hide a point that lies where neither alone
//! is far out. D. C. Montgomery, Introduction to Statistical Quality Control, Wiley, 6th ed. 2009,
//! section 11.3; N. D. Tracy, J. C. Young and R. L. Mason, Journal of Quality Technology 24(2)
//! 1992 (limits of single observations; from memory); ISO 7870-7.

use statrs::distribution::{Beta, ContinuousCDF};
use thiserror::Error;

use crate::capability::interval::chi_square_quantile;
use crate::matrix::{Matrix, dot};

mod shares;

/// Measures of one chart at most; a covariance of more is hardly ever known well enough.
pub const MEASURES_MAX: usize = 8;

/// How the covariance of single observations is estimated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Covariance {
    /// About the mean, divisor m - 1. Limits are exact; a shift within the baseline inflates it.
    Sample,
    /// From successive differences, V'V/(2 (m - 1)) (D. S. Holmes and A. E. Mergen, Quality
    /// Engineering 5(4) 1993). A shift within the baseline hardly inflates it; limits are
    /// approximate.
    Successive,
}

/// What a fit was made of, and hence which limits hold. Sizes are those of the baseline.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// Mean and covariance are known.
    Known,
    /// So many single observations.
    Singles(usize, Covariance),
    /// So many subgroups of so many observations each; their pooled covariance. Points are means.
    Subgroups(usize, usize),
}

/// Whether the points judged are those of the baseline itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// The baseline's own points (phase 1).
    Baseline,
    /// Later points (phase 2).
    Monitoring,
}

/// A fitted chart.
#[derive(Clone, Debug, PartialEq)]
pub struct TSquared {
    mean: Vec<f64>,
    covariance: Matrix,
    root: Matrix,
    origin: Origin,
}

/// Which precondition failed. Indices count from 0.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum TSquaredError {
    /// No measure, or too many.
    #[error("a chart takes 1 to {MEASURES_MAX} measures, not {0}")]
    Measures(usize),
    /// A point or matrix has another number of measures than the first one.
    #[error("observation {index} has {found} measures instead of {needed}")]
    Length {
        /// Position of the observation, or row of the matrix.
        index: usize,
        /// Its measures.
        found: usize,
        /// Those of the first.
        needed: usize,
    },
    /// A value is not finite.
    #[error("observation {index} has a value that is not a finite number")]
    NotFinite {
        /// Position of the observation, or row of the matrix.
        index: usize,
    },
    /// Too few observations or subgroups for the measures.
    #[error("{measures} measures need at least {needed} observations or subgroups, {found} given")]
    TooFew {
        /// Measures.
        measures: usize,
        /// Given.
        found: usize,
        /// Needed.
        needed: usize,
    },
    /// A subgroup is empty, single or of another size than the first.
    #[error("subgroup {index} has {found} observations; all need the same number, 2 or more")]
    Subgroup {
        /// Position of the subgroup.
        index: usize,
        /// Its observations.
        found: usize,
    },
    /// A measure does not vary, or is a sum of the others.
    #[error("a measure does not vary or follows from the others; leave it out")]
    Singular,
    /// The chance is not between 0 and 1.
    #[error("the chance of a false signal must lie between 0 and 1, not {0}")]
    Chance(f64),
}

impl TSquared {
    /// A chart of known mean and covariance (row after row).
    ///
    /// Cost: measures cubed.
    ///
    /// # Errors
    /// [`TSquaredError`]: measures, lengths, values that are not finite, a covariance that is
    /// singular, has no square root, or is not symmetric (`Singular`).
    ///
    /// ```
    /// use spc::t_squared::TSquared;
    /// let known = TSquared::known(&[0.0, 0.0], &[vec![4.0, 0.0], vec![0.0, 1.0]])?;
    /// assert!((known.statistic(&[2.0, 1.0])? - 2.0).abs() < 1e-12);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn known(mean: &[f64], covariance: &[Vec<f64>]) -> Result<Self, TSquaredError> {
        Self::restored(mean, covariance, Origin::Known)
    }

    /// A chart from what [`TSquared::mean`], [`TSquared::covariance`] and [`TSquared::origin`] said
    /// of it: equal to that one, to the last bit.
    ///
    /// Cost: measures cubed.
    ///
    /// # Errors
    /// As [`TSquared::known`].
    ///
    /// ```
    /// use spc::t_squared::TSquared;
    /// let known = TSquared::known(&[1.0, 2.0], &[vec![4.0, 1.2], vec![1.2, 1.0]])?;
    /// let again = TSquared::restored(known.mean(), &known.covariance(), known.origin())?;
    /// assert_eq!(again, known);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn restored(
        mean: &[f64],
        covariance: &[Vec<f64>],
        origin: Origin,
    ) -> Result<Self, TSquaredError> {
        let size = measures(mean.len())?;
        if covariance.len() != size {
            return Err(TSquaredError::Length {
                index: covariance.len(),
                found: covariance.len(),
                needed: size,
            });
        }
        for (index, row) in covariance.iter().enumerate() {
            check(index, row, size)?;
        }
        check(0, mean, size)?;
        let whole = Matrix::from_fn(size, |i, j| covariance[i][j]);
        let differs = |i: usize, j: usize| {
            let scale = (whole.at(i, i) * whole.at(j, j)).abs().sqrt();
            (whole.at(i, j) - whole.at(j, i)).abs() > 1e-9 * scale
        };
        if (0..size).any(|i| (0..i).any(|j| differs(i, j))) {
            return Err(TSquaredError::Singular);
        }
        Self::fitted(mean.to_vec(), whole, origin)
    }

    /// A chart of single observations in time order, each a value of every measure.
    ///
    /// Cost: observations times measures squared.
    ///
    /// # Errors
    /// [`TSquaredError`]; p measures need p + 2 observations (2 for successive differences that
    /// are of full rank, but p + 2 are asked for too).
    ///
    /// ```
    /// use spc::t_squared::{Covariance, Phase, TSquared};
    /// let offsets = [[1.0, 2.0], [2.0, 1.0], [0.0, 0.0], [3.0, 3.5], [-1.0, 0.5]];
    /// let chart = TSquared::from_singles(&offsets, Covariance::Sample)?;
    /// let limit = chart.limit(0.05, Phase::Baseline)?.expect("exact for this covariance");
    /// assert!(chart.statistic(&offsets[0])? < limit);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn from_singles<T: AsRef<[f64]>>(
        observations: &[T],
        covariance: Covariance,
    ) -> Result<Self, TSquaredError> {
        let size = measures(observations.first().map_or(0, |one| one.as_ref().len()))?;
        let count = observations.len();
        for (index, one) in observations.iter().enumerate() {
            check(index, one.as_ref(), size)?;
        }
        if count < size + 2 {
            return Err(TSquaredError::TooFew {
                measures: size,
                found: count,
                needed: size + 2,
            });
        }
        let mean = mean_of(observations, size);
        let products = match covariance {
            Covariance::Sample => {
                let distances = observations
                    .iter()
                    .map(|one| difference(one.as_ref(), &mean));
                products(distances, size, (count - 1) as f64)
            }
            Covariance::Successive => {
                let steps = observations
                    .windows(2)
                    .map(|pair| difference(pair[1].as_ref(), pair[0].as_ref()));
                products(steps, size, 2.0 * (count - 1) as f64)
            }
        };
        Self::fitted(mean, products, Origin::Singles(count, covariance))
    }

    /// A chart of the means of equal subgroups, by the pooled covariance within them.
    ///
    /// Cost: observations times measures squared.
    ///
    /// # Errors
    /// [`TSquaredError`]; m subgroups of n observations of p measures need m (n - 1) >= p and
    /// m >= 2.
    ///
    /// ```
    /// use spc::t_squared::{Phase, TSquared};
    /// let one = vec![vec![0.0, 0.1], vec![0.2, -0.1], vec![-0.1, 0.2]];
    /// let other = vec![vec![0.1, 0.0], vec![-0.2, 0.1], vec![0.0, -0.2]];
    /// let chart = TSquared::from_subgroups(&[one, other])?;
    /// assert!(chart.limit(0.01, Phase::Monitoring)?.is_some());
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn from_subgroups(subgroups: &[Vec<Vec<f64>>]) -> Result<Self, TSquaredError> {
        let first = subgroups.first().and_then(|one| one.first());
        let size = measures(first.map_or(0, Vec::len))?;
        let n = subgroups.first().map_or(0, Vec::len);
        for (index, subgroup) in subgroups.iter().enumerate() {
            if subgroup.len() != n || n < 2 {
                let found = subgroup.len();
                return Err(TSquaredError::Subgroup { index, found });
            }
            for one in subgroup {
                check(index, one, size)?;
            }
        }
        let m = subgroups.len();
        let freedom = m * (n - 1);
        if m < 2 || freedom < size {
            return Err(TSquaredError::TooFew {
                measures: size,
                found: m,
                needed: size.div_ceil(n - 1).max(2),
            });
        }
        let means: Vec<Vec<f64>> = subgroups.iter().map(|one| mean_of(one, size)).collect();
        let within = subgroups.iter().zip(&means).flat_map(|(subgroup, mean)| {
            let distance = move |one: &Vec<f64>| difference(one, mean);
            subgroup.iter().map(distance)
        });
        let pooled = products(within, size, freedom as f64);
        Self::fitted(mean_of(&means, size), pooled, Origin::Subgroups(m, n))
    }

    /// Scaled to a unit diagonal first, so that measures in mils and metres have the same rank.
    fn fitted(mean: Vec<f64>, covariance: Matrix, origin: Origin) -> Result<Self, TSquaredError> {
        let size = mean.len();
        let deviations: Vec<f64> = (0..size).map(|i| covariance.at(i, i).sqrt()).collect();
        if !deviations.iter().all(|s| s.is_finite() && *s > 0.0) {
            return Err(TSquaredError::Singular);
        }
        let scaled = |i, j| covariance.at(i, j) / (deviations[i] * deviations[j]);
        let root = Matrix::from_fn(size, scaled).root();
        if !root.has_full_rank() || mean.iter().any(|x| !x.is_finite()) {
            return Err(TSquaredError::Singular);
        }
        let root = Matrix::from_fn(size, |i, j| deviations[i] * root.at(i, j));
        Ok(Self {
            mean,
            covariance,
            root,
            origin,
        })
    }

    /// The centre of each measure.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::t_squared::TSquared;
    /// let known = TSquared::known(&[1.0, 2.0], &[vec![4.0, 1.2], vec![1.2, 1.0]])?;
    /// assert_eq!(known.mean(), [1.0, 2.0]);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn mean(&self) -> &[f64] {
        &self.mean
    }

    /// The covariance of the measures, row after row.
    ///
    /// Cost: measures squared.
    ///
    /// ```
    /// use spc::t_squared::TSquared;
    /// let known = TSquared::known(&[1.0, 2.0], &[vec![4.0, 1.2], vec![1.2, 1.0]])?;
    /// assert_eq!(known.covariance(), [[4.0, 1.2], [1.2, 1.0]]);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn covariance(&self) -> Vec<Vec<f64>> {
        let size = self.mean.len();
        (0..size)
            .map(|i| (0..size).map(|j| self.covariance.at(i, j)).collect())
            .collect()
    }

    /// What the fit was made of.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::t_squared::{Origin, TSquared};
    /// let known = TSquared::known(&[1.0, 2.0], &[vec![4.0, 1.2], vec![1.2, 1.0]])?;
    /// assert_eq!(known.origin(), Origin::Known);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn origin(&self) -> Origin {
        self.origin
    }

    /// T-squared of a point: n (x - mean)' S^-1 (x - mean), n being the size of a subgroup whose
    /// mean the point is, else 1. No unit; at least 0.
    ///
    /// Cost: measures squared.
    ///
    /// # Errors
    /// [`TSquaredError::Length`] or [`TSquaredError::NotFinite`] (also where it overflows).
    ///
    /// ```
    /// use spc::t_squared::TSquared;
    /// let known = TSquared::known(&[1.0, 2.0], &[vec![4.0, 1.2], vec![1.2, 1.0]])?;
    /// // Of two measures: (z1^2 - 2 r z1 z2 + z2^2)/(1 - r^2), here with z = (1, -1) and r = 0.6.
    /// assert!((known.statistic(&[3.0, 1.0])? - 3.2 / 0.64).abs() < 1e-12);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn statistic(&self, point: &[f64]) -> Result<f64, TSquaredError> {
        check(0, point, self.mean.len())?;
        let z = self.root.solve_lower(&difference(point, &self.mean));
        let found = self.size() * dot(&z, &z);
        found
            .is_finite()
            .then_some(found)
            .ok_or(TSquaredError::NotFinite { index: 0 })
    }

    /// What each measure contributes: T-squared less that of the other measures alone, which is
    /// (e' S^-1 d)^2 / (e' S^-1 e) with e the measure's unit vector and d the distance from the
    /// mean (G. C. Runger, F. B. Alt and D. C. Montgomery, Communications in Statistics, Theory
    /// and Methods 25(10) 1996; from memory). The largest names the measure to look at first; the
    /// sum is not T-squared unless the measures are uncorrelated.
    ///
    /// Cost: measures cubed.
    ///
    /// # Errors
    /// As [`TSquared::statistic`].
    ///
    /// ```
    /// use spc::t_squared::TSquared;
    /// let known = TSquared::known(&[0.0, 0.0], &[vec![4.0, 0.0], vec![0.0, 1.0]])?;
    /// assert_eq!(known.contributions(&[2.0, 3.0])?, [1.0, 9.0]);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn contributions(&self, point: &[f64]) -> Result<Vec<f64>, TSquaredError> {
        self.statistic(point)?;
        let size = self.mean.len();
        let z = self.root.solve_lower(&difference(point, &self.mean));
        let share = |measure: usize| {
            let mut unit = vec![0.0; size];
            unit[measure] = 1.0;
            let e = self.root.solve_lower(&unit);
            self.size() * dot(&e, &z).powi(2) / dot(&e, &e)
        };
        Ok((0..size).map(share).collect())
    }

    /// The upper limit that a point in control exceeds with chance `alpha`; there is no lower one.
    ///
    /// With p measures and m observations or subgroups of n:
    /// - known: chi-square with p degrees of freedom, in both phases;
    /// - singles, sample covariance, baseline: ((m-1)^2/m) Beta(p/2, (m-p-1)/2); monitoring:
    ///   p (m+1)(m-1)/(m (m-p)) F(p, m-p);
    /// - subgroups: p (m-1)(n-1)/f F(p, f), f = m n - m - p + 1, baseline; p (m+1)(n-1)/f F(p, f),
    ///   monitoring;
    /// - singles, successive differences, baseline: no exact limit is known: chi-square, for
    ///   baselines of more than p^2 + 3p observations (J. D. Williams, W. H. Woodall, J. B. Birch
    ///   and J. H. Sullivan, Journal of Quality Technology 38(3) 2006; from memory), else `None`;
    ///   monitoring: as for a covariance of f = 2 (m-1)^2/(3m-4) degrees of freedom, whose
    ///   variances vary as much (F. W. Scholz and T. J. Tosch, Proceedings of the American
    ///   Statistical Association, Section on Quality and Productivity, 1994; from memory; checked
    ///   by simulation): p f (m+1)/(m (f-p+1)) F(p, f-p+1).
    ///
    /// `None` also where degrees of freedom are not positive. Cost: constant.
    ///
    /// # Errors
    /// [`TSquaredError::Chance`] unless 0 < alpha < 1.
    ///
    /// ```
    /// use spc::t_squared::{Phase, TSquared};
    /// let known = TSquared::known(&[1.0, 2.0], &[vec![4.0, 1.2], vec![1.2, 1.0]])?;
    /// // Tables of chi-square with two degrees of freedom: 5.991.
    /// let limit = known.limit(0.05, Phase::Monitoring)?.expect("always there for a known mean");
    /// assert!((limit - 5.991).abs() < 1e-3);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn limit(&self, alpha: f64, phase: Phase) -> Result<Option<f64>, TSquaredError> {
        if !(alpha > 0.0 && alpha < 1.0) {
            return Err(TSquaredError::Chance(alpha));
        }
        let p = self.mean.len() as f64;
        let known = || chi_square_quantile(1.0 - alpha, p);
        let found = match (self.origin, phase) {
            (Origin::Known, _) => Some(known()),
            (Origin::Singles(m, Covariance::Successive), Phase::Baseline) => {
                (m as f64 > p * p + 3.0 * p).then(known)
            }
            (Origin::Singles(m, Covariance::Sample), Phase::Baseline) => {
                let m = m as f64;
                beta_above(alpha, 0.5 * p, 0.5 * (m - p - 1.0))
                    .map(|beta| (m - 1.0).powi(2) / m * beta)
            }
            (Origin::Subgroups(m, n), Phase::Baseline) => {
                let (m, n) = (m as f64, n as f64);
                let rest = m * n - m - p + 1.0;
                fisher_above(alpha, p, rest).map(|f| p * (m - 1.0) * (n - 1.0) / rest * f)
            }
            (_, Phase::Monitoring) => self
                .later()
                .and_then(|(scale, rest)| Some(scale * fisher_above(alpha, p, rest)?)),
        };
        Ok(found.filter(|limit| limit.is_finite()))
    }

    /// The chance that a later point in control lies farther out than `value`: 1 for 0 and less,
    /// falling to 0. `None` where no law is known, as in [`TSquared::limit`], and for NaN.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::t_squared::{Phase, TSquared};
    /// let known = TSquared::known(&[0.0, 0.0], &[vec![4.0, 0.0], vec![0.0, 1.0]])?;
    /// // Of two measures chi-square is exponential: exp(-T2/2).
    /// assert!((known.chance_beyond(9.0).unwrap() - (-4.5_f64).exp()).abs() < 1e-12);
    /// # Ok::<(), spc::t_squared::TSquaredError>(())
    /// ```
    pub fn chance_beyond(&self, value: f64) -> Option<f64> {
        let p = self.mean.len() as f64;
        if value <= 0.0 {
            return Some(1.0);
        }
        if !value.is_finite() {
            return value.is_infinite().then_some(0.0);
        }
        if self.origin == Origin::Known {
            return Some(statrs::function::gamma::gamma_ur(0.5 * p, 0.5 * value));
        }
        let (scale, rest) = self.later()?;
        let law = Beta::new(0.5 * rest, 0.5 * p).ok()?;
        Some(law.cdf(rest / (rest + p * value / scale)))
    }

    /// What a later point's statistic is a multiple of, and the second degrees of freedom of F.
    fn later(&self) -> Option<(f64, f64)> {
        let p = self.mean.len() as f64;
        // A single observation about a mean of m, with a covariance of f degrees of freedom.
        let single = |m: f64, f: f64| {
            let rest = f - p + 1.0;
            (p * f * (m + 1.0) / (m * rest), rest)
        };
        let (scale, rest) = match self.origin {
            Origin::Known => return None,
            Origin::Singles(m, Covariance::Sample) => single(m as f64, m as f64 - 1.0),
            Origin::Singles(m, Covariance::Successive) => {
                let m = m as f64;
                single(m, 2.0 * (m - 1.0).powi(2) / (3.0 * m - 4.0))
            }
            Origin::Subgroups(m, n) => {
                let (m, n) = (m as f64, n as f64);
                let rest = m * n - m - p + 1.0;
                (p * (m + 1.0) * (n - 1.0) / rest, rest)
            }
        };
        (rest > 0.0).then_some((scale, rest))
    }

    /// The variances along the principal axes of the covariance, and the mean along them.
    pub(crate) fn principal(&self) -> (Vec<f64>, Vec<f64>) {
        self.covariance.principal(&self.mean)
    }

    fn size(&self) -> f64 {
        match self.origin {
            Origin::Subgroups(_, n) => n as f64,
            Origin::Known | Origin::Singles(..) => 1.0,
        }
    }
}

fn measures(count: usize) -> Result<usize, TSquaredError> {
    if (1..=MEASURES_MAX).contains(&count) {
        Ok(count)
    } else {
        Err(TSquaredError::Measures(count))
    }
}

fn check(index: usize, values: &[f64], needed: usize) -> Result<(), TSquaredError> {
    let found = values.len();
    if found != needed {
        return Err(TSquaredError::Length {
            index,
            found,
            needed,
        });
    }
    if values.iter().all(|x| x.is_finite()) {
        Ok(())
    } else {
        Err(TSquaredError::NotFinite { index })
    }
}

fn mean_of<T: AsRef<[f64]>>(observations: &[T], size: usize) -> Vec<f64> {
    let total = |i: usize| observations.iter().map(|one| one.as_ref()[i]).sum::<f64>();
    (0..size)
        .map(|i| total(i) / observations.len() as f64)
        .collect()
}

fn difference(point: &[f64], from: &[f64]) -> Vec<f64> {
    point.iter().zip(from).map(|(x, y)| x - y).collect()
}

/// The sum of v v' over a divisor.
fn products(vectors: impl Iterator<Item = Vec<f64>>, size: usize, divisor: f64) -> Matrix {
    let mut sums = Matrix::zeros(size);
    for v in vectors {
        for (i, j) in (0..size).flat_map(|i| (0..size).map(move |j| (i, j))) {
            sums.add(i, j, v[i] * v[j] / divisor);
        }
    }
    sums
}

/// What a beta variable exceeds with chance `alpha`.
fn beta_above(alpha: f64, a: f64, b: f64) -> Option<f64> {
    Some(1.0 - beta_below(alpha, b, a)?)
}

/// What an F variable exceeds with chance `alpha`: y d2/((1 - y) d1) of the beta variable y with
/// d1/2 and d2/2, whose complement is found to all digits.
fn fisher_above(alpha: f64, first: f64, second: f64) -> Option<f64> {
    let rest = beta_below(alpha, 0.5 * second, 0.5 * first)?;
    Some((1.0 - rest) / rest * second / first)
}

/// What a beta variable stays below with chance `p`, by bisection on the library's distribution
/// function, whose own inverse stops at a coarse tolerance. `None` unless a and b are above 0.
fn beta_below(p: f64, a: f64, b: f64) -> Option<f64> {
    let law = Beta::new(a, b).ok()?;
    let (mut low, mut high) = (0.0, 1.0);
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high || high - low < 1e-15 * high {
            return Some(middle);
        }
        if law.cdf(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
}

#[cfg(test)]
mod tests;
