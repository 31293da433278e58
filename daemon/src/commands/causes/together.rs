//! What each of several measures that are charted together contributes to a change.
//!
//! Knows no strata. The one invariant: shares are of the mean of the points from the onset on, and
//! carry an interval.

use super::{AFTER_MAX, CONFIDENCE, Causes, Moved, SEED};
use crate::commands::CommandError;
use crate::commands::alerts::Onset;
use crate::commands::chart::ChartFacts;
use crate::store::Reader;
use crate::store::alerts::EpisodeRow;
use crate::store::query::PointRow;

/// Adds the share of each measure; nothing where no onset is known.
pub(super) fn attribute(
    reader: &Reader,
    (names, facts): (&[String], &ChartFacts),
    (onset, row): (&Onset, &EpisodeRow),
    to: &mut Causes,
) -> Result<(), CommandError> {
    let Some((best, ..)) = onset.places else {
        return Ok(());
    };
    let points = &facts.points[best..];
    let version = points.first().map_or(0, |first| first.version);
    let end = row.returned_at.map_or(i64::MAX, |_| row.last_at);
    let own = |point: &&PointRow| !point.late && point.version == version && point.at <= end;
    let after: Vec<&PointRow> = points.iter().filter(own).take(AFTER_MAX).collect();
    let limits = facts
        .limits_of(version)
        .and_then(|limits| limits.joint.as_ref());
    let (Some(joint), Some((first, last))) = (limits, after.first().zip(after.last())) else {
        return Ok(());
    };
    let mut means = reader.means(facts.stream.id, first.at, last.at)?;
    let moved: Vec<Vec<f64>> = after
        .iter()
        .filter_map(|point| means.remove(&(point.at, point.unit.clone())))
        .collect();
    let Ok(shares) = joint.shares(&moved, CONFIDENCE, SEED) else {
        return Ok(());
    };
    let mut all: Vec<Moved> = names
        .iter()
        .zip(shares)
        .map(|(name, share)| Moved {
            key: "measure".to_owned(),
            value: name.clone(),
            share: share.value,
            low: share.low,
            high: share.high,
        })
        .collect();
    all.sort_by(|a, b| b.share.total_cmp(&a.share));
    if let Some(most) = all.first() {
        let percent = |share: f64| (100.0 * share).round();
        to.explained.push(format!(
            "{} makes {} % of the change ({} to {} %, over {} points)",
            most.value,
            percent(most.share),
            percent(most.low),
            percent(most.high),
            moved.len()
        ));
    }
    to.attribution = all;
    Ok(())
}
