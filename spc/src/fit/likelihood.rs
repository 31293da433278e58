//! Parameters of greatest likelihood.
//!
//! Purpose: one function a family. Must not know tests of fit. The one invariant: parameters found
//! are those of a valid distribution; otherwise there is a reason.

use super::Unfit;
use crate::distribution::{Distribution, Family};
use statrs::function::gamma::digamma;

/// Sigmas between the fold and the mean from which a folded normal is a normal.
const FOLD_REACH: f64 = 4.0;

/// The fit of a family to an ascending sample with a checked spread.
pub(super) fn maximum(family: Family, sorted: &[f64], bound: f64) -> Result<Distribution, Unfit> {
    let above: Vec<f64> = sorted.iter().map(|x| x - bound).collect();
    let least = above.first().copied().unwrap_or_default();
    let parameters = match family {
        Family::Normal => Some(moments(sorted)),
        // A folded value may lie on its bound, a logarithm may not.
        Family::FoldedNormal if least < 0.0 => return Err(Unfit::AtOrBelowBound(bound)),
        Family::LogNormal | Family::Weibull | Family::Gamma if least <= 0.0 => {
            return Err(Unfit::AtOrBelowBound(bound));
        }
        Family::LogNormal => Some(log_normal(&above)),
        Family::Weibull => weibull(&above),
        Family::Gamma => gamma(&above),
        Family::FoldedNormal => {
            let (location, sigma) = folded(&above);
            if location > FOLD_REACH * sigma {
                return Err(Unfit::SameAsNormal);
            }
            Some((location, sigma))
        }
    };
    parameters
        .and_then(|(first, second)| Distribution::new(family, bound, first, second))
        .ok_or(Unfit::NoMaximum)
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = values.len() as f64;
    values.sum::<f64>() / n
}

/// Mean and deviation with divisor n - 1.
fn moments(sorted: &[f64]) -> (f64, f64) {
    let centre = mean(sorted.iter().copied());
    let squares: f64 = sorted.iter().map(|x| (x - centre) * (x - centre)).sum();
    (centre, (squares / (sorted.len() as f64 - 1.0)).sqrt())
}

/// Mean and deviation of the logarithms, divisor n - 1 as for the normal, so that the published
/// tests of normality apply to the logarithms as they stand.
fn log_normal(above: &[f64]) -> (f64, f64) {
    let logs: Vec<f64> = above.iter().map(|y| y.ln()).collect();
    moments(&logs)
}

/// Shape k solves sum(y^k ln y)/sum(y^k) - 1/k = mean(ln y); the left side rises with k.
fn weibull(above: &[f64]) -> Option<(f64, f64)> {
    // Scaled by the largest, powers lie in 0 to 1 for any shape.
    let largest = above.last().copied()?;
    let logs: Vec<f64> = above.iter().map(|y| (y / largest).ln()).collect();
    let centre = mean(logs.iter().copied());
    let excess = |k: f64| {
        let (mut weighted, mut total) = (0.0, 0.0);
        for log in &logs {
            let power = (k * log).exp();
            weighted += power * log;
            total += power;
        }
        weighted / total - 1.0 / k - centre
    };
    let shape = rising_root(excess)?;
    let power = mean(logs.iter().map(|log| (shape * log).exp()));
    Some((shape, largest * power.powf(1.0 / shape)))
}

/// Shape k solves ln k - digamma(k) = ln(mean) - mean(ln); the left side falls with k.
fn gamma(above: &[f64]) -> Option<(f64, f64)> {
    let centre = mean(above.iter().copied());
    let gap = centre.ln() - mean(above.iter().map(|y| y.ln()));
    let shape = rising_root(|k| gap - (k.ln() - digamma(k)))?;
    Some((shape, centre / shape))
}

/// The root of a function that rises through zero on the positive numbers.
fn rising_root(function: impl Fn(f64) -> f64) -> Option<f64> {
    let (mut low, mut high) = (1.0, 1.0);
    while function(low) > 0.0 {
        low *= 0.5;
        if low < 1e-6 {
            return None;
        }
    }
    while function(high) < 0.0 {
        high *= 2.0;
        if high > 2e6 {
            return None;
        }
    }
    // Also leaves when a NaN keeps both loops from moving.
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if function(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    let root = 0.5 * (low + high);
    function(root).is_finite().then_some(root)
}

/// Mean and sigma before folding.
///
/// At the maximum sigma^2 + mean^2 is the mean square m2, which leaves one unknown: the mean
/// solves mean(y tanh(mean y/sigma^2)) = mean. Near zero the excess is mean^3/m2 times
/// (1 - m4/(3 m2^2)), so from a kurtosis about zero of 3 on the maximum is the half-normal.
pub(super) fn folded(above: &[f64]) -> (f64, f64) {
    let second = mean(above.iter().map(|y| y * y));
    let fourth = mean(above.iter().map(|y| (y * y / second).powi(2)));
    let root = second.sqrt();
    if fourth >= 3.0 {
        return (0.0, root);
    }
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..45 {
        let middle: f64 = 0.5 * (low + high);
        let slope = middle / ((1.0 - middle * middle) * root);
        let folded = mean(above.iter().map(|y| y / root * (slope * y).tanh()));
        if folded > middle {
            low = middle;
        } else {
            high = middle;
        }
    }
    let location = 0.5 * (low + high);
    (root * location, root * (1.0 - location * location).sqrt())
}
