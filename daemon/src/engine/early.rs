//! A stream before it has limits: its baseline is watched by sums on scores that start themselves.
//!
//! Each point is compared with those before it in the same baseline, so a shift that is there from
//! the first point on can not be seen, and one that comes soon after is seen late. Must not know
//! limits or where alerts go. The one invariant: what is remembered follows from the baseline's
//! points, and from how often the line was judged in whole minutes before each of them.

use spc::chart::ChartKind;

use crate::config::{Characteristic, Detector};

use super::atom::Atom;
use super::chart::Evaluation;
use super::detect::{DetectorState, STARTING};
use super::effects::PointFacts;
use super::episode::{self, Episode};

/// Judges a point of a baseline that began at a time, and follows the alert that it belongs to.
pub fn watch(
    state: &mut DetectorState,
    open: &mut Option<Episode>,
    (from, atom): (i64, &Atom),
    point: &mut PointFacts,
    run: &mut Evaluation,
) {
    let Some(weight) = early_weight(run.what, point.size) else {
        return;
    };
    if run.what.run_length.is_none() {
        let span = run.found.rated.get_or_insert((from, atom.at));
        *span = (span.0.min(from), span.1.max(atom.at));
    }
    let sums = run.budget.starting_sums(run.what, from, atom.at);
    let found = sums.and_then(|sums| state.judge_early(&sums, point.value, weight));
    let size = found.as_ref().map_or(0.0, |found| found.shift);
    point.signals.extend(found.map(|found| found.signal));
    let calm = |by: &str| by == STARTING && sums.is_some_and(|sums| state.is_calm_set(&sums));
    episode::follow(open, (atom, point), size, calm, run);
    // Points of a fault would teach the scores that the fault is how the process is.
    let has_fault = |episode: &Episode| episode.rules.contains(&STARTING);
    if !open.as_ref().is_some_and(has_fault) {
        state.reference.take_weighted(point.value, weight);
    }
}

/// How much a point weighs beside others of its baseline; nothing where it is not watched. Means
/// of few readings vary as their number says; those of panels as panels do, whatever their size.
#[must_use]
pub fn early_weight(what: &Characteristic, size: f64) -> Option<f64> {
    if !what.detection.contains(&Detector::Cusum) {
        return None;
    }
    match what.chart {
        ChartKind::Individuals | ChartKind::ThreeWay | ChartKind::MedianRange => Some(1.0),
        ChartKind::MeanRange | ChartKind::MeanS => Some(size),
        _ => None,
    }
}
