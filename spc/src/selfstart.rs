//! Self-starting standardisation: points as exactly standard normal scores, without known
//! parameters.
//!
//! Purpose: let cumulative sums begin right after a short baseline without the false alarms that
//! an estimated mean and sigma bring. Must not know charts, units or detectors. The one invariant:
//! every score is finite and within [`SCORE_MAX`].
//!
//! With mean and s of the n - 1 points before it, a point x has
//! T = sqrt((n - 1)/n) (x - mean)/s, which is Student's t with n - 2 degrees of freedom while the
//! process stays as it was, and U = Phi^-1(F(T)) is standard normal. These U are independent of
//! one another, although they share their estimates: D. M. Hawkins, The Statistician 36 (1987)
//! 299-316; D. M. Hawkins and D. H. Olwell, Cumulative Sum Charts and Charting for Quality
//! Improvement, Springer, 1998, chapter 7.
//!
//! A point that is a mean of w readings has 1/w of the variance of a single one. With weighted
//! mean and squares, and W the weight of the points before it, T = (x - mean)/(s sqrt(1/w + 1/W))
//! is Student's t as before; with equal weights it is the same figure.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::normal;

/// Largest magnitude of a score.
///
/// A normal score beyond 4 comes once in 16,000 points, so in control the bound is hardly ever
/// met, and where it is, it makes signals rarer, never more frequent. Out of control it keeps one
/// wild reading from filling a cumulative sum by itself: single wild points are for the limits.
pub const SCORE_MAX: f64 = 4.0;

/// From so many degrees of freedom on, the normalising expansion of Student's t is exact to 1e-9.
const EXPANSION_FROM: f64 = 60.0;

/// Count, weight, mean and sum of squared deviations of the points so far. Plain fields, to be
/// stored.
///
/// ```
/// use spc::selfstart::SelfStart;
/// let reference = SelfStart::of([9.8, 10.1, 10.0, 9.9, 10.2]);
/// let score = reference.score(10.2).expect("five points that differ");
/// assert!(score > 0.9 && score < 1.1);
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SelfStart {
    /// Points.
    pub count: u32,
    /// Their weights added up: as many as points where each weighs 1.
    pub weight: f64,
    /// Their mean.
    pub mean: f64,
    /// Their summed squared deviations from it.
    pub squares: f64,
}

impl SelfStart {
    /// The reference that these points make. Points that are not finite are left out.
    ///
    /// Cost: linear.
    ///
    /// ```
    /// use spc::selfstart::SelfStart;
    /// let reference = SelfStart::of([1.0, 2.0, 6.0]);
    /// assert_eq!((reference.count, reference.mean, reference.squares), (3, 3.0, 14.0));
    /// ```
    pub fn of(points: impl IntoIterator<Item = f64>) -> Self {
        let mut reference = Self::default();
        points.into_iter().for_each(|x| reference.take(x));
        reference
    }

    /// Adds a point to the reference, by the update of B. P. Welford, Technometrics 4(3) 1962. A
    /// point that is not finite, or so large that its square overflows, is left out.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::selfstart::SelfStart;
    /// let mut reference = SelfStart::of([1.0, 2.0]);
    /// reference.take(6.0);
    /// reference.take(f64::NAN);
    /// assert_eq!(reference, SelfStart::of([1.0, 2.0, 6.0]));
    /// ```
    pub fn take(&mut self, x: f64) {
        self.take_weighted(x, 1.0);
    }

    /// Adds a point that weighs as much as so many single ones. One whose weight is not above 0 is
    /// left out.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::selfstart::SelfStart;
    /// let mut reference = SelfStart::default();
    /// reference.take_weighted(10.0, 3.0);
    /// reference.take_weighted(14.0, 1.0);
    /// // Mean 44/4; squares 3 (10 - 11)^2 + (14 - 11)^2.
    /// assert_eq!((reference.weight, reference.mean, reference.squares), (4.0, 11.0, 12.0));
    /// ```
    pub fn take_weighted(&mut self, x: f64, weight: f64) {
        let total = self.weight + weight;
        let step = x - self.mean;
        let mean = self.mean + step * weight / total;
        let squares = self.squares + step * (x - mean) * weight;
        if weight > 0.0 && mean.is_finite() && squares.is_finite() {
            *self = Self {
                count: self.count.saturating_add(1),
                weight: total,
                mean,
                squares,
            };
        }
    }

    /// Adds the points of another reference (T. F. Chan, G. H. Golub and R. J. LeVeque, The
    /// American Statistician 37(3) 1983). One that would overflow is left out.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::selfstart::SelfStart;
    /// let mut reference = SelfStart::of([1.0, 2.0]);
    /// reference.join(&SelfStart::of([6.0]));
    /// assert_eq!((reference.count, reference.mean, reference.squares), (3, 3.0, 14.0));
    /// ```
    pub fn join(&mut self, other: &Self) {
        let weight = self.weight + other.weight;
        if weight <= 0.0 {
            return;
        }
        let apart = other.mean - self.mean;
        let mean = self.mean + apart * other.weight / weight;
        let between = apart * apart * self.weight * other.weight / weight;
        let squares = self.squares + other.squares + between;
        if mean.is_finite() && squares.is_finite() {
            *self = Self {
                count: self.count.saturating_add(other.count),
                weight,
                mean,
                squares,
            };
        }
    }

    /// The score of the next point, within [`SCORE_MAX`], from the points taken so far.
    ///
    /// `None` with fewer than two points, while they do not differ, and for a point that is not
    /// finite. The point itself is not taken: the caller decides whether it belongs to the
    /// reference. Cost: constant.
    ///
    /// ```
    /// use spc::selfstart::SelfStart;
    /// // T = sqrt(2/3) (x - 0)/sqrt(2) with one degree of freedom; tables of Student's t: 6.314 is
    /// // exceeded by 5 %, as 1.645 of the normal distribution is.
    /// let reference = SelfStart::of([-1.0, 1.0]);
    /// let score = reference.score(6.314 * 3f64.sqrt()).expect("two points that differ");
    /// assert!((score - 1.645).abs() < 0.001);
    /// ```
    pub fn score(&self, x: f64) -> Option<f64> {
        self.score_weighted(x, 1.0)
    }

    /// The score of a point that weighs as much as so many single ones; `None` also for a weight
    /// that is not above 0.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::selfstart::SelfStart;
    /// let mut reference = SelfStart::default();
    /// [9.8, 10.1, 10.0, 9.9, 10.2].iter().for_each(|x| reference.take_weighted(*x, 4.0));
    /// let of = |readings: f64| reference.score_weighted(10.2, readings);
    /// assert!(of(4.0) < of(16.0), "the mean of more readings lies farther out");
    /// ```
    pub fn score_weighted(&self, x: f64, weight: f64) -> Option<f64> {
        let freedom = f64::from(self.count.checked_sub(1).filter(|freedom| *freedom > 0)?);
        let sigma = (self.squares / freedom).sqrt();
        let usable = x.is_finite() && sigma > 0.0 && weight > 0.0;
        let known = weight * self.weight / (self.weight + weight);
        let t = known.sqrt() * (x - self.mean) / sigma;
        (usable && !t.is_nan()).then(|| student_score(t, freedom))
    }
}

/// The normal score of a value of Student's t, within [`SCORE_MAX`].
fn student_score(t: f64, freedom: f64) -> f64 {
    let size = if freedom < EXPANSION_FROM {
        by_tail(t.abs(), freedom)
    } else {
        by_expansion(t.abs(), freedom)
    };
    // Whatever is no number here is infinitely far out.
    size.min(SCORE_MAX).copysign(t)
}

/// Through the probability of the tail, which unlike that of the body does not cancel.
fn by_tail(t: f64, freedom: f64) -> f64 {
    let tail = StudentsT::new(0.0, 1.0, freedom).map_or(0.0, |law| law.sf(t));
    if tail <= normal::below(-SCORE_MAX) {
        SCORE_MAX
    } else {
        -normal::quantile(tail.min(0.5))
    }
}

/// The expansion of G. W. Hill, Communications of the ACM 13(10) 1970, Algorithm 395: no
/// probability is formed, so nothing underflows however far out t is.
fn by_expansion(t: f64, freedom: f64) -> f64 {
    let a = freedom - 0.5;
    let b = 48.0 * a * a;
    let y = a * (t * t / freedom).ln_1p();
    let third = ((-0.4 * y - 3.3) * y - 24.0) * y - 85.5;
    let second = third / (0.8 * y * y + 100.0 + b) + y + 3.0;
    (second / b + 1.0) * y.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cusum::Cusum;
    use crate::runlength;
    use crate::simulation::Normals;

    /// `len` scores of normal points after a baseline of `baseline`.
    fn scores(normals: &mut Normals, baseline: usize, len: usize) -> Vec<f64> {
        let mut draw = || 7.0 + 3.0 * normals.draw();
        let mut reference = SelfStart::of((0..baseline).map(|_| draw()));
        let mut score = || {
            let x = draw();
            let score = reference.score(x).unwrap();
            reference.take(x);
            score
        };
        (0..len).map(|_| score()).collect()
    }

    #[test]
    fn scores_of_points_in_control_are_standard_normal_and_independent() {
        let mut normals = Normals::new(0x51ed_270b_0f3c_7a11);
        // Many short series, because only the first scores after a baseline could be wrong.
        let all: Vec<Vec<f64>> = (0..4000).map(|_| scores(&mut normals, 3, 20)).collect();
        let count = 80_000.0;
        let mean = all.iter().flatten().sum::<f64>() / count;
        let square = all.iter().flatten().map(|u| u * u).sum::<f64>() / count;
        let fourth = all.iter().flatten().map(|u| u.powi(4)).sum::<f64>() / count;
        // Four standard errors: 4/sqrt(n), 4 sqrt(2/n), 4 sqrt(96/n).
        assert!(mean.abs() < 0.0142, "{mean}");
        assert!((square - 1.0).abs() < 0.02, "{square}");
        assert!((fourth - 3.0).abs() < 0.139, "{fourth}");
        for lag in [1, 2, 7] {
            let pairs = all
                .iter()
                .flat_map(|one| one.windows(lag + 1).map(|w| w[0] * w[lag]));
            let product = pairs.sum::<f64>() / (4000.0 * (20 - lag) as f64);
            assert!(product.abs() < 0.018, "lag {lag}: {product}");
        }
        let first = all.iter().map(|one| one[0].powi(2)).sum::<f64>() / 4000.0;
        assert!((first - 1.0).abs() < 0.09, "{first}");
    }

    /// The mean run length of a CUSUM on scores after a baseline of ten is that of a CUSUM with
    /// known parameters, which the integral equation of `runlength` gives.
    #[test]
    fn a_short_baseline_costs_no_false_alarms() {
        let cusum = Cusum::for_run_length(0.5, 200.0).unwrap();
        let expected = runlength::cusum_two_sided(0.5, cusum.threshold, 0.0, 0.0).unwrap();
        let mut normals = Normals::new(0x0dd0_7a1e_55aa_91f3);
        let rounds = 4000;
        let mut total = 0u64;
        for _ in 0..rounds {
            let mut reference = SelfStart::of((0..10).map(|_| normals.draw()));
            let mut state = cusum.start();
            loop {
                total += 1;
                let x = normals.draw();
                let u = reference.score(x).unwrap();
                reference.take(x);
                if cusum.push(&mut state, u).is_some() {
                    break;
                }
            }
        }
        // The standard error is about 1.6 %.
        let found = total as f64 / f64::from(rounds);
        assert!((found / expected - 1.0).abs() < 0.05, "{found}");
    }

    #[test]
    fn tabled_quantiles_of_student_become_those_of_the_normal() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 (3 decimals) and 1.3.6.7.1.
        for (freedom, t, normal) in [
            (1.0, 12.706, 1.959_964),
            (4.0, 3.747, 2.326_348),
            (10.0, 2.228, 1.959_964),
            (30.0, 3.385, 3.090_232),
            (100.0, 1.984, 1.959_964),
            (100.0, 3.174, 3.090_232),
        ] {
            for sign in [1.0, -1.0] {
                let found = student_score(sign * t, freedom);
                assert!((found - sign * normal).abs() < 6e-4, "{freedom}: {found}");
            }
        }
    }

    #[test]
    fn the_two_ways_to_a_score_meet() {
        for freedom in [EXPANSION_FROM, 90.0, 150.0] {
            for t in [0.0, 1e-4, 0.3, 1.0, 2.5, 3.9] {
                let (tail, expansion) = (by_tail(t, freedom), by_expansion(t, freedom));
                assert!((tail - expansion).abs() < 1e-8, "{freedom} {t}");
            }
        }
    }

    #[test]
    fn far_out_points_give_the_bound_and_never_no_number() {
        for count in [2, 3, 10, 61, 400, 100_000] {
            let reference = SelfStart {
                count,
                weight: f64::from(count),
                mean: 1.0,
                squares: f64::from(count),
            };
            for x in [1e3, 1e12, 1e154, 1e300, f64::MAX] {
                for x in [x, -x] {
                    let score = reference.score(x).unwrap();
                    assert!(score.abs() <= SCORE_MAX && score.signum() * x.signum() > 0.0);
                }
            }
            let far = reference.score(f64::MAX).unwrap();
            assert!(
                (far - SCORE_MAX).abs() < 1e-12 || count == 2,
                "{count}: {far}"
            );
        }
    }

    #[test]
    fn joined_references_are_one_of_all_points() {
        let points = [3.0, 1.5, -2.0, 8.25, 0.5, 1.0];
        let whole = SelfStart::of(points);
        for cut in 0..=points.len() {
            let mut joined = SelfStart::of(points[..cut].iter().copied());
            joined.join(&SelfStart::of(points[cut..].iter().copied()));
            assert_eq!(joined.count, whole.count);
            assert!(
                (joined.mean - whole.mean).abs() < 1e-12,
                "{cut}: {joined:?}"
            );
            assert!(
                (joined.squares - whole.squares).abs() < 1e-10,
                "{cut}: {joined:?}"
            );
        }
        let mut far = SelfStart::of([0.0]);
        far.join(&SelfStart::of([1e300]));
        assert_eq!(far, SelfStart::of([0.0]));
    }

    #[test]
    fn without_spread_or_points_there_is_no_score() {
        assert_eq!(SelfStart::default().score(1.0), None);
        assert_eq!(SelfStart::of([1.0]).score(1.0), None);
        assert_eq!(SelfStart::of([1.0, 1.0, 1.0]).score(2.0), None);
        assert_eq!(SelfStart::of([1.0, 2.0]).score(f64::NAN), None);
        let mut reference = SelfStart::of([1.0, 2.0]);
        let before = reference;
        for x in [f64::NAN, f64::INFINITY, f64::MAX] {
            reference.take(x);
        }
        assert_eq!(reference, before);
    }
}
