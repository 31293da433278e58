//! Where an alert began: estimated from the points that led up to its first signal.
//!
//! Knows no page and no SQL. The one invariant: nothing is estimated from points behind a signal.

use serde::Serialize;
use spc::onset::Shape;

use crate::commands::chart::ChartFacts;
use crate::commands::utc;
use crate::engine::SPREAD_BEYOND_LIMITS;
use crate::store::alerts::EpisodeRow;
use crate::store::query::PointRow;

/// The share of the likelihood that the range of an onset holds.
const LIKELIHOOD: f64 = 0.9;

/// Where an alert most likely began. The ends are absent where nothing is estimated: a change of
/// the spread or of several measures together, or a first signal that no longer stands.
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

/// Where an episode began: the most likely start of a step or a drift that goes on to the first
/// signal, among the points since the signal before it, or since the baseline began.
pub(super) fn onset(facts: &ChartFacts, row: &EpisodeRow) -> Onset {
    let mut onset = Onset {
        board: row.first_unit.clone(),
        at: utc(row.first_at),
        low: None,
        high: None,
        shape: None,
        slope_sigma: None,
        places: None,
    };
    if row
        .rules
        .first()
        .is_some_and(|rule| rule == SPREAD_BEYOND_LIMITS)
    {
        return onset;
    }
    let Some(signal) = facts.points.iter().position(|point| is_first(row, point)) else {
        return onset;
    };
    let version = facts.points[signal].version;
    // A distance has no side, so its level before the alert is not 0 as the estimate takes it.
    let limits = facts.limits_of(version);
    let Some(limits) = limits.filter(|limits| limits.joint.is_none()) else {
        return onset;
    };
    let places = quiet_until(&facts.points, signal);
    let distance = |&place: &usize| {
        let point = &facts.points[place];
        limits.standardised(point.value, point.size)
    };
    let z: Vec<f64> = places.iter().map(distance).collect();
    if let Ok(found) = spc::onset::estimate(&z, LIKELIHOOD) {
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
    onset
}

impl Onset {
    /// Where an episode began.
    #[must_use]
    pub fn of(facts: &ChartFacts, row: &EpisodeRow) -> Onset {
        onset(facts, row)
    }
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
pub(super) fn began(onset: &Onset) -> Option<String> {
    let kind = match (onset.shape?, onset.slope_sigma) {
        ("drift", Some(slope)) => format!("a drift of about {slope:+.2} sigma a point"),
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

pub(super) fn is_first(row: &EpisodeRow, point: &PointRow) -> bool {
    point.at == row.first_at && point.unit == row.first_unit
}
