//! Exact probability limits for counts.
//!
//! Where a count is small, three sigma on either side of its mean is a poor limit: the
//! distribution is skewed and steps from count to count. These limits are taken from the binomial
//! or Poisson distribution itself.

use statrs::distribution::{Binomial, DiscreteCDF, Poisson};

use crate::chart::{Bounds, ChartKind, Limits};
use crate::normal;
use crate::selfstart::SCORE_MAX;

/// Limits of an attribute point such that each tail holds at most the chance that `limits.width`
/// sigma leave on one side of a normal variable.
///
/// `size` is in units (P, Np), ignored for C, and the area of opportunity for U. A value strictly
/// beyond a bound is a signal: above the upper one with probability at most alpha/2, below the
/// lower one likewise. P and U bounds are counts divided by the size. Gives `None` for charts of
/// measured values, for PPrime and UPrime (overdispersed counts follow no law that is known), for
/// sizes that are not positive (not whole, for P and Np) and for a centre outside its range.
///
/// The upper bound is the least count c with P(X > c) <= alpha/2, the lower one the greatest with
/// P(X < c) <= alpha/2 (D. C. Montgomery, Introduction to Statistical Quality Control, chapter on
/// attribute charts, "probability limits"; from memory). Cost: a search over counts.
///
/// ```
/// use spc::chart::{ChartKind, Limits};
/// let limits = Limits { kind: ChartKind::C, width: 3.0, subgroups: 25, centre: 0.25, sigma: 0.0,
///     moving_range: None, sigma_within: None, sigma_between: None, joint: None };
/// let bounds = spc::probability::bounds(&limits, 1.0).expect("a count chart");
/// assert_eq!(bounds.upper, Some(3.0));
/// ```
pub fn bounds(limits: &Limits, size: f64) -> Option<Bounds> {
    let tail = normal::below(-limits.width);
    match limits.kind {
        ChartKind::P | ChartKind::Np => {
            let units = whole(size)?;
            let law = Binomial::new(limits.centre, units).ok()?;
            let scale = if limits.kind == ChartKind::P {
                size
            } else {
                1.0
            };
            let centre = limits.centre * size / scale;
            Some(from_law(&law, units, tail, centre, scale))
        }
        ChartKind::C | ChartKind::U => {
            let area = if limits.kind == ChartKind::U {
                size
            } else {
                1.0
            };
            let mean = limits.centre * area;
            if !(area > 0.0 && mean.is_finite()) {
                return None;
            }
            let law = Poisson::new(mean).ok()?;
            // Far above any quantile that a tail above 1e-16 can ask for.
            let most = (mean + 20.0 * mean.sqrt() + 60.0).ceil() as u64;
            Some(from_law(&law, most, tail, limits.centre, area))
        }
        // Neither the law alone nor a multiple of it is that of overdispersed counts.
        ChartKind::PPrime | ChartKind::UPrime => None,
        ChartKind::Individuals | ChartKind::MeanRange | ChartKind::MedianRange => None,
        ChartKind::MeanS | ChartKind::ThreeWay | ChartKind::TSquared => None,
        // The limits of these are exact already.
        ChartKind::G | ChartKind::T => None,
    }
}

/// The normal score of a count: the normal quantile of its mid-probability
/// P(X < c) + P(X = c)/2, within [`SCORE_MAX`].
///
/// Scores of counts in control have mean 0 and a variance of a little below 1, the less the
/// smaller the counts are; the rate is the baseline's, whose error they carry. The mid-probability
/// is that of H. O. Lancaster, Biometrika 36 (1949). `limits`, `size` and the cases of `None` are
/// those of [`bounds`]; `value` is the plotted one.
///
/// Cost: a few values of the law.
///
/// ```
/// use spc::chart::{ChartKind, Limits, Sample};
/// let sample = Sample { size: 1.0, value: 4.0, spread: None };
/// let limits = Limits::estimate(ChartKind::C, &[sample; 25], 3.0)?;
/// // Tables of the Poisson law of mean 4: 0.9489 up to 7 and 0.9786 up to 8; 0.96375 has 1.796.
/// let score = spc::probability::score(&limits, 8.0, 1.0).expect("a count chart");
/// assert!((score - 1.796).abs() < 0.001);
/// # Ok::<(), spc::chart::LimitsError>(())
/// ```
pub fn score(limits: &Limits, value: f64, size: f64) -> Option<f64> {
    let (below, above) = match limits.kind {
        ChartKind::P | ChartKind::Np => {
            let units = whole(size)?;
            let law = Binomial::new(limits.centre, units).ok()?;
            let per = if limits.kind == ChartKind::P {
                size
            } else {
                1.0
            };
            tails(&law, value * per)?
        }
        ChartKind::C | ChartKind::U => {
            let area = if limits.kind == ChartKind::U {
                size
            } else {
                1.0
            };
            let law = Poisson::new(limits.centre * area).ok()?;
            tails(&law, value * area)?
        }
        ChartKind::PPrime | ChartKind::UPrime => return None,
        ChartKind::Individuals | ChartKind::MeanRange | ChartKind::MedianRange => return None,
        ChartKind::MeanS | ChartKind::ThreeWay | ChartKind::TSquared => return None,
        ChartKind::G | ChartKind::T => return limits.between_events()?.score(value),
    };
    let farthest = normal::below(-SCORE_MAX);
    let size = |tail: f64| -normal::quantile(tail.clamp(farthest, 0.5));
    Some(if below < above {
        -size(below)
    } else {
        size(above)
    })
}

/// What lies below and above a count, half of its own probability on either side.
fn tails<L: DiscreteCDF<u64, f64>>(law: &L, count: f64) -> Option<(f64, f64)> {
    let is_count = (-1e-6..=9e15).contains(&count);
    let count = is_count.then(|| count.round().max(0.0) as u64)?;
    let under = count
        .checked_sub(1)
        .map_or((0.0, 1.0), |c| (law.cdf(c), law.sf(c)));
    Some((
        0.5 * (under.0 + law.cdf(count)),
        0.5 * (under.1 + law.sf(count)),
    ))
}

pub(crate) fn whole(size: f64) -> Option<u64> {
    let is_whole = (1.0..=9e15).contains(&size) && (size - size.round()).abs() < 1e-9;
    is_whole.then(|| size.round() as u64)
}

fn from_law<L: DiscreteCDF<u64, f64>>(
    law: &L,
    most: u64,
    tail: f64,
    centre: f64,
    scale: f64,
) -> Bounds {
    let upper = least(most, |count| law.sf(count) <= tail);
    // P(X < c) is the distribution function at c - 1.
    let first_above = least(most, |count| law.cdf(count) > tail);
    Bounds {
        lower: Some(first_above as f64 / scale),
        centre,
        upper: Some(upper as f64 / scale),
    }
}

/// The least count up to `most` for which a condition holds that goes on holding from there.
pub(crate) fn least(most: u64, holds: impl Fn(u64) -> bool) -> u64 {
    let (mut low, mut high) = (0, most);
    while low < high {
        let middle = low + (high - low) / 2;
        if holds(middle) {
            high = middle
        } else {
            low = middle + 1
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limits(kind: ChartKind, centre: f64) -> Limits {
        Limits {
            kind,
            width: 3.0,
            subgroups: 25,
            centre,
            sigma: 0.0,
            moving_range: None,
            sigma_within: None,
            sigma_between: None,
            joint: None,
        }
    }

    /// Tails summed term by term from the Poisson law itself.
    #[test]
    fn poisson_tails_are_at_most_the_normal_ones_and_tight() {
        for mean in [0.25, 2.0, 16.4, 120.0] {
            let bounds = bounds(&limits(ChartKind::C, mean), 1.0).unwrap();
            let term =
                |count: u32| (1..=count).fold((-mean).exp(), |term, k| term * mean / f64::from(k));
            let up_to = |count: f64| (0..=count as u32).map(term).sum::<f64>();
            let tail = 0.001_349_898_031_630_094_5;
            let upper = bounds.upper.unwrap();
            assert!(1.0 - up_to(upper) <= tail + 1e-12);
            assert!(1.0 - up_to(upper - 1.0) > tail);
            let lower = bounds.lower.unwrap();
            assert!(lower < 0.5 || up_to(lower - 1.0) <= tail);
            assert!(up_to(lower) > tail);
        }
    }

    #[test]
    fn a_share_has_the_bounds_of_its_count() {
        let share = bounds(&limits(ChartKind::P, 0.02), 40.0).unwrap();
        let count = bounds(&limits(ChartKind::Np, 0.02), 40.0).unwrap();
        assert!((share.upper.unwrap() * 40.0 - count.upper.unwrap()).abs() < 1e-12);
        assert!((count.centre - 0.8).abs() < 1e-12);
    }

    /// Against the law itself: the scores of all counts, weighed by their probability.
    #[test]
    fn scores_of_counts_have_mean_zero_and_a_variance_near_one() {
        for (mean, least) in [(0.5, 0.6), (2.0, 0.85), (9.0, 0.96), (60.0, 0.99)] {
            let limits = limits(ChartKind::C, mean);
            let (mut first, mut second, mut chance) = (0.0, 0.0, (-mean).exp());
            for count in 0..200 {
                let score = score(&limits, f64::from(count), 1.0).unwrap();
                first += chance * score;
                second += chance * score * score;
                chance *= mean / f64::from(count + 1);
            }
            assert!(first.abs() < 0.06, "{mean}: {first}");
            assert!(second > least && second < 1.005, "{mean}: {second}");
        }
    }

    #[test]
    fn scores_follow_counts_and_stay_within_their_bound() {
        let share = limits(ChartKind::P, 0.02);
        let of = |bad: f64| score(&share, bad / 50.0, 50.0).unwrap();
        let all: Vec<f64> = (0..=50).map(|bad| of(f64::from(bad))).collect();
        assert!(all.windows(2).all(|pair| pair[0] <= pair[1]));
        assert!(all[0] < 0.0 && (all[50] - SCORE_MAX).abs() < 1e-12);
        let area = limits(ChartKind::U, 0.1);
        let found = score(&area, 4.0 / 30.0, 30.0).unwrap();
        let count = score(&limits(ChartKind::C, 3.0), 4.0, 1.0).unwrap();
        assert!((found - count).abs() < 1e-9);
        assert_eq!(score(&limits(ChartKind::ThreeWay, 1.0), 1.0, 1.0), None);
        assert_eq!(score(&area, 0.1, 0.0), None);
        assert_eq!(score(&area, -1.0, 10.0), None);
    }

    #[test]
    fn there_are_none_for_measured_values_and_odd_sizes() {
        assert!(bounds(&limits(ChartKind::Individuals, 1.0), 1.0).is_none());
        assert!(bounds(&limits(ChartKind::P, 0.1), 2.5).is_none());
        assert!(bounds(&limits(ChartKind::U, 0.1), 0.0).is_none());
    }
}
