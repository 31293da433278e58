//! From a baseline to limits: what is left out, and what the rest rests on.
//!
//! Knows neither streams nor the open horizon. The one invariant: limits and findings are a
//! function of the baseline's points alone, and a point that is left out is named with its figures.

use std::sync::Arc;

use spc::baseline::joint::examine_joint;
use spc::baseline::screening::{Beyond, Ending, Exclusion, Screening, screen, screen_joint};
use spc::baseline::{Checked, examine, examine_gauge, examine_order};
use spc::chart::{ChartKind, Limits, LimitsError, Sample};
use spc::readings::ReadingsError;

use crate::config::{Characteristic, Subject};

use super::atom::AtomKey;
use super::plotted::count_as_f64;

/// The chance with which a check warns of a stable stream: a plant has hundreds of streams, and a
/// warning that comes every twentieth time is not read.
const LEVEL: f64 = 0.01;

/// A subgroup of a baseline.
#[derive(Clone, Debug, PartialEq)]
pub struct BaselinePoint {
    /// Where it stands.
    pub key: AtomKey,
    /// What is plotted.
    pub sample: Sample,
    /// The means of its measures, where several are charted together; else empty.
    pub means: Vec<f64>,
}

/// What was found out about a baseline when limits were made of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Findings {
    /// The points that do not enter the limits, by round and place.
    pub excluded: Vec<Excluded>,
    /// Points beyond the limits that stay in, for they are more than may be left out.
    pub left_in: usize,
    /// The checks of the points that make the limits.
    pub checks: Vec<Checked>,
    /// Why there are no checks, where that is so.
    pub unchecked: Option<String>,
}

/// A point that does not enter the limits.
#[derive(Clone, Debug, PartialEq)]
pub struct Excluded {
    /// The point.
    pub key: AtomKey,
    /// What it was beyond, and by how much.
    pub why: Exclusion,
}

impl Excluded {
    /// The reason, in words.
    #[must_use]
    pub fn reason(&self) -> String {
        let what = match self.why.beyond {
            Beyond::Value => "value",
            Beyond::Spread => "spread",
        };
        let place = match self.why.side {
            spc::rules::Side::Lower => "below the lower",
            _ => "above the upper",
        };
        let round = self.why.round;
        format!("{what} {place} limit of the baseline itself (round {round})")
    }
}

/// Limits, the samples that made them, and the findings.
pub fn limits(
    what: &Characteristic,
    points: &[BaselinePoint],
    width: f64,
) -> Result<(Limits, Vec<Sample>, Findings), LimitsError> {
    if what.chart == ChartKind::TSquared {
        return joint(what, points, width);
    }
    let all = samples(points.iter());
    let estimate = |kept: &[&BaselinePoint]| {
        Limits::estimate(what.chart, &samples(kept.iter().copied()), width)
    };
    let screened = |wide: f64| screened(what, points, &all, wide);
    let (limits, kept, mut findings) = made(what, (points, width), estimate, screened)?;
    match checks(what, &limits, &kept) {
        Ok(checks) => findings.checks = checks,
        Err(error) => findings.unchecked = Some(error.to_string()),
    }
    Ok((limits, kept, findings))
}

/// Limits of several measures together, with checks of their own.
fn joint(
    what: &Characteristic,
    points: &[BaselinePoint],
    width: f64,
) -> Result<(Limits, Vec<Sample>, Findings), LimitsError> {
    let means = |kept: &[&BaselinePoint]| -> Vec<Vec<f64>> {
        kept.iter().map(|point| point.means.clone()).collect()
    };
    let all = means(&points.iter().collect::<Vec<_>>());
    let estimate = |kept: &[&BaselinePoint]| Limits::estimate_joint(&means(kept), width);
    let screened = |wide: f64| {
        // Where too few would be left, or all stand still without some, those are the process.
        screen_joint(&all, wide, what.screen_share)
            .map_or((Vec::new(), 0), |found| left_out(points, found))
    };
    let (limits, kept, mut findings) = made(what, (points, width), estimate, screened)?;
    let stays = |point: &&BaselinePoint| findings.excluded.iter().all(|out| out.key != point.key);
    let stayed: Vec<&BaselinePoint> = points.iter().filter(stays).collect();
    match examine_joint(&means(&stayed), LEVEL) {
        Ok(checks) => findings.checks = checks,
        Err(error) => findings.unchecked = Some(error.to_string()),
    }
    Ok((limits, kept, findings))
}

/// Limits of the points that stay when the others are left out, as wide as so few need.
fn made(
    what: &Characteristic,
    (points, width): (&[BaselinePoint], f64),
    estimate: impl Fn(&[&BaselinePoint]) -> Result<Limits, LimitsError>,
    screened: impl Fn(f64) -> (Vec<Excluded>, usize),
) -> Result<(Limits, Vec<Sample>, Findings), LimitsError> {
    let mut kept: Vec<&BaselinePoint> = points.iter().collect();
    let mut limits = estimate(&kept)?;
    let mut findings = Findings::default();
    if what.screen {
        // Only what would raise an alert is left out. At a narrower width the limits of healthy
        // baselines would be trimmed, and their false alerts would be more than was asked for.
        let wide = width * widening(what, &limits, &samples(kept.iter().copied()));
        (findings.excluded, findings.left_in) = screened(wide);
        if !findings.excluded.is_empty() {
            kept.retain(|point| findings.excluded.iter().all(|out| out.key != point.key));
            limits = estimate(&kept)?;
        }
    }
    let kept = samples(kept.into_iter());
    limits.width *= widening(what, &limits, &kept);
    Ok((limits, kept, findings))
}

fn samples<'p>(points: impl Iterator<Item = &'p BaselinePoint>) -> Vec<Sample> {
    points.map(|point| point.sample).collect()
}

/// What is left out, and how many points beyond the limits stay in because they are too many.
fn screened(
    what: &Characteristic,
    points: &[BaselinePoint],
    samples: &[Sample],
    width: f64,
) -> (Vec<Excluded>, usize) {
    let found = match screen(what.chart, samples, width, what.screen_share) {
        Ok(found) => found,
        // Without the points that lie beyond there is nothing to make limits of, such as equal
        // values all through: so they are part of what the stream is.
        Err(_) => match screen(what.chart, samples, width, 0.0) {
            Ok(found) => Screening {
                exclusions: Vec::new(),
                ..found
            },
            Err(_) => return (Vec::new(), 0),
        },
    };
    left_out(points, found)
}

/// The points that a screening leaves out, or how many stay in because they are too many.
fn left_out(points: &[BaselinePoint], found: Screening) -> (Vec<Excluded>, usize) {
    if let Ending::ShareReached(more) = found.ending {
        return (Vec::new(), found.exclusions.len() + more);
    }
    let named = |why: Exclusion| {
        let point = points.get(why.index)?;
        Some(Excluded {
            key: (point.key.0, Arc::clone(&point.key.1)),
            why,
        })
    };
    (found.exclusions.into_iter().filter_map(named).collect(), 0)
}

/// The mean size of subgroups.
pub fn mean_size(points: &[BaselinePoint]) -> f64 {
    mean(points.iter().map(|point| &point.sample))
}

fn mean<'s>(samples: impl ExactSizeIterator<Item = &'s Sample>) -> f64 {
    let count = count_as_f64(samples.len() as u64);
    samples.map(|sample| sample.size).sum::<f64>() / count
}

/// How much wider limits from so few subgroups have to be. A chart that no widening is known for
/// keeps the width that was asked for.
pub(super) fn widening(what: &Characteristic, limits: &Limits, samples: &[Sample]) -> f64 {
    if !what.widen {
        return 1.0;
    }
    if limits.between_events().is_some() {
        let factor = spc::between_events::widening(limits.width, limits.subgroups);
        return factor.unwrap_or(1.0);
    }
    if let Some(joint) = &limits.joint {
        let measures = joint.mean().len();
        let factor = spc::widening::joint_factor(measures, limits.subgroups, limits.width);
        return factor.unwrap_or(1.0);
    }
    let size = mean(samples.iter());
    let (kind, subgroups) = (limits.kind, limits.subgroups);
    spc::widening::factor_for_both(kind, subgroups, size, limits.width).unwrap_or(1.0)
}

/// The checks that make sense of what is plotted.
fn checks(
    what: &Characteristic,
    limits: &Limits,
    samples: &[Sample],
) -> Result<Vec<Checked>, ReadingsError> {
    // In sigmas of their own size, so that subgroups of different sizes can be compared.
    let scores: Vec<f64> = samples
        .iter()
        .map(|sample| limits.standardised(sample.value, sample.size))
        .collect();
    let measured = matches!(
        limits.kind,
        ChartKind::Individuals
            | ChartKind::MeanRange
            | ChartKind::MeanS
            | ChartKind::MedianRange
            | ChartKind::ThreeWay
    );
    if !measured || !matches!(what.subject, Subject::Measure(_)) {
        return Ok(examine_order(&scores, LEVEL)?.to_vec());
    }
    let mut found = examine(&scores, LEVEL)?;
    // Means hide the gauge's step.
    if samples.iter().all(|sample| sample.size <= 1.0) {
        let values: Vec<f64> = samples.iter().map(|sample| sample.value).collect();
        found.extend(examine_gauge(&values, LEVEL)?);
    }
    Ok(found)
}
