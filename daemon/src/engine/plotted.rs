//! What a chart plots of a unit or a subgroup.
//!
//! From measured or counted content to one sample: a figure, its size and the spread within. Knows
//! neither streams nor how limits come about. Content that a chart can not plot gives no sample,
//! not a wrong one.

use spc::chart::{ChartKind, Limits, Sample};
use spc::moments::Moments;

use crate::config::{Characteristic, Subgroup};

use super::atom::{Atom, Content};

/// Whether a chart looks at what lies between events.
#[must_use]
pub fn is_between(chart: ChartKind) -> bool {
    matches!(chart, ChartKind::G | ChartKind::T)
}

/// Whether a unit has a point of its own, or is part of a plotted subgroup; between events, whether
/// it has one.
pub(super) fn has_point(atom: &Atom, what: &Characteristic) -> bool {
    if is_between(what.chart) {
        return atom.content.has_event();
    }
    let chart = match what.subgroup {
        Subgroup::Consecutive(_) => ChartKind::Individuals,
        Subgroup::Panel | Subgroup::Board | Subgroup::Minutes(_) => what.chart,
    };
    sample(&atom.content, chart).is_some()
}

/// What a chart plots of a unit; nothing where the unit has too few readings for it.
pub(super) fn sample(content: &Content, chart: ChartKind) -> Option<Sample> {
    match content {
        Content::Measured(moments) => measured(moments, chart),
        Content::Several(measures) => together(measures),
        Content::Counted(boards) => Some(counted(boards.values().copied(), boards.len(), chart)),
    }
}

fn measured(moments: &Moments, chart: ChartKind) -> Option<Sample> {
    let spread = match chart {
        ChartKind::MeanRange => Some(moments.range().filter(|_| moments.count() > 1)?),
        ChartKind::MeanS => Some(moments.standard_deviation()?),
        ChartKind::ThreeWay => moments.standard_deviation(),
        _ => None,
    };
    let size = count_as_f64(moments.count());
    Some(Sample {
        size,
        value: moments.mean()?,
        spread,
    })
}

/// Several measures: how far out they are follows from the limits, so the value is 0 without them.
fn together(measures: &[Moments]) -> Option<Sample> {
    let fewest = measures.iter().map(Moments::count).min()?;
    (fewest > 0).then(|| Sample {
        size: count_as_f64(fewest),
        value: 0.0,
        spread: None,
    })
}

/// How far out several measures are together; nothing for other charts.
#[must_use]
pub fn placed(limits: &Limits, content: &Content) -> Option<f64> {
    limits.joint_value(&content.means()?)
}

/// The median of units in a row, each of which counts with its own mean.
pub(super) fn median(values: &[f64]) -> Option<Sample> {
    let mut moments = Moments::new();
    values.iter().for_each(|value| moments.push(*value));
    Some(Sample {
        size: count_as_f64(moments.count()),
        value: spc::median::of(values)?,
        spread: moments.range().filter(|_| values.len() > 1),
    })
}

fn counted(defects: impl Iterator<Item = u32>, boards: usize, chart: ChartKind) -> Sample {
    let (mut bad_boards, mut total) = (0u32, 0u32);
    for count in defects {
        bad_boards += u32::from(count > 0);
        total = total.saturating_add(count);
    }
    let size = count_as_f64(boards as u64);
    let value = match chart {
        ChartKind::P | ChartKind::PPrime => f64::from(bad_boards) / size,
        ChartKind::Np => f64::from(bad_boards),
        ChartKind::U | ChartKind::UPrime => f64::from(total) / size,
        _ => f64::from(total),
    };
    Sample {
        size,
        value,
        spread: None,
    }
}

/// Counts of a subgroup are far below 2^53, where every whole number is exact.
pub(super) fn count_as_f64(count: u64) -> f64 {
    count as f64
}
