//! Two populations in one series.
//!
//! Purpose: the likelihood ratio of a mixture of two normals with one sigma against a single
//! normal, with a simulated p-value. Must not know what the populations are. The one invariant: the
//! same procedure gives the statistic of the series and those it is compared with.

use super::{Check, Checked, READINGS_MIN, check_level, thinned};
use crate::readings::{ReadingsError, check};
use crate::simulation::{Normals, Simulated};

/// Simulated series behind the p-value.
const SIMULATED_MIXTURES_MAX: usize = 199;
/// Values of a series that the mixture is fitted to.
const MIXTURE_READINGS_MAX: usize = 200;
/// Steps of the fit from each start; all series get as many.
const STEPS_MAX: usize = 40;
/// Upper 5 % point of chi-square with 2 degrees of freedom. The ratio's own points lie above it at
/// any size (Thode, Finch and Mendell 1988), so nothing below it needs simulating at usual levels.
const SMALL: f64 = 5.991;

/// The ratios of simulated series.
static RATIOS: Simulated<f64> = Simulated::new();

/// Tests a series for two populations with one sigma.
///
/// Input, errors and level as for [`super::examine`]; the order does not matter but for thinning
/// (at most 200 values, evenly taken). The ratio has no standard distribution, so its p-value is
/// the share of 199 simulated normal series with at least as large a one (G. J. McLachlan, Applied
/// Statistics 36(3) 1987, 318-324; H. C. Thode, S. J. Finch and N. R. Mendell, Biometrics 44, 1988,
/// 1195-1201; from memory), not below 1/200; where the ratio is below 5.991 it is given as 1. The
/// fit takes 40 EM steps from each of three splits. A skewed stream looks like two populations,
/// too: read it together with the skewness. Cost: 120 n exponentials; 200 times that,
/// once for each size, where the ratio is not small.
///
/// # Errors
/// As [`super::examine`].
///
/// ```
/// let two: Vec<f64> = (0..60).map(|i| f64::from(i % 5) + 12.0 * f64::from(i % 2)).collect();
/// assert!(spc::baseline::mixture::mixture(&two, 0.01).expect("usable").warns);
/// ```
pub fn mixture(series: &[f64], level: f64) -> Result<Checked, ReadingsError> {
    check_level(level)?;
    check(series, READINGS_MIN)?;
    let series = thinned(series, MIXTURE_READINGS_MAX);
    let own = ratio(&series).ok_or(ReadingsError::OutOfRange)?;
    if own < SMALL {
        return Ok(Checked::by_p_value(Check::Mixture, own, 1.0, level));
    }
    let simulated = RATIOS.of_size(series.len(), || ratios(series.len()));
    let larger = simulated.iter().filter(|other| **other >= own).count();
    let p_value = (larger + 1) as f64 / (SIMULATED_MIXTURES_MAX + 1) as f64;
    Ok(Checked::by_p_value(Check::Mixture, own, p_value, level))
}

/// The ratios of simulated normal series of a size; infinite where there is none.
fn ratios(size: usize) -> Vec<f64> {
    let mut normals = Normals::new(0x5041_0002);
    let draw = |_| {
        let drawn: Vec<f64> = (0..size).map(|_| normals.draw()).collect();
        ratio(&drawn).unwrap_or(f64::INFINITY)
    };
    (0..SIMULATED_MIXTURES_MAX).map(draw).collect()
}

/// Twice the gain in log likelihood of two populations over one; `None` without spread.
fn ratio(series: &[f64]) -> Option<f64> {
    let summary = check(series, 2).ok()?;
    let n = series.len() as f64;
    // Divisor n: the single normal's own maximum likelihood has variance 1.
    let sigma = summary.deviation * ((n - 1.0) / n).sqrt();
    let mut z: Vec<f64> = series.iter().map(|x| (x - summary.mean) / sigma).collect();
    z.sort_unstable_by(f64::total_cmp);
    let single = -0.5 * n;
    let best = [1, 2, 3]
        .into_iter()
        .filter_map(|quarter| fitted(&z, quarter * z.len() / 4))
        .fold(single, f64::max);
    let gain = 2.0 * (best - single);
    gain.is_finite().then_some(gain.max(0.0))
}

/// Log likelihood, less the constant that one normal shares, of a mixture fitted from a split.
fn fitted(z: &[f64], split: usize) -> Option<f64> {
    let mut pair = Pair::of_split(z, split)?;
    for _ in 1..STEPS_MAX {
        match pair.step(z) {
            Some(next) => pair = next,
            None => break,
        }
    }
    let likelihood = pair.log_likelihood(z);
    likelihood.is_finite().then_some(likelihood)
}

/// The least variance of a mixture of readings with variance 1.
const LEAST: f64 = 1e-6;

/// Two normals with one variance, and the share of the lower one.
struct Pair {
    low: f64,
    high: f64,
    share: f64,
    variance: f64,
}

impl Pair {
    fn of_split(z: &[f64], split: usize) -> Option<Pair> {
        let n = z.len() as f64;
        let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
        let (left, right) = z.split_at_checked(split)?;
        if left.is_empty() || right.is_empty() {
            return None;
        }
        let (low, high) = (mean(left), mean(right));
        let about =
            |part: &[f64], centre: f64| -> f64 { part.iter().map(|x| (x - centre).powi(2)).sum() };
        Some(Pair {
            low,
            high,
            share: left.len() as f64 / n,
            variance: ((about(left, low) + about(right, high)) / n).max(LEAST),
        })
    }

    /// The log odds of the higher normal: with one variance a straight line, given by its value at
    /// zero and its slope.
    fn log_odds(&self) -> (f64, f64) {
        let slope = (self.high - self.low) / self.variance;
        let middle = 0.5 * (self.low + self.high);
        (
            ((1.0 - self.share) / self.share).ln() - slope * middle,
            slope,
        )
    }

    /// One step of expectation and maximization; nothing where one normal has lost its readings.
    fn step(&self, z: &[f64]) -> Option<Pair> {
        let n = z.len() as f64;
        let (zero, slope) = self.log_odds();
        let (mut weight, mut sum) = (0.0, 0.0);
        for x in z {
            let own = 1.0 / (1.0 + (zero + slope * x).exp());
            weight += own;
            sum += own * x;
        }
        if weight < 1e-6 || n - weight < 1e-6 {
            return None;
        }
        // The readings have mean 0 and mean square 1: the other side's sum is the negative of this
        // one's, and what the two means do not explain is the variance.
        let (low, high, share) = (sum / weight, -sum / (n - weight), weight / n);
        let variance = (1.0 - share * low * low - (1.0 - share) * high * high).max(LEAST);
        Some(Pair {
            low,
            high,
            share,
            variance,
        })
    }

    fn log_likelihood(&self, z: &[f64]) -> f64 {
        let (zero, slope) = self.log_odds();
        let of_one = |x: &f64| {
            let odds = zero + slope * x;
            let lower = self.share.ln() - (x - self.low).powi(2) / (2.0 * self.variance);
            // The sum of both densities, written so that the larger one is taken out.
            lower + odds.max(0.0) + (-odds.abs()).exp().ln_1p()
        };
        z.iter().map(of_one).sum::<f64>() - 0.5 * z.len() as f64 * self.variance.ln()
    }
}
