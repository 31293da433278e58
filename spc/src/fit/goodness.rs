//! How far readings lie from a fitted distribution.
//!
//! Purpose: the Anderson-Darling statistic of a fit with its p-value. Must not know other fits. The
//! one invariant: the p-value lies in 0 to 1 and says where it comes from.

use super::likelihood::folded;
use crate::distribution::{Distribution, Family};
use crate::normality;
use crate::simulation::Normals;

/// Simulated samples behind the p-value of a folded normal.
const SIMULATED_MAX: u32 = 399;
/// Readings of a simulated sample: beyond this the statistic's distribution no longer changes.
const SIMULATED_READINGS_MAX: usize = 200;

/// Distance of readings from a fitted distribution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Judgement {
    /// A^2.
    pub statistic: f64,
    /// A^2 as modified for the size of the sample, where the family has such a modification:
    /// (1 + 0.75/n + 2.25/n^2) for normal and lognormal, (1 + 0.2/sqrt(n)) for Weibull.
    pub modified: f64,
    /// Chance of so large a statistic if the family is right.
    ///
    /// Normal and lognormal: Table 4.9 of D'Agostino and Stephens. Weibull: 1/(1 + exp(-0.1 +
    /// 1.24 ln A* + 4.48 A*)) (J. L. Romeu, RIAC START 10(5) 2003, from memory), which meets the
    /// points of Table 4.17. Gamma: Table 4.21 for the shape found, between its rows along 1/shape
    /// and between its points along ln p (from memory). Folded normal: 399 simulated samples of at
    /// most 200 readings, fitted likewise (W. Stute, W. Gonzalez Manteiga and M. Presedo Quindimil,
    /// Metrika 40, 1993), always the same ones; not below 1/400.
    pub p_value: f64,
}

pub(super) fn judge(distribution: &Distribution, sorted: &[f64]) -> Judgement {
    let statistic = distance(distribution, sorted);
    let n = sorted.len() as f64;
    let (modified, p_value) = match distribution.family() {
        Family::Normal | Family::LogNormal => {
            let modified = normality::modified(statistic, sorted.len());
            (modified, normality::p_value(modified))
        }
        Family::Weibull => {
            let modified = statistic * (1.0 + 0.2 / n.sqrt());
            (modified, weibull_p(modified))
        }
        Family::Gamma => (statistic, gamma_p(statistic, distribution.parameters().0)),
        Family::FoldedNormal => (statistic, folded_p(statistic, distribution, sorted.len())),
    };
    Judgement {
        statistic,
        modified,
        p_value,
    }
}

fn distance(distribution: &Distribution, sorted: &[f64]) -> f64 {
    let below: Vec<f64> = sorted.iter().map(|x| distribution.log_below(*x)).collect();
    let above: Vec<f64> = sorted.iter().map(|x| distribution.log_above(*x)).collect();
    normality::statistic(&below, &above)
}

fn weibull_p(modified: f64) -> f64 {
    // At zero the logarithm is minus infinity and the p-value 1.
    1.0 / (1.0 + (-0.1 + 1.24 * modified.ln() + 4.48 * modified).exp())
}

/// Levels of Table 4.21.
const LEVELS: [f64; 5] = [0.25, 0.10, 0.05, 0.025, 0.01];
/// One over the shape, and the upper points of A^2 at the levels; the last is the normal limit.
const GAMMA_POINTS: [(f64, [f64; 5]); 8] = [
    (1.0, [0.486, 0.657, 0.786, 0.917, 1.092]),
    (1.0 / 2.0, [0.477, 0.643, 0.768, 0.894, 1.062]),
    (1.0 / 3.0, [0.475, 0.639, 0.763, 0.886, 1.052]),
    (1.0 / 4.0, [0.473, 0.637, 0.759, 0.883, 1.048]),
    (1.0 / 6.0, [0.472, 0.635, 0.757, 0.880, 1.043]),
    (1.0 / 10.0, [0.471, 0.633, 0.754, 0.877, 1.040]),
    (1.0 / 20.0, [0.470, 0.632, 0.753, 0.875, 1.037]),
    (0.0, [0.470, 0.631, 0.752, 0.873, 1.035]),
];

fn gamma_p(statistic: f64, shape: f64) -> f64 {
    let points = gamma_points((1.0 / shape).min(1.0));
    // ln p is close to a line between the points; beyond them the outer lines go on.
    let upper = points.iter().position(|point| statistic < *point);
    let right = upper.unwrap_or(LEVELS.len() - 1).max(1);
    let (from, to) = (right - 1, right);
    let part = (statistic - points[from]) / (points[to] - points[from]);
    let log = LEVELS[from].ln() + part * (LEVELS[to] / LEVELS[from]).ln();
    log.exp().clamp(0.0, 1.0)
}

fn gamma_points(inverse: f64) -> [f64; 5] {
    let mut points = GAMMA_POINTS[0].1;
    for pair in GAMMA_POINTS.windows(2) {
        let ((left, from), (right, to)) = (pair[0], pair[1]);
        if inverse <= left && inverse >= right {
            let part = (left - inverse) / (left - right);
            for (point, (a, b)) in points.iter_mut().zip(from.iter().zip(&to)) {
                *point = a + part * (b - a);
            }
        }
    }
    points
}

fn folded_p(statistic: f64, distribution: &Distribution, readings: usize) -> f64 {
    let (location, sigma) = distribution.parameters();
    let size = readings.min(SIMULATED_READINGS_MAX);
    let mut normals = Normals::new(0x6a09_e667_f3bc_c909);
    let mut larger = 0;
    for _ in 0..SIMULATED_MAX {
        let mut sample: Vec<f64> = (0..size)
            .map(|_| (location + sigma * normals.draw()).abs())
            .collect();
        sample.sort_unstable_by(f64::total_cmp);
        let (own, deviation) = folded(&sample);
        let refitted = Distribution::new(Family::FoldedNormal, 0.0, own, deviation);
        larger += u32::from(refitted.is_some_and(|fit| distance(&fit, &sample) >= statistic));
    }
    f64::from(larger + 1) / f64::from(SIMULATED_MAX + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_points_have_their_levels() {
        // D'Agostino and Stephens, Table 4.17 (Weibull) and 4.21 (gamma), from memory.
        for (level, point) in LEVELS.iter().zip([0.474, 0.637, 0.757, 0.877, 1.038]) {
            assert!((weibull_p(point) / level - 1.0).abs() < 0.02, "{level}");
        }
        for (level, point) in LEVELS.iter().zip(GAMMA_POINTS[1].1) {
            assert!((gamma_p(point, 2.0) / level - 1.0).abs() < 1e-9, "{level}");
        }
        assert!(gamma_p(0.1, 0.3) > 0.9 && gamma_p(9.0, 2.0) < 1e-12);
        assert!(weibull_p(0.0) > 0.999 && weibull_p(1e9) < 1e-300);
    }

    #[test]
    fn p_values_fall_as_the_distance_grows() {
        let distances: Vec<f64> = (1..300).map(|i| f64::from(i) * 0.01).collect();
        for shape in [0.4, 1.0, 2.7, 50.0] {
            let all: Vec<f64> = distances.iter().map(|a| gamma_p(*a, shape)).collect();
            assert!(all.windows(2).all(|pair| pair[1] <= pair[0]), "{shape}");
        }
    }
}
