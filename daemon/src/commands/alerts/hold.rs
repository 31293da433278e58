//! Which boards to hold: those of every stream that moved, since the earliest likely onset of the
//! stream that says most, or of the one that signalled first.
//!
//! Knows no page and no SQL. The one invariant: the count and the list are of the same boards.

use std::collections::BTreeMap;

use serde::Serialize;

use super::onset::{Onset, onset};
use super::{Alert, key_value, product};
use crate::commands::chart::ChartFacts;
use crate::commands::{CommandError, characteristic, utc, when};
use crate::config::{Characteristic, Config, Key, Subgroup};
use crate::output::{self, Format, Table};
use crate::store::Reader;
use crate::store::alerts::{AlertRow, EpisodeRow};
use crate::store::query::StreamRow;

/// What has to be held.
pub(super) struct Hold {
    /// Since when: the earlier of the two likely onsets.
    pub(super) since: i64,
    /// Boards; absent where units are stretches of time.
    pub(super) boards: Option<u64>,
}

/// A unit to hold.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Held {
    /// The panel or board.
    pub unit: String,
    /// When it was measured first, RFC 3339 in UTC.
    pub at: String,
    /// Boards in it.
    pub boards: u64,
    #[serde(skip)]
    time: i64,
}

/// The earliest likely onset of the stream that says most and of the one that signalled first.
fn since(
    config: &Config,
    reader: &Reader,
    (streams, facts): (&[StreamRow], &ChartFacts),
    (lead, row): (&Onset, &AlertRow),
) -> Result<i64, CommandError> {
    let mut since = low(facts, lead, &row.lead);
    let Some(first) = row.members.first() else {
        return Ok(since);
    };
    since = since.min(first.first_at);
    if first.stream != row.lead.stream
        && let Some(stream) = streams.iter().find(|stream| stream.id == first.stream)
    {
        let facts = ChartFacts::read(reader, stream.clone())?;
        let found = onset(config, reader, &facts, first)?;
        since = since.min(low(&facts, &found, first));
    }
    Ok(since)
}

fn low(facts: &ChartFacts, onset: &Onset, row: &EpisodeRow) -> i64 {
    let earliest = onset.places.map(|(_, low, _)| facts.points[low].at);
    earliest.unwrap_or(row.first_at)
}

/// Boards since the earliest likely onset, that of the stream that says most given.
pub(super) fn hold(
    config: &Config,
    reader: &Reader,
    (streams, facts): (&[StreamRow], &ChartFacts),
    (lead, row): (&Onset, &AlertRow),
) -> Result<Hold, CommandError> {
    let since = since(config, reader, (streams, facts), (lead, row))?;
    let what = characteristic(config, &facts.stream)?;
    let is_counted = !matches!(what.subgroup, Subgroup::Minutes(_));
    let units = units(config, reader, streams, (row, since))?;
    let boards = units.values().map(|(_, boards)| boards).sum();
    Ok(Hold {
        since,
        boards: is_counted.then_some(boards),
    })
}

/// The units of every stream that moved, since a time: up to each one's last signal, or up to now
/// while it is active. Boards of a panel that is held are not held a second time.
fn units(
    config: &Config,
    reader: &Reader,
    streams: &[StreamRow],
    (row, since): (&AlertRow, i64),
) -> Result<BTreeMap<String, (i64, u64)>, CommandError> {
    let lead = std::slice::from_ref(&row.lead);
    let members = if row.members.is_empty() {
        lead
    } else {
        &row.members
    };
    let mut held = HeldUnits::default();
    for one in members {
        let Some(stream) = streams.iter().find(|stream| stream.id == one.stream) else {
            continue;
        };
        let what = characteristic(config, stream)?;
        let last = one.returned_at.map_or(stream.newest, |_| one.last_at);
        let (boards, into) = match what.subgroup {
            Subgroup::Minutes(_) => continue,
            Subgroup::Panel => (boards(config, what, stream), &mut held.panels),
            Subgroup::Board | Subgroup::Consecutive(_) => (1, &mut held.boards),
        };
        for (at, unit) in reader.units_between(stream.id, since, last)? {
            let held = into.entry(unit).or_insert((at, boards));
            held.0 = held.0.min(at);
        }
        held.span = (held.span.0.min(since), held.span.1.max(last));
        held.measured_by = held.measured_by.or(Some((what, stream)));
    }
    held.each_once(reader)
}

/// Units to hold, with their first event and the boards in them.
#[derive(Default)]
struct HeldUnits<'a> {
    panels: BTreeMap<String, (i64, u64)>,
    boards: BTreeMap<String, (i64, u64)>,
    span: (i64, i64),
    measured_by: Option<(&'a Characteristic, &'a StreamRow)>,
}

impl HeldUnits<'_> {
    /// Panels, and the boards that are of none of them.
    fn each_once(mut self, reader: &Reader) -> Result<BTreeMap<String, (i64, u64)>, CommandError> {
        if !self.panels.is_empty() && !self.boards.is_empty() {
            let of_panel = match self.measured_by {
                Some((what, stream)) => {
                    let line = key_value(what, stream, Key::Line);
                    let window = (self.span.0, self.span.1.saturating_add(1));
                    reader.panels_of_boards((what.station, line.as_deref()), window)?
                }
                None => BTreeMap::new(),
            };
            let panels = &self.panels;
            self.boards.retain(|board, _| {
                // A board without a serial number is named by its panel and its place in it.
                let named = board
                    .rsplit_once('/')
                    .map_or(board.as_str(), |(panel, _)| panel);
                let panel = of_panel.get(board).map_or(named, String::as_str);
                !panels.contains_key(panel) && !panels.contains_key(board)
            });
        }
        self.panels.append(&mut self.boards);
        Ok(self.panels)
    }
}

/// How many boards a panel of a stream has.
fn boards(config: &Config, what: &Characteristic, stream: &StreamRow) -> u64 {
    product(config, what, stream).map_or(1, |product| u64::from(product.boards.max(1)))
}

/// The units to hold, in the order in which they were measured.
///
/// # Errors
///
/// When the record can not be read, or the configuration does not fit it.
pub fn list(config: &Config, reader: &Reader, row: &AlertRow) -> Result<Vec<Held>, CommandError> {
    let streams = reader.streams()?;
    let Some(lead) = streams.iter().find(|stream| stream.id == row.lead.stream) else {
        return Ok(Vec::new());
    };
    let facts = ChartFacts::read(reader, lead.clone())?;
    let lead = onset(config, reader, &facts, &row.lead)?;
    let since = since(config, reader, (&streams, &facts), (&lead, row))?;
    let units = units(config, reader, &streams, (row, since))?;
    let held = |(unit, (time, boards)): (String, (i64, u64))| Held {
        unit,
        at: utc(time),
        boards,
        time,
    };
    let mut all: Vec<Held> = units.into_iter().map(held).collect();
    all.sort_by(|a, b| (a.time, &a.unit).cmp(&(b.time, &b.unit)));
    Ok(all)
}

/// The list as a table.
#[must_use]
pub fn table(config: &Config, row: &AlertRow, held: &[Held], format: Format) -> Table {
    let mut table = Table::new(&["alert", "unit", "measured at", "boards"]);
    for one in held {
        table.push(vec![
            super::name(row.id).into(),
            one.unit.as_str().into(),
            when(config, format, one.time).into(),
            one.boards.into(),
        ]);
    }
    table
}

/// Prints the containment list of an alert.
///
/// # Errors
///
/// When there is no such alert, as [`list`], and when standard output can not be written.
pub fn print(
    config: &Config,
    reader: &Reader,
    id: &str,
    format: Format,
) -> Result<(), CommandError> {
    let row = super::find(reader, id)?;
    let held = list(config, reader, &row)?;
    let table = table(config, &row, &held, format);
    Ok(output::print_rows(format, &table, &held)?)
}

impl Alert {
    /// Since when boards are to be held.
    #[must_use]
    pub fn hold_since(&self) -> i64 {
        self.since
    }
}
