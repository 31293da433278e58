//! Integral equations for the run length of a single chart.
//!
//! Purpose: the exact length of one CUSUM or EWMA, and the threshold for a stated length. Must not
//! know combinations of charts. The one invariant: a length is at least 1 and finite.
//!
//! Solved at Gauss-Legendre nodes: the CUSUM after E. S. Page, Biometrika 41 (1954); the EWMA after
//! S. V. Crowder, Technometrics 29(4) 1987. Two-sided CUSUM with head start after J. M. Lucas and
//! R. B. Crosier, Technometrics 24(3) 1982.

use super::{REACH_MAX, RunLengthError, check, plausible};
use crate::ewma::Ewma;
use crate::normal;
use crate::quadrature::gauss_legendre;

/// Longest in-control length thresholds are solved for, in points.
pub const ARL_MAX: f64 = 1e9;

/// Trials for a threshold; a smooth function needs about eight.
const TRIALS_MAX: u32 = 60;

/// Average run length of a one-sided CUSUM.
///
/// `k` is the reference value and `h` the threshold in sigmas, `shift` the mean of the
/// standardised points towards the watched side, `start` the head start (0 for none). Solves
/// L(s) = 1 + L(0) Phi(k - s - shift) + integral over 0..h of L(y) phi(y + k - s - shift).
/// Cost: the cube of 40 + 6 h, once.
///
/// ```
/// let length = spc::runlength::cusum_one_sided(0.5, 5.0, 0.0, 0.0)?;
/// assert!((length - 930.89).abs() < 0.01);
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
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
/// and against the shift; without head start this is 1/L = 1/A + 1/B. Cost: up to four one-sided
/// solutions.
///
/// ```
/// // D. C. Montgomery and G. C. Runger, 3rd ed. 2003, Table 16-9: 8.38.
/// let length = spc::runlength::cusum_two_sided(0.5, 4.0, 1.0, 0.0)?;
/// assert!((length - 8.38).abs() < 0.005);
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
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
/// with h = L sqrt(lambda/(2 - lambda)). Cost: the cube of 40 + 4 h/lambda.
///
/// ```
/// // J. M. Lucas and M. S. Saccucci, Technometrics 32(1) 1990 (from memory): 500.
/// let length = spc::runlength::ewma(0.1, 2.814, 0.0)?;
/// assert!((length - 500.0).abs() < 1.0);
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
///
/// # Errors
/// [`RunLengthError`] unless 0.01 <= weight <= 1, 0 < width <= 60 and |shift| <= 60.
pub fn ewma(weight: f64, width: f64, shift: f64) -> Result<f64, RunLengthError> {
    let nodes = ewma_nodes(weight, width, shift)?;
    let states: Vec<f64> = nodes.iter().map(|n| n.0).collect();
    let kernel = |from: f64, j: usize| nodes[j].1 * ewma_step(weight, shift, from, states[j]);
    let lengths = solve_lengths(&states, kernel)?;
    plausible(1.0 + weighed(&lengths, |j| kernel(0.0, j)))
}

/// Average run length of a two-sided EWMA with the widening limits of [`Ewma::limit`].
///
/// The integral equation of [`ewma`] holds once the limits are constant to 1e-9; from there the
/// lengths are carried back to the first point with the limits that each point really has. Zero
/// state, `shift` from the first point on. Cost: that of [`ewma`] plus its square for each of the
/// 10/lambda points until the limits stand still.
///
/// ```
/// use spc::{ewma::Ewma, runlength};
/// let chart = Ewma { weight: 0.1, width: 2.814 };
/// let found = runlength::ewma_from_start(&chart, 0.0)?;
/// assert!(found < runlength::ewma(0.1, 2.814, 0.0)?);
/// # Ok::<(), runlength::RunLengthError>(())
/// ```
///
/// # Errors
/// As [`ewma`].
pub fn ewma_from_start(chart: &Ewma, shift: f64) -> Result<f64, RunLengthError> {
    let (weight, width) = (chart.weight, chart.width);
    let mut nodes = ewma_nodes(weight, width, shift)?;
    let step = |from: f64, to: f64| ewma_step(weight, shift, from, to);
    let states: Vec<f64> = nodes.iter().map(|n| n.0).collect();
    let mut lengths = solve_lengths(&states, |from, j| nodes[j].1 * step(from, states[j]))?;
    let settled = (1..)
        .find(|n| chart.steady_limit() - chart.limit(*n) < 1e-9)
        .unwrap_or(1);
    for point in (1..settled).rev() {
        let half = chart.limit(point);
        let narrower = scaled_nodes(-half, half, nodes.len());
        lengths = narrower
            .iter()
            .map(|(from, _)| 1.0 + weighed(&lengths, |j| nodes[j].1 * step(*from, nodes[j].0)))
            .collect();
        nodes = narrower;
    }
    plausible(1.0 + weighed(&lengths, |j| nodes[j].1 * step(0.0, nodes[j].0)))
}

/// Density of the next average at `to` after `from`.
fn ewma_step(weight: f64, shift: f64, from: f64, to: f64) -> f64 {
    normal::density((to - (1.0 - weight) * from) / weight - shift) / weight
}

fn ewma_nodes(weight: f64, width: f64, shift: f64) -> Result<Vec<(f64, f64)>, RunLengthError> {
    let allowed = (0.01..=1.0).contains(&weight);
    check(
        "the weight of the newest point",
        weight,
        allowed,
        "from 0.01 to 1",
    )?;
    let allowed = width > 0.0 && width <= REACH_MAX;
    check("the width", width, allowed, "above 0 and at most 60")?;
    check(
        "the shift",
        shift,
        shift.abs() <= REACH_MAX,
        "from -60 to 60",
    )?;
    let h = width * (weight / (2.0 - weight)).sqrt();
    // The kernel is lambda wide; four nodes for each of its widths resolve it.
    Ok(scaled_nodes(-h, h, 40 + (4.0 * h / weight) as usize))
}

fn weighed(lengths: &[f64], kernel: impl Fn(usize) -> f64) -> f64 {
    lengths.iter().enumerate().map(|(j, l)| l * kernel(j)).sum()
}

/// Threshold h of a two-sided CUSUM without head start for a stated in-control length.
///
/// Inverts [`cusum_two_sided`]; the length at the threshold is the stated one to 1e-9. Cost: about
/// ten one-sided solutions.
///
/// ```
/// let h = spc::runlength::cusum_threshold(0.5, 465.44)?;
/// assert!((h - 5.0).abs() < 1e-4);
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
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
    solve_reach(arl, |h| Ok(0.5 * cusum_one_sided(k, h, 0.0, 0.0)?))
}

/// Half width L of a two-sided EWMA with constant limits for a stated in-control length.
///
/// Inverts [`ewma`]. Cost: about ten of its solutions.
///
/// ```
/// let width = spc::runlength::ewma_width(0.2, 500.0)?;
/// assert!((width - 2.962).abs() < 2e-3);
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
///
/// # Errors
/// [`RunLengthError`] unless 0.01 <= weight <= 1 and the length lies above 1 and below
/// [`ARL_MAX`].
pub fn ewma_width(weight: f64, arl: f64) -> Result<f64, RunLengthError> {
    solve_reach(arl, |width| ewma(weight, width, 0.0))
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
///
/// The logarithm of a length is nearly straight in the reach of a CUSUM and smooth in that of an
/// average, so regula falsi with the Illinois weight needs about eight solutions.
fn solve_reach(
    arl: f64,
    length: impl Fn(f64) -> Result<f64, RunLengthError>,
) -> Result<f64, RunLengthError> {
    let name = "the in-control run length";
    let allowed = arl > 1.0 && arl <= ARL_MAX;
    check(name, arl, allowed, "above 1, at most 1e9")?;
    let excess = |reach: f64| length(reach).map(|found| (found / arl).ln());
    let (mut low, mut high) = (1e-6, 1.0);
    let (mut below, mut above) = (excess(low)?, excess(high)?);
    check(name, arl, below < 0.0, "longer than without a threshold")?;
    while above < 0.0 {
        (low, below, high) = (high, above, 1.5 * high);
        let reached = high <= REACH_MAX;
        check(name, arl, reached, "reached by a threshold of 60")?;
        above = excess(high)?;
    }
    for _ in 0..TRIALS_MAX {
        let trial = (low * above - high * below) / (above - below);
        let found = excess(trial)?;
        if found.abs() < 1e-10 || high - low < 1e-10 {
            return Ok(trial);
        }
        // Halving the kept end's weight keeps it from staying where it is.
        if found < 0.0 {
            (low, below, above) = (trial, found, 0.5 * above);
        } else {
            (high, above, below) = (trial, found, 0.5 * below);
        }
    }
    Ok(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::*;

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
        for arl in [0.5, f64::NAN, 2e9] {
            assert!(cusum_threshold(0.5, arl).is_err() && ewma_width(0.1, arl).is_err());
        }
    }

    #[test]
    fn limits_that_widen_with_time_signal_a_little_sooner() {
        // One point: 1/ARL = 2 (1 - Phi(3)), however the limits are drawn.
        let single = Ewma {
            weight: 1.0,
            width: 3.0,
        };
        let found = ewma_from_start(&single, 0.0).unwrap();
        assert!((found - ewma(1.0, 3.0, 0.0).unwrap()).abs() < 1e-6);
        let chart = Ewma {
            weight: 0.1,
            width: 2.814,
        };
        for shift in [0.0, 0.5, 2.0] {
            let found = ewma_from_start(&chart, shift).unwrap();
            assert!(found < ewma(0.1, 2.814, shift).unwrap(), "{shift}: {found}");
        }
    }

    #[test]
    fn thresholds_are_solved_for_very_long_lengths() {
        // Slow decay: one more unit of h multiplies the length by about exp(2 k).
        let (short, long) = (
            cusum_threshold(0.5, 1e7).unwrap(),
            cusum_threshold(0.5, 1e8).unwrap(),
        );
        assert!((long - short - 10f64.ln()).abs() < 0.01, "{short} {long}");
        assert!((cusum_two_sided(0.5, long, 0.0, 0.0).unwrap() / 1e8 - 1.0).abs() < 1e-6);
    }
}
