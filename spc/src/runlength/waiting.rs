//! How long it takes when every point signals with a chance of its own, whatever came before.
//!
//! Purpose: run lengths of limits alone, whose points are independent. Must not know what makes the
//! chance. The one invariant: mean and quantiles are exact, to rounding.

use super::RunLengthError;

/// Survivors that no longer matter.
const SURVIVORS_MIN: f64 = 1e-14;

/// Points until the first signal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Waiting {
    /// The mean.
    pub mean: f64,
    /// Points within which half of all runs have signalled.
    pub half: f64,
    /// Points within which nine of ten have.
    pub ninety: f64,
}

impl Waiting {
    /// When the chance is the same at every point: 1/p, and the least n with (1 - p)^n at most a
    /// half or a tenth. Cost: constant.
    ///
    /// # Errors
    /// [`RunLengthError::NoSignal`] for a chance of 0 and for what is no chance.
    ///
    /// ```
    /// use spc::runlength::Waiting;
    /// let found = Waiting::steady(0.0027)?;
    /// assert!((found.mean - 370.4).abs() < 0.1);
    /// assert_eq!((found.half, found.ninety), (257.0, 852.0));
    /// # Ok::<(), spc::runlength::RunLengthError>(())
    /// ```
    pub fn steady(chance: f64) -> Result<Waiting, RunLengthError> {
        if !(chance > 0.0 && chance <= 1.0) {
            return Err(RunLengthError::NoSignal { points: 0 });
        }
        let within = |left: f64| (left.ln() / (-chance).ln_1p()).ceil().max(1.0);
        Ok(Waiting {
            mean: 1.0 / chance,
            half: within(0.5),
            ninety: within(0.1),
        })
    }

    /// When the chance changes: that of the n-th point, counting from 1, is `chance(n)`. The mean
    /// is the sum of the chances that the first n points are quiet, over n from 0 on. Cost: a
    /// chance for each point until hardly any run is left, at most `points_max`.
    ///
    /// # Errors
    /// [`RunLengthError::NoSignal`] where runs are left after `points_max` points.
    ///
    /// ```
    /// use spc::runlength::Waiting;
    /// // 1/2, then surely: 1 x 1/2 + 2 x 1/2.
    /// let found = Waiting::changing(|point| if point == 1 { 0.5 } else { 1.0 }, 10)?;
    /// assert_eq!((found.mean, found.half, found.ninety), (1.5, 1.0, 2.0));
    /// # Ok::<(), spc::runlength::RunLengthError>(())
    /// ```
    pub fn changing(
        chance: impl Fn(u64) -> f64,
        points_max: u64,
    ) -> Result<Waiting, RunLengthError> {
        let (mut left, mut mean) = (1.0, 0.0);
        let (mut half, mut ninety) = (None, None);
        for point in 1..=points_max {
            mean += left;
            left *= 1.0 - chance(point).clamp(0.0, 1.0);
            for (share, within) in [(0.5, &mut half), (0.1, &mut ninety)] {
                if left <= share {
                    within.get_or_insert(point as f64);
                }
            }
            if let (Some(half), Some(ninety), true) = (half, ninety, left < SURVIVORS_MIN) {
                return Ok(Waiting { mean, half, ninety });
            }
        }
        Err(RunLengthError::NoSignal { points: points_max })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chance_that_does_not_change_is_the_same_either_way() {
        for chance in [0.004, 0.3, 1.0] {
            let steady = Waiting::steady(chance).unwrap();
            let changing = Waiting::changing(|_| chance, 100_000).unwrap();
            assert!(
                (steady.mean / changing.mean - 1.0).abs() < 1e-11,
                "{changing:?}"
            );
            assert_eq!(
                (steady.half, steady.ninety),
                (changing.half, changing.ninety)
            );
        }
    }

    #[test]
    fn what_never_signals_is_said() {
        for chance in [0.0, -0.1, 1.1, f64::NAN] {
            assert!(Waiting::steady(chance).is_err(), "{chance}");
        }
        let never = Waiting::changing(|_| f64::NAN, 50);
        assert_eq!(never, Err(RunLengthError::NoSignal { points: 50 }));
    }
}
