//! Leaving points out of a baseline.
//!
//! Purpose: estimate limits, leave out what lies beyond them, and estimate again. Must not know
//! causes. The one invariant: kept and left-out points together are the baseline, and every point
//! left out has its round, value and the limit it passed.

use crate::chart::{Bounds, ChartKind, Limits, LimitsError, Sample, false_alarm};
use crate::probability;
use crate::rules::{Side, beyond};
use crate::t_squared::{Covariance, Phase, TSquared};
use thiserror::Error;

/// The share of points that may be left out, unless someone has a reason for another: enough for
/// a fault or two in a short baseline. Where more lies beyond, what is left is hardly the process.
pub const SHARE: f64 = 0.1;

/// Which chart a point was beyond the limits of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beyond {
    /// The chart of the plotted value.
    Value,
    /// The chart of the spread within.
    Spread,
}

/// A point left out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exclusion {
    /// Its position in the baseline, from 0.
    pub index: usize,
    /// The round in which it was left out, from 1.
    pub round: u32,
    /// Which chart.
    pub beyond: Beyond,
    /// The side.
    pub side: Side,
    /// The value or spread.
    pub value: f64,
    /// The limit it passed.
    pub limit: f64,
}

/// How the screening ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending {
    /// No point is beyond the limits any more.
    Settled,
    /// Leaving out the points now beyond would pass the share allowed: they stay in, and the
    /// baseline is not stable. The number of them.
    ShareReached(usize),
}

/// A screened baseline.
#[derive(Clone, Debug, PartialEq)]
pub struct Screening {
    /// Limits from the points kept.
    pub limits: Limits,
    /// Points left out, by round and position.
    pub exclusions: Vec<Exclusion>,
    /// How it ended.
    pub ending: Ending,
}

/// Why a baseline can not be screened.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum ScreeningError {
    /// The limits can not be estimated.
    #[error(transparent)]
    Limits(#[from] LimitsError),
    /// The share is not in its range.
    #[error("the share of points that may be left out must lie between 0 and 0.5, not {0}")]
    Share(f64),
}

/// Screens a baseline.
///
/// `samples` in time order; `width` of the limits in sigmas; `share_max` the share of points that
/// may be left out in all, 0 to 0.5. In each round limits are estimated from the points kept and
/// those beyond them (or beyond the limits of the spread within, where the chart has them) are left
/// out, until none is (the usual iteration of Phase 1; D. C. Montgomery, Introduction to
/// Statistical Quality Control, 6th ed. 2009, section 6.2). A moving range is taken across the gap
/// of a point left out. Counts are held against their exact limits ([`probability::bounds`]) where
/// there are some. Leaving out without an assignable cause makes limits too narrow, so the
/// share should be small and the list be read. Cost: rounds times one estimate; no more rounds than
/// points that may be left out.
///
/// # Errors
/// [`ScreeningError`] for a share out of range, and wherever [`Limits::estimate`] refuses.
///
/// ```
/// use spc::baseline::screening::{Ending, screen};
/// use spc::chart::{ChartKind, Sample};
/// let mut samples: Vec<Sample> = (0..30)
///     .map(|i| Sample { size: 1.0, value: f64::from(i * 7 % 10), spread: None })
///     .collect();
/// samples[12].value = 90.0;
/// let found = screen(ChartKind::Individuals, &samples, 3.0, 0.1).expect("limits exist");
/// assert_eq!((found.exclusions.len(), found.exclusions[0].index), (1, 12));
/// assert_eq!(found.ending, Ending::Settled);
/// ```
pub fn screen(
    kind: ChartKind,
    samples: &[Sample],
    width: f64,
    share_max: f64,
) -> Result<Screening, ScreeningError> {
    rounds(samples.len(), share_max, |kept, round| {
        let own: Vec<Sample> = kept.iter().map(|index| samples[*index]).collect();
        let limits = Limits::estimate(kind, &own, width)?;
        let beyond = |index: &usize| excluded(&limits, *index, samples[*index], round);
        let out = kept.iter().filter_map(beyond).collect();
        Ok((limits, out))
    })
}

/// Screens a baseline of several measures charted together.
///
/// `observations` in time order, each a value of every measure. As [`screen`], but in each round a
/// point is held against the exact limit of a baseline's own points, for the chance that `width`
/// sigmas leave a normal variable: their mean and covariance hold the point itself, so that
/// T-squared of a single wild point among m is never above (m - 1)^2/m
/// ([`crate::t_squared::TSquared::limit`], single observations, phase 1).
///
/// Cost: as [`screen`], times the measures squared.
///
/// # Errors
/// As [`screen`], and wherever [`Limits::estimate_joint`] refuses.
///
/// ```
/// use spc::baseline::screening::screen_joint;
/// let mut offsets: Vec<[f64; 2]> = (0..30)
///     .map(|i| [f64::from(i * 7 % 10), f64::from(i * 3 % 8)])
///     .collect();
/// offsets[12] = [40.0, -30.0];
/// let found = screen_joint(&offsets, 3.5, 0.1).expect("limits exist");
/// assert_eq!((found.exclusions.len(), found.exclusions[0].index), (1, 12));
/// ```
pub fn screen_joint<T: AsRef<[f64]>>(
    observations: &[T],
    width: f64,
    share_max: f64,
) -> Result<Screening, ScreeningError> {
    let chance = false_alarm(width);
    rounds(observations.len(), share_max, |kept, round| {
        let own: Vec<&[f64]> = kept
            .iter()
            .map(|index| observations[*index].as_ref())
            .collect();
        let limits = Limits::estimate_joint(&own, width)?;
        let chart = TSquared::from_singles(&own, Covariance::Sample).map_err(LimitsError::Joint)?;
        let limit = chart
            .limit(chance, Phase::Baseline)
            .map_err(LimitsError::Joint)?;
        let mut out = Vec::new();
        for (index, point) in kept.iter().zip(&own) {
            let value = chart.statistic(point).map_err(LimitsError::Joint)?;
            let limit = limit.filter(|limit| value > *limit);
            out.extend(limit.map(|limit| Exclusion {
                index: *index,
                round,
                beyond: Beyond::Value,
                side: Side::Upper,
                value,
                limit,
            }));
        }
        Ok((limits, out))
    })
}

/// Rounds of leaving out, until none of the points kept is beyond or too many are.
fn rounds(
    count: usize,
    share_max: f64,
    round_of: impl Fn(&[usize], u32) -> Result<(Limits, Vec<Exclusion>), LimitsError>,
) -> Result<Screening, ScreeningError> {
    if !(0.0..=0.5).contains(&share_max) {
        return Err(ScreeningError::Share(share_max));
    }
    let allowed = (share_max * count as f64).floor() as usize;
    let mut kept: Vec<usize> = (0..count).collect();
    let mut exclusions: Vec<Exclusion> = Vec::new();
    for round in 1.. {
        let (limits, out) = round_of(&kept, round)?;
        let ending = if out.is_empty() {
            Ending::Settled
        } else if exclusions.len() + out.len() > allowed {
            Ending::ShareReached(out.len())
        } else {
            kept.retain(|index| out.iter().all(|one| one.index != *index));
            exclusions.extend(out);
            continue;
        };
        return Ok(Screening {
            limits,
            exclusions,
            ending,
        });
    }
    // Every round but the last leaves a point out, so the loop has ended before.
    Err(ScreeningError::Share(share_max))
}

fn excluded(limits: &Limits, index: usize, sample: Sample, round: u32) -> Option<Exclusion> {
    let exclusion = |which, value, bounds: Bounds| {
        let side = beyond(value, bounds)?;
        let limit = match side {
            Side::Lower => bounds.lower?,
            _ => bounds.upper?,
        };
        Some(Exclusion {
            index,
            round,
            beyond: which,
            side,
            value,
            limit,
        })
    };
    // Multiples of sigma would leave out ordinary points of small counts.
    let exact = probability::bounds(limits, sample.size);
    let bounds = exact.unwrap_or_else(|| limits.bounds(sample.size));
    let by_value = exclusion(Beyond::Value, sample.value, bounds);
    by_value.or_else(|| {
        let spread = sample
            .spread
            .filter(|_| limits.kind != ChartKind::Individuals)?;
        exclusion(Beyond::Spread, spread, limits.spread_bounds(sample.size)?)
    })
}
