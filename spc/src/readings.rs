//! What a sample of readings must be before statistics are taken from it.
//!
//! Purpose: one set of preconditions for tests and fits. Must not know which statistic follows.
//! The one invariant: an accepted sample is finite, large enough and has a finite positive
//! standard deviation.

use thiserror::Error;

/// Which precondition of a sample failed. Positions count from 0.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum ReadingsError {
    /// Too few readings.
    #[error("{needed} readings are needed, {found} given; collect more")]
    TooFew {
        /// Readings needed.
        needed: usize,
        /// Readings given.
        found: usize,
    },
    /// A reading is not finite.
    #[error("reading {0} is not a finite number")]
    NotFinite(usize),
    /// All readings are equal.
    #[error("all readings equal {0}; check the resolution of the measurement")]
    NoSpread(f64),
    /// Sums of the readings overflow or vanish.
    #[error("the readings are too large or too alike for their deviation to be computed")]
    OutOfRange,
    /// A bound, limit or other parameter is not finite or not in its range.
    #[error("the {0} must be a finite number in its range")]
    Parameter(&'static str),
}

/// Mean and standard deviation of a checked sample.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Summary {
    pub mean: f64,
    /// Divisor n - 1.
    pub deviation: f64,
}

/// Checks a sample and gives its mean and deviation, by two passes.
pub(crate) fn check(readings: &[f64], needed: usize) -> Result<Summary, ReadingsError> {
    if readings.len() < needed {
        return Err(ReadingsError::TooFew {
            needed,
            found: readings.len(),
        });
    }
    if let Some(index) = readings.iter().position(|x| !x.is_finite()) {
        return Err(ReadingsError::NotFinite(index));
    }
    let first = readings.first().copied().unwrap_or_default();
    // Equality of bits is meant: the two passes would find a rounding error's deviation.
    if readings.iter().all(|x| x.total_cmp(&first).is_eq()) {
        return Err(ReadingsError::NoSpread(first));
    }
    let n = readings.len() as f64;
    let mean = readings.iter().sum::<f64>() / n;
    let squares: f64 = readings.iter().map(|x| (x - mean) * (x - mean)).sum();
    let deviation = (squares / (n - 1.0)).sqrt();
    if mean.is_finite() && deviation.is_finite() && deviation > 0.0 {
        Ok(Summary { mean, deviation })
    } else {
        Err(ReadingsError::OutOfRange)
    }
}

/// The readings in ascending order.
pub(crate) fn ascending(readings: &[f64]) -> Vec<f64> {
    let mut sorted = readings.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted
}

/// How many different values an ascending sample holds.
pub(crate) fn distinct(sorted: &[f64]) -> usize {
    let steps = sorted.windows(2).filter(|pair| pair[1] > pair[0]).count();
    steps + usize::from(!sorted.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn failed_preconditions_are_named() {
        let refused = |readings: &[f64]| check(readings, 2).unwrap_err();
        let few = ReadingsError::TooFew {
            needed: 2,
            found: 1,
        };
        assert_eq!(refused(&[1.0]), few);
        assert_eq!(refused(&[1.0, f64::NAN]), ReadingsError::NotFinite(1));
        assert_eq!(refused(&[0.1; 10]), ReadingsError::NoSpread(0.1));
        assert_eq!(refused(&[1e308, -1e308]), ReadingsError::OutOfRange);
        assert_eq!(refused(&[1e-300, 2e-300]), ReadingsError::OutOfRange);
    }

    #[test]
    fn equal_readings_count_once() {
        assert_eq!(distinct(&[]), 0);
        assert_eq!(distinct(&ascending(&[2.0, 1.0, 2.0, 3.0])), 3);
    }
}
