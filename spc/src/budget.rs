//! The false-alert budget: from alerts allowed in a shift to the in-control run length of a stream.
//!
//! Purpose: let a plant state what it can bear, and derive thresholds from it. Must not know
//! streams by name or any clock. The one invariant: without the floor or ceiling, the expected
//! false alerts of all streams add up to the budget.
//!
//! A stream with in-control run length L whose detectors are as new after each alert gives 1/L
//! false alerts a point on average, however its points depend on those of other streams:
//! expectations add. Equal allocation gives every point the same chance, so every stream that
//! shares a budget the same L: the points of all of them in a shift over the alerts allowed.
//! Signals of several streams that are taken for one cause make fewer alerts than that, never more.

use crate::detection::LENGTH_MAX;
use thiserror::Error;

/// Shortest in-control run length a stream is given: that of limits at three sigma, to which the
/// trade is used (common practice).
pub const LENGTH_FLOOR: f64 = 370.0;

/// What decided the run length of a budget.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decided {
    /// The budget itself.
    ByBudget,
    /// [`LENGTH_FLOOR`]: the budget would allow more false alerts than there will be.
    ByFloor,
    /// [`LENGTH_MAX`]: the budget cannot be kept; there will be more false alerts.
    ByCeiling,
}

/// In-control run length for each stream, and what is to be expected with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Allocation {
    /// In-control average run length of every stream, in points.
    pub run_length: f64,
    /// Expected false alerts of all streams in a shift.
    pub expected: f64,
    /// What decided the length.
    pub decided: Decided,
}

/// Which precondition failed.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum BudgetError {
    /// The alerts allowed are not a positive number.
    #[error("{0} false alerts a shift; it must be above 0")]
    Allowed(f64),
    /// The points are not a number from 0.
    #[error("{0} points a shift; it must be 0 or more")]
    Points(f64),
    /// A run length is below 1 or not finite.
    #[error("an in-control run length of {0}; it must be at least 1")]
    RunLength(f64),
}

/// In-control run length of every stream that shares a budget, such as those of a line.
///
/// `allowed` are the false alerts that they may have in a shift, `points` the points that all of
/// them together get in it. The length is `points / allowed`, from [`LENGTH_FLOOR`] to
/// [`LENGTH_MAX`]; no points give the floor. Cost: constant.
///
/// ```
/// // 200 streams and 350 panels a shift, one false alert allowed.
/// let found = spc::budget::allocate(1.0, 200.0 * 350.0)?;
/// assert!((found.run_length - 70_000.0).abs() < 1e-6);
/// let thresholds = spc::detection::thresholds(found.run_length);
/// assert!(thresholds.is_ok_and(|found| found.width > 4.4));
/// # Ok::<(), spc::budget::BudgetError>(())
/// ```
///
/// # Errors
/// [`BudgetError`] for alerts not above 0, or points below 0, infinite or not a number.
pub fn allocate(allowed: f64, points: f64) -> Result<Allocation, BudgetError> {
    if !(allowed > 0.0 && allowed.is_finite()) {
        return Err(BudgetError::Allowed(allowed));
    }
    if !(points >= 0.0 && points.is_finite()) {
        return Err(BudgetError::Points(points));
    }
    let wanted = points / allowed;
    let (run_length, decided) = if wanted < LENGTH_FLOOR {
        (LENGTH_FLOOR, Decided::ByFloor)
    } else if wanted > LENGTH_MAX {
        (LENGTH_MAX, Decided::ByCeiling)
    } else {
        (wanted, Decided::ByBudget)
    };
    Ok(Allocation {
        run_length,
        expected: points / run_length,
        decided,
    })
}

/// False alerts to expect in a shift from streams with `(points a shift, in-control run length)`.
///
/// The sum of points over length; no streams give 0. Cost: one addition a stream.
///
/// ```
/// let expected = spc::budget::expected_false_alerts(&[(350.0, 370.0), (350.0, 10_000.0)])?;
/// assert!((expected - 0.981).abs() < 0.001);
/// # Ok::<(), spc::budget::BudgetError>(())
/// ```
///
/// # Errors
/// [`BudgetError`] for points below 0, a length below 1, or a number that is not finite.
pub fn expected_false_alerts(streams: &[(f64, f64)]) -> Result<f64, BudgetError> {
    let mut expected = 0.0;
    for (points, length) in streams {
        if !(*points >= 0.0 && points.is_finite()) {
            return Err(BudgetError::Points(*points));
        }
        if !(*length >= 1.0 && length.is_finite()) {
            return Err(BudgetError::RunLength(*length));
        }
        expected += points / length;
    }
    Ok(expected)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detection;
    use crate::simulation::Normals;

    #[test]
    fn the_budget_is_used_up_between_floor_and_ceiling() {
        let found = allocate(2.0, 40_000.0).unwrap();
        assert_eq!(found.decided, Decided::ByBudget);
        assert!((found.run_length - 20_000.0).abs() < 1e-9 && (found.expected - 2.0).abs() < 1e-12);
        let few = allocate(1.0, 37.0).unwrap();
        assert_eq!(few.decided, Decided::ByFloor);
        assert!((few.run_length - 370.0).abs() < 1e-12 && (few.expected - 0.1).abs() < 1e-12);
        let many = allocate(1.0, 2e8).unwrap();
        assert_eq!(many.decided, Decided::ByCeiling);
        assert!((many.expected - 2.0).abs() < 1e-12);
        assert!(allocate(1.0, 0.0).unwrap().expected.abs() < 1e-12);
    }

    #[test]
    fn numbers_without_a_meaning_are_refused() {
        for allowed in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(allocate(allowed, 1e4).is_err(), "{allowed}");
        }
        assert!(allocate(1.0, -1.0).is_err() && allocate(1.0, f64::NAN).is_err());
        assert!(expected_false_alerts(&[(1.0, 0.5)]).is_err());
        assert!(expected_false_alerts(&[(f64::NAN, 370.0)]).is_err());
        assert!(expected_false_alerts(&[]).unwrap().abs() < 1e-12);
    }

    #[test]
    fn two_hundred_streams_keep_the_budget() {
        // Streams of one line share what happens to a panel: correlation 0.3 between any two.
        let (streams, panels, shifts, allowed) = (200, 40, 300, 2.0);
        let budget = allocate(allowed, f64::from(streams * panels)).unwrap();
        let scheme = detection::thresholds(budget.run_length).unwrap().scheme();
        let mut normals = Normals::new(20_261_125);
        let mut states = vec![scheme.start(); streams as usize];
        let mut alerts = 0;
        for _ in 0..panels * shifts {
            let shared = 0.3f64.sqrt() * normals.draw();
            for state in &mut states {
                let z = shared + 0.7f64.sqrt() * normals.draw();
                if scheme.push(state, z) {
                    alerts += 1;
                    *state = scheme.start();
                }
            }
        }
        let rate = f64::from(alerts) / f64::from(shifts);
        assert!((rate / allowed - 1.0).abs() < 0.2, "{rate} alerts a shift");
    }
}
