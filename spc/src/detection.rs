//! The default detection: limits and a set of cumulative sums that look at the same points.
//!
//! Purpose: thresholds for a stated in-control length of all of them together. Must not know
//! streams or budgets. The one invariant: a longer in-control length never lowers a threshold.
//!
//! Two-sided limits find a large shift at once, CUSUMs with k = 0.25, 0.5 and 1 a lasting one of
//! 0.5 to 2 sigma. Each sum has the same in-control length of its own, the limits five times that
//! ([`LIMITS_LENGTH`]), so that they take little from the sums. Every sum starts at half its
//! threshold after each restart (J. M. Lucas and R. B. Crosier, Technometrics 24(3) 1982), and the
//! stated length is that from such a start, so that alerts followed by restarts come at the stated
//! rate. Without head start the length is a little longer (`benches/results/thresholds.csv`).

mod averages;
mod table;

use crate::chart::ChartKind;
use crate::constants;
use crate::cusum::{Cusum, SET_REFERENCES};
use crate::normal;
use crate::runlength::{RunLengthError, Scheme};
use statrs::function::gamma::{checked_gamma_lr, checked_gamma_ur};

/// Shortest in-control length thresholds are given for, in points.
pub const LENGTH_MIN: f64 = 100.0;

/// Longest in-control length thresholds are given for, in points.
pub const LENGTH_MAX: f64 = 1e8;

/// How many times as long the in-control length of the limits alone is as that of each sum alone.
///
/// With equal lengths the limits slow the sums down by 2 to 6 percent; with five times the length
/// all four together stay within 10 % of the tuned CUSUM from 0.5 to 2 sigma and within 20 % at 3
/// sigma, at in-control lengths of 500 and 10,000 (`benches/results/shares.csv`). It widens the
/// limits by 0.3 sigma.
pub const LIMITS_LENGTH: f64 = 5.0;

/// Head start of every sum, as a share of its threshold.
pub const HEAD_START: f64 = 0.5;

/// Thresholds of the default detection, in sigmas of the point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thresholds {
    /// Half width of the control limits.
    pub width: f64,
    /// Threshold h of the CUSUM of each of [`SET_REFERENCES`].
    pub h: [f64; 3],
}

impl Thresholds {
    /// The three sums, with their head start.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// let found = spc::detection::thresholds(10_000.0)?;
    /// let [small, _, large] = found.cusums();
    /// assert_eq!((small.reference, small.head_start), (0.25, 0.5 * found.h[0]));
    /// assert!(large.threshold < small.threshold);
    /// # Ok::<(), spc::runlength::RunLengthError>(())
    /// ```
    pub fn cusums(&self) -> [Cusum; 3] {
        std::array::from_fn(|i| Cusum {
            reference: SET_REFERENCES[i],
            threshold: self.h[i],
            head_start: HEAD_START * self.h[i],
        })
    }

    /// Limits and sums together, to ask for their run lengths.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::runlength::{Change, Effort};
    /// let scheme = spc::detection::thresholds(500.0)?.scheme();
    /// let effort = Effort { runs: 1_000, ..Effort::default() };
    /// let found = scheme.average(Change::None, effort)?;
    /// assert!((found.mean - 500.0).abs() < 25.0 + 3.0 * found.standard_error);
    /// # Ok::<(), spc::runlength::RunLengthError>(())
    /// ```
    pub fn scheme(&self) -> Scheme {
        Scheme {
            limits: Some(self.width),
            cusums: self.cusums().to_vec(),
            ..Scheme::default()
        }
    }
}

/// Thresholds with which limits and the three sums together have an in-control average run length
/// of `run_length` points.
///
/// Interpolated in a table over ln(run length), four rows a decade, that the slower suite makes by
/// solving each member by its integral equation and simulating the joint length; the length is met
/// within 5 % (`benches/results/thresholds.csv`). Rises with `run_length`, without jumps. Cost:
/// constant.
///
/// ```
/// let found = spc::detection::thresholds(10_000.0)?;
/// assert!(found.width > 4.3 && found.width < 4.6);
/// assert!(spc::detection::thresholds(10.0).is_err());
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
///
/// # Errors
/// [`RunLengthError::Parameter`] unless `run_length` lies from [`LENGTH_MIN`] to [`LENGTH_MAX`].
pub fn thresholds(run_length: f64) -> Result<Thresholds, RunLengthError> {
    if !(LENGTH_MIN..=LENGTH_MAX).contains(&run_length) {
        return Err(RunLengthError::Parameter {
            name: "the in-control run length",
            value: run_length,
            needed: "from 100 to 1e8",
        });
    }
    let rows = &table::ROWS;
    let last = rows.len() - 2;
    let inner = &rows[1..=last];
    let row = inner.iter().take_while(|row| row[0] < run_length).count();
    let (from, to) = (rows[row], rows[row + 1]);
    let part = (run_length / from[0]).ln() / (to[0] / from[0]).ln();
    let between = |column: usize| from[column] + part * (to[column] - from[column]);
    Ok(Thresholds {
        width: between(1),
        h: [between(2), between(3), between(4)],
    })
}

/// What a weighted average is beside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beside {
    /// Two-sided limits.
    Limits,
    /// The set of three sums.
    Sums,
    /// Both.
    LimitsAndSums,
}

/// How many times as long as a joint in-control length that of a weighted average alone, and that
/// of what is beside it alone, has to be, if both are given the same.
///
/// Between 1, were they to signal together always, and 2, had they nothing in common. Interpolated
/// over ln(run length) and ln(weight) in a table that the slower suite makes by simulation
/// (`benches/results/averages.csv`). `weight` is that of the newest point. Below weight 0.05 and
/// above 0.8 that column stands, which makes the joint length longer than asked for; shorter and
/// longer lengths than those of the table follow its nearest slope, from 1 to 2. Between rows and
/// columns the joint length is met within 5 %. Cost: constant.
///
/// ```
/// use spc::detection::{Beside, average_factor};
/// // An average that is hardly one signals with the limits, a long one hardly ever.
/// assert!(average_factor(Beside::Limits, 0.8, 1_000.0)? < 1.3);
/// assert!(average_factor(Beside::Limits, 0.1, 1_000.0)? > 1.8);
/// assert!(average_factor(Beside::Sums, 0.1, 1_000.0)? < 1.7);
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
///
/// # Errors
/// [`RunLengthError::Parameter`] for a weight outside 0.01 to 1 and a length not above 1.
pub fn average_factor(beside: Beside, weight: f64, run_length: f64) -> Result<f64, RunLengthError> {
    let refuse = |name, value, needed| {
        Err(RunLengthError::Parameter {
            name,
            value,
            needed,
        })
    };
    if !(0.01..=1.0).contains(&weight) {
        return refuse("the weight of the newest point", weight, "from 0.01 to 1");
    }
    if !(run_length > 1.0 && run_length.is_finite()) {
        return refuse("the in-control run length", run_length, "above 1");
    }
    let factors = &averages::FACTORS[match beside {
        Beside::Limits => 0,
        Beside::Sums => 1,
        Beside::LimitsAndSums => 2,
    }];
    let (row, down) = place(&averages::LENGTHS, run_length);
    let (column, across) = place(&averages::WEIGHTS, weight);
    let across = across.clamp(0.0, 1.0);
    let along = |row: &[f64]| row[column] + across * (row[column + 1] - row[column]);
    let (upper, lower) = (along(&factors[row]), along(&factors[row + 1]));
    Ok((upper + down * (lower - upper)).clamp(1.0, 2.0))
}

/// Between which two of rising values one lies, and what part of the way in logarithms: below 0 or
/// above 1 beyond them.
fn place(values: &[f64], value: f64) -> (usize, f64) {
    let inner = &values[1..values.len() - 1];
    let before = inner.iter().take_while(|one| **one < value).count();
    let (from, to) = (values[before], values[before + 1]);
    (before, (value / from).ln() / (to / from).ln())
}

/// Half width of two-sided limits that alone have a stated in-control length.
///
/// 1/length = 2 (1 - Phi(width)). Cost: constant.
///
/// ```
/// let width = spc::detection::limits_width(370.398)?;
/// assert!((width - 3.0).abs() < 1e-5);
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
///
/// # Errors
/// [`RunLengthError::Parameter`] unless the length is above 1 and at most 1e15.
pub fn limits_width(run_length: f64) -> Result<f64, RunLengthError> {
    if !(run_length > 1.0 && run_length <= 1e15) {
        return Err(RunLengthError::Parameter {
            name: "the in-control run length",
            value: run_length,
            needed: "above 1 and at most 1e15",
        });
    }
    Ok(-normal::quantile(0.5 / run_length))
}

/// Chance that the spread of one subgroup in control lies beyond the limits of its chart.
///
/// The limits are mean +/- `width` standard deviations of the statistic, floored at 0, for a known
/// sigma and normal readings. Ranges and standard deviations are skewed: beyond a wide limit they
/// fall far more often than a normal value does. s^2 (n - 1) / sigma^2 is chi-squared; for ranges
/// the exact law is integrated. Cost: constant for s, an integral for ranges.
///
/// ```
/// use spc::{chart::ChartKind, detection};
/// let chance = detection::spread_alarm(ChartKind::MeanS, 5, 3.0);
/// assert!(chance.is_some_and(|chance| chance > 0.0038 && chance < 0.0040));
/// ```
///
/// `None` for charts without a spread that is judged, a size below 2 and a width not above 0.
pub fn spread_alarm(kind: ChartKind, size: u32, width: f64) -> Option<f64> {
    if size < 2 || !(width > 0.0 && width.is_finite()) {
        return None;
    }
    match kind {
        ChartKind::MeanS | ChartKind::ThreeWay => {
            let mean = constants::c4(size)?;
            let reach = width * constants::spread_of_s(mean);
            let half = 0.5 * f64::from(size - 1);
            let square = |s: f64| half * s.max(0.0).powi(2);
            let above = checked_gamma_ur(half, square(mean + reach)).ok()?;
            let below = match mean > reach {
                true => checked_gamma_lr(half, square(mean - reach)).ok()?,
                false => 0.0,
            };
            Some(above + below)
        }
        ChartKind::MeanRange | ChartKind::MedianRange => {
            let (mean, reach) = (constants::d2(size)?, width * constants::d3(size)?);
            let below = match mean > reach {
                true => 1.0 - constants::range_above(size, mean - reach),
                false => 0.0,
            };
            Some(constants::range_above(size, mean + reach) + below)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spreads_fall_beyond_their_limits_as_often_as_their_law_says() {
        let close = |found: Option<f64>, expected: f64| {
            let found = found.unwrap();
            assert!((found / expected - 1.0).abs() < 1e-6, "{found} {expected}");
        };
        for width in [3.0, 3.7, 4.5] {
            // The range of two is the magnitude of a normal value of variance 2, s that over
            // sqrt(2); (n - 1) s^2 of three is exponential with mean 2.
            let half_normal = (2.0 / std::f64::consts::PI).sqrt();
            let limit = half_normal + width * (1.0 - half_normal * half_normal).sqrt();
            let of_two = 2.0 * normal::below(-limit);
            close(spread_alarm(ChartKind::MeanRange, 2, width), of_two);
            close(spread_alarm(ChartKind::MeanS, 2, width), of_two);
            let c4 = 0.5 * std::f64::consts::PI.sqrt();
            let limit = c4 + width * (1.0 - c4 * c4).sqrt();
            close(
                spread_alarm(ChartKind::ThreeWay, 3, width),
                (-limit * limit).exp(),
            );
        }
        // The range of five at three sigma, 0.0046: a figure of the literature, from memory.
        let of_five = spread_alarm(ChartKind::MedianRange, 5, 3.0).unwrap();
        assert!((of_five - 0.0046).abs() < 5e-5, "{of_five}");
        assert_eq!(spread_alarm(ChartKind::Individuals, 5, 3.0), None);
        assert_eq!(spread_alarm(ChartKind::MeanS, 1, 3.0), None);
        assert_eq!(spread_alarm(ChartKind::MeanS, 5, f64::NAN), None);
    }
    use crate::ewma::Ewma;
    use crate::runlength::{Change, Effort};

    #[test]
    fn thresholds_rise_without_jumps() {
        let lengths = (0..=600).map(|i| 100.0 * 10f64.powf(f64::from(i) / 100.0));
        let all: Vec<Thresholds> = lengths
            .map(|one| thresholds(one.min(1e8)).unwrap())
            .collect();
        for pair in all.windows(2) {
            let rise = pair[1].width - pair[0].width;
            assert!(rise > 0.0 && rise < 0.02, "{pair:?}");
            for i in 0..3 {
                let rise = pair[1].h[i] - pair[0].h[i];
                assert!(rise > 0.0 && rise < 0.06, "{pair:?}");
            }
        }
    }

    #[test]
    fn an_average_beside_others_leaves_the_joint_length_that_was_asked_for() {
        // Between rows and columns of the table; the standard error is about 2 %.
        let all = [
            (Beside::Limits, 800.0, 0.3),
            (Beside::Sums, 800.0, 0.07),
            (Beside::LimitsAndSums, 6_000.0, 0.15),
        ];
        for (beside, length, weight) in all {
            let own = length * average_factor(beside, weight, length).unwrap();
            let limits = Some(limits_width(own).unwrap());
            let mut scheme = match beside {
                Beside::Limits => Scheme {
                    limits,
                    ..Scheme::default()
                },
                Beside::Sums => Scheme {
                    cusums: crate::cusum::set_for_run_length(own).unwrap().to_vec(),
                    ..Scheme::default()
                },
                Beside::LimitsAndSums => thresholds(own).unwrap().scheme(),
            };
            scheme
                .cusums
                .iter_mut()
                .for_each(|sum| sum.head_start = 0.0);
            let width = crate::runlength::ewma_width(weight, own).unwrap();
            scheme.ewmas = vec![Ewma { weight, width }];
            let effort = Effort {
                runs: 3_000,
                ..Effort::default()
            };
            let found = scheme.average(Change::None, effort).unwrap();
            let allowed = 0.05 * length + 2.5 * found.standard_error;
            assert!(
                (found.mean - length).abs() < allowed,
                "{beside:?} {length}: {found:?}"
            );
        }
        assert!(average_factor(Beside::Sums, 0.005, 500.0).is_err());
        assert!(average_factor(Beside::Sums, 0.1, f64::NAN).is_err());
    }

    #[test]
    fn lengths_out_of_reach_are_refused() {
        for length in [99.9, 1.01e8, f64::NAN, f64::INFINITY] {
            assert!(thresholds(length).is_err(), "{length}");
        }
        assert!(limits_width(1.0).is_err() && limits_width(f64::NAN).is_err());
    }

    #[test]
    fn the_joint_length_is_the_one_asked_for() {
        // Between the rows of the table; the standard error is about 2.5 %.
        for (length, runs) in [(130.0, 2_000), (2_500.0, 8_000), (7e4, 8_000), (7e7, 8_000)] {
            let effort = Effort {
                runs,
                ..Effort::default()
            };
            let scheme = thresholds(length).unwrap().scheme();
            let found = scheme.average(Change::None, effort).unwrap();
            assert!(found.standard_error < 0.05 * length, "{found:?}");
            let allowed = 0.05 * length + 2.5 * found.standard_error;
            assert!((found.mean - length).abs() < allowed, "{length}: {found:?}");
        }
    }

    #[test]
    fn limits_have_a_longer_length_of_their_own_than_the_sums() {
        for row in table::ROWS {
            let limits = 0.5 / normal::below(-row[1]);
            for (reference, threshold) in SET_REFERENCES.iter().zip(&row[2..]) {
                let sum = crate::runlength::cusum_two_sided(*reference, *threshold, 0.0, 0.0);
                let sum = LIMITS_LENGTH * sum.unwrap();
                assert!((sum / limits - 1.0).abs() < 1e-3, "{row:?}: {limits} {sum}");
            }
        }
    }

    /// The best that is possible for a known size is the CUSUM tuned to it.
    #[test]
    fn small_shifts_are_found_nearly_as_soon_as_by_the_tuned_sum() {
        let effort = Effort {
            runs: 6_000,
            ..Effort::default()
        };
        // Both without head start, from which the table's length is counted.
        let plain = |length: f64| {
            let mut scheme = thresholds(length).unwrap().scheme();
            for sum in &mut scheme.cusums {
                sum.head_start = 0.0;
            }
            scheme
        };
        for length in [500.0, 10_000.0] {
            let reached = plain(length).average(Change::None, effort).unwrap().mean;
            let scheme = plain(length * length / reached);
            for (shift, allowed) in [(0.5, 0.1), (1.0, 0.1), (2.0, 0.1), (3.0, 0.2)] {
                let h = crate::runlength::cusum_threshold(0.5 * shift, length).unwrap();
                let best = crate::runlength::cusum_two_sided(0.5 * shift, h, shift, 0.0).unwrap();
                let found = scheme.delay(Change::Step(shift), 0, effort).unwrap();
                let excess = found.mean / best - 1.0;
                assert!(excess < allowed + 0.025, "{length} {shift}: {excess}");
            }
        }
    }
}
