//! Defects per unit and per million opportunities, first-pass and rolled yield.
//!
//! Purpose: the counts of a shift as comparable figures. Must not know products or shifts. The one
//! invariant: a figure whose denominator is zero does not exist.
//!
//! DPMO and the index over components, placements and terminations follow IPC-7912A (end items)
//! and IPC-9261 (in process); rolled yield as in T. Pyzdek, The Six Sigma Project Planner,
//! McGraw-Hill, p. 241; the interval is that of E. B. Wilson, Journal of the American Statistical
//! Association 22 (1927), 209-212.

use crate::normal;

/// A proportion with its two-sided confidence bounds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Proportion {
    /// Share, 0 to 1.
    pub value: f64,
    /// Lower confidence bound.
    pub lower: f64,
    /// Upper confidence bound.
    pub upper: f64,
}

/// Defects per million opportunities, 1e6 defects / opportunities; `None` without opportunities.
///
/// Cost: constant.
///
/// ```
/// use spc::quality::dpmo;
/// assert_eq!((dpmo(12, 480_000), dpmo(1, 0)), (Some(25.0), None));
/// ```
pub fn dpmo(defects: u64, opportunities: u64) -> Option<f64> {
    (opportunities > 0).then(|| 1e6 * defects as f64 / opportunities as f64)
}

/// DPMO over several kinds of opportunity, each given as (defects, opportunities): the totals'
/// quotient, not the mean of quotients. `None` without opportunities.
///
/// Cost: linear.
///
/// ```
/// use spc::quality::dpmo_index;
/// // 3 defects on 1,000 components, 1 on 9,000 terminations: 4 on 10,000.
/// assert_eq!(dpmo_index(&[(3, 1_000), (1, 9_000)]), Some(400.0));
/// ```
pub fn dpmo_index(kinds: &[(u64, u64)]) -> Option<f64> {
    let total = |part: fn(&(u64, u64)) -> u64| kinds.iter().map(|k| part(k) as f64).sum::<f64>();
    let opportunities = total(|kind| kind.1);
    (opportunities > 0.0).then(|| 1e6 * total(|kind| kind.0) / opportunities)
}

/// Defects per unit; `None` without units.
///
/// Cost: constant.
///
/// ```
/// use spc::quality::dpu;
/// assert_eq!((dpu(3, 12), dpu(3, 0)), (Some(0.25), None));
/// ```
pub fn dpu(defects: u64, units: u64) -> Option<f64> {
    (units > 0).then(|| defects as f64 / units as f64)
}

/// Share of units that passed at the first attempt, with Wilson's interval.
///
/// With p = passed/entered, z the normal quantile of the two-sided confidence:
/// (p + z^2/2n -/+ z sqrt(p(1-p)/n + z^2/4n^2)) / (1 + z^2/n). `None` when nothing entered, more
/// passed than entered, or the confidence is not inside 0 to 1.
///
/// Cost: constant.
///
/// ```
/// use spc::quality::first_pass_yield;
/// // R. G. Newcombe, Statistics in Medicine 17, 1998 (from memory): 81 of 263, 0.2553 to 0.3662.
/// let found = first_pass_yield(81, 263, 0.95).expect("no more passed than entered");
/// assert!((found.lower - 0.2553).abs() < 1e-4 && (found.upper - 0.3662).abs() < 1e-4);
/// ```
pub fn first_pass_yield(passed: u64, entered: u64, confidence: f64) -> Option<Proportion> {
    if entered == 0 || passed > entered || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let (n, p) = (entered as f64, passed as f64 / entered as f64);
    let z = normal::quantile(0.5 * (1.0 + confidence));
    let shrink = 1.0 + z * z / n;
    let middle = (p + z * z / (2.0 * n)) / shrink;
    let half = z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt() / shrink;
    // With none or all passed one bound is 0 or 1 exactly; rounding must not move it inside.
    let lower = if passed == 0 {
        0.0
    } else {
        (middle - half).max(0.0)
    };
    let upper = if passed == entered {
        1.0
    } else {
        (middle + half).min(1.0)
    };
    Some(Proportion {
        value: p,
        lower,
        upper,
    })
}

/// Product of the yields of successive steps; `None` for no steps or a yield outside 0 to 1.
///
/// Cost: linear.
///
/// ```
/// use spc::quality::rolled_yield;
/// assert!(rolled_yield(&[0.9, 0.5]).is_some_and(|found| (found - 0.45).abs() < 1e-12));
/// assert_eq!(rolled_yield(&[]), None);
/// ```
pub fn rolled_yield(steps: &[f64]) -> Option<f64> {
    let valid = steps.iter().all(|y| (0.0..=1.0).contains(y));
    (valid && !steps.is_empty()).then(|| steps.iter().product())
}

/// Share of units expected free of defects, exp(-dpu), when defects fall independently (Poisson).
///
/// `None` for a negative or non-finite dpu.
///
/// Cost: constant.
///
/// ```
/// use spc::quality::poisson_yield;
/// assert!(poisson_yield(1.0).is_some_and(|found| (found - 0.367_879).abs() < 1e-6));
/// assert_eq!(poisson_yield(-0.1), None);
/// ```
pub fn poisson_yield(dpu: f64) -> Option<f64> {
    (dpu.is_finite() && dpu >= 0.0).then(|| (-dpu).exp())
}

/// Geometric mean yield of a step: rolled^(1/steps); `None` for no steps or a yield outside 0..1.
///
/// Cost: constant.
///
/// ```
/// use spc::quality::normalised_yield;
/// // Four steps of 0.9 each: 0.6561.
/// assert!(normalised_yield(0.6561, 4).is_some_and(|found| (found - 0.9).abs() < 1e-12));
/// ```
pub fn normalised_yield(rolled: f64, steps: u32) -> Option<f64> {
    let valid = steps > 0 && (0.0..=1.0).contains(&rolled);
    valid.then(|| rolled.powf(1.0 / f64::from(steps)))
}

/// Units to start for the wanted number of good ones, rounded up; `None` for a yield not in (0, 1].
///
/// Cost: constant.
///
/// ```
/// use spc::quality::units_to_start;
/// assert_eq!(units_to_start(1_000, 0.96), Some(1_042.0));
/// ```
pub fn units_to_start(wanted: u64, rolled: f64) -> Option<f64> {
    (rolled > 0.0 && rolled <= 1.0).then(|| (wanted as f64 / rolled).ceil())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn figures_without_a_denominator_do_not_exist() {
        assert_eq!((dpmo(1, 0), dpu(1, 0), dpmo_index(&[])), (None, None, None));
        assert_eq!(dpmo_index(&[(3, 0)]), None);
        assert_eq!(first_pass_yield(0, 0, 0.95), None);
        assert_eq!(rolled_yield(&[]), None);
        assert_eq!(normalised_yield(0.9, 0), None);
        assert_eq!(units_to_start(10, 0.0), None);
    }

    #[test]
    fn contradicting_input_is_refused() {
        assert_eq!(first_pass_yield(11, 10, 0.95), None);
        assert_eq!(first_pass_yield(1, 10, 1.0), None);
        assert_eq!(rolled_yield(&[0.9, 1.1]), None);
        assert_eq!(rolled_yield(&[0.9, f64::NAN]), None);
        assert_eq!(poisson_yield(-0.1), None);
        assert_eq!(poisson_yield(f64::NAN), None);
    }

    #[test]
    fn wilson_interval_of_81_in_263_is_the_published_one() {
        // R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, Table I (from memory):
        // score method without continuity correction, 81/263: 0.2553 to 0.3662.
        let found = first_pass_yield(81, 263, 0.95).unwrap();
        assert!((found.lower - 0.2553).abs() <= 5.1e-5, "{found:?}");
        assert!((found.upper - 0.3662).abs() <= 5.1e-5, "{found:?}");
    }

    #[test]
    fn normalised_yield_multiplies_back() {
        let step = normalised_yield(0.8, 5).unwrap();
        assert!((rolled_yield(&[step; 5]).unwrap() - 0.8).abs() < 1e-14);
    }

    proptest! {
        #[test]
        fn interval_encloses_the_share(entered in 1u64..5000, share in 0.0..=1.0f64) {
            let passed = (entered as f64 * share) as u64;
            let found = first_pass_yield(passed, entered, 0.95).unwrap();
            prop_assert!(0.0 <= found.lower && found.lower <= found.value + 1e-15);
            prop_assert!(found.value <= found.upper + 1e-15 && found.upper <= 1.0);
            prop_assert!(found.lower < found.upper);
        }
    }
}
