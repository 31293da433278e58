//! Changeovers on a chart: the points from which on another stencil or recipe ran.
//!
//! Knows no SQL and no page. The one invariant: only what begins a new baseline of the stream is a
//! changeover of its chart.

use reports::view;

use super::CommandError;
use super::chart::ChartFacts;
use crate::config::{Characteristic, Config};
use crate::store::Reader;
use crate::store::changeovers::Changeover;
use crate::store::query::PointRow;

/// The changeovers among points of a stream, as the record has them.
pub(crate) fn read(
    reader: &Reader,
    (what, stream): (&Characteristic, i64),
    points: &[PointRow],
) -> Result<Vec<Changeover>, CommandError> {
    let ends = points.first().zip(points.last());
    Ok(match ends.filter(|_| !what.restart_on.is_empty()) {
        Some((first, last)) => reader.changeovers(stream, (first.at, last.at))?,
        None => Vec::new(),
    })
}

/// Says at the points of a chart from which on something else ran.
pub(crate) fn mark(
    what: &Characteristic,
    changeovers: &[Changeover],
    points: &[PointRow],
    chart: &mut view::Chart,
) {
    for one in changeovers {
        let is_it = |row: &PointRow| row.at == one.at && row.unit == one.unit && !row.late;
        let place = points.iter().position(is_it);
        if let Some(point) = place.and_then(|place| chart.points.get_mut(place)) {
            point.changeover = in_words(what, one);
        }
    }
}

/// Reads and marks them on a stretch of a stream's chart.
pub(crate) fn show(
    config: &Config,
    reader: &Reader,
    (facts, shown): (&ChartFacts, std::ops::Range<usize>),
    chart: &mut view::Chart,
) -> Result<(), CommandError> {
    let what = super::characteristic(config, &facts.stream)?;
    let points = &facts.points[shown];
    let found = read(reader, (what, facts.stream.id), points)?;
    mark(what, &found, points, chart);
    Ok(())
}

/// What runs from then on, of what is another.
fn in_words(what: &Characteristic, one: &Changeover) -> String {
    let sides = one.before.iter().zip(&one.after);
    let changed = what.restart_on.iter().zip(sides);
    let changed = changed.filter(|(_, (before, after))| before != after);
    let words = changed.map(|(key, (_, after))| match after.is_empty() {
        true => format!("no {}", key.name()),
        false => format!("{} {after}", key.name()),
    });
    words.collect::<Vec<_>>().join(", ")
}
