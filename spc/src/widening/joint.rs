//! How much wider the limit of several measures together has to be because few observations made
//! it.
//!
//! Purpose: nine baselines of ten keep the chance of a false signal. Must not know data. The one
//! invariant: a factor is at least 1, and the same for the same numbers.
//!
//! The limit of [`TSquared`] holds that chance on average over baselines; nearly half of them have
//! a higher one. What a baseline of normal observations does depends on their number and that of
//! measures alone, so baselines are simulated from a stated seed. Given its mean and covariance,
//! T-squared of a later point is a sum of squares of normal variables with weights; its tail is
//! that of R. Lugannani and S. Rice, Advances in Applied Probability 12(2) 1980 (from memory).

use crate::chart::false_alarm;
use crate::normal;
use crate::simulation::Normals;
use crate::t_squared::{Covariance, MEASURES_MAX, Origin, TSquared};
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

const SEED: u64 = 20_261_125;

/// Baselines that are simulated.
const JOINT_BASELINES: usize = 400;

/// Observations of a simulated baseline at most; beyond, what is left falls with the root of their
/// number.
const JOINT_SIZE_MAX: u32 = 400;

const BISECTIONS: u32 = 50;

/// Factors that are remembered.
const FACTORS_KEPT_MAX: usize = 10_000;

/// Factors that were simulated, by measures, observations and width: every stream of a
/// characteristic asks for the same.
static KNOWN: Mutex<BTreeMap<(usize, u32, u64), f64>> = Mutex::new(BTreeMap::new());

/// Factor on the width of a T-squared limit from so many single observations, covariance from
/// successive differences, such that nine baselines of ten have at most the chance of a false
/// signal that the width promises.
///
/// `None` for fewer than 2 p + 2 observations of p measures, for no measure or too many, and for a
/// width not in (0, 6]. Cost: some hundred thousand normal values, once a program for the same
/// numbers.
///
/// ```
/// let of = |observations| spc::widening::joint_factor(2, observations, 3.0);
/// assert!(of(25) > of(200) && of(200) > Some(1.0));
/// ```
pub fn joint_factor(measures: usize, observations: u32, width: f64) -> Option<f64> {
    let enough = observations as usize >= 2 * measures + 2;
    let usable = (1..=MEASURES_MAX).contains(&measures) && width > 0.0 && width <= 6.0;
    if !(enough && usable) {
        return None;
    }
    let question = (measures, observations, width.to_bits());
    let known = KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
    let found = known.get(&question).copied();
    drop(known);
    if found.is_some() {
        return found;
    }
    // The lock is not held meanwhile: two threads may both simulate, and find the same.
    let factor = simulated(measures, observations, width)?;
    let mut known = KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
    if known.len() >= FACTORS_KEPT_MAX {
        known.clear();
    }
    known.insert(question, factor);
    Some(factor)
}

fn simulated(measures: usize, observations: u32, width: f64) -> Option<f64> {
    let count = observations.min(JOINT_SIZE_MAX);
    let chance = false_alarm(width);
    let mut normals = Normals::new(SEED);
    let mut needed = Vec::with_capacity(JOINT_BASELINES);
    for _ in 0..JOINT_BASELINES {
        let draw = |_| (0..measures).map(|_| normals.draw()).collect();
        let baseline: Vec<Vec<f64>> = (0..count).map(draw).collect();
        let chart = TSquared::from_singles(&baseline, Covariance::Successive).ok()?;
        needed.push(Tail::of(&chart).exceeded_with(chance));
    }
    needed.sort_by(f64::total_cmp);
    let limit = needed[JOINT_BASELINES * 9 / 10];
    let origin = Origin::Singles(count as usize, Covariance::Successive);
    let identity: Vec<Vec<f64>> = (0..measures)
        .map(|i| (0..measures).map(|j| f64::from(u8::from(i == j))).collect())
        .collect();
    let average = TSquared::restored(&vec![0.0; measures], &identity, origin).ok()?;
    let own = -normal::quantile(0.5 * average.chance_beyond(limit)?.max(1e-300)) / width;
    let fading = (f64::from(count) / f64::from(observations)).sqrt();
    Some(1.0 + (own - 1.0).max(0.0) * fading)
}

/// T-squared of a later point, given a baseline: the sum of w (z + d)^2.
struct Tail(Vec<(f64, f64)>);

impl Tail {
    /// For a baseline of standard normal observations.
    fn of(chart: &TSquared) -> Self {
        let (variances, offsets) = chart.principal();
        let pairs = variances.iter().zip(offsets);
        Self(
            pairs
                .map(|(variance, offset)| (1.0 / variance, offset))
                .collect(),
        )
    }

    /// The value that is exceeded with a chance below that of the mean.
    fn exceeded_with(&self, chance: f64) -> f64 {
        let heaviest = self.0.iter().map(|(w, _)| *w).fold(0.0, f64::max);
        let (mut low, mut high) = (0.0, 0.5 / heaviest);
        for _ in 0..BISECTIONS {
            let middle = 0.5 * (low + high);
            if self.at(middle).1 > chance {
                low = middle;
            } else {
                high = middle;
            }
        }
        self.at(0.5 * (low + high)).0
    }

    /// The value at which the saddle point is t > 0, and the chance of a larger one.
    fn at(&self, t: f64) -> (f64, f64) {
        let (mut log, mut value, mut spread) = (0.0, 0.0, 0.0);
        for (w, d) in &self.0 {
            let left = 1.0 - 2.0 * t * w;
            log += -0.5 * left.ln() + t * w * d * d / left;
            value += w / left + w * d * d / (left * left);
            spread += 2.0 * (w / left).powi(2) + 4.0 * (w * d).powi(2) / left.powi(3);
        }
        let root = (2.0 * (t * value - log)).max(0.0).sqrt();
        let scale = t * spread.sqrt();
        let density = (-0.5 * root * root).exp() / (2.0 * std::f64::consts::PI).sqrt();
        (
            value,
            normal::below(-root) + density * (1.0 / scale - 1.0 / root),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::t_squared::Phase;

    /// Of two measures the square is exponential: chance exp(-x/2); of four, (1 + x/2) exp(-x/2).
    #[test]
    fn the_tail_is_that_of_chi_square_where_everything_is_known() {
        for x in [8.0, 15.0, 25.0_f64] {
            let half = 0.5 * x;
            for (measures, chance) in [(2, (-half).exp()), (4, (1.0 + half) * (-half).exp())] {
                let found = Tail(vec![(1.0, 0.0); measures]).exceeded_with(chance);
                assert!((found / x - 1.0).abs() < 0.005, "{measures} {x}: {found}");
            }
        }
    }

    #[test]
    fn nine_baselines_of_ten_keep_the_stated_chance() {
        let width = 2.5;
        let chance = false_alarm(width);
        let mut normals = Normals::new(9_173);
        for (measures, count) in [(2, 25), (3, 60)] {
            let width = width * joint_factor(measures, count, width).unwrap();
            let (baselines, points) = (300, 3_000);
            let kept = (0..baselines).filter(|_| {
                let mut draw = || (0..measures).map(|_| normals.draw()).collect::<Vec<f64>>();
                let baseline: Vec<Vec<f64>> = (0..count).map(|_| draw()).collect();
                let chart = TSquared::from_singles(&baseline, Covariance::Successive).unwrap();
                let limit = chart.limit(false_alarm(width), Phase::Monitoring);
                let limit = limit.unwrap().unwrap();
                let beyond = (0..points).filter(|_| chart.statistic(&draw()).unwrap() > limit);
                beyond.count() as f64 <= chance * f64::from(points)
            });
            // The standard error is 1.7 %; counting 3,000 points blurs the edge by as much.
            let share = kept.count() as f64 / f64::from(baselines);
            assert!((share - 0.9).abs() < 0.05, "{measures} {count}: {share}");
        }
    }

    #[test]
    fn a_factor_that_is_remembered_is_the_one_that_is_simulated() {
        for width in [2.5, 3.0] {
            let fresh = simulated(2, 24, width).unwrap();
            for _ in 0..2 {
                assert_eq!(
                    joint_factor(2, 24, width).map(f64::to_bits),
                    Some(fresh.to_bits())
                );
            }
        }
    }

    #[test]
    fn what_can_not_be_widened_is_said() {
        assert!(joint_factor(2, 5, 3.0).is_none() && joint_factor(0, 50, 3.0).is_none());
        assert!(joint_factor(9, 50, 3.0).is_none() && joint_factor(2, 50, f64::NAN).is_none());
        let far = joint_factor(2, 100_000, 3.0).unwrap();
        assert!((1.0..1.02).contains(&far), "{far}");
    }
}
