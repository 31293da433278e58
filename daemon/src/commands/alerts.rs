//! `driftvane alerts`: what is out of control, who knows of it, and what to do.
//!
//! Says only what the record holds: what explains an alert is compared, not guessed. The one
//! invariant: an acknowledgement carries a name and words, and is never overwritten.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use serde::Serialize;
use spc::chart::ChartKind;
use spc::onset::Shape;

use super::causes::{Causes, Moved, causes};
use super::chart::{ChartFacts, leading};
use super::{CommandError, characteristic, local, local_minute, rule_words, said, unit, utc, when};
use crate::config::{Characteristic, Config, Key, Subgroup};
use crate::engine::{SPREAD_BEYOND_LIMITS, is_detector};
use crate::output::{self, Format, Table, significant};
use crate::store::query::{AlertRow, PointRow, StreamRow};
use crate::store::{Acknowledged, Reader};
use crate::words::Role;

/// The share of the likelihood that the range of an onset holds.
const LIKELIHOOD: f64 = 0.9;

/// The contract of `alerts --format json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Alert {
    /// Its name.
    pub id: String,
    /// Active or returned, acknowledged or not, in words.
    pub state: String,
    /// The streams that show it.
    pub streams: Vec<String>,
    /// When it was raised, by the clock, RFC 3339 in UTC.
    pub raised_at: String,
    /// Where it began.
    pub onset: Onset,
    /// The side of the first signal: `upper`, `lower` or `neither`.
    pub direction: String,
    /// The largest distance from the centre, in sigma of the plotted value: of a point, or of the
    /// shift that cumulative sums or an average estimate.
    pub size_sigma: f64,
    /// The plotted value there.
    pub size_value: f64,
    /// What happened, in a sentence.
    pub what_happened: String,
    /// The strata that moved, with their shares of the change; a key that tells nothing is absent.
    pub attribution: Vec<Moved>,
    /// `gauge`, `process`, `nothing` or `undecided`.
    pub origin: String,
    /// The first verdict, in a sentence.
    pub verdict: String,
    /// Boards since the earliest likely onset; absent where units are stretches of time.
    pub boards_to_hold: Option<u64>,
    /// What to do.
    pub plan: String,
    /// What befell it.
    pub history: Vec<Event>,
    /// The rules that fired.
    pub rules: Vec<String>,
    /// Signals so far.
    pub signals: u64,
    /// The last signal, RFC 3339 in UTC.
    pub last_signal_at: String,
    /// When the stream was quiet again.
    pub returned_at: Option<String>,
    /// Who acknowledged it.
    pub acknowledged_by: Option<String>,
    /// What each key tells, in words.
    #[serde(skip)]
    pub(crate) explained: Vec<String>,
    #[serde(skip)]
    pub(crate) row: AlertRow,
}

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

/// What befell an alert.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Event {
    /// When, RFC 3339 in UTC.
    pub at: String,
    /// What.
    pub what: String,
    /// Who.
    pub who: String,
    /// What was said.
    pub comment: String,
    #[serde(skip)]
    pub(crate) time: i64,
}

impl Alert {
    /// What moved and where that points, in a sentence.
    #[must_use]
    pub fn cause(&self) -> String {
        let mut words = self.explained.join("; ");
        if !words.is_empty() {
            words.push_str(". ");
        }
        let verdict = format!("{words}{}.", self.verdict);
        let mut letters = verdict.chars();
        let first = letters
            .next()
            .map(|letter| letter.to_uppercase().to_string());
        first.unwrap_or_default() + letters.as_str()
    }

    /// The event time of the first signal.
    #[must_use]
    pub fn first_at(&self) -> i64 {
        self.row.first_at
    }
}

/// An alert's name.
#[must_use]
pub fn name(id: i64) -> String {
    format!("A-{id:04}")
}

/// Whether someone still has to do something about an alert.
#[must_use]
pub fn is_open(row: &AlertRow) -> bool {
    !row.revised && (row.returned_at.is_none() || row.acknowledged.is_none())
}

/// What sorts alerts: active ones first, then those that nobody has acknowledged.
pub(crate) fn urgency(row: &AlertRow) -> (bool, bool) {
    (!is_open(row), row.returned_at.is_some())
}

/// An alert's state in the words of ISA-18.2.
#[must_use]
pub fn state(row: &AlertRow) -> String {
    let active = if row.returned_at.is_none() {
        "active"
    } else {
        "returned"
    };
    let known = if row.acknowledged.is_some() {
        "acknowledged"
    } else {
        "not acknowledged"
    };
    let revised = if row.revised {
        ", revised: late data took its ground away"
    } else {
        ""
    };
    format!("{active}, {known}{revised}")
}

/// Every alert: active ones first, then those that nobody has acknowledged, the newest first.
///
/// # Errors
///
/// When the record can not be read, or the configuration does not fit it.
pub fn rows(config: &Config, reader: &Reader) -> Result<Vec<Alert>, CommandError> {
    let streams = reader.streams()?;
    let mut charts: BTreeMap<i64, ChartFacts> = BTreeMap::new();
    let mut rows = Vec::new();
    for row in reader.alerts()? {
        let Some(stream) = streams.iter().find(|stream| stream.id == row.stream) else {
            continue;
        };
        let facts = match charts.entry(stream.id) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(place) => place.insert(ChartFacts::read(reader, stream.clone())?),
        };
        let ask = if is_open(&row) {
            Ask::Causes
        } else {
            Ask::Facts
        };
        rows.push(alert(config, reader, (&streams, facts), (row, ask))?);
    }
    rows.sort_by_key(|alert| urgency(&alert.row));
    Ok(rows)
}

/// How much of an alert is wanted. What explains it takes a pass over the archive, so a list of
/// years asks only for the open ones.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ask {
    /// What the record says.
    Facts,
    /// What explains it as well.
    Causes,
}

/// An alert with what belongs to it.
pub(crate) fn alert(
    config: &Config,
    reader: &Reader,
    (streams, facts): (&[StreamRow], &ChartFacts),
    (row, ask): (AlertRow, Ask),
) -> Result<Alert, CommandError> {
    let stream = &facts.stream;
    let what = characteristic(config, stream)?;
    let onset = onset(facts, &row);
    let began = began(&onset).unwrap_or_default();
    let causes = match ask {
        Ask::Causes => causes(config, reader, (streams, facts), (&onset, &row))?,
        Ask::Facts => Causes::not_asked(),
    };
    let history = reader.alert_events(row.id)?.into_iter().map(|event| Event {
        at: utc(event.at),
        what: event.what,
        who: event.who,
        comment: event.comment,
        time: event.at,
    });
    let since = onset
        .places
        .map_or(row.first_at, |(_, low, _)| facts.points[low].at);
    Ok(Alert {
        id: name(row.id),
        state: state(&row),
        streams: vec![stream.label.clone()],
        raised_at: utc(row.raised_at),
        onset,
        direction: row.side.clone(),
        size_sigma: row.size_sigma,
        size_value: row.size_value,
        what_happened: sentence(config, what, facts, &row) + &began,
        attribution: causes.attribution,
        origin: causes.origin.to_owned(),
        verdict: causes.verdict,
        explained: causes.explained,
        boards_to_hold: boards_to_hold(config, reader, (what, stream), &row, since)?,
        plan: what.reaction_plan.clone(),
        history: history.collect(),
        rules: row.rules.clone(),
        signals: row.signals,
        last_signal_at: utc(row.last_at),
        returned_at: row.returned_at.map(utc),
        acknowledged_by: row.acknowledged.as_ref().map(|(_, by, _)| by.clone()),
        row,
    })
}

/// Where an alert began: the most likely start of a step or a drift that goes on to the first
/// signal, among the points since the signal before it, or since the baseline began.
fn onset(facts: &ChartFacts, row: &AlertRow) -> Onset {
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
fn began(onset: &Onset) -> Option<String> {
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

fn is_first(row: &AlertRow, point: &PointRow) -> bool {
    point.at == row.first_at && point.unit == row.first_unit
}

/// What happened, in a sentence.
fn sentence(config: &Config, what: &Characteristic, facts: &ChartFacts, row: &AlertRow) -> String {
    let side = match row.side.as_str() {
        "upper" => " on the upper side",
        "lower" => " on the lower side",
        _ => "",
    };
    let rule = row
        .rules
        .first()
        .map_or_else(String::new, |rule| rule_words(rule));
    let unit = unit(config, what, &facts.stream);
    let blank = if unit.is_empty() { "" } else { " " };
    let more = match row.signals {
        0 | 1 => String::new(),
        signals => format!(
            "; {signals} signals until {}",
            local_minute(config, row.last_at)
        ),
    };
    let begin = format!(
        "{}: {rule}{side}, first at {} ({}){more}",
        what.name,
        local(config, row.first_at),
        row.first_unit
    );
    if what.chart == ChartKind::TSquared {
        let first = facts.points.iter().find(|point| is_first(row, point));
        let most = first.and_then(|point| leading(what, point));
        let most = most.map_or_else(String::new, |name| format!("; {name} contributes most"));
        return format!(
            "{begin}{most}; farthest T-squared {}, as rare as {:.1} sigma of one measure.",
            significant(row.size_value),
            row.size_sigma,
        );
    }
    if row.rules.iter().all(|rule| is_detector(rule)) {
        return format!(
            "{begin}; no single point is beyond the limits, the shift is about {:+.1} sigma.",
            row.size_sigma
        );
    }
    format!(
        "{begin}; farthest value {}{blank}{unit}, {:+.1} sigma from the centre.",
        significant(row.size_value),
        row.size_sigma,
    )
}

/// Boards from the earliest likely onset to the last signal, or to now while the alert is active. A
/// panel counts as the boards that its product has.
fn boards_to_hold(
    config: &Config,
    reader: &Reader,
    (what, stream): (&Characteristic, &StreamRow),
    row: &AlertRow,
    since: i64,
) -> Result<Option<u64>, CommandError> {
    let last = row.returned_at.map_or(stream.newest, |_| row.last_at);
    let units = reader.units_between(stream.id, since, last)?;
    Ok(match what.subgroup {
        Subgroup::Minutes(_) => None,
        Subgroup::Board | Subgroup::Consecutive(_) => Some(units),
        Subgroup::Panel => {
            let boards = product(config, what, stream).map_or(1, |product| product.boards.max(1));
            Some(units * u64::from(boards))
        }
    })
}

/// The product that a stream is about: the one among its keys, the one that its filter lets
/// through, or the only one there is.
pub(crate) fn product<'a>(
    config: &'a Config,
    what: &Characteristic,
    stream: &StreamRow,
) -> Option<&'a crate::config::Product> {
    match key_value(what, stream, Key::Role(Role::Product)) {
        Some(name) => config.products.iter().find(|product| product.name == name),
        None => (config.products.len() == 1).then(|| &config.products[0]),
    }
}

/// What is known of a key for every row of a stream.
pub(crate) fn key_value(what: &Characteristic, stream: &StreamRow, key: Key) -> Option<String> {
    let named = super::keys(what, stream)
        .into_iter()
        .find(|(other, _)| *other == key);
    let filtered = || {
        let found = what.filter.iter().find(|(other, _)| *other == key);
        found.and_then(|(_, values)| match values.as_slice() {
            [one] => Some(one.clone()),
            _ => None,
        })
    };
    named.map(|(_, value)| value.to_string()).or_else(filtered)
}

/// Prints every alert.
///
/// # Errors
///
/// As [`rows`], and when standard output can not be written.
pub fn print(config: &Config, reader: &Reader, format: Format) -> Result<(), CommandError> {
    let rows = rows(config, reader)?;
    let mut table = Table::new(&[
        "id",
        "state",
        "stream",
        "first signal",
        "board",
        "began at",
        "side",
        "sigma",
        "boards to hold",
        "what moved",
        "points to",
        "rules",
        "acknowledged by",
    ]);
    for alert in &rows {
        table.push(vec![
            alert.id.as_str().into(),
            alert.state.as_str().into(),
            alert.streams.join(" ").into(),
            when(config, format, alert.row.first_at).into(),
            alert.row.first_unit.as_str().into(),
            alert.onset.board.as_str().into(),
            alert.direction.as_str().into(),
            alert.size_sigma.into(),
            alert.boards_to_hold.into(),
            alert.explained.join("; ").into(),
            alert.origin.as_str().into(),
            alert.rules.join(" ").into(),
            alert.acknowledged_by.as_deref().into(),
        ]);
    }
    Ok(output::print_rows(format, &table, &rows)?)
}

/// Acknowledges an alert.
///
/// # Errors
///
/// When the name or the comment is missing, there is no such alert, someone has done so before, or
/// the record refuses.
pub fn acknowledge(
    config: &Config,
    reader: &Reader,
    id: &str,
    (by, comment): (&str, &str),
    now: i64,
) -> Result<(), CommandError> {
    let (by, comment) = (said("the name", by)?, said("the comment", comment)?);
    let unknown = || {
        CommandError::Usage(format!(
            "there is no alert '{id}'; `driftvane alerts` lists them"
        ))
    };
    let digits = id
        .strip_prefix("A-")
        .or_else(|| id.strip_prefix("a-"))
        .unwrap_or(id);
    let number: i64 = digits.parse().map_err(|_| unknown())?;
    match reader.acknowledge(number, &by, &comment, now)? {
        Acknowledged::Done => Ok(()),
        Acknowledged::Unknown => Err(unknown()),
        Acknowledged::Before(at, who) => Err(CommandError::Refused(format!(
            "{} was acknowledged by {who} at {}; nothing was changed",
            name(number),
            local(config, at)
        ))),
    }
}
