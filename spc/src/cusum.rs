//! Tabular two-sided cumulative sums, alone and as a set tuned to small, middle and large shifts.
//!
//! Purpose: notice a lasting small shift that no single point shows. Must not know charts or
//! units; it takes standardised points. The one invariant: both sums are finite and never
//! negative.
//!
//! C+ = max(0, C+ + z - k), C- = max(0, C- - z - k); a sum above h signals. D. C. Montgomery,
//! Introduction to Statistical Quality Control, Wiley, 6th ed. 2009, section 9.1; head start after
//! J. M. Lucas and R. B. Crosier, Technometrics 24(3) 1982.

use crate::rules::Side;
use crate::runlength::{self, RunLengthError};

/// Reference values of the set: half of the shift each is quickest to find, in sigmas.
pub const SET_REFERENCES: [f64; 3] = [0.25, 0.5, 1.0];

/// Mean overshoot of a random walk of normal steps over a far threshold, in sigmas: Siegmund 1985.
const OVERSHOOT: f64 = 0.583;

/// Parameters of one two-sided CUSUM, in sigmas of the point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cusum {
    /// Reference value k: half of the shift to be found quickly.
    pub reference: f64,
    /// Threshold h.
    pub threshold: f64,
    /// Value both sums start from, usually 0 or h/2.
    pub head_start: f64,
}

/// The sums and how long each has been above zero. Plain fields, to be stored.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CusumState {
    /// Upper sum C+, in sigmas.
    pub upper: f64,
    /// Lower sum C-, in sigmas.
    pub lower: f64,
    /// Points in a row with a positive upper sum.
    pub upper_points: u32,
    /// Points in a row with a positive lower sum.
    pub lower_points: u32,
}

impl Cusum {
    /// A CUSUM without head start for a stated in-control average run length.
    ///
    /// Cost: some ten solutions of the integral equation.
    ///
    /// # Errors
    /// As [`runlength::cusum_threshold`].
    ///
    /// ```
    /// // D. C. Montgomery and G. C. Runger, Applied Statistics and Probability for Engineers,
    /// // 3rd ed. 2003, Table 16-9: k 0.5, h 5 has the length 465 (465.44 without rounding).
    /// let sum = spc::cusum::Cusum::for_run_length(0.5, 465.44)?;
    /// assert!((sum.threshold - 5.0).abs() < 1e-4);
    /// # Ok::<(), spc::runlength::RunLengthError>(())
    /// ```
    pub fn for_run_length(reference: f64, arl: f64) -> Result<Self, RunLengthError> {
        let threshold = runlength::cusum_threshold(reference, arl)?;
        Ok(Self {
            reference,
            threshold,
            head_start: 0.0,
        })
    }

    /// The same with a head start of half the threshold, or of less where half would raise the
    /// chance of a false alarm by more than `chance` on either side.
    ///
    /// In control a sum that starts at s passes h before it comes down with a chance of about
    /// exp(-2 k (h - s + 0.583)) (D. Siegmund, Sequential Analysis, Springer, 1985). Half the
    /// threshold, as Lucas and Crosier advise, suits one chart with a run length of some hundred
    /// points; among many charts with long run lengths it would cost more false alarms after a
    /// setup than all that follow in a shift.
    ///
    /// ```
    /// use spc::cusum::Cusum;
    /// let plain = Cusum { reference: 0.5, threshold: 5.0, head_start: 0.0 };
    /// assert_eq!(plain.with_head_start(0.5).head_start, 2.5);
    /// // exp(-(5 - s + 0.583)) = 0.01 at s = 5.583 - ln 100.
    /// assert!((plain.with_head_start(0.01).head_start - (5.583 - 100f64.ln())).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn with_head_start(self, chance: f64) -> Self {
        let reach = (1.0 / chance.clamp(f64::MIN_POSITIVE, 1.0)).ln() / (2.0 * self.reference);
        let most = self.threshold + OVERSHOOT - reach;
        Self {
            head_start: most.clamp(0.0, 0.5 * self.threshold),
            ..self
        }
    }

    /// The state before the first point, or after a reset.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::cusum::Cusum;
    /// let state = Cusum { reference: 0.5, threshold: 5.0, head_start: 2.5 }.start();
    /// assert_eq!((state.upper, state.lower, state.upper_points), (2.5, 2.5, 0));
    /// ```
    pub fn start(&self) -> CusumState {
        let sum = if self.head_start > 0.0 {
            self.head_start
        } else {
            0.0
        };
        CusumState {
            upper: sum,
            lower: sum,
            ..CusumState::default()
        }
    }

    /// Takes the next point, `z` sigmas from the centre, and returns the side that signals.
    ///
    /// A signal repeats at every point until the caller starts anew. If both sums exceed the
    /// threshold the larger one names the side. A point that is not finite is left out.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::{cusum::Cusum, rules::Side};
    /// let sum = Cusum { reference: 0.5, threshold: 5.0, head_start: 0.0 };
    /// let mut state = sum.start();
    /// // Each point adds 2.5 - 0.5.
    /// let signals = [2.5; 3].map(|z| sum.push(&mut state, z));
    /// assert_eq!((signals, state.upper), ([None, None, Some(Side::Upper)], 6.0));
    /// ```
    pub fn push(&self, state: &mut CusumState, z: f64) -> Option<Side> {
        if !z.is_finite() {
            return None;
        }
        state.upper = accumulate(state.upper, z - self.reference);
        state.lower = accumulate(state.lower, -z - self.reference);
        state.upper_points = count(state.upper, state.upper_points);
        state.lower_points = count(state.lower, state.lower_points);
        let (upper, lower) = (state.upper > self.threshold, state.lower > self.threshold);
        match (upper, lower) {
            (true, true) if state.lower > state.upper => Some(Side::Lower),
            (true, _) => Some(Side::Upper),
            (false, true) => Some(Side::Lower),
            (false, false) => None,
        }
    }

    /// Estimate of the mean since the sum left zero, in sigmas from the centre: k + C+/N+ above,
    /// -(k + C-/N-) below. `None` while that sum is zero.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::{cusum::Cusum, rules::Side};
    /// let sum = Cusum { reference: 0.5, threshold: 5.0, head_start: 0.0 };
    /// let mut state = sum.start();
    /// [1.0, 2.0, 1.5].iter().for_each(|z| assert_eq!(sum.push(&mut state, *z), None));
    /// assert_eq!(sum.mean_since(&state, Side::Upper), Some(1.5));
    /// assert_eq!(sum.mean_since(&state, Side::Lower), None);
    /// ```
    pub fn mean_since(&self, state: &CusumState, side: Side) -> Option<f64> {
        let shift =
            |sum: f64, points: u32| (points > 0).then(|| self.reference + sum / f64::from(points));
        match side {
            Side::Upper => shift(state.upper, state.upper_points),
            Side::Lower => shift(state.lower, state.lower_points).map(|m| -m),
            Side::Neither => None,
        }
    }
}

/// Three CUSUMs over [`SET_REFERENCES`] whose joint in-control average run length is `arl`.
///
/// All three get the same in-control length of their own, longer than `arl` by a factor between 1
/// (if they always signalled together) and 3 (if they had nothing in common). The factor is
/// interpolated in [`JOINT_LENGTHS`], which was found by simulation, since no closed form is known
/// to us; beyond the table it follows the nearest slope, within 1 to 3.
///
/// Cost: three times that of [`Cusum::for_run_length`].
///
/// # Errors
/// As [`runlength::cusum_threshold`], for `arl` times the factor.
///
/// ```
/// // Alone, each member signals less often than the set: 2.03 times as rarely at 492 points.
/// let set = spc::cusum::set_for_run_length(492.29)?;
/// let own = spc::runlength::cusum_two_sided(0.5, set[1].threshold, 0.0, 0.0)?;
/// assert!((own / 492.29 - 2.0313).abs() < 1e-3);
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
pub fn set_for_run_length(arl: f64) -> Result<[Cusum; 3], RunLengthError> {
    let [small, middle, large] = SET_REFERENCES;
    let own = arl * joint_factor(arl);
    let each = |reference| Cusum::for_run_length(reference, own);
    Ok([each(small)?, each(middle)?, each(large)?])
}

/// Joint in-control length of the set, and how much longer that of each member alone is.
///
/// Simulated for this project with thresholds from the integral equation; standard errors 0.2 % for
/// the first four rows, at most 0.7 % for the others. The last three are from the slower suite
/// (part `set`).
pub const JOINT_LENGTHS: [(f64, f64); 9] = [
    (111.68, 1.7908),
    (211.07, 1.8951),
    (492.29, 2.0313),
    (937.73, 2.1328),
    (2229.69, 2.2425),
    (8394.44, 2.3825),
    (5.8363e4, 2.5701),
    (3.0665e6, 2.7507),
    (5.2836e7, 2.8390),
];

fn joint_factor(arl: f64) -> f64 {
    let last = JOINT_LENGTHS.len() - 2;
    let row = JOINT_LENGTHS[1..]
        .iter()
        .position(|(joint, _)| arl < *joint)
        .unwrap_or(last);
    let ((from, low), (to, high)) = (JOINT_LENGTHS[row], JOINT_LENGTHS[row + 1]);
    let part = (arl / from).ln() / (to / from).ln();
    (low + part * (high - low)).clamp(1.0, 3.0)
}

fn accumulate(sum: f64, step: f64) -> f64 {
    (sum + step).clamp(0.0, f64::MAX)
}

fn count(sum: f64, points: u32) -> u32 {
    if sum > 0.0 {
        points.saturating_add(1)
    } else {
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::Normals;
    use proptest::prelude::*;

    const PLAIN: Cusum = Cusum {
        reference: 0.5,
        threshold: 5.0,
        head_start: 0.0,
    };

    #[test]
    fn a_head_start_signals_sooner_on_a_shift_present_at_the_start() {
        let points = |cusum: Cusum| {
            let mut state = cusum.start();
            (1..)
                .find(|_| cusum.push(&mut state, 1.5).is_some())
                .unwrap()
        };
        assert_eq!(points(PLAIN), 6);
        assert_eq!(
            points(Cusum {
                head_start: 2.5,
                ..PLAIN
            }),
            3
        );
    }

    #[test]
    fn a_head_start_costs_no_more_false_alarms_than_allowed() {
        let chance = 0.02;
        for (k, h) in [(0.25, 9.0), (0.5, 5.8), (1.0, 3.0)] {
            let plain = Cusum {
                reference: k,
                threshold: h,
                head_start: 0.0,
            };
            let headed = plain.with_head_start(chance);
            assert!(headed.head_start > 0.0 && headed.head_start <= h / 2.0);
            let length = |start| runlength::cusum_one_sided(k, h, 0.0, start).unwrap();
            // What is lost of the run length is the chance of a signal that the start brings.
            let cost = 1.0 - length(headed.head_start) / length(0.0);
            assert!(cost < 1.25 * chance, "{k}: {cost}");
            assert!(
                cost > 0.25 * chance || headed.head_start > 0.499 * h,
                "{k}: {cost}"
            );
            assert!(plain.with_head_start(0.0).head_start.abs() < 1e-12);
            assert!((plain.with_head_start(1.0).head_start - 0.5 * h).abs() < 1e-12);
        }
    }

    #[test]
    fn a_point_that_is_no_number_changes_nothing() {
        let mut state = CusumState {
            upper: 1.0,
            ..PLAIN.start()
        };
        let before = state;
        assert_eq!(PLAIN.push(&mut state, f64::NAN), None);
        assert_eq!(state, before);
    }

    #[test]
    fn the_mean_since_the_sum_left_zero_is_that_of_a_steady_shift() {
        let mut state = PLAIN.start();
        for _ in 0..6 {
            PLAIN.push(&mut state, -2.0);
        }
        let found = PLAIN.mean_since(&state, Side::Lower).unwrap();
        assert!((found + 2.0).abs() < 1e-12);
        assert_eq!(PLAIN.mean_since(&state, Side::Upper), None);
    }

    /// Mean of simulated run lengths until any member signals.
    fn joint_length(set: &[Cusum; 3], rounds: u32) -> f64 {
        let mut normals = Normals::new(0x2545_f491_4f6c_dd1d);
        let mut total = 0u64;
        for _ in 0..rounds {
            let mut states = set.map(|cusum| cusum.start());
            loop {
                total += 1;
                let z = normals.draw();
                let pairs = set.iter().zip(&mut states);
                if pairs.filter_map(|(c, s)| c.push(s, z)).count() > 0 {
                    break;
                }
            }
        }
        total as f64 / f64::from(rounds)
    }

    #[test]
    fn the_set_has_the_joint_run_length_asked_for() {
        for arl in [150.0, 370.0, 1500.0] {
            // 4000 rounds: standard error of 1.6 %.
            let found = joint_length(&set_for_run_length(arl).unwrap(), 4000);
            assert!((found / arl - 1.0).abs() < 0.05, "{arl}: {found}");
        }
    }

    #[test]
    fn the_set_has_the_joint_run_length_asked_for_when_it_is_long() {
        use crate::runlength::{Change, Effort, Scheme};
        for arl in [3e4, 1e6, 2e7] {
            let cusums = set_for_run_length(arl).unwrap().to_vec();
            let scheme = Scheme {
                cusums,
                ..Scheme::default()
            };
            let effort = Effort {
                runs: 6_000,
                ..Effort::default()
            };
            let found = scheme.average(Change::None, effort).unwrap();
            let allowed = 0.03 * arl + 2.5 * found.standard_error;
            assert!((found.mean - arl).abs() < allowed, "{arl}: {found:?}");
        }
    }

    #[test]
    fn the_joint_factor_stays_between_its_bounds() {
        for (joint, factor) in JOINT_LENGTHS {
            assert!((joint_factor(joint) - factor).abs() < 1e-12, "{joint}");
        }
        assert!(joint_factor(1.5) >= 1.0 && joint_factor(1e7) <= 3.0);
        assert!(set_for_run_length(f64::NAN).is_err() && set_for_run_length(0.0).is_err());
    }

    proptest! {
        #[test]
        fn the_sums_mirror_each_other(series in prop::collection::vec(-5.0..5.0f64, 1..60)) {
            let (mut state, mut mirror) = (PLAIN.start(), PLAIN.start());
            for z in series {
                PLAIN.push(&mut state, z);
                PLAIN.push(&mut mirror, -z);
                prop_assert_eq!(state.upper.to_bits(), mirror.lower.to_bits());
                prop_assert_eq!(state.lower_points, mirror.upper_points);
            }
        }
    }
}
