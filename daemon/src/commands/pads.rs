//! `driftvane pads`: which single pads moved, of all that a stream holds.
//!
//! Each pad's readings before a time are compared with those after it, against the rest of their
//! panels, and the list is cut where the stated share of false entries ends. The one invariant: a
//! pad that is not on the list is no more certain than any that is.

use std::collections::BTreeMap;

use serde::Serialize;
use spc::welch::{Summary, compare};

use super::alerts::Onset;
use super::chart::ChartFacts;
use super::{ALWAYS, CommandError, characteristic, find_stream, keys, unit, utc, when};
use crate::config::{Config, Key, Subgroup, Subject};
use crate::engine::LIST_RATE;
use crate::output::{self, Cell, Format, Table, number_of};
use crate::store::Reader;
use crate::store::query::{ReadingFilter, StreamRow};
use crate::store::strata::StrataFilter;
use crate::words::Role;

/// The roles that tell the pads of a panel apart.
const PAD: [Role; 4] = [Role::Family, Role::Position, Role::Component, Role::Pin];

/// What is asked.
#[derive(Clone, Debug)]
pub struct Question {
    /// The stream: its label, or a part of it that no other has.
    pub stream: String,
    /// The time that divides before from after; default: the onset of the stream's newest alert.
    pub since: Option<i64>,
    /// From this time on.
    pub from: Option<i64>,
    /// Up to this time.
    pub to: Option<i64>,
    /// The share of the list that may be false.
    pub rate: f64,
}

/// The answer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Answer {
    /// The stream.
    pub stream: String,
    /// The unit.
    pub unit: String,
    /// The time that divides before from after, RFC 3339 in UTC.
    pub since: String,
    /// The share of the list that is expected to be false at most.
    pub false_discovery_rate: f64,
    /// Pads that were compared.
    pub tested: usize,
    /// Pads with too few readings, or none that differ.
    pub not_tested: usize,
    /// Readings of pads beyond the bound of what is screened.
    pub left_out: u64,
    /// The pads that moved, the most certain first.
    pub pads: Vec<Pad>,
}

/// A pad that moved.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pad {
    /// Family, position, component, pin, where the feed carries them.
    pub keys: BTreeMap<&'static str, String>,
    /// Its mean against the rest of the panel, after less before, in the unit.
    pub change: f64,
    /// The standard error of the change.
    pub standard_error: f64,
    /// Panels before.
    pub panels_before: u64,
    /// Panels after.
    pub panels_after: u64,
    /// The p-value of the change (Welch).
    pub p: f64,
    /// The smallest rate at which the pad would be listed (Benjamini and Hochberg).
    pub adjusted: f64,
}

/// The pads of a stream that is watched pad by pad, as of its newest panel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Watched {
    /// The stream.
    pub stream: String,
    /// The unit.
    pub unit: String,
    /// The newest panel, RFC 3339 in UTC; absent before the first.
    pub at: Option<String>,
    /// The share of the list that is expected to be false at most.
    pub false_discovery_rate: f64,
    /// Pads that were judged.
    pub tested: usize,
    /// Readings of pads beyond the bound of what is watched.
    pub left_out: u64,
    /// The pads that moved, the most certain first.
    pub pads: Vec<WatchedPad>,
    /// Pads that moved beyond those that are listed.
    pub more: usize,
}

/// A watched pad that moved.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WatchedPad {
    /// Product, position, component, pin, where the feed carries them.
    pub keys: BTreeMap<&'static str, String>,
    /// How far it moved against the rest of its panel, in the unit.
    pub change: f64,
    /// The same in sigmas of its own from panel to panel.
    pub change_sigma: f64,
    /// Since when, RFC 3339 in UTC.
    pub since: String,
    /// Its p-value.
    pub p: f64,
    /// The smallest rate at which the pad would be listed.
    pub adjusted: f64,
    #[serde(skip)]
    since_at: i64,
}

#[cfg(test)]
impl WatchedPad {
    /// A pad of a test that moved by some sigma.
    pub(crate) fn invented<const N: usize>(
        keys: [(&'static str, &str); N],
        change_sigma: f64,
    ) -> WatchedPad {
        WatchedPad {
            keys: keys.map(|(key, value)| (key, value.to_owned())).into(),
            change: change_sigma,
            change_sigma,
            since: String::new(),
            p: 0.001,
            adjusted: 0.01,
            since_at: 0,
        }
    }
}

impl WatchedPad {
    /// What tells it from other pads, in words.
    pub(crate) fn name(&self) -> String {
        let key = |(key, value): (&&str, &String)| format!("{key} {value}");
        self.keys.iter().map(key).collect::<Vec<_>>().join(", ")
    }

    /// Since when, as an event time.
    pub(crate) fn since_at(&self) -> i64 {
        self.since_at
    }
}

impl Watched {
    /// Which pads moved, in a few words.
    #[must_use]
    pub fn words(&self) -> String {
        let first = self.pads.first().map_or_else(String::new, |pad| {
            let keys = [Role::Component, Role::Pin].map(|role| pad.keys.get(role.name()));
            let named: Vec<&str> = keys.into_iter().flatten().map(String::as_str).collect();
            format!("{} by {:+.1} sigma", named.join(" "), pad.change_sigma)
        });
        let more = match self.pads.len() + self.more {
            0 | 1 => String::new(),
            all => format!(" and {}", number_of(all as u64 - 1, "more pad")),
        };
        format!("{first}{more}, against the rest of the panel")
    }
}

/// The list of a stream's pads that moved; nothing where they are not watched.
///
/// # Errors
///
/// When the record can not be read, or the configuration does not fit it.
pub fn watched(
    config: &Config,
    reader: &Reader,
    stream: &StreamRow,
) -> Result<Option<Watched>, CommandError> {
    let what = characteristic(config, stream)?;
    if !what.watch_pads {
        return Ok(None);
    }
    let list = reader.pad_list(stream.id)?.unwrap_or_default();
    let roles = [Role::Product, Role::Position, Role::Component, Role::Pin];
    let pads = list.pads.into_iter().map(|pad| {
        let named = roles.iter().zip(pad.name);
        let named = named.filter(|(_, name)| !name.is_empty());
        WatchedPad {
            keys: named.map(|(role, name)| (role.name(), name)).collect(),
            change: pad.change,
            change_sigma: pad.change_sigma,
            since: utc(pad.since),
            p: pad.p,
            adjusted: pad.adjusted,
            since_at: pad.since,
        }
    });
    Ok(Some(Watched {
        stream: stream.label.clone(),
        unit: unit(config, what, stream),
        at: list.at.map(utc),
        false_discovery_rate: LIST_RATE,
        tested: list.tested,
        left_out: list.left_out,
        pads: pads.collect(),
        more: list.more,
    }))
}

/// Prints the list of the pads that are watched.
///
/// # Errors
///
/// When the stream is unknown or its pads are not watched, the record can not be read, or standard
/// output can not be written.
pub fn print_watched(
    config: &Config,
    reader: &Reader,
    stream: &str,
    format: Format,
) -> Result<(), CommandError> {
    let stream = find_stream(reader, stream)?;
    let Some(found) = watched(config, reader, &stream)? else {
        return Err(CommandError::Refused(format!(
            "the pads of '{}' are not watched: write watch_pads = true in its characteristic, or \
             say with --since from when on pads may have moved",
            stream.label
        )));
    };
    let mut table = Table::new(&[
        "product",
        "position",
        "component",
        "pin",
        "change",
        "unit",
        "sigma",
        "since",
        "p",
        "adjusted",
    ]);
    for pad in &found.pads {
        let key = |role: Role| Cell::from(pad.keys.get(role.name()).cloned());
        table.push(vec![
            key(Role::Product),
            key(Role::Position),
            key(Role::Component),
            key(Role::Pin),
            pad.change.into(),
            found.unit.as_str().into(),
            pad.change_sigma.into(),
            when(config, format, pad.since_at).into(),
            pad.p.into(),
            pad.adjusted.into(),
        ]);
    }
    output::print_rows(format, &table, &found)?;
    if format == Format::Table {
        output::print(&format!(
            "{} of {} pads have moved against the rest of their panels; at most {} % of the list \
             is expected to be false{}\n",
            found.pads.len() + found.more,
            found.tested,
            100.0 * found.false_discovery_rate,
            match found.more {
                0 => String::new(),
                more => format!(" ({more} of them are not told one by one)"),
            }
        ))?;
    }
    Ok(())
}

/// Screens the pads of a stream.
///
/// # Errors
///
/// When the stream is unknown, charts no measure, or has neither an alert nor a stated time.
pub fn answer(
    config: &Config,
    reader: &Reader,
    question: &Question,
) -> Result<Answer, CommandError> {
    let stream = find_stream(reader, &question.stream)?;
    let since = match question.since {
        Some(since) => since,
        None => newest_onset(config, reader, &stream)?,
    };
    let filter = filter(config, &stream, question)?;
    let screening = reader.screen(&filter, since)?;
    let mut pads = Vec::new();
    let mut not_tested = 0;
    for (names, pad) in &screening.pads {
        let sets = Summary::of(&pad.before).and_then(|before| {
            let after = Summary::of(&pad.after)?;
            compare(before, after)
        });
        let Ok(difference) = sets else {
            not_tested += 1;
            continue;
        };
        let keys = PAD.iter().zip(names).filter(|(_, name)| !name.is_empty());
        pads.push(Pad {
            keys: keys
                .map(|(role, name)| (role.name(), name.clone()))
                .collect(),
            change: difference.value,
            standard_error: difference.standard_error,
            panels_before: pad.before.count(),
            panels_after: pad.after.count(),
            p: difference.p,
            adjusted: 1.0,
        });
    }
    let tested = pads.len();
    let p: Vec<f64> = pads.iter().map(|pad| pad.p).collect();
    let found = spc::multiple::list(&p, question.rate)
        .map_err(|error| CommandError::Usage(format!("--rate: {error}")))?;
    let listed = found.listed.iter().map(|&place| Pad {
        adjusted: found.adjusted[place],
        ..pads[place].clone()
    });
    Ok(Answer {
        unit: unit(config, characteristic(config, &stream)?, &stream),
        stream: stream.label.clone(),
        since: utc(since),
        false_discovery_rate: question.rate,
        tested,
        not_tested,
        left_out: screening.left_out,
        pads: listed.collect(),
    })
}

/// The onset of the newest alert of a stream.
fn newest_onset(config: &Config, reader: &Reader, stream: &StreamRow) -> Result<i64, CommandError> {
    let rows = reader.alerts()?.into_iter();
    let newest = rows
        .filter_map(|row| row.on(stream.id).cloned())
        .max_by_key(|episode| episode.first_at);
    let Some(newest) = newest else {
        return Err(CommandError::Refused(format!(
            "the stream '{}' has no alert: say with --since from when on pads may have moved",
            stream.label
        )));
    };
    let facts = ChartFacts::read(reader, stream.clone())?;
    let onset = Onset::of(config, reader, &facts, &newest)?
        .at
        .parse::<jiff::Timestamp>();
    Ok(onset.map_or(newest.first_at, |at| at.as_microsecond()))
}

fn filter<'a>(
    config: &'a Config,
    stream: &StreamRow,
    question: &Question,
) -> Result<StrataFilter<'a>, CommandError> {
    let what = characteristic(config, stream)?;
    let Subject::Measure(measure) = &what.subject else {
        return Err(CommandError::Refused(format!(
            "the stream '{}' charts no single measure: only the pads of one can be compared",
            stream.label
        )));
    };
    let own = keys(what, stream);
    let own = own
        .into_iter()
        .map(|(key, value)| (key, vec![value.to_string()]));
    let wanted: Vec<(Key, Vec<String>)> = own.chain(what.filter.iter().cloned()).collect();
    Ok(StrataFilter {
        readings: ReadingFilter {
            station: what.station,
            measure,
            keys: wanted,
            from: question.from.unwrap_or(ALWAYS.0),
            to: question.to.unwrap_or(ALWAYS.1),
        },
        beside: Vec::new(),
        unit: match what.subgroup {
            Subgroup::Panel => [Role::Panel, Role::Board],
            _ => [Role::Board, Role::Panel],
        },
        by: PAD.to_vec(),
    })
}

/// Prints the answer.
///
/// # Errors
///
/// As for [`answer`], and where standard output can not be written.
pub fn print(
    config: &Config,
    reader: &Reader,
    question: &Question,
    format: Format,
) -> Result<(), CommandError> {
    let answer = answer(config, reader, question)?;
    let mut table = Table::new(&[
        "family",
        "position",
        "component",
        "pin",
        "change",
        "standard error",
        "unit",
        "panels before",
        "panels after",
        "p",
        "adjusted",
    ]);
    for pad in &answer.pads {
        let key = |role: Role| Cell::from(pad.keys.get(role.name()).cloned());
        table.push(vec![
            key(Role::Family),
            key(Role::Position),
            key(Role::Component),
            key(Role::Pin),
            pad.change.into(),
            pad.standard_error.into(),
            answer.unit.as_str().into(),
            pad.panels_before.into(),
            pad.panels_after.into(),
            pad.p.into(),
            pad.adjusted.into(),
        ]);
    }
    output::print_rows(format, &table, &answer)?;
    if format == Format::Table {
        let since = question
            .since
            .map_or_else(|| answer.since.clone(), |since| when(config, format, since));
        output::print(&format!(
            "{} of {} pads moved against the rest of their panels since {since}; at most {} % of \
             the list is expected to be false ({} pads have too few readings)\n",
            answer.pads.len(),
            answer.tested,
            100.0 * answer.false_discovery_rate,
            answer.not_tested,
        ))?;
    }
    Ok(())
}
