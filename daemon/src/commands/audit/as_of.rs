//! Alerts as they stood at an entry of the record that has gone on since.
//!
//! Undoes what people, time and later data have done: acts by the clock of the entry, signals by
//! the newest event that each feed had brought. The one invariant: where the record has not gone
//! on, nothing is changed.

use std::collections::BTreeSet;

use crate::commands::CommandError;
use crate::commands::alerts::{Alert, key_value};
use crate::commands::characteristic;
use crate::config::{Config, Key};
use crate::store::Reader;
use crate::store::alerts::{AlertEventRow, AlertRow, Closed, EpisodeRow};
use crate::store::query::{PointRow, StreamRow};
use crate::store::trail::Moment;

/// The record at a moment; as it is now where none is named.
pub(super) struct AsOf<'a> {
    reader: &'a Reader,
    moment: Option<Moment>,
    /// Every stream, with its newest point of that moment.
    streams: Vec<StreamRow>,
}

impl<'a> AsOf<'a> {
    pub(super) fn new(
        (config, reader): (&Config, &'a Reader),
        mut streams: Vec<StreamRow>,
        moment: Option<Moment>,
    ) -> Result<AsOf<'a>, CommandError> {
        if let Some(moment) = &moment {
            for stream in &mut streams {
                stream.newest = stream.newest.min(newest(config, moment, stream)?);
            }
        }
        Ok(AsOf {
            reader,
            moment,
            streams,
        })
    }

    /// Every stream, with its newest point of that moment.
    pub(super) fn streams(&self) -> &[StreamRow] {
        &self.streams
    }

    /// Up to when by the clock acts count.
    pub(super) fn clock(&self) -> i64 {
        self.moment.as_ref().map_or(i64::MAX, |moment| moment.at)
    }

    /// Every alert, the newest first.
    pub(super) fn alerts(&self) -> Result<Vec<AlertRow>, CommandError> {
        let rows = self.reader.alerts()?;
        let Some(moment) = &self.moment else {
            return Ok(rows);
        };
        let then = rows.into_iter().filter(|row| row.raised_at <= moment.at);
        then.map(|row| self.row(moment, row)).collect()
    }

    /// Takes out of an alert's history what befell it since.
    pub(super) fn cut(&self, alert: &mut Alert) {
        let until = self.clock();
        alert.history.retain(|event| event.time <= until);
    }

    fn row(&self, moment: &Moment, mut row: AlertRow) -> Result<AlertRow, CommandError> {
        row.members
            .retain(|one| self.newest(one.stream) >= one.first_at);
        for one in row.members.iter_mut().chain([&mut row.lead]) {
            self.cut_episode(one)?;
        }
        let is_active = row.members.iter().any(|one| one.returned_at.is_none());
        let last = row.members.iter().filter_map(|one| one.returned_at).max();
        row.returned_at = if is_active { None } else { last };
        row.acknowledged = row.acknowledged.filter(|(at, ..)| *at <= moment.at);
        let events = self.reader.alert_events(row.id)?;
        row.shelved_until = shelved(&events, moment.at, row.shelved_until);
        row.closed = match row.closed.take().filter(|closed| closed.at <= moment.at) {
            Some(closed) => Some(closed),
            None => closed(&events, moment.at),
        };
        if let Some(mut closed) = row.closed.take() {
            closed.verified_at = closed.verified_at.filter(|at| *at <= moment.at);
            if let (None, Some(through)) = (closed.verified_at, closed.through) {
                closed.points = self.points_since(&row, through)?;
            }
            row.closed = Some(closed);
        }
        Ok(row)
    }

    /// The newest point that a stream had.
    fn newest(&self, id: i64) -> i64 {
        let stream = self.streams.iter().find(|stream| stream.id == id);
        stream.map_or(i64::MAX, |stream| stream.newest)
    }

    fn cut_episode(&self, one: &mut EpisodeRow) -> Result<(), CommandError> {
        let newest = self.newest(one.stream);
        one.returned_at = one.returned_at.filter(|at| *at <= newest);
        if one.last_at <= newest {
            return Ok(());
        }
        let end = newest.saturating_add(1);
        let points = self.reader.points(one.stream, one.first_at, end)?;
        let signals: Vec<&PointRow> = points
            .iter()
            .filter(|point| !point.late && !point.signals.is_empty())
            .collect();
        let Some(last) = signals.last() else {
            return Ok(());
        };
        let mut rules: Vec<String> = Vec::new();
        for (rule, _) in signals.iter().flat_map(|point| &point.signals) {
            if !rules.contains(rule) {
                rules.push(rule.clone());
            }
        }
        (one.last_at, one.signals, one.rules) = (last.at, signals.len() as u64, rules);
        let is_farthest = |point: &&PointRow| point.value.total_cmp(&one.size_value).is_eq();
        if !signals.iter().any(is_farthest) {
            self.farthest(one, &signals)?;
        }
        Ok(())
    }

    /// How far the points of an episode were from the centre, where its farthest one came later.
    fn farthest(&self, one: &mut EpisodeRow, signals: &[&PointRow]) -> Result<(), CommandError> {
        let versions = self.reader.limits(Some(one.stream))?;
        let distance = |point: &&PointRow| {
            let row = versions.iter().find(|row| row.version == point.version)?;
            let size = row.limits.standardised(point.value, point.size);
            Some((size, point.value))
        };
        let found = signals.iter().filter_map(distance);
        if let Some((size, value)) = found.max_by(|a, b| a.0.abs().total_cmp(&b.0.abs())) {
            (one.size_sigma, one.size_value) = (size, value);
        }
        Ok(())
    }

    /// The fewest points that a stream of an alert had since its closing.
    fn points_since(&self, row: &AlertRow, through: i64) -> Result<u64, CommandError> {
        let streams: BTreeSet<i64> = row.members.iter().map(|one| one.stream).collect();
        let mut fewest = None;
        for stream in streams {
            let end = self.newest(stream).saturating_add(1);
            let points = self.reader.points(stream, through.saturating_add(1), end)?;
            let count = points.iter().filter(|point| !point.late).count() as u64;
            fewest = Some(fewest.map_or(count, |before: u64| before.min(count)));
        }
        Ok(fewest.unwrap_or_default())
    }
}

/// The newest event that the feeds of a stream had brought.
fn newest(config: &Config, moment: &Moment, stream: &StreamRow) -> Result<i64, CommandError> {
    let what = characteristic(config, stream)?;
    let line = key_value(what, stream, Key::Line);
    let feeds = config.feeds.iter().filter(|feed| {
        feed.station == what.station && line.as_ref().is_none_or(|line| *line == feed.line)
    });
    let newest = feeds.filter_map(|feed| moment.newest.get(&feed.name)).max();
    Ok(newest.copied().unwrap_or(i64::MIN))
}

/// Until when an alert was shelved; where that is over, when it ended.
fn shelved(events: &[AlertEventRow], until: i64, now: Option<i64>) -> Option<i64> {
    let about = |event: &&AlertEventRow| {
        ["shelved", "unshelved", "shelving ended", "closed"].contains(&event.what.as_str())
    };
    let (before, after): (Vec<_>, Vec<_>) = events
        .iter()
        .filter(about)
        .partition(|event| event.at <= until);
    before.last().filter(|event| event.what == "shelved")?;
    let ended = after.first().filter(|event| event.what == "shelving ended");
    ended.map(|event| event.at).or(now)
}

/// How an alert was closed that has been opened again since, or was closed once more.
fn closed(events: &[AlertEventRow], until: i64) -> Option<Closed> {
    let mut found: Option<Closed> = None;
    for event in events.iter().filter(|event| event.at <= until) {
        match event.what.as_str() {
            "closed" => {
                let (cause, action) = event.comment.split_once(": ")?;
                found = Some(Closed {
                    at: event.at,
                    by: event.who.clone(),
                    cause: cause.to_owned(),
                    action: action.to_owned(),
                    verified_at: None,
                    points: 0,
                    through: None,
                });
            }
            "reopened" => found = None,
            "verified" => {
                if let Some(closed) = &mut found {
                    closed.verified_at = Some(event.at);
                }
            }
            _ => {}
        }
    }
    found
}
