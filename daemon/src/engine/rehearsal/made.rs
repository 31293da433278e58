//! Made points of any chart.
//!
//! Must not know limits or detectors. The one invariant: a point in control has the mean and the
//! variance that its chart supposes.

use spc::chart::{ChartKind, Sample};
use spc::level::Level;
use spc::moments::Moments;
use spc::runlength::Change;
use spc::simulation::Normals;

use crate::config::{Characteristic, Subject};
use crate::engine::atom::Content;
use crate::engine::plotted::{count_as_f64, median, sample as plotted};

use super::size;

/// The `since`-th point of a change: what its unit contributed, and what is plotted.
pub(super) fn point(
    what: &Characteristic,
    level: Option<Level>,
    (change, since): (Change, u64),
    normals: &mut Normals,
) -> (Content, Sample) {
    if let Some(level) = level {
        return (
            nothing(),
            counted(&level, level.times_at(change, since), normals),
        );
    }
    let mean = change.mean_at(since);
    match &what.subject {
        Subject::Measures(names) => together(names.len(), mean, normals),
        _ => (nothing(), measured(what, mean, normals)),
    }
}

/// What is plotted does not depend on content but where several measures are charted.
fn nothing() -> Content {
    Content::Measured(Moments::new())
}

fn counted(level: &Level, times: f64, normals: &mut Normals) -> Sample {
    Sample {
        size: level.size,
        // A level is looked at before it is rehearsed, and no change takes it out of its range.
        value: level.draw(times, normals).unwrap_or(level.centre),
        spread: None,
    }
}

/// Independent measures, the first so many sigmas off.
fn together(measures: usize, mean: f64, normals: &mut Normals) -> (Content, Sample) {
    let reading = |place: usize| {
        let mut moments = Moments::new();
        moments.push(normals.draw() + if place == 0 { mean } else { 0.0 });
        moments
    };
    let sample = Sample {
        size: 1.0,
        value: 0.0,
        spread: None,
    };
    (
        Content::Several((0..measures).map(reading).collect()),
        sample,
    )
}

/// A made point whose plotted value is `mean` of its own sigmas off the centre.
fn measured(what: &Characteristic, mean: f64, normals: &mut Normals) -> Sample {
    let readings = size(what);
    match what.chart {
        ChartKind::MeanRange | ChartKind::MeanS | ChartKind::MedianRange => {
            let off = mean / count_as_f64(readings as u64).sqrt();
            let values: Vec<f64> = (0..readings).map(|_| off + normals.draw()).collect();
            let mut moments = Moments::new();
            values.iter().for_each(|value| moments.push(*value));
            let made = match what.chart {
                ChartKind::MedianRange => median(&values),
                chart => plotted(&Content::Measured(moments), chart),
            };
            made.unwrap_or(Sample {
                size: 1.0,
                value: off,
                spread: None,
            })
        }
        ChartKind::ThreeWay => {
            // The spread of many readings is nearly normal.
            let many = count_as_f64(readings as u64);
            let spread = 1.0 + normals.draw() / (2.0 * (many - 1.0)).sqrt();
            Sample {
                size: many,
                value: mean + normals.draw(),
                spread: Some(spread),
            }
        }
        _ => Sample {
            size: 1.0,
            value: mean + normals.draw(),
            spread: None,
        },
    }
}
