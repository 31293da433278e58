//! Exponentially weighted moving average with time-varying limits.
//!
//! Purpose: smooth standardised points and say when the average is too far out. Must not know
//! units. The one invariant: the limits widen with time towards their constant value.
//!
//! D. C. Montgomery, Introduction to Statistical Quality Control, Wiley, 6th ed. 2009, section
//! 9.2; thresholds from [`crate::runlength::ewma_width`].

use crate::rules::Side;

/// Whether an average of this weight is slow at this in-control run length: less than a tenth on
/// the newest point, and 100,000 points or more.
///
/// Such an average can lie far on one side when a shift to the other begins, and then takes long
/// to cross (the inertia of E. Yashchin, IBM Journal of Research and Development 31(2) 1987; from
/// memory). With weight 0.1 and a run length of 1e6 a shift of half a sigma takes 670 points, with
/// a CUSUM of k = 0.25 it takes 91 (computed with [`crate::runlength`]).
///
/// Cost: constant.
///
/// ```
/// use spc::ewma::is_slow;
/// assert!(is_slow(0.05, 200_000.0));
/// assert!(!is_slow(0.05, 1_000.0) && !is_slow(0.2, 200_000.0));
/// ```
pub fn is_slow(weight: f64, run_length: f64) -> bool {
    weight < 0.1 && run_length >= 100_000.0
}

/// Parameters of an EWMA chart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ewma {
    /// Weight lambda of the newest point, in (0, 1].
    pub weight: f64,
    /// Half width L of the limits in sigmas of the average.
    pub width: f64,
}

/// The average and the number of points in it. Plain fields, to be stored.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct EwmaState {
    /// Average, in sigmas of a point from the centre.
    pub average: f64,
    /// Points so far.
    pub points: u32,
}

impl Ewma {
    /// Takes the next point, `z` sigmas from the centre, and returns the side that signals.
    ///
    /// average = lambda z + (1 - lambda) average, from 0. A point that is not finite is left out.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::{ewma::{Ewma, EwmaState}, rules::Side};
    /// let chart = Ewma { weight: 0.1, width: 2.7 };
    /// let mut state = EwmaState::default();
    /// // D. C. Montgomery, Introduction to Statistical Quality Control, Example 9.2: 9.45 and 7.99
    /// // of mean 10 and sigma 1 average 9.945 and 9.7495.
    /// assert_eq!(chart.push(&mut state, -0.55), None);
    /// assert_eq!(chart.push(&mut state, -2.01), None);
    /// assert!((10.0 + state.average - 9.7495).abs() < 1e-12);
    /// assert_eq!(chart.push(&mut state, 10.0), Some(Side::Upper));
    /// ```
    pub fn push(&self, state: &mut EwmaState, z: f64) -> Option<Side> {
        if !z.is_finite() {
            return None;
        }
        state.average += self.weight * (z - state.average);
        state.points = state.points.saturating_add(1);
        let limit = self.limit(state.points);
        if state.average > limit {
            Some(Side::Upper)
        } else if state.average < -limit {
            Some(Side::Lower)
        } else {
            None
        }
    }

    /// Half width of the limits after `points` points, in sigmas of a point:
    /// L sqrt(lambda/(2 - lambda) (1 - (1 - lambda)^(2 points))).
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::ewma::Ewma;
    /// // D. C. Montgomery, Introduction to Statistical Quality Control, Example 9.2: 10.27 and
    /// // 10.36 at the first two points, of mean 10 and sigma 1.
    /// let chart = Ewma { weight: 0.1, width: 2.7 };
    /// assert!((chart.limit(1) - 0.27).abs() < 0.005 && (chart.limit(2) - 0.36).abs() < 0.005);
    /// ```
    pub fn limit(&self, points: u32) -> f64 {
        let decay = (1.0 - self.weight).powf(2.0 * f64::from(points));
        self.steady_limit() * (1.0 - decay).max(0.0).sqrt()
    }

    /// The half width after many points, L sqrt(lambda/(2 - lambda)); 0 for a weight outside its
    /// range.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::ewma::Ewma;
    /// // The same example of Montgomery: 10.62 from then on.
    /// let chart = Ewma { weight: 0.1, width: 2.7 };
    /// assert!((chart.steady_limit() - 0.62).abs() < 0.005);
    /// ```
    pub fn steady_limit(&self) -> f64 {
        if !(self.weight > 0.0 && self.weight <= 1.0) {
            return 0.0;
        }
        self.width * (self.weight / (2.0 - self.weight)).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_memory_is_slow_at_long_run_lengths_only() {
        assert!(is_slow(0.05, 2e5) && !is_slow(0.05, 5e4) && !is_slow(0.2, 2e5));
    }

    #[test]
    fn a_weight_of_one_is_the_point_itself() {
        let chart = Ewma {
            weight: 1.0,
            width: 3.0,
        };
        let mut state = EwmaState::default();
        assert_eq!(chart.push(&mut state, 3.0), None);
        assert_eq!(chart.push(&mut state, -3.1), Some(Side::Lower));
        assert_eq!(chart.push(&mut state, f64::NAN), None);
        assert_eq!(state.points, 2);
    }

    #[test]
    fn limits_widen_towards_their_constant_value() {
        let chart = Ewma {
            weight: 0.1,
            width: 2.7,
        };
        assert!((chart.limit(1) - 0.27).abs() < 1e-12);
        assert!((1..50).all(|i| chart.limit(i) < chart.limit(i + 1)));
        assert!((chart.limit(500) - chart.steady_limit()).abs() < 1e-12);
    }
}
