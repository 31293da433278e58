//! Checks of a baseline of several measures together.
//!
//! Purpose: test what a T-squared limit silently assumes. Must not know which measures they are.
//! The one invariant: every statistic is the same in all coordinates, so shifting, scaling and
//! mixing measures changes no p-value.
//!
//! All of them look at the scores z of the observations, which have mean 0 and the identity as
//! their covariance (sample covariance, divisor m - 1).

use super::{Check, Checked, READINGS_MIN, check_level};
use crate::capability::interval::chi_square_quantile;
use crate::matrix::dot;
use crate::normality;
use crate::readings::ReadingsError;
use crate::simulation::{Normals, Simulated};
use crate::t_squared::{Covariance, MEASURES_MAX, Phase, TSquared, TSquaredError};
use statrs::distribution::{Beta, ContinuousCDF, FisherSnedecor};
use statrs::function::gamma::checked_gamma_ur;

/// Simulated baselines behind the p-value of the shape.
const SIMULATED_JOINT_MAX: usize = 199;
/// Observations that the shape is judged by.
const JOINT_OBSERVATIONS_MAX: usize = 400;

/// The distances of simulated baselines, by observations and measures.
static DISTANCES: Simulated<f64> = Simulated::new();

/// What is known of observations: their scores, and how far out each is.
struct Scored {
    scores: Vec<Vec<f64>>,
    squares: Vec<f64>,
    chart: TSquared,
}

impl Scored {
    fn of<T: AsRef<[f64]>>(observations: &[T]) -> Result<Self, TSquaredError> {
        let chart = TSquared::from_singles(observations, Covariance::Sample)?;
        let score = |one: &T| chart.scores(one.as_ref());
        let scores = observations
            .iter()
            .map(score)
            .collect::<Result<Vec<_>, _>>()?;
        let squares = scores.iter().map(|z| dot(z, z)).collect();
        Ok(Self {
            scores,
            squares,
            chart,
        })
    }

    fn measures(&self) -> f64 {
        self.chart.mean().len() as f64
    }

    fn count(&self) -> f64 {
        self.scores.len() as f64
    }
}

/// Checks observations in time order, each a value of every measure: the farthest observation, a
/// shift, dependence on the one before, and the shape.
///
/// At least 10 observations, and p + 3 of p measures; `level` as for [`super::examine`]. With m
/// observations of p measures:
///
/// - farthest: the largest T-squared, m T2/(m-1)^2 being Beta(p/2, (m-p-1)/2) (N. D. Tracy, J. C.
///   Young and R. L. Mason, Journal of Quality Technology 24(2) 1992); p-value m times that of one
///   (Bonferroni, so cautious), bound the limit at level/m;
/// - shift: Hotelling's two-sample T-squared of before against after, over the split where it is
///   largest (J. H. Sullivan and W. H. Woodall, Journal of Quality Technology 28(4) 1996); the
///   p-value is m - 1 times that of one, (m-p-1)/(p (m-2)) T2 being F(p, m-p-1);
/// - autocorrelation: m times the sum of squares of all correlations of scores with those of the
///   observation before, which is about chi-square with p^2 degrees of freedom (J. R. M. Hosking,
///   Journal of the American Statistical Association 75, 1980); for one measure m r^2;
/// - shape: the Anderson-Darling distance of all T-squared from their beta law, the one of normal
///   measures; its p-value is the share of 199 simulated baselines with at least as large a one
///   (at most 400 observations, evenly taken; not below 1/200).
///
/// All sources from memory. Cost: observations times measures squared; the simulated baselines of a
/// size once a program.
///
/// # Errors
/// [`TSquaredError`] as [`TSquared::from_singles`], for fewer observations than needed, and
/// [`TSquaredError::Chance`] for a level not inside 0 to 1.
///
/// ```
/// // Two measures that move together, and apart from the twentieth on.
/// let noise = [0.3, -1.2, 0.8, 0.1, -0.5, 1.4, -0.9];
/// let pair = |i: usize| {
///     let (a, b) = (noise[i % 7], noise[(3 * i + i / 7) % 7]);
///     [a, a + 0.3 * b + if i < 20 { 0.0 } else { 2.0 }]
/// };
/// let observations: Vec<[f64; 2]> = (0..40).map(pair).collect();
/// let found = spc::baseline::joint::examine_joint(&observations, 0.01)?;
/// let warns = |name: &str| found.iter().any(|one| one.check.name() == name && one.warns);
/// assert!(warns("joint_shift") && !warns("farthest"));
/// # Ok::<(), spc::t_squared::TSquaredError>(())
/// ```
pub fn examine_joint<T: AsRef<[f64]>>(
    observations: &[T],
    level: f64,
) -> Result<Vec<Checked>, TSquaredError> {
    check_level(level).map_err(|_: ReadingsError| TSquaredError::Chance(level))?;
    let scored = Scored::of(observations)?;
    let (measures, found) = (scored.chart.mean().len(), observations.len());
    let needed = READINGS_MIN.max(measures + 3);
    if found < needed {
        return Err(TSquaredError::TooFew {
            measures,
            found,
            needed,
        });
    }
    Ok(vec![
        farthest(&scored, level)?,
        shift(&scored, level),
        dependence(&scored, level),
        shape(observations, level)?,
    ])
}

fn farthest(scored: &Scored, level: f64) -> Result<Checked, TSquaredError> {
    let (p, m) = (scored.measures(), scored.count());
    let largest = scored.squares.iter().copied().fold(0.0, f64::max);
    let part = (m * largest / (m - 1.0).powi(2)).clamp(0.0, 1.0);
    let alone = Beta::new(0.5 * p, 0.5 * (m - p - 1.0)).map_or(1.0, |law| law.sf(part));
    let p_value = (m * alone).clamp(0.0, 1.0);
    let mut checked = Checked::by_p_value(Check::Farthest, largest, p_value, level);
    checked.bound = scored.chart.limit(level / m, Phase::Baseline)?;
    Ok(checked)
}

/// The scores add up to 0, so with s the sum of the first k the means of both sides lie
/// s m/(k (m - k)) apart, and the share of the scatter that they explain is m s^2/(k (m - k))
/// over m - 1.
fn shift(scored: &Scored, level: f64) -> Checked {
    let (p, m) = (scored.measures(), scored.count());
    let mut sum = vec![0.0; scored.chart.mean().len()];
    let mut explained = 0.0_f64;
    for (place, z) in scored
        .scores
        .iter()
        .enumerate()
        .take(scored.scores.len() - 1)
    {
        sum.iter_mut().zip(z).for_each(|(sum, z)| *sum += z);
        let k = (place + 1) as f64;
        explained = explained.max(m * dot(&sum, &sum) / (k * (m - k) * (m - 1.0)));
    }
    let left = (1.0 - explained).max(f64::EPSILON);
    let statistic = (m - 2.0) * explained / left;
    let ratio = (m - p - 1.0) / (p * (m - 2.0)) * statistic;
    let alone = FisherSnedecor::new(p, m - p - 1.0).map_or(1.0, |law| law.sf(ratio));
    let p_value = ((m - 1.0) * alone).clamp(0.0, 1.0);
    Checked::by_p_value(Check::JointShift, statistic, p_value, level)
}

fn dependence(scored: &Scored, level: f64) -> Checked {
    let (p, m) = (scored.measures(), scored.count());
    let places = 0..scored.chart.mean().len();
    let correlation = |a: usize, b: usize| {
        let pairs = scored.scores.windows(2);
        pairs.map(|pair| pair[1][a] * pair[0][b]).sum::<f64>() / (m - 1.0)
    };
    let all = places
        .clone()
        .flat_map(|a| places.clone().map(move |b| (a, b)));
    let statistic = m * all.map(|(a, b)| correlation(a, b).powi(2)).sum::<f64>();
    let freedom = p * p;
    let p_value = checked_gamma_ur(0.5 * freedom, 0.5 * statistic).unwrap_or(1.0);
    let mut checked = Checked::by_p_value(Check::JointAutocorrelation, statistic, p_value, level);
    checked.bound = Some(chi_square_quantile(1.0 - level, freedom));
    checked
}

fn shape<T: AsRef<[f64]>>(observations: &[T], level: f64) -> Result<Checked, TSquaredError> {
    let count = observations.len();
    let kept = count.min(JOINT_OBSERVATIONS_MAX);
    let taken: Vec<&[f64]> = (0..kept)
        .map(|i| observations[i * count / kept].as_ref())
        .collect();
    let own = Scored::of(&taken)?;
    let measures = own.chart.mean().len();
    let statistic = distance(&own);
    // Measures are few, so the two make one number.
    let key = kept * (MEASURES_MAX + 1) + measures;
    let others = DISTANCES.of_size(key, || distances(kept, measures));
    let larger = others.iter().filter(|other| **other >= statistic).count();
    let p_value = (larger + 1) as f64 / (others.len() + 1) as f64;
    Ok(Checked::by_p_value(
        Check::JointShape,
        statistic,
        p_value,
        level,
    ))
}

/// The distances of simulated normal baselines.
fn distances(count: usize, measures: usize) -> Vec<f64> {
    let mut normals = Normals::new(0x5041_0004);
    let mut draw = || -> Option<f64> {
        let one = |_| (0..measures).map(|_| normals.draw()).collect::<Vec<f64>>();
        let drawn: Vec<Vec<f64>> = (0..count).map(one).collect();
        Scored::of(&drawn).ok().map(|scored| distance(&scored))
    };
    (0..SIMULATED_JOINT_MAX).filter_map(|_| draw()).collect()
}

/// The Anderson-Darling distance of all T-squared from their beta law.
fn distance(scored: &Scored) -> f64 {
    let (p, m) = (scored.measures(), scored.count());
    let Ok(law) = Beta::new(0.5 * p, 0.5 * (m - p - 1.0)) else {
        return 0.0;
    };
    let mut parts: Vec<f64> = scored
        .squares
        .iter()
        .map(|t| m * t / (m - 1.0).powi(2))
        .collect();
    parts.sort_by(f64::total_cmp);
    let log = |share: f64| share.max(f64::MIN_POSITIVE).ln();
    let below: Vec<f64> = parts
        .iter()
        .map(|x| log(law.cdf(x.clamp(0.0, 1.0))))
        .collect();
    let above: Vec<f64> = parts
        .iter()
        .map(|x| log(law.sf(x.clamp(0.0, 1.0))))
        .collect();
    normality::statistic(&below, &above)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(normals: &mut Normals, count: usize) -> Vec<Vec<f64>> {
        let mut one = || {
            let (a, b, c) = (normals.draw(), normals.draw(), normals.draw());
            // Correlated, and of unlike scales.
            vec![a, 100.0 + 8.0 * a + 3.0 * b, 0.01 * (c - b)]
        };
        (0..count).map(|_| one()).collect()
    }

    fn warning(observations: &[Vec<f64>], level: f64) -> Vec<bool> {
        let found = examine_joint(observations, level).unwrap();
        found.iter().map(|one| one.warns).collect()
    }

    #[test]
    fn stable_normal_baselines_are_warned_of_as_seldom_as_the_level_says() {
        let mut normals = Normals::new(71);
        let rounds = 400;
        let mut warned = [0; 4];
        for _ in 0..rounds {
            let found = warning(&drawn(&mut normals, 30), 0.05);
            warned
                .iter_mut()
                .zip(found)
                .for_each(|(sum, one)| *sum += u32::from(one));
        }
        // The standard error at 5 % is 4.4 of 400; the first two p-values are upper bounds.
        for (place, count) in warned.iter().enumerate() {
            assert!(*count <= 20 + 14, "{place}: {count}");
        }
        assert!(warned[2] >= 5 && warned[3] >= 8, "{warned:?}");
    }

    #[test]
    fn each_fault_is_seen_by_its_own_check() {
        let mut normals = Normals::new(72);
        let mut far = drawn(&mut normals, 40);
        far[17][0] += 6.0;
        assert!(warning(&far, 0.01)[0]);
        let mut shifted = drawn(&mut normals, 40);
        shifted[22..].iter_mut().for_each(|one| one[2] += 0.04);
        assert!(warning(&shifted, 0.01)[1]);
        let steady = drawn(&mut normals, 61);
        let slow: Vec<Vec<f64>> = steady
            .windows(2)
            .map(|pair| pair[0].iter().zip(&pair[1]).map(|(a, b)| a + b).collect())
            .collect();
        assert!(warning(&slow, 0.01)[2]);
        let tails: Vec<Vec<f64>> = drawn(&mut normals, 80)
            .into_iter()
            .map(|one| one.into_iter().map(|x| (x - 100.0).powi(3)).collect())
            .collect();
        assert!(warning(&tails, 0.01)[3]);
    }

    /// Of one measure the shift is the square of the largest t, and the dependence m r^2.
    #[test]
    fn of_one_measure_the_checks_are_those_of_a_series() {
        let mut normals = Normals::new(73);
        let series: Vec<f64> = (0..40).map(|_| normals.draw()).collect();
        let rows: Vec<[f64; 1]> = series.iter().map(|x| [*x]).collect();
        let found = examine_joint(&rows, 0.05).unwrap();
        let shift = crate::baseline::stability::shift(&series).unwrap();
        assert!((found[1].statistic - shift.statistic.powi(2)).abs() < 1e-9);
        assert!((found[1].p_value.unwrap() - shift.p_value).abs() < 1e-9);
        let own = crate::baseline::stability::autocorrelated(&series, 0.05).unwrap();
        assert!((found[2].statistic - 40.0 * own.statistic.powi(2)).abs() < 1e-9);
        assert!((found[2].p_value.unwrap() - own.p_value.unwrap()).abs() < 1e-9);
        assert!((found[2].bound.unwrap() - 40.0 * own.bound.unwrap().powi(2)).abs() < 1e-6);
    }

    #[test]
    fn coordinates_change_nothing() {
        let plain = drawn(&mut Normals::new(74), 25);
        let mixed: Vec<Vec<f64>> = plain
            .iter()
            .map(|one| vec![5.0 - one[1], one[0] + 2.0 * one[2], 1e3 * one[2]])
            .collect();
        let (plain, mixed) = (examine_joint(&plain, 0.05), examine_joint(&mixed, 0.05));
        for (one, other) in plain.unwrap().iter().zip(mixed.unwrap()) {
            assert!(
                (one.statistic / other.statistic - 1.0).abs() < 1e-6,
                "{one:?} {other:?}"
            );
            assert_eq!(one.warns, other.warns);
        }
    }

    #[test]
    fn failed_preconditions_are_named() {
        let few = drawn(&mut Normals::new(75), 9);
        let found = examine_joint(&few, 0.05);
        assert!(matches!(
            found,
            Err(TSquaredError::TooFew { needed: 10, .. })
        ));
        let enough = drawn(&mut Normals::new(75), 12);
        assert!(matches!(
            examine_joint(&enough, 1.0),
            Err(TSquaredError::Chance(_))
        ));
        let still = vec![vec![1.0, 2.0]; 20];
        assert!(matches!(
            examine_joint(&still, 0.05),
            Err(TSquaredError::Singular)
        ));
    }
}
