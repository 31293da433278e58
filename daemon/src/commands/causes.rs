//! What explains an alert: the strata that moved, and whether gauge or process.
//!
//! Compares the units before the earliest likely onset with those from the most likely one on:
//! sibling streams by the points of the record, strata that are no streams by the archive. Knows no
//! SQL and no page. The one invariant: it is computed from what the record holds, so asking twice
//! gives the same answer, and "undecided" is said where the figures do not decide.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use spc::attribution::{Answer, Attribution, Changes, Figure, Interval, Window};

use super::alerts::Onset;
use super::chart::ChartFacts;
use super::pads::{self, Pad};
use super::strata::{self, Levels, STRATA, Seen};
use super::{CommandError, characteristic, keys, subgroup_name};
use crate::config::{Characteristic, Config, Feed, Key, Layout, Subgroup, Subject};
use crate::store::Reader;
use crate::store::alerts::{AlertRow, EpisodeRow};
use crate::store::query::{PointRow, ReadingFilter, StreamRow};
use crate::store::strata::{StrataFilter, Stratum};
use crate::words::Role;

mod fault;
mod together;

/// Points of the alert's stream before the onset that are compared, at most.
const BEFORE_MAX: usize = 60;

/// Points of the alert's stream from the onset on that are compared, at most.
const AFTER_MAX: usize = 40;

/// Quiet points before the onset from which they are the reference.
const QUIET_MIN: usize = 6;

/// Pads that are listed with an alert.
const PADS_MAX: usize = 20;

/// The share of that list that may be false.
const PADS_RATE: f64 = 0.05;

/// The confidence of every interval.
const CONFIDENCE: f64 = 0.95;

/// The seed of the intervals that are found by drawing: the same record, the same answer.
const SEED: u64 = 1;

/// What explains an alert.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Causes {
    /// The strata that moved, key by key.
    pub attribution: Vec<Moved>,
    /// The same in words, a key each.
    pub explained: Vec<String>,
    /// `gauge`, `process`, `nothing` or `undecided`.
    pub origin: &'static str,
    /// The verdict in a sentence.
    pub verdict: String,
    /// The single pads that moved, where the feeds carry pads.
    pub pads: Option<MovedPads>,
    /// The key by which strata moved and others did not, the one that tells most.
    pub told_by: Option<Key>,
}

/// The single pads that moved against the rest of their panels.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MovedPads {
    /// The share of the list that is expected to be false at most.
    pub false_discovery_rate: f64,
    /// Pads that were compared.
    pub tested: usize,
    /// The unit of the changes.
    pub unit: String,
    /// The pads, the most certain first.
    pub pads: Vec<Pad>,
    /// Pads that moved beyond those that are listed.
    pub more: usize,
}

impl Causes {
    fn undecided(why: &str) -> Causes {
        Causes {
            attribution: Vec::new(),
            explained: Vec::new(),
            origin: "undecided",
            verdict: format!("undecided: {why}"),
            pads: None,
            told_by: None,
        }
    }

    /// Of an alert that is over and known.
    pub(crate) fn not_asked() -> Causes {
        let why = "not asked again, the alert is over; the report of its shift says it";
        Causes::undecided(why)
    }

    /// Of an open alert that many others come before.
    pub(crate) fn later(id: &str) -> Causes {
        Causes::undecided(&format!(
            "not asked, so many alerts are open; `driftvane alerts list {id}` asks"
        ))
    }
}

/// A stratum's share of the change.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Moved {
    /// The key.
    pub key: String,
    /// Its value, or `common to all`.
    pub value: String,
    /// The share of the squared change that is there; for `common to all`, that all have alike.
    pub share: f64,
    /// The lower end of its 95 % interval.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

/// The event times that are compared, each up to but without its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Windows {
    before: (i64, i64),
    after: (i64, i64),
}

impl Windows {
    fn both(&self) -> [(i64, i64); 2] {
        [self.before, self.after]
    }

    fn of(&self, at: i64) -> Option<Window> {
        let inside = |(from, to): (i64, i64)| (from..to).contains(&at);
        match (inside(self.before), inside(self.after)) {
            (true, _) => Some(Window::Before),
            (_, true) => Some(Window::After),
            _ => None,
        }
    }

    /// Whether the alert's stream has two points on each side.
    fn hold_enough(&self, facts: &ChartFacts) -> bool {
        let on_time = facts.points.iter().filter(|point| !point.late);
        let sides: Vec<Window> = on_time.filter_map(|point| self.of(point.at)).collect();
        let count = |wanted| sides.iter().filter(|side| **side == wanted).count();
        count(Window::Before) >= 2 && count(Window::After) >= 2
    }
}

/// An alert's stream and what is known of it.
#[derive(Clone, Copy)]
pub(super) struct Alerted<'a> {
    config: &'a Config,
    reader: &'a Reader,
    what: &'a Characteristic,
    stream: &'a StreamRow,
    windows: Windows,
}

/// One key's comparison.
struct Compared {
    key: Key,
    values: Vec<String>,
    found: Attribution,
}

/// What explains an alert.
pub(crate) fn causes(
    config: &Config,
    reader: &Reader,
    (streams, facts): (&[StreamRow], &ChartFacts),
    (onset, row): (&Onset, &AlertRow),
) -> Result<Causes, CommandError> {
    let what = characteristic(config, &facts.stream)?;
    let undecided = Causes::undecided;
    if row.revised {
        return Ok(undecided("late data took the alert's ground away"));
    }
    if let Subject::Measures(names) = &what.subject {
        let mut causes = undecided(
            "several measures are charted together; a chart of each tells which strata moved",
        );
        together::attribute(reader, (names, facts), (onset, &row.lead), &mut causes)?;
        return Ok(causes);
    }
    let Some(windows) = windows(facts, onset, &row.lead) else {
        return Ok(undecided("no onset of a change of the level is known"));
    };
    // A single point in error is common, and no reason to read the archive.
    if !windows.hold_enough(facts) {
        let units = subgroup_name(what);
        return Ok(undecided(&format!(
            "too few {units} before or after the onset"
        )));
    }
    let alerted = Alerted {
        config,
        reader,
        what,
        stream: &facts.stream,
        windows,
    };
    let archived = alerted.archived(streams)?;
    let mut compared = alerted.siblings(streams)?;
    compared.extend(alerted.within(&archived));
    let (origin, verdict) = fault::verdict(&alerted, &archived, &compared);
    // What tells most comes first.
    compared.sort_by_key(|one| rank(&one.found.answer));
    let units = subgroup_name(what);
    Ok(Causes {
        attribution: compared.iter().flat_map(moved).collect(),
        explained: compared.iter().map(|one| in_words(one, units)).collect(),
        origin,
        verdict,
        pads: alerted.pads()?,
        told_by: told_by(&compared),
    })
}

/// The times to compare: quiet points before the earliest likely onset, and from the most likely
/// one to the last signal, or to now while the alert is active.
fn windows(facts: &ChartFacts, onset: &Onset, row: &EpisodeRow) -> Option<Windows> {
    let (best, low, _) = onset.places?;
    let points = &facts.points;
    let version = points.get(best)?.version;
    let on_time = |point: &&PointRow| !point.late && point.version == version;
    let quiet: Vec<&PointRow> = points[..low]
        .iter()
        .rev()
        .filter(on_time)
        .take_while(|point| point.signals.is_empty())
        .take(BEFORE_MAX)
        .collect();
    // Close behind another alert there is no quiet stretch: what the limits came from is one.
    let baseline = || {
        let own = points[..low].iter().rev().filter(on_time);
        own.filter(|point| point.baseline)
            .take(BEFORE_MAX)
            .collect()
    };
    let reference = if quiet.len() < QUIET_MIN {
        baseline()
    } else {
        quiet
    };
    let (first, next) = (reference.last()?, reference.first()?);
    let end = row.returned_at.map_or(i64::MAX, |_| row.last_at);
    let last = points[best..]
        .iter()
        .filter(|point| on_time(point) && point.at <= end)
        .take(AFTER_MAX)
        .last()?;
    Some(Windows {
        before: (first.at, next.at.saturating_add(1)),
        after: (points[best].at, last.at.saturating_add(1)),
    })
}

impl Alerted<'_> {
    /// The feeds whose readings the stream is made of.
    fn feeds(&self) -> impl Iterator<Item = &Feed> {
        let line = super::alerts::key_value(self.what, self.stream, Key::Line);
        let of_line = move |feed: &&Feed| line.as_ref().is_none_or(|line| *line == feed.line);
        let station = self.what.station;
        let feeds = self.config.feeds.iter();
        feeds
            .filter(move |feed| feed.station == station)
            .filter(of_line)
    }

    /// The single pads that moved with the alert's stream, where its feeds carry pads.
    fn pads(&self) -> Result<Option<MovedPads>, CommandError> {
        let has = |role| move |feed: &Feed| feed.roles.iter().any(|(own, _)| *own == role);
        let mut feeds = self.feeds();
        let has_pads = feeds.any(|feed| has(Role::Component)(feed) && has(Role::Pin)(feed));
        let is_measured = matches!(self.what.subject, Subject::Measure(_));
        if !has_pads || !is_measured || self.what.subgroup != Subgroup::Panel {
            return Ok(None);
        }
        let question = pads::Question {
            stream: self.stream.label.clone(),
            since: Some(self.windows.after.0),
            from: Some(self.windows.before.0),
            to: Some(self.windows.after.1),
            rate: PADS_RATE,
        };
        let mut answer = pads::answer(self.config, self.reader, &question)?;
        let more = answer.pads.len().saturating_sub(PADS_MAX);
        answer.pads.truncate(PADS_MAX);
        Ok(Some(MovedPads {
            false_discovery_rate: PADS_RATE,
            tested: answer.tested,
            unit: answer.unit,
            pads: answer.pads,
            more,
        }))
    }

    /// By each key of the stream: streams that are alike but for it.
    fn siblings(&self, streams: &[StreamRow]) -> Result<Vec<Compared>, CommandError> {
        let mut compared = Vec::new();
        for (place, key) in self.what.group_by.iter().enumerate() {
            if !strata::tells_strata(*key) {
                continue;
            }
            let windows = self.windows.both();
            let figures =
                strata::of_siblings(self.reader, streams, (self.stream, place), &windows)?;
            compared.extend(self.compare(*key, figures));
        }
        Ok(compared)
    }

    /// The archived means of both windows, told apart by all strata that the feeds carry.
    fn archived(&self, streams: &[StreamRow]) -> Result<Vec<Stratum>, CommandError> {
        let Subject::Measure(measure) = &self.what.subject else {
            return Ok(Vec::new());
        };
        let own = super::keys(self.what, self.stream);
        let own = own
            .into_iter()
            .map(|(key, value)| (key, vec![value.to_string()]));
        let is_stratum = |key: &Key| matches!(key, Key::Role(role) if STRATA.contains(role));
        let wanted = own.chain(self.what.filter.iter().cloned());
        let mut filter = StrataFilter {
            readings: ReadingFilter {
                station: self.what.station,
                measure,
                keys: wanted.filter(|(key, _)| !is_stratum(key)).collect(),
                from: self.windows.before.0,
                to: self.windows.before.1,
            },
            beside: fault::MEASURES.to_vec(),
            unit: match self.what.subgroup {
                Subgroup::Panel => [Role::Panel, Role::Board],
                _ => [Role::Board, Role::Panel],
            },
            by: STRATA.to_vec(),
        };
        let carries = |role: &Role| {
            self.feeds()
                .any(|feed| strata::carries(self.config, feed, *role))
        };
        let is_wide = self
            .feeds()
            .any(|feed| matches!(feed.layout, Layout::Wide(_)));
        let is_key = |role: &Role| self.what.group_by.contains(&Key::Role(*role));
        let has_more = STRATA.iter().any(|role| carries(role) && !is_key(role));
        if !has_more && !is_wide {
            return Ok(Vec::new());
        }
        let mut strata = self.reader.strata(&filter)?;
        (filter.readings.from, filter.readings.to) = self.windows.after;
        strata.extend(self.reader.strata(&filter)?);
        let late = self
            .reader
            .late_units(&self.alike(streams), &self.windows.both())?;
        strata.retain(|stratum| !late.contains(&stratum.unit));
        Ok(strata)
    }

    /// The streams that the archived means are of: the alert's, and those that differ from it by
    /// strata alone. Units that came too late for all of them move no answer either.
    fn alike(&self, streams: &[StreamRow]) -> Vec<i64> {
        let is_stratum = |key: &Key| matches!(key, Key::Role(role) if STRATA.contains(role));
        let keys = self.what.group_by.iter();
        let told_apart: Vec<usize> = keys
            .enumerate()
            .filter(|(_, key)| !is_stratum(key))
            .map(|(place, _)| place)
            .collect();
        let own = |other: &&StreamRow| {
            let same = |&place: &usize| other.keys.get(place) == self.stream.keys.get(place);
            other.characteristic == self.stream.characteristic && told_apart.iter().all(same)
        };
        streams.iter().filter(own).map(|stream| stream.id).collect()
    }

    /// By each stratum that is no key of the stream: parts of the stream's own units.
    fn within(&self, archived: &[Stratum]) -> Vec<Compared> {
        let allowed = |stratum: &Stratum, place: usize, key: Key| {
            let value = &stratum.keys[place];
            let own = keys(self.what, self.stream);
            let own = own.iter().find(|(name, _)| *name == key);
            let filtered = self.what.filter.iter().find(|(name, _)| *name == key);
            own.is_none_or(|(_, own)| **own == **value)
                && filtered.is_none_or(|(_, values)| values.contains(value))
        };
        let of_stream = |stratum: &&Stratum| {
            let mut places = STRATA.iter().enumerate();
            places.all(|(place, role)| allowed(stratum, place, Key::Role(*role)))
        };
        let own: Vec<&Stratum> = archived.iter().filter(of_stream).collect();
        let mut compared = Vec::new();
        for (place, role) in STRATA.iter().enumerate() {
            let key = Key::Role(*role);
            if !self.what.group_by.contains(&key) {
                compared.extend(self.compare(key, strata::by_level(own.iter().copied(), place)));
            }
        }
        compared
    }

    /// Compares the levels of a key that have units enough; nothing where only one has.
    fn compare(&self, key: Key, levels: Levels) -> Option<Compared> {
        let side = |at: i64| self.windows.of(at);
        let enough = |points: &Vec<Seen>| {
            let count = |window| {
                points
                    .iter()
                    .filter(|point| side(point.at) == Some(window))
                    .count()
            };
            count(Window::Before) >= 2 && count(Window::After) >= 2
        };
        let levels: Vec<(String, Vec<Seen>)> = levels
            .into_iter()
            .filter(|(value, points)| !value.is_empty() && enough(points))
            .collect();
        if levels.len() < 2 {
            return None;
        }
        let units: BTreeSet<&str> = levels
            .iter()
            .flat_map(|(_, points)| points.iter().map(|point| point.unit.as_str()))
            .collect();
        let numbers: BTreeMap<&str, u64> = units.into_iter().zip(0..).collect();
        let mut figures: BTreeMap<(usize, Window, u64), Figure> = BTreeMap::new();
        for (level, (_, points)) in levels.iter().enumerate() {
            for point in points {
                let number = numbers.get(point.unit.as_str());
                let (Some(window), Some(&panel)) = (side(point.at), number) else {
                    continue;
                };
                // A unit seen twice counts once, by its first point.
                figures.entry((level, window, panel)).or_insert(Figure {
                    window,
                    panel,
                    level,
                    value: point.value,
                });
            }
        }
        let figures: Vec<Figure> = figures.into_values().collect();
        let changes = Changes::of(&figures, levels.len()).ok()?;
        Some(Compared {
            key,
            values: levels.into_iter().map(|(value, _)| value).collect(),
            found: changes.attribute(CONFIDENCE, SEED).ok()?,
        })
    }
}

fn rank(answer: &Answer) -> u8 {
    match answer {
        Answer::Levels(_) => 0,
        Answer::Uneven => 1,
        Answer::Common => 2,
        Answer::Undecided => 3,
        Answer::Nothing => 4,
    }
}

/// The key of which a stratum has the largest share of the change; none where all moved alike.
fn told_by(compared: &[Compared]) -> Option<Key> {
    let share = |one: &Compared| {
        let levels = one.found.levels.iter().map(|level| level.share.value);
        levels.fold(0.0, f64::max)
    };
    let tells = |one: &&Compared| matches!(one.found.answer, Answer::Levels(_) | Answer::Uneven);
    let most = compared.iter().filter(tells).max_by(|a, b| {
        let order = rank(&b.found.answer).cmp(&rank(&a.found.answer));
        order.then(share(a).total_cmp(&share(b)))
    });
    most.map(|one| one.key)
}

/// The entries of one key.
fn moved(compared: &Compared) -> Vec<Moved> {
    let found = &compared.found;
    let entry = |value: &str, share: Interval| Moved {
        key: compared.key.name().to_owned(),
        value: value.to_owned(),
        share: share.value,
        low: share.low,
        high: share.high,
    };
    let level = |place: usize| entry(&compared.values[place], found.levels[place].share);
    match &found.answer {
        Answer::Levels(places) => places.iter().map(|&place| level(place)).collect(),
        Answer::Uneven => (0..found.levels.len()).map(level).collect(),
        Answer::Common => vec![entry(
            "common to all",
            Interval {
                value: 1.0 - found.between.value,
                low: 1.0 - found.between.high,
                high: 1.0 - found.between.low,
            },
        )],
        Answer::Undecided | Answer::Nothing => Vec::new(),
    }
}

/// What one key tells, for people.
fn in_words(compared: &Compared, units: &str) -> String {
    let key = compared.key.name();
    let found = &compared.found;
    let percent = |share: f64| format!("{:.0}", 100.0 * share);
    match &found.answer {
        Answer::Levels(places) => {
            let one = |&place: &usize| {
                let share = found.levels[place].share;
                format!(
                    "{} with {} % of the change ({} to {} %)",
                    compared.values[place],
                    percent(share.value),
                    percent(share.low),
                    percent(share.high)
                )
            };
            let all: Vec<String> = places.iter().map(one).collect();
            format!("{key} {}", all.join(" and "))
        }
        Answer::Common => format!("alike for every {key}"),
        Answer::Uneven => format!("every {key}, but not alike"),
        Answer::Undecided => format!("{key} undecided, too few {units}"),
        Answer::Nothing => format!("by {key} no change can be told"),
    }
}
