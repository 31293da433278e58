//! When a step change began: the most likely first affected point and a set that covers it.
//!
//! Purpose: tell which boards to hold after a signal. Must not know boards or signals. The one
//! invariant: the most likely onset is in the set.
//!
//! Maximum likelihood estimate of T. R. Samuel, J. J. Pignatiello and J. A. Calvin, Quality
//! Engineering 10(3) 1998: the t that maximises (T - t) zbar(t..T)^2. The set follows J. J.
//! Pignatiello and T. R. Samuel, Journal of Quality Technology 33(1) 2001, in keeping the points
//! of high likelihood; the cut is made by accumulated normalised likelihood.

use thiserror::Error;

/// A step change in a series, positions counting from 0.
#[derive(Clone, Debug, PartialEq)]
pub struct Onset {
    /// Most likely first affected point.
    pub first_affected: usize,
    /// Mean from there to the end, in sigmas from the centre.
    pub shift: f64,
    /// Points at which the change plausibly began, ascending; may have gaps.
    pub set: Vec<usize>,
    /// Normalised likelihood the set holds, at least the coverage asked for.
    pub coverage: f64,
}

impl Onset {
    /// Earliest point of the set: where a containment should begin.
    pub fn earliest(&self) -> usize {
        self.set.first().copied().unwrap_or(self.first_affected)
    }
}

/// Which precondition failed.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum OnsetError {
    /// No points.
    #[error("an onset needs at least one point")]
    Empty,
    /// A point is not finite.
    #[error("point {0} of the series is not a finite number")]
    NotFinite(usize),
    /// The coverage is not inside 0 to 1.
    #[error("the coverage must lie between 0 and 1, not {0}")]
    Coverage(f64),
}

/// The most likely step change in standardised points that ends at the last one.
///
/// `z` are distances from a known centre in sigmas of the point, from a time known to be in control
/// up to the signal. Each start t is weighed by the likelihood of a mean shift from t on, with the
/// unknown shift integrated out evenly: exp((T - t) zbar^2 / 2) / sqrt(T - t). `first_affected`
/// maximises (T - t) zbar^2; the set takes starts by falling weight until it holds `coverage`
/// (such as 0.9). Cost grows with T log T.
///
/// # Errors
/// [`OnsetError`] for an empty or non-finite series or a coverage not inside 0 to 1. A single point
/// gives that point.
pub fn step(z: &[f64], coverage: f64) -> Result<Onset, OnsetError> {
    if !(coverage > 0.0 && coverage < 1.0) {
        return Err(OnsetError::Coverage(coverage));
    }
    if let Some(index) = z.iter().position(|value| !value.is_finite()) {
        return Err(OnsetError::NotFinite(index));
    }
    let means = tail_means(z);
    let gain = |t: usize| 0.5 * (z.len() - t) as f64 * means[t] * means[t];
    // Of equally likely starts the latest is taken.
    let best = (0..z.len())
        .max_by(|a, b| gain(*a).total_cmp(&gain(*b)))
        .ok_or(OnsetError::Empty)?;
    let log_weight = |t: usize| gain(t) - 0.5 * ((z.len() - t) as f64).ln();
    let (set, held) = likely_set(z.len(), best, coverage, log_weight);
    Ok(Onset {
        first_affected: best,
        shift: means[best],
        set,
        coverage: held,
    })
}

/// Mean of the points from each position to the end.
fn tail_means(z: &[f64]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut means: Vec<f64> = z
        .iter()
        .rev()
        .enumerate()
        .map(|(i, value)| {
            sum += value;
            sum / (i + 1) as f64
        })
        .collect();
    means.reverse();
    means
}

fn likely_set(
    count: usize,
    best: usize,
    coverage: f64,
    log_weight: impl Fn(usize) -> f64,
) -> (Vec<usize>, f64) {
    let highest = (0..count)
        .map(&log_weight)
        .fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = (0..count)
        .map(|t| (log_weight(t) - highest).exp())
        .collect();
    let total: f64 = weights.iter().sum();
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by(|a, b| weights[*b].total_cmp(&weights[*a]));
    let (mut set, mut held) = (vec![best], weights[best] / total);
    for t in order {
        if held >= coverage {
            break;
        }
        if t != best {
            set.push(t);
            held += weights[t] / total;
        }
    }
    set.sort_unstable();
    (set, held.min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::Normals;

    #[test]
    fn unusable_series_are_refused() {
        assert_eq!(step(&[], 0.9), Err(OnsetError::Empty));
        assert_eq!(step(&[1.0, f64::NAN], 0.9), Err(OnsetError::NotFinite(1)));
        assert_eq!(step(&[1.0], 1.0), Err(OnsetError::Coverage(1.0)));
        assert_eq!(step(&[2.0], 0.9).unwrap().set, [0]);
    }

    #[test]
    fn a_clear_step_is_found_exactly() {
        let mut series = [0.1, -0.2, 0.3, -0.1, 0.2, -0.3].repeat(3);
        series.extend([5.0, 5.2, 4.9, 5.1]);
        let found = step(&series, 0.9).unwrap();
        assert_eq!((found.first_affected, found.earliest()), (18, 18));
        assert!((found.shift - 5.05).abs() < 1e-12);
        let mirrored: Vec<f64> = series.iter().map(|z| -z).collect();
        assert_eq!(step(&mirrored, 0.9).unwrap().first_affected, 18);
    }

    #[test]
    fn the_set_covers_the_true_onset_as_often_as_it_says() {
        // 50 points in control, then a shift; looked at 15 points later.
        for shift in [1.0, 1.5, 3.0] {
            let mut normals = Normals::new(0x853c_49e6_748f_ea9b);
            let rounds = 2000;
            let mut covered = 0;
            for _ in 0..rounds {
                let mut series: Vec<f64> = (0..65).map(|_| normals.draw()).collect();
                series[50..].iter_mut().for_each(|z| *z += shift);
                covered += usize::from(step(&series, 0.9).unwrap().set.contains(&50));
            }
            let share = covered as f64 / f64::from(rounds);
            assert!(share > 0.87, "shift {shift}: {share}");
        }
    }
}
