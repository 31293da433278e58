//! Average run lengths: how long until a chart signals, with and without a shift.
//!
//! Purpose: choose thresholds for a stated rate of false alarms. Must not know data. The one
//! invariant: lengths are for independent normal points with known centre and sigma, starting
//! from the stated state (zero state), and are at least 1.
//!
//! Integral equations solved at Gauss-Legendre nodes: the CUSUM after E. S. Page, Biometrika 41
//! (1954); the EWMA after S. V. Crowder, Technometrics 29(4) 1987. Two-sided CUSUM with head
//! start after J. M. Lucas and R. B. Crosier, Technometrics 24(3) 1982.

use crate::chart::ChartKind;
use crate::quadrature::gauss_legendre;
use crate::{constants, normal};
use statrs::distribution::{Continuous, ContinuousCDF, StudentsT};
use std::f64::consts::PI;
use thiserror::Error;

/// Largest in-control length thresholds are solved for.
pub const ARL_MAX: f64 = 1e7;
const BISECTIONS: u32 = 60;
/// Widest threshold or limit considered, in sigmas.
const REACH_MAX: f64 = 60.0;

/// Which precondition failed.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum RunLengthError {
    /// A parameter is outside its range.
    #[error("{name} is {value}; it must be {needed}")]
    Parameter {
        /// Which parameter.
        name: &'static str,
        /// The value given.
        value: f64,
        /// What is allowed.
        needed: &'static str,
    },
    /// The equations have no usable solution: the length is beyond what doubles resolve.
    #[error("the run length is too long to be computed; choose a lower threshold")]
    TooLong,
}

/// Average run length of a one-sided CUSUM.
///
/// `k` is the reference value and `h` the threshold in sigmas, `shift` the mean of the
/// standardised points towards the watched side, `start` the head start (0 for none). Solves
/// L(s) = 1 + L(0) Phi(k - s - shift) + integral over 0..h of L(y) phi(y + k - s - shift).
///
/// # Errors
/// [`RunLengthError`] unless 0 <= k <= 60, 0 < h <= 60, 0 <= start < h, |shift| <= 60, or when the
/// length is not finite in doubles.
pub fn cusum_one_sided(k: f64, h: f64, shift: f64, start: f64) -> Result<f64, RunLengthError> {
    check(
        "the reference value k",
        k,
        (0.0..=REACH_MAX).contains(&k),
        "from 0 to 60",
    )?;
    check(
        "the threshold h",
        h,
        h > 0.0 && h <= REACH_MAX,
        "above 0 and at most 60",
    )?;
    check(
        "the shift",
        shift,
        shift.abs() <= REACH_MAX,
        "from -60 to 60",
    )?;
    check(
        "the head start",
        start,
        (0.0..h).contains(&start),
        "from 0 to below h",
    )?;
    let nodes = scaled_nodes(0.0, h, 40 + (6.0 * h) as usize);
    let states: Vec<f64> = std::iter::once(0.0)
        .chain(nodes.iter().map(|n| n.0))
        .collect();
    let kernel = |from: f64, column: usize| match column {
        0 => normal::below(k - from - shift),
        _ => nodes[column - 1].1 * normal::density(states[column] + k - from - shift),
    };
    let lengths = solve_lengths(&states, kernel)?;
    let rest: f64 = lengths
        .iter()
        .enumerate()
        .map(|(j, l)| l * kernel(start, j))
        .sum();
    plausible(1.0 + rest)
}

/// Average run length of a two-sided CUSUM, both sides with the same `k`, `h` and `start`.
///
/// L = (A(s) B(0) + B(s) A(0) - A(0) B(0)) / (A(0) + B(0)) with A, B the one-sided lengths towards
/// and against the shift; without head start this is 1/L = 1/A + 1/B.
///
/// # Errors
/// As [`cusum_one_sided`].
pub fn cusum_two_sided(k: f64, h: f64, shift: f64, start: f64) -> Result<f64, RunLengthError> {
    let toward = cusum_one_sided(k, h, shift, 0.0)?;
    let against = cusum_one_sided(k, h, -shift, 0.0)?;
    if start.abs() < f64::MIN_POSITIVE {
        return plausible(1.0 / (1.0 / toward + 1.0 / against));
    }
    let toward_from = cusum_one_sided(k, h, shift, start)?;
    let against_from = cusum_one_sided(k, h, -shift, start)?;
    // Written in quotients, so that a very long side does not overflow the products.
    let share = 1.0 / (1.0 + toward / against);
    plausible(toward_from * share + against_from * (1.0 - share) - toward * share)
}

/// Average run length of a two-sided EWMA with constant (asymptotic) limits, from the target.
///
/// `weight` is lambda, `width` the half width L in sigmas of the EWMA. Solves
/// A(u) = 1 + (1/lambda) integral over -h..h of A(y) phi((y - (1 - lambda) u)/lambda - shift),
/// with h = L sqrt(lambda/(2 - lambda)).
///
/// # Errors
/// [`RunLengthError`] unless 0.01 <= weight <= 1, 0 < width <= 60 and |shift| <= 60.
pub fn ewma(weight: f64, width: f64, shift: f64) -> Result<f64, RunLengthError> {
    let allowed = (0.01..=1.0).contains(&weight);
    check(
        "the weight of the newest point",
        weight,
        allowed,
        "from 0.01 to 1",
    )?;
    check(
        "the width",
        width,
        width > 0.0 && width <= REACH_MAX,
        "above 0 and at most 60",
    )?;
    check(
        "the shift",
        shift,
        shift.abs() <= REACH_MAX,
        "from -60 to 60",
    )?;
    let h = width * (weight / (2.0 - weight)).sqrt();
    // The kernel is lambda wide; four nodes for each of its widths resolve it.
    let nodes = scaled_nodes(-h, h, 40 + (4.0 * h / weight) as usize);
    let states: Vec<f64> = nodes.iter().map(|n| n.0).collect();
    let kernel = |from: f64, column: usize| {
        let step = (states[column] - (1.0 - weight) * from) / weight - shift;
        nodes[column].1 * normal::density(step) / weight
    };
    let lengths = solve_lengths(&states, kernel)?;
    let rest: f64 = lengths
        .iter()
        .enumerate()
        .map(|(j, l)| l * kernel(0.0, j))
        .sum();
    plausible(1.0 + rest)
}

/// Threshold h of a two-sided CUSUM without head start for a stated in-control length.
///
/// # Errors
/// [`RunLengthError`] unless 0.05 <= k <= 3 and the length lies within what h from 0 to 60 gives
/// and below [`ARL_MAX`].
pub fn cusum_threshold(k: f64, arl: f64) -> Result<f64, RunLengthError> {
    check(
        "the reference value k",
        k,
        (0.05..=3.0).contains(&k),
        "from 0.05 to 3",
    )?;
    solve_reach(arl, |h| cusum_two_sided(k, h, 0.0, 0.0))
}

/// Half width L of a two-sided EWMA with constant limits for a stated in-control length.
///
/// # Errors
/// [`RunLengthError`] unless 0.01 <= weight <= 1 and the length lies above 1 and below
/// [`ARL_MAX`].
pub fn ewma_width(weight: f64, arl: f64) -> Result<f64, RunLengthError> {
    solve_reach(arl, |width| ewma(weight, width, 0.0))
}

/// Factor by which limits estimated from `subgroups` samples of `size` must be widened, so that a
/// later in-control point falls outside as often as `width` promises for known limits.
///
/// The centre adds 1/m to the variance of the difference; an estimated sigma makes it Student's.
/// With v the squared coefficient of variation of the sigma estimate and nu the degrees of freedom
/// of a chi with that v, the factor is t(1 - alpha/2; nu) sqrt(1 + 1/m) / (width sqrt(1 + v)). v is
/// (d3/d2)^2/m or (1 - c4^2)/(m c4^2) for means, and for moving ranges follows from their serial
/// correlation (about 0.83/m). The Student approximation is that of C. P. Quesenberry, Journal of
/// Quality Technology 25(4) 1993, to estimated limits. Attributes estimate the centre alone.
/// `None` for fewer than 2 samples, a size the chart cannot have, or a width not in (0, 8].
pub fn widening_factor(kind: ChartKind, subgroups: u32, size: u32, width: f64) -> Option<f64> {
    if subgroups < 2 || size == 0 || !(width > 0.0 && width <= 8.0) {
        return None;
    }
    let m = f64::from(subgroups);
    let centre = (1.0 + 1.0 / m).sqrt();
    let variation = match kind {
        ChartKind::MeanRange => (constants::d3(size)? / constants::d2(size)?).powi(2) / m,
        ChartKind::MeanS => constants::c4(size)?.powi(-2).mul_add(1.0 / m, -1.0 / m),
        ChartKind::Individuals | ChartKind::ThreeWay => moving_range_variation(m - 1.0),
        ChartKind::P | ChartKind::Np | ChartKind::C | ChartKind::U => return Some(centre),
    };
    // Inverts v = 1/(2 nu) + 1/(8 nu^2), the expansion of a chi's squared variation.
    let freedom = (1.0 + (1.0 + 2.0 * variation).sqrt()) / (4.0 * variation);
    let tail = normal::below(-width);
    Some(student_upper(tail, freedom)? * centre / (width * (1.0 + variation).sqrt()))
}

/// Squared coefficient of variation of the mean of `count` moving ranges of two.
///
/// For |d| with d of variance 2: variance 2 - 4/pi; neighbours correlate by -1/2 before taking
/// magnitudes, which leaves a covariance of (4/pi) (sqrt(3)/2 + pi/12 - 1).
pub(crate) fn moving_range_variation(count: f64) -> f64 {
    let own = 2.0 - 4.0 / PI;
    let shared = 4.0 / PI * (0.75f64.sqrt() + PI / 12.0 - 1.0);
    (own * count + 2.0 * shared * (count - 1.0)) / (count * count) / (4.0 / PI)
}

/// The value Student's t exceeds with probability `tail`, by Newton's method.
fn student_upper(tail: f64, freedom: f64) -> Option<f64> {
    let t = StudentsT::new(0.0, 1.0, freedom).ok()?;
    let (mut low, mut high) = (0.0, 1.0);
    while t.sf(high) > tail {
        (low, high) = (high, 2.0 * high);
        if high > 1e12 {
            return None;
        }
    }
    for _ in 0..BISECTIONS {
        let middle = 0.5 * (low + high);
        if t.sf(middle) > tail {
            low = middle
        } else {
            high = middle
        }
    }
    let root = 0.5 * (low + high);
    let polished = root + (t.sf(root) - tail) / t.pdf(root);
    polished.is_finite().then_some(polished)
}

fn check(
    name: &'static str,
    value: f64,
    allowed: bool,
    needed: &'static str,
) -> Result<(), RunLengthError> {
    if allowed {
        Ok(())
    } else {
        Err(RunLengthError::Parameter {
            name,
            value,
            needed,
        })
    }
}

/// Rounding in a singular system shows as a length that is not finite or below 1.
fn plausible(length: f64) -> Result<f64, RunLengthError> {
    if length.is_finite() && length >= 1.0 - 1e-9 {
        Ok(length.max(1.0))
    } else {
        Err(RunLengthError::TooLong)
    }
}

fn scaled_nodes(from: f64, to: f64, count: usize) -> Vec<(f64, f64)> {
    let half = 0.5 * (to - from);
    let scaled = gauss_legendre(count)
        .into_iter()
        .map(|(x, w)| (from + half * (1.0 + x), half * w));
    scaled.collect()
}

/// Solves L_i = 1 + sum_j kernel(state_i, j) L_j.
fn solve_lengths(
    states: &[f64],
    kernel: impl Fn(f64, usize) -> f64,
) -> Result<Vec<f64>, RunLengthError> {
    let size = states.len();
    let row = |i: usize| {
        let entry = |j: usize| f64::from(u8::from(i == j)) - kernel(states[i], j);
        (0..size).map(entry).chain([1.0]).collect::<Vec<f64>>()
    };
    let mut rows: Vec<Vec<f64>> = (0..size).map(row).collect();
    eliminate(&mut rows).ok_or(RunLengthError::TooLong)
}

/// Gaussian elimination with partial pivoting on rows that end in their right-hand side.
fn eliminate(rows: &mut [Vec<f64>]) -> Option<Vec<f64>> {
    let size = rows.len();
    for pivot in 0..size {
        let largest =
            (pivot..size).max_by(|a, b| rows[*a][pivot].abs().total_cmp(&rows[*b][pivot].abs()))?;
        rows.swap(pivot, largest);
        let (done, rest) = rows.split_at_mut(pivot + 1);
        let top = &done[pivot];
        if top[pivot].abs() < 1e-300 {
            return None;
        }
        for row in rest {
            let factor = row[pivot] / top[pivot];
            for (cell, above) in row.iter_mut().zip(top).skip(pivot) {
                *cell -= factor * above;
            }
        }
    }
    let mut solution = vec![0.0; size];
    for i in (0..size).rev() {
        let known: f64 = (i + 1..size).map(|j| rows[i][j] * solution[j]).sum();
        solution[i] = (rows[i][size] - known) / rows[i][i];
    }
    Some(solution)
}

/// The reach (threshold or width) whose length is `arl`; lengths grow with the reach.
fn solve_reach(
    arl: f64,
    length: impl Fn(f64) -> Result<f64, RunLengthError>,
) -> Result<f64, RunLengthError> {
    check(
        "the in-control run length",
        arl,
        arl > 1.0 && arl <= ARL_MAX,
        "above 1, at most 1e7",
    )?;
    let lowest = 1e-6;
    let shortest = length(lowest)?;
    check(
        "the in-control run length",
        arl,
        arl > shortest,
        "longer than without a threshold",
    )?;
    let (mut low, mut high) = (lowest, 1.0);
    while length(high)? < arl {
        (low, high) = (high, 1.5 * high);
        check(
            "the in-control run length",
            arl,
            high <= REACH_MAX,
            "reached by a threshold of 60",
        )?;
    }
    for _ in 0..BISECTIONS {
        let middle = 0.5 * (low + high);
        if length(middle)? < arl {
            low = middle
        } else {
            high = middle
        }
        if high - low < 1e-9 {
            break;
        }
    }
    Ok(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::{Limits, Sample};
    use crate::simulation::Normals;

    #[test]
    fn an_average_without_memory_is_a_shewhart_chart() {
        // With a weight of 1 the EWMA is the point itself: 1/ARL = 2 (1 - Phi(3)).
        let found = ewma(1.0, 3.0, 0.0).unwrap();
        assert!(
            (found - 1.0 / (2.0 * normal::below(-3.0))).abs() < 1e-6,
            "{found}"
        );
    }

    #[test]
    fn thresholds_give_the_length_asked_for() {
        for (k, arl) in [(0.25, 370.0), (0.5, 465.44), (1.0, 2000.0)] {
            let h = cusum_threshold(k, arl).unwrap();
            assert!((cusum_two_sided(k, h, 0.0, 0.0).unwrap() / arl - 1.0).abs() < 1e-6);
        }
        let width = ewma_width(0.2, 500.0).unwrap();
        assert!((ewma(0.2, width, 0.0).unwrap() / 500.0 - 1.0).abs() < 1e-6);
        // Lucas and Saccucci 1990 (from memory): lambda 0.2, L 2.962 for about 500.
        assert!((width - 2.962).abs() < 2e-3, "{width}");
    }

    #[test]
    fn parameters_outside_their_range_are_refused() {
        assert!(cusum_one_sided(-0.1, 4.0, 0.0, 0.0).is_err());
        assert!(cusum_one_sided(0.5, 0.0, 0.0, 0.0).is_err());
        assert!(cusum_one_sided(0.5, 4.0, f64::NAN, 0.0).is_err());
        assert!(cusum_one_sided(0.5, 4.0, 0.0, 4.0).is_err());
        assert!(ewma(0.0, 3.0, 0.0).is_err() && ewma(0.1, f64::NAN, 0.0).is_err());
        for arl in [0.5, f64::NAN, 1e9] {
            assert!(cusum_threshold(0.5, arl).is_err() && ewma_width(0.1, arl).is_err());
        }
        assert_eq!(widening_factor(ChartKind::MeanS, 1, 5, 3.0), None);
        assert_eq!(widening_factor(ChartKind::MeanS, 20, 1, 3.0), None);
        assert_eq!(widening_factor(ChartKind::MeanS, 20, 5, f64::NAN), None);
    }

    #[test]
    fn student_quantiles_are_those_of_the_table() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 (printed to 3 decimals).
        for (tail, freedom, tabled) in [
            (0.025, 10.0, 2.228),
            (0.001, 10.0, 4.143),
            (0.05, 1.0, 6.314),
            (0.001, 100.0, 3.174),
        ] {
            let found = student_upper(tail, freedom).unwrap();
            assert!((found - tabled).abs() <= 1.1e-3, "{found} {tabled}");
        }
    }

    #[test]
    fn long_baselines_need_no_widening() {
        for kind in [
            ChartKind::Individuals,
            ChartKind::MeanRange,
            ChartKind::MeanS,
            ChartKind::P,
        ] {
            let factor = |m| widening_factor(kind, m, 5, 3.0).unwrap();
            assert!((factor(1_000_000) - 1.0).abs() < 1e-4, "{kind:?}");
            assert!(
                factor(10) > factor(20) && factor(20) > factor(100),
                "{kind:?}"
            );
        }
    }

    /// Share of later points outside limits estimated from simulated baselines.
    fn simulated_false_alarms(kind: ChartKind, m: u32, size: u32) -> f64 {
        let mut normals = Normals(0x9e37_79b9_7f4a_7c15);
        let factor = widening_factor(kind, m, size, 3.0).unwrap();
        let rounds = 20_000;
        let mut total = 0.0;
        for _ in 0..rounds {
            let samples: Vec<Sample> = (0..m)
                .map(|_| {
                    let mut moments = crate::moments::Moments::new();
                    (0..size).for_each(|_| moments.push(normals.draw()));
                    let value = moments.mean().unwrap();
                    let n = f64::from(size);
                    Sample {
                        size: n,
                        value,
                        spread: moments.standard_deviation(),
                    }
                })
                .collect();
            let bounds = Limits::estimate(kind, &samples, 3.0 * factor)
                .unwrap()
                .bounds(size.into());
            let root = f64::from(size).sqrt();
            total += normal::below(bounds.lower.unwrap() * root);
            total += normal::below(-bounds.upper.unwrap() * root);
        }
        total / f64::from(rounds)
    }

    #[test]
    fn widened_limits_keep_the_promised_rate() {
        // Unwidened, 20 individuals give about four times the promised 0.0027.
        for (kind, m, size) in [
            (ChartKind::MeanS, 20, 5),
            (ChartKind::Individuals, 20, 1),
            (ChartKind::MeanS, 8, 4),
        ] {
            let rate = simulated_false_alarms(kind, m, size);
            assert!((rate / 0.0027 - 1.0).abs() < 0.12, "{kind:?} {m}: {rate}");
        }
    }
}
