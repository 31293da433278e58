//! Gauge study by averages and ranges.
//!
//! Purpose: the components as a form filled in by hand gives them. Must not know mean squares. The
//! one invariant: every constant is computed for the size of the study, none is looked up.

use super::{Component, Components, GaugeError, Study};
use crate::constants::{d2, d3};

/// Ranges from which the manual divides by d2 itself.
const RANGES_MANY: usize = 15;

/// The study by averages and ranges.
#[derive(Clone, Debug, PartialEq)]
pub struct Ranges {
    /// Mean range of the trials of one operator on one part.
    pub mean_range: f64,
    /// Range of the operators' means.
    pub operator_range: f64,
    /// Range of the parts' means.
    pub part_range: f64,
    /// K1: from the mean range to EV.
    pub k1: f64,
    /// K2: from the operators' range to AV; `None` with one operator.
    pub k2: Option<f64>,
    /// K3: from the parts' range to PV.
    pub k3: f64,
    /// Upper limit of a range.
    pub range_limit: f64,
    /// Cells (part, operator) whose range lies beyond it; measure these again before the figures
    /// are used.
    pub beyond: Vec<(usize, usize)>,
    /// The components; without an interaction, which ranges can not tell apart, and without bounds.
    pub components: Components,
}

/// Takes averages and ranges of a crossed study.
///
/// EV = K1 Rbar, AV^2 = (K2 Xdiff)^2 - EV^2/(p r), PV = K3 Rp (AIAG, MSA, 4th ed., chapter III,
/// section B; from memory). K = 1/d2* with d2*^2 = d2^2 + d3^2/g for the mean of g ranges (P. B.
/// Patnaik, Biometrika 37, 1950; A. J. Duncan, Quality Control and Industrial Statistics, table
/// D3), and d2 itself for more than 15 ranges, as the manual does. Limit of a range: Rbar
/// (1 + 3 d3/d2). Cost: one pass for each part and operator.
///
/// # Errors
/// [`GaugeError::TooFew`] where no factor exists (more than 4 billion of a kind).
///
/// ```
/// use spc::gauge::{Study, range::ranges};
/// let values = vec![1.0, 1.2, 1.1, 1.3, 4.0, 4.2, 4.1, 4.3];
/// let study = Study::new(2, 2, 2, values).expect("complete");
/// let found = ranges(&study).expect("factors exist");
/// assert!((found.mean_range - 0.2).abs() < 1e-12);
/// ```
pub fn ranges(study: &Study) -> Result<Ranges, GaugeError> {
    let own: Vec<f64> = study.cells().map(spread).collect();
    let mean_range = own.iter().sum::<f64>() / own.len() as f64;
    let k1 = 1.0 / divisor(study.trials, own.len())?;
    let k3 = 1.0 / divisor(study.parts, 1)?;
    let operator_range = spread(&study.operator_means());
    let part_range = spread(&study.part_means());
    let ev = k1 * mean_range;
    let k2 = match study.operators {
        1 => None,
        operators => Some(1.0 / divisor(operators, 1)?),
    };
    let readings = (study.parts * study.trials) as f64;
    let reproducibility =
        k2.map(|k2| Component::without_bounds((k2 * operator_range).powi(2) - ev * ev / readings));
    let (mean, deviation) = factors(study.trials)?;
    let range_limit = mean_range * (1.0 + 3.0 * deviation / mean);
    let place = |index: usize| (index / study.operators, index % study.operators);
    let beyond = (0..own.len()).filter(|i| own[*i] > range_limit);
    let repeatability = Component::without_bounds(ev * ev);
    let part = Component::without_bounds((k3 * part_range).powi(2));
    let between = reproducibility.map_or(0.0, |one| one.variance);
    let gauge = Component::without_bounds(repeatability.variance + between);
    Ok(Ranges {
        mean_range,
        operator_range,
        part_range,
        k1,
        k2,
        k3,
        range_limit,
        beyond: beyond.map(place).collect(),
        components: Components {
            repeatability,
            reproducibility,
            interaction: None,
            gauge,
            part,
            total: Component::without_bounds(gauge.variance + part.variance),
        },
    })
}

fn spread(values: &[f64]) -> f64 {
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = values.iter().copied().fold(f64::INFINITY, f64::min);
    most - least
}

fn factors(size: usize) -> Result<(f64, f64), GaugeError> {
    let known = u32::try_from(size).ok().and_then(|n| d2(n).zip(d3(n)));
    known.ok_or(GaugeError::TooFew {
        what: "values of a range with a known factor",
        needed: 2,
        found: size,
    })
}

/// d2* of the mean of some ranges.
fn divisor(size: usize, ranges: usize) -> Result<f64, GaugeError> {
    let (mean, deviation) = factors(size)?;
    if ranges > RANGES_MANY {
        return Ok(mean);
    }
    Ok((mean * mean + deviation * deviation / ranges as f64).sqrt())
}
