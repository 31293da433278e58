//! Which streams moved, one line for each: those of an alert, and those beside a stream.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::commands::{CommandError, alerts, characteristic, keys, local_minute};
use crate::config::{Config, Key};
use crate::store::alerts::{AlertRow, EpisodeRow};
use crate::store::query::StreamRow;

/// Streams of an alert, or beside a stream, that are listed.
const MEMBERS_MAX: usize = 40;

/// A stream that moved.
#[derive(Serialize)]
pub(super) struct StreamLine {
    number: i64,
    label: String,
    first_at: String,
    size_sigma: f64,
    state: &'static str,
    /// The alert that gathers it: its number and its name.
    alert: (i64, String),
}

/// How a stream moved, over all its episodes.
struct Moved {
    alert: i64,
    first_at: i64,
    size_sigma: f64,
    is_active: bool,
}

impl Moved {
    fn add(into: &mut BTreeMap<i64, Moved>, alert: i64, one: &EpisodeRow) {
        let moved = into.entry(one.stream).or_insert(Moved {
            alert,
            first_at: one.first_at,
            size_sigma: one.size_sigma,
            is_active: false,
        });
        moved.first_at = moved.first_at.min(one.first_at);
        if one.size_sigma.abs() > moved.size_sigma.abs() {
            moved.size_sigma = one.size_sigma;
        }
        if one.returned_at.is_none() {
            (moved.is_active, moved.alert) = (true, alert);
        }
    }
}

/// The streams of an alert, in the order of their first signals.
pub(super) fn of_alert(config: &Config, streams: &[StreamRow], row: &AlertRow) -> Vec<StreamLine> {
    let mut moved = BTreeMap::new();
    for one in &row.members {
        Moved::add(&mut moved, row.id, one);
    }
    lines(config, streams, moved)
}

/// What else moved on a stream's line in a window of event time.
pub(super) fn beside(
    config: &Config,
    streams: &[StreamRow],
    rows: &[AlertRow],
    (of, window): (&StreamRow, (i64, i64)),
) -> Result<Vec<StreamLine>, CommandError> {
    let line = line_of(config, of)?;
    let mut moved = BTreeMap::new();
    for row in rows.iter().filter(|row| !row.revised) {
        for one in &row.members {
            let is_within = one.first_at <= window.1 && one.last_at >= window.0;
            if is_within && one.stream != of.id {
                Moved::add(&mut moved, row.id, one);
            }
        }
    }
    for stream in streams {
        let is_elsewhere = match (moved.contains_key(&stream.id), &line) {
            (true, Some(line)) => line_of(config, stream)?.is_some_and(|other| other != *line),
            _ => false,
        };
        if is_elsewhere {
            moved.remove(&stream.id);
        }
    }
    Ok(lines(config, streams, moved))
}

fn line_of(config: &Config, stream: &StreamRow) -> Result<Option<String>, CommandError> {
    let keys = keys(characteristic(config, stream)?, stream);
    let line = keys.into_iter().find(|(key, _)| *key == Key::Line);
    Ok(line.map(|(_, line)| line.to_string()))
}

fn lines(config: &Config, streams: &[StreamRow], moved: BTreeMap<i64, Moved>) -> Vec<StreamLine> {
    let mut moved: Vec<(i64, Moved)> = moved.into_iter().collect();
    moved.sort_by_key(|(stream, one)| (one.first_at, *stream));
    let line = |(number, one): (i64, Moved)| {
        let stream = streams.iter().find(|stream| stream.id == number)?;
        Some(StreamLine {
            number,
            label: stream.label.clone(),
            first_at: local_minute(config, one.first_at),
            size_sigma: one.size_sigma,
            state: match one.is_active {
                true => "active",
                false => "returned",
            },
            alert: (one.alert, alerts::name(one.alert)),
        })
    };
    moved
        .into_iter()
        .filter_map(line)
        .take(MEMBERS_MAX)
        .collect()
}
