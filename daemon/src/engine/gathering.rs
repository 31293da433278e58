//! Points that several units make: subgroups of units in a row, and what lies between events.
//!
//! Must not know limits or rules. The one invariant: what is remembered between units is a count,
//! a time or a subgroup of bounded size.

use std::sync::Arc;

use spc::chart::{ChartKind, Sample};

use super::atom::{Atom, Content};
use super::chart::{ChartState, Evaluation};
use super::effects::PointKind;
use super::plotted::{count_as_f64, median, sample};

/// Microseconds of a minute, the unit of time between events.
const MINUTE_US: f64 = 60_000_000.0;

/// An unfinished subgroup of several units in a row.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// What its units contributed, merged.
    pub content: Content,
    /// How many units it has.
    pub units: usize,
    /// The value of each, where the chart needs them one by one (a median); else empty.
    pub values: Vec<f64>,
}

/// What lies between the last event and now.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SinceEvent {
    /// Units since the last one with a defect.
    pub units: u64,
    /// The time of the last one with a defect, or else of the first unit.
    pub from: Option<i64>,
}

impl SinceEvent {
    /// Takes a unit; where it has an event, gives the distance from the one before in units, or in
    /// minutes. Units of the same time share one event, and one that comes first of all has none
    /// before it.
    fn take(&mut self, atom: &Atom, chart: ChartKind) -> Option<f64> {
        let from = *self.from.get_or_insert(atom.at);
        self.units += 1;
        if !atom.content.has_event() {
            return None;
        }
        let units = std::mem::take(&mut self.units);
        self.from = Some(atom.at);
        if chart == ChartKind::T {
            let passed = count_as_f64(atom.at.saturating_sub(from).max(0).unsigned_abs());
            return (passed > 0.0).then_some(passed / MINUTE_US);
        }
        Some(count_as_f64(units))
    }
}

impl ChartState {
    /// Looks for units with a defect: what lies between two of them is a point.
    pub(super) fn count_on(&mut self, atom: &Atom, run: &mut Evaluation) {
        if let Some(part) = sample(&atom.content, ChartKind::Individuals) {
            let point = self.point(atom, PointKind::Part, part, run);
            run.found.points.push(point);
        }
        if let Some(value) = self.since_event.take(atom, run.what.chart) {
            let distance = Sample {
                size: 1.0,
                value,
                spread: None,
            };
            self.chart(atom, PointKind::Group, distance, run);
        }
    }

    /// Adds a unit to the subgroup of several in a row, which is a point when it is full.
    pub(super) fn gather(&mut self, atom: &Atom, size: usize, run: &mut Evaluation) {
        let part = sample(&atom.content, ChartKind::Individuals);
        if let Some(part) = part {
            let point = self.point(atom, PointKind::Part, part, run);
            run.found.points.push(point);
        }
        let mut group = match self.group.take() {
            None => Group {
                content: atom.content.clone(),
                units: 1,
                values: Vec::new(),
            },
            Some(mut group) => {
                match (&mut group.content, &atom.content) {
                    (Content::Measured(mine), Content::Measured(theirs)) => mine.merge(theirs),
                    (Content::Counted(mine), Content::Counted(theirs)) => mine.extend(
                        theirs
                            .iter()
                            .map(|(board, defects)| (Arc::clone(board), *defects)),
                    ),
                    // Several measures are charted unit by unit.
                    (Content::Measured(_) | Content::Several(_) | Content::Counted(_), _) => {}
                }
                group.units += 1;
                group
            }
        };
        if run.what.chart == ChartKind::MedianRange {
            group.values.extend(part.map(|part| part.value));
        }
        if group.units < size {
            self.group = Some(group);
            return;
        }
        let whole = Atom {
            content: group.content,
            ..atom.clone()
        };
        let sample = match run.what.chart {
            ChartKind::MedianRange => median(&group.values),
            chart => sample(&whole.content, chart),
        };
        if let Some(sample) = sample {
            self.chart(&whole, PointKind::Group, sample, run);
        }
    }
}
