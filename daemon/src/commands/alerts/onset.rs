//! Where an alert began: the likeliest start among the points that lead up to its first signal.
//!
//! Knows charts and their points, no output. The one invariant: what is estimated follows from the
//! record alone, and nothing is said where there is no scale for it.

use serde::Serialize;
use spc::onset::Shape;
use spc::selfstart::SelfStart;

use crate::commands::chart::ChartFacts;
use crate::commands::{CommandError, characteristic, utc};
use crate::config::{Characteristic, Config};
use crate::engine::{
    SPREAD_BEYOND_LIMITS, STARTING, StreamName, early_weight, is_between, starting_length,
    station_of,
};
use crate::output::signed;
use crate::store::Reader;
use crate::store::alerts::EpisodeRow;
use crate::store::query::{PointRow, StreamRow};

const MINUTE_US: i64 = 60_000_000;
const DAY_US: i64 = 24 * 60 * MINUTE_US;

/// The share of the likelihood that the range of an onset holds.
const LIKELIHOOD: f64 = 0.9;

/// Where an alert most likely began. The ends are absent where nothing is estimated: a change of
/// the spread, or a first signal that no longer stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Onset {
    /// The unit.
    pub board: String,
    /// The event time, RFC 3339 in UTC.
    pub at: String,
    /// The earliest unit of those that hold 90 % of the likelihood.
    pub low: Option<String>,
    /// The latest of them.
    pub high: Option<String>,
    /// `step` or `drift`, whichever is likelier of the points up to the first signal.
    pub shape: Option<&'static str>,
    /// How far a drift moves with every point, in sigma of the plotted value.
    pub slope_sigma: Option<f64>,
    /// Places among the stream's points: most likely, earliest, latest.
    #[serde(skip)]
    pub(crate) places: Option<(usize, usize, usize)>,
}

/// Where an alert began: the most likely start of a step or a drift that goes on to the first
/// signal, among the points since the signal before it, or since the baseline began.
///
/// # Errors
///
/// When the record can not be read.
pub(crate) fn onset(
    config: &Config,
    reader: &Reader,
    facts: &ChartFacts,
    row: &EpisodeRow,
) -> Result<Onset, CommandError> {
    let what = characteristic(config, &facts.stream)?;
    let mut onset = Onset {
        board: row.first_unit.clone(),
        at: utc(row.first_at),
        low: None,
        high: None,
        shape: None,
        slope_sigma: None,
        places: None,
    };
    if by_first(row, SPREAD_BEYOND_LIMITS) {
        return Ok(onset);
    }
    let Some(signal) = facts.points.iter().position(|point| is_first(row, point)) else {
        return Ok(onset);
    };
    if let Some(since) = row.since {
        let all = facts.points[..signal].iter();
        let began = all.take_while(|point| point.at < since).count();
        onset.board = facts.points[began].unit.clone();
        onset.at = utc(facts.points[began].at);
        onset.places = Some((began, began, signal));
        return Ok(onset);
    }
    let places = quiet_until(&facts.points, signal);
    if let Some(found) = likeliest(reader, (what, facts), (row, &places))? {
        let latest = found.set.last().copied().unwrap_or(found.first_affected);
        let place = |step: usize| places.get(step).copied().unwrap_or(signal);
        let all = (
            place(found.first_affected),
            place(found.earliest()),
            place(latest),
        );
        let unit = |place: usize| facts.points[place].unit.clone();
        onset.board = unit(all.0);
        onset.at = utc(facts.points[all.0].at);
        (onset.low, onset.high) = (Some(unit(all.1)), Some(unit(all.2)));
        onset.places = Some(all);
        (onset.shape, onset.slope_sigma) = match found.shape {
            Shape::Step => (Some("step"), None),
            Shape::Drift { slope } => (Some("drift"), Some(slope)),
        };
    }
    Ok(onset)
}

impl Onset {
    /// Where an episode began.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn of(
        config: &Config,
        reader: &Reader,
        facts: &ChartFacts,
        row: &EpisodeRow,
    ) -> Result<Onset, CommandError> {
        onset(config, reader, facts, row)
    }
}

/// The likeliest change among points that lead up to a signal. Nothing where there is no scale for
/// them.
fn likeliest(
    reader: &Reader,
    (what, facts): (&Characteristic, &ChartFacts),
    (row, places): (&EpisodeRow, &[usize]),
) -> Result<Option<spc::onset::Onset>, CommandError> {
    let points: Vec<&PointRow> = places.iter().map(|place| &facts.points[*place]).collect();
    let Some((first, last)) = points.first().zip(points.last()) else {
        return Ok(None);
    };
    if by_first(row, STARTING) {
        return Ok(spc::onset::estimate(&early_scores(what, &points), LIKELIHOOD).ok());
    }
    let Some(limits) = facts.limits_of(last.version) else {
        return Ok(None);
    };
    let Some(joint) = &limits.joint else {
        let distance = |point: &&PointRow| limits.standardised(point.value, point.size);
        let z: Vec<f64> = points.iter().map(distance).collect();
        return Ok(spc::onset::estimate(&z, LIKELIHOOD).ok());
    };
    // A distance has no side: where it comes from is in the measures themselves.
    let means = reader.means(facts.stream.id, first.at, last.at)?;
    let scores = points.iter().map(|point| {
        let own = means.get(&(point.at, point.unit.clone()))?;
        joint.scores(own).ok()
    });
    let scores: Option<Vec<Vec<f64>>> = scores.collect();
    Ok(scores.and_then(|scores| spc::onset::estimate_joint(&scores, LIKELIHOOD).ok()))
}

/// Points of a baseline, each against those before it.
fn early_scores(what: &Characteristic, points: &[&PointRow]) -> Vec<f64> {
    let mut reference = SelfStart::default();
    let score = |point: &&PointRow| {
        let weight = early_weight(what, point.size).unwrap_or(1.0);
        let score = reference.score_weighted(point.value, weight);
        reference.take_weighted(point.value, weight);
        score.unwrap_or(0.0)
    };
    points.iter().map(score).collect()
}

/// The points of a baseline before an alert's first signal: what that signal was judged against.
pub(super) fn before_first<'a>(facts: &'a ChartFacts, row: &EpisodeRow) -> Vec<&'a PointRow> {
    let points = &facts.points;
    let Some(signal) = points.iter().position(|point| is_first(row, point)) else {
        return Vec::new();
    };
    let version = points[signal].version;
    let own = points[..signal].iter();
    own.filter(|point| !point.late && point.version == version)
        .collect()
}

/// The centre that an episode of a baseline is measured from, and the run length of the sums that
/// signalled. The limits that came later are made of its own points, and say neither.
pub(super) fn measured_early(
    config: &Config,
    reader: &Reader,
    (streams, facts): (&[StreamRow], &ChartFacts),
    row: &EpisodeRow,
) -> Result<(Option<f64>, Option<f64>), CommandError> {
    let before = before_first(facts, row);
    let Some(first) = before.first() else {
        return Ok((None, None));
    };
    let what = characteristic(config, &facts.stream)?;
    let weight = |point: &PointRow| early_weight(what, point.size).unwrap_or(1.0);
    let weights: f64 = before.iter().map(|point| weight(point)).sum();
    let sum: f64 = before.iter().map(|point| weight(point) * point.value).sum();
    let name = |stream: &StreamRow| {
        let mut all = config.characteristics.iter();
        let place = all.position(|what| what.name == stream.characteristic)?;
        Some(StreamName {
            characteristic: place,
            keys: stream.keys.clone(),
        })
    };
    let Some(own) = name(&facts.stream) else {
        return Ok((Some(sum / weights), None));
    };
    let mut units = Vec::new();
    // Of a stated run length nothing has to be counted.
    let neighbours = streams.iter().filter(|_| what.run_length.is_none());
    for (stream, name) in neighbours.filter_map(|stream| Some((stream, name(stream)?))) {
        if station_of(config, &name) == station_of(config, &own) {
            let kind = config.characteristics[name.characteristic].chart;
            let window = (
                first.at.max(row.first_at - DAY_US) - MINUTE_US,
                row.first_at,
            );
            let own = reader.units_by_minute(stream.id, window, is_between(kind))?;
            units.extend(own.into_iter().map(|(at, count)| (name.clone(), at, count)));
        }
    }
    let length = starting_length(config, &own, &units, (first.at, row.first_at));
    Ok((Some(sum / weights), length))
}

/// Whether a rule fired first.
pub(crate) fn by_first(row: &EpisodeRow, rule: &str) -> bool {
    row.rules.first().is_some_and(|first| first == rule)
}

/// Places of the points without a signal that lead up to one, and that one.
fn quiet_until(points: &[PointRow], signal: usize) -> Vec<usize> {
    let version = points[signal].version;
    let mut places: Vec<usize> = points[..signal]
        .iter()
        .enumerate()
        .rev()
        .filter(|(_, point)| !point.late)
        .take_while(|(_, point)| point.version == version && point.signals.is_empty())
        .map(|(place, _)| place)
        .collect();
    places.reverse();
    places.push(signal);
    places
}

/// How an alert began, in a sentence with a blank before it; nothing where that is not estimated.
pub(crate) fn began(onset: &Onset) -> Option<String> {
    let kind = match (onset.shape?, onset.slope_sigma) {
        ("drift", Some(slope)) => {
            format!("a drift of about {} sigma a point", signed(slope, 2))
        }
        (shape, _) => format!("a {shape}"),
    };
    let (low, high) = (onset.low.as_ref()?, onset.high.as_ref()?);
    let board = &onset.board;
    let range = if low == high {
        String::new()
    } else {
        format!(" (90 % of the likelihood: {low} to {high})")
    };
    Some(format!(
        " Likeliest is {kind} that began at {board}{range}."
    ))
}

/// Whether a point has an alert's first signal.
pub(crate) fn is_first(row: &EpisodeRow, point: &PointRow) -> bool {
    point.at == row.first_at && point.unit == row.first_unit
}
