//! `driftvane alerts`: what is out of control, who knows of it, and what to do.
//!
//! Says only what the record holds: what explains an alert is compared, not guessed. The one
//! invariant: an alert speaks for all its streams; figures of one stream are of the one that says
//! most.

use std::cmp::Reverse;
use std::collections::BTreeSet;

use serde::Serialize;

use super::causes::{Causes, Moved, MovedPads, causes};
use super::chart::ChartFacts;
use super::pads::{Watched, watched};
use super::{CommandError, characteristic, moment, number, unit, utc, when};
use crate::config::{Characteristic, Config, Key};
use crate::engine::{PADS, STARTING};
use crate::output::{self, Format, Table};
use crate::store::Reader;
use crate::store::alerts::{AlertRow, Closed, EpisodeRow};
use crate::store::query::StreamRow;
use crate::words::Role;

pub mod health;
pub mod hold;
pub mod life;
mod onset;
mod words;

pub use onset::Onset;
pub use words::{beside, evidence, text};

/// Streams of which an alert tells the figures; the others are counted.
const MEMBERS_MAX: usize = 500;

/// Open alerts of a list that are explained unasked: the most urgent.
const EXPLAINED_MAX: usize = 50;

/// The columns of a list.
const COLUMNS: [&str; 15] = [
    "id",
    "state",
    "severity",
    "stream",
    "streams",
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
];

/// Those that people read beneath the row.
const LINES: [&str; 6] = [
    "state",
    "stream",
    "what moved",
    "points to",
    "rules",
    "acknowledged by",
];

/// The contract of `alerts --format json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Alert {
    /// Its name.
    pub id: String,
    /// Active or returned, acknowledged or not, in words.
    pub state: String,
    /// How much it matters: `low`, `medium` or `high`.
    pub severity: &'static str,
    /// The streams that show it, the one that says most first. What is said of one stream is of
    /// that one.
    pub streams: Vec<String>,
    /// How many streams show it, listed or not.
    pub stream_count: usize,
    /// The streams with their figures, in the order of their first signals.
    pub members: Vec<Member>,
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
    /// How far that is from the centre, in the unit.
    pub size: Option<f64>,
    /// The unit; empty for a share or a count.
    pub unit: String,
    /// How many points there are, on average, from one false alert of the stream to the next.
    pub points_between_false_alerts: Option<f64>,
    /// What happened, in a sentence.
    pub what_happened: String,
    /// The strata that moved, with their shares of the change; a key that tells nothing is absent.
    pub attribution: Vec<Moved>,
    /// `gauge`, `process`, `nothing` or `undecided`.
    pub origin: String,
    /// The first verdict, in a sentence.
    pub verdict: String,
    /// The single pads that moved against the rest of their panels, where the feeds carry pads and
    /// what explains the alert was asked.
    pub pads: Option<MovedPads>,
    /// The pads of the stream that says most which have moved, where these are watched.
    pub watched_pads: Option<Watched>,
    /// Boards since the earliest likely onset, of all its streams; absent where units are stretches
    /// of time.
    pub boards_to_hold: Option<u64>,
    /// Everything in at most 400 characters.
    pub text: String,
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
    /// When the last of its streams was quiet again.
    pub returned_at: Option<String>,
    /// Who acknowledged it.
    pub acknowledged_by: Option<String>,
    /// Why nobody is called for it, by design.
    pub suppressed: Option<String>,
    /// Until when it is shelved, RFC 3339 in UTC.
    pub shelved_until: Option<String>,
    /// How it was closed.
    pub closed: Option<Closing>,
    /// What each key tells, in words.
    #[serde(skip)]
    pub(crate) explained: Vec<String>,
    /// The key that tells most, where strata moved and others did not.
    #[serde(skip)]
    pub(crate) told_by: Option<Key>,
    #[serde(skip)]
    pub(crate) row: AlertRow,
    /// From when on boards are to be held.
    #[serde(skip)]
    since: i64,
}

/// How an alert was closed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Closing {
    /// When, RFC 3339 in UTC.
    pub at: String,
    /// Who.
    pub by: String,
    /// One of the plant's causes.
    pub cause: String,
    /// What was done.
    pub action: String,
    /// When enough points in control had verified it, RFC 3339 in UTC.
    pub verified_at: Option<String>,
}

impl Closing {
    fn of(row: &Closed) -> Closing {
        Closing {
            at: utc(row.at),
            by: row.by.clone(),
            cause: row.cause.clone(),
            action: row.action.clone(),
            verified_at: row.verified_at.map(utc),
        }
    }
}

/// A stream that an alert is about.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Member {
    /// Its readable name.
    pub stream: String,
    /// Its first signal, RFC 3339 in UTC.
    pub first_signal_at: String,
    /// The unit of it.
    pub board: String,
    /// The side of it.
    pub direction: String,
    /// The largest distance from the centre in sigma.
    pub size_sigma: f64,
    /// Signals so far.
    pub signals: u64,
    /// The rules that fired.
    pub rules: Vec<String>,
    /// When it was quiet again.
    pub returned_at: Option<String>,
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
    /// What moved and where that points, in sentences.
    #[must_use]
    pub fn cause(&self) -> String {
        let sentence = |words: String| {
            let mut letters = words.chars();
            letters
                .next()
                .map(|first| format!("{}{}.", first.to_uppercase(), letters.as_str()))
        };
        let sentences = [self.explained.join("; "), self.verdict.clone()];
        sentences
            .into_iter()
            .filter_map(sentence)
            .collect::<Vec<_>>()
            .join(" ")
    }

    /// The event time of the first signal of all.
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
    // A signal after a closing opens the alert again.
    !row.revised
        && row.closed.is_none()
        && (row.returned_at.is_none() || row.acknowledged.is_none())
}

/// Whether nobody is called for an alert for now.
pub(crate) fn is_quiet(row: &AlertRow) -> bool {
    row.suppressed.is_some() || row.shelved_until.is_some()
}

/// What sorts alerts: open ones first, those that nobody is called for last; of the others, active
/// ones come first, and of these the ones that nobody has acknowledged.
pub(crate) fn urgency(row: &AlertRow) -> (bool, bool, bool, bool) {
    let (returned, seen) = (row.returned_at.is_some(), row.acknowledged.is_some());
    (!is_open(row), is_quiet(row), returned, seen)
}

/// An alert's state in the words of ISA-18.2.
#[must_use]
pub fn state(config: &Config, row: &AlertRow) -> String {
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
    let revised = match (row.revised, row.merged_into) {
        (false, _) => String::new(),
        (true, None) => ", revised: late data took its ground away".to_owned(),
        (true, Some(into)) => format!(", revised: merged into {}", name(into)),
    };
    let shelved = match (&row.suppressed, row.shelved_until) {
        (Some(why), _) => format!(", suppressed: {why}"),
        (None, Some(until)) => format!(", shelved until {}", moment(config, until)),
        (None, None) => String::new(),
    };
    let closed = row.closed.as_ref().map_or_else(String::new, |closed| {
        let wanted = config.alerts.verify_points;
        match closed.verified_at {
            Some(_) => ", closed and verified".to_owned(),
            None => format!(", closed, {} of {wanted} points in control", closed.points),
        }
    });
    format!("{active}, {known}{shelved}{closed}{revised}")
}

/// The alert of a name, such as A-0001.
///
/// # Errors
///
/// When there is none, or the record can not be read.
pub(crate) fn find(reader: &Reader, id: &str) -> Result<AlertRow, CommandError> {
    let known = match number(id, 'A') {
        Some(number) => reader.alert(number)?,
        None => None,
    };
    known.ok_or_else(|| {
        CommandError::Usage(format!(
            "there is no alert '{id}'; `driftvane alerts list` lists them"
        ))
    })
}

/// The alerts of some names, or every one: active ones first, then those that nobody has
/// acknowledged, the newest first.
///
/// # Errors
///
/// When there is no alert of a name, the record can not be read, or the configuration does not fit
/// it.
pub fn rows(config: &Config, reader: &Reader, ids: &[String]) -> Result<Vec<Alert>, CommandError> {
    let streams = reader.streams()?;
    let mut rows = in_order(reader)?;
    if !ids.is_empty() {
        let named = ids.iter().map(|id| Ok(find(reader, id)?.id));
        let named = named.collect::<Result<BTreeSet<i64>, CommandError>>()?;
        rows.retain(|row| named.contains(&row.id));
    }
    let ask = |(place, row): (usize, &AlertRow)| match (is_open(row), place < EXPLAINED_MAX) {
        _ if !ids.is_empty() => Ask::Causes,
        (false, _) => Ask::Facts,
        (true, true) => Ask::Causes,
        (true, false) => Ask::Later,
    };
    let asks: Vec<Ask> = rows.iter().enumerate().map(ask).collect();
    let mut asked: Vec<(usize, (AlertRow, Ask))> = rows.into_iter().zip(asks).enumerate().collect();
    // A stream's chart is read once, and one chart at a time is held.
    asked.sort_by_key(|(_, (row, _))| row.lead.stream);
    let mut known: Option<ChartFacts> = None;
    let mut alerts = Vec::new();
    for (place, (row, ask)) in asked {
        let Some(stream) = streams.iter().find(|stream| stream.id == row.lead.stream) else {
            continue;
        };
        let facts = match known.take().filter(|facts| facts.stream.id == stream.id) {
            Some(facts) => facts,
            None => ChartFacts::read(reader, stream.clone())?,
        };
        let found = alert(config, reader, (&streams, &facts), (row, ask))?;
        alerts.push((place, found));
        known = Some(facts);
    }
    alerts.sort_by_key(|(place, _)| *place);
    Ok(alerts.into_iter().map(|(_, alert)| alert).collect())
}

/// Alerts in the order of need, the newest first among equals.
pub(crate) fn in_order(reader: &Reader) -> Result<Vec<AlertRow>, CommandError> {
    let mut rows = reader.alerts()?;
    rows.sort_by_key(|row| (urgency(row), Reverse(row.first_at)));
    Ok(rows)
}

/// How much of an alert is wanted. What explains it takes a pass over the archive, so a list of
/// years asks only for the open ones, and of many of these for the most urgent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ask {
    /// What the record says.
    Facts,
    /// What explains it as well.
    Causes,
    /// What the record says, and how to ask for what explains it.
    Later,
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
    let lead = &row.lead;
    let onset = onset::onset(config, reader, facts, lead)?;
    let began = onset::began(&onset).unwrap_or_default();
    let causes = match ask {
        Ask::Causes => causes(config, reader, (streams, facts), (&onset, &row))?,
        Ask::Facts => Causes::not_asked(),
        Ask::Later => Causes::later(&name(row.id)),
    };
    let hold = hold::hold(config, reader, (streams, facts), (&onset, &row))?;
    let (centre, run_length) = match onset::by_first(lead, STARTING) {
        true => onset::measured_early(config, reader, (streams, facts), lead)?,
        false => measured_by(facts, lead),
    };
    // How far a single pad has moved is no distance of the stream.
    let centre = centre.filter(|_| !onset::by_first(lead, PADS));
    let watched = watched(config, reader, stream)?.filter(|found| !found.pads.is_empty());
    let explained = watched.iter().map(Watched::words);
    let explained: Vec<String> = explained.chain(causes.explained).collect();
    let mut alert = Alert {
        id: name(row.id),
        state: state(config, &row),
        severity: row.severity.name(),
        streams: labels(streams, &row),
        stream_count: stream_count(&row),
        members: members(streams, &row),
        raised_at: utc(row.raised_at),
        onset,
        direction: lead.side.clone(),
        size_sigma: lead.size_sigma,
        size_value: lead.size_value,
        size: centre.map(|centre| lead.size_value - centre),
        unit: unit(config, what, stream),
        points_between_false_alerts: run_length,
        what_happened: words::sentence(config, what, facts, lead) + &began,
        attribution: causes.attribution,
        origin: causes.origin.to_owned(),
        verdict: causes.verdict,
        pads: causes.pads,
        told_by: causes.told_by,
        explained,
        watched_pads: watched,
        boards_to_hold: hold.boards,
        text: String::new(),
        plan: what.reaction_plan.clone(),
        history: history(reader, row.id)?,
        rules: lead.rules.clone(),
        signals: lead.signals,
        last_signal_at: utc(lead.last_at),
        returned_at: row.returned_at.map(utc),
        acknowledged_by: row.acknowledged.as_ref().map(|(_, by, _)| by.clone()),
        suppressed: row.suppressed.clone(),
        shelved_until: row.shelved_until.map(utc),
        closed: row.closed.as_ref().map(Closing::of),
        since: hold.since,
        row,
    };
    alert.text = text(config, &alert);
    Ok(alert)
}

/// The first of the streams that an alert has besides its lead, of very many.
fn members(streams: &[StreamRow], row: &AlertRow) -> Vec<Member> {
    let first = row.members.iter().take(MEMBERS_MAX);
    first.map(|one| member(streams, one)).collect()
}

/// What befell an alert, in order.
fn history(reader: &Reader, id: i64) -> Result<Vec<Event>, CommandError> {
    let events = reader.alert_events(id)?.into_iter().map(|event| Event {
        at: utc(event.at),
        what: event.what,
        who: event.who,
        comment: event.comment,
        time: event.at,
    });
    Ok(events.collect())
}

/// The centre that an episode is measured from, and the run length of what it is judged by.
fn measured_by(facts: &ChartFacts, one: &EpisodeRow) -> (Option<f64>, Option<f64>) {
    let mut points = facts.points.iter();
    let Some(first) = points.find(|point| onset::is_first(one, point)) else {
        return (None, None);
    };
    let limits = facts.limits_of(first.version);
    let centre = limits.map(|limits| limits.centre_at(first.size));
    (centre, facts.run_length(first.version))
}

fn label(streams: &[StreamRow], id: i64) -> String {
    let stream = streams.iter().find(|stream| stream.id == id);
    stream.map_or_else(String::new, |stream| stream.label.clone())
}

fn stream_count(row: &AlertRow) -> usize {
    let lead = std::iter::once(&row.lead);
    let all: BTreeSet<i64> = lead.chain(&row.members).map(|one| one.stream).collect();
    all.len()
}

/// The streams of an alert, the one that says most first.
fn labels(streams: &[StreamRow], row: &AlertRow) -> Vec<String> {
    let mut labels = vec![label(streams, row.lead.stream)];
    let mut seen = BTreeSet::from([row.lead.stream]);
    for one in &row.members {
        if labels.len() < MEMBERS_MAX && seen.insert(one.stream) {
            labels.push(label(streams, one.stream));
        }
    }
    labels
}

fn member(streams: &[StreamRow], one: &EpisodeRow) -> Member {
    Member {
        stream: label(streams, one.stream),
        first_signal_at: utc(one.first_at),
        board: one.first_unit.clone(),
        direction: one.side.clone(),
        size_sigma: one.size_sigma,
        signals: one.signals,
        rules: one.rules.clone(),
        returned_at: one.returned_at.map(utc),
    }
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

/// Prints the alerts of some names, or every one.
///
/// # Errors
///
/// As [`rows`], and when standard output can not be written.
pub fn print(
    config: &Config,
    reader: &Reader,
    ids: &[String],
    format: Format,
) -> Result<(), CommandError> {
    let rows = rows(config, reader, ids)?;
    let mut table = Table::with_lines(&COLUMNS, &LINES);
    for alert in &rows {
        table.push(vec![
            alert.id.as_str().into(),
            alert.state.as_str().into(),
            alert.severity.into(),
            alert.streams.first().map(String::as_str).into(),
            (alert.stream_count as u64).into(),
            when(config, format, alert.row.lead.first_at).into(),
            alert.row.lead.first_unit.as_str().into(),
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
