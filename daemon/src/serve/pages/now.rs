//! The first page: what needs someone, and how each station stands.

use std::collections::BTreeSet;
use std::sync::Arc;

use axum::Extension;
use axum::extract::State;
use axum::response::Response;
use serde::Serialize;

use super::alerts::{AlertLine, open_lines};
use super::feeds::{FeedState, Silence, feed_state, silent};
use super::proposals::{Waiting, waiting};
use super::{Page, looked, shown};
use crate::clock;
use crate::commands::alerts::in_order;
use crate::commands::outbox::{ChannelState, channels};
use crate::commands::{CommandError, characteristic, keys, local_minute};
use crate::config::{Config, Feed, Key};
use crate::serve::access::Visitor;
use crate::shifts;
use crate::store::Reader;
use crate::store::live::FeedCounts;
use crate::store::query::StreamRow;

/// Alerts on the first page; the page of alerts has the others.
const ALERTS_MAX: usize = 5;

#[derive(Serialize)]
struct View {
    alerts: Vec<AlertLine>,
    alerts_open: usize,
    /// Changes of limits that wait for someone to approve them.
    proposals: Vec<Waiting>,
    /// Feeds from which nothing comes.
    silences: Vec<Silence>,
    /// Channels by which notices do not leave as they should.
    channels: Vec<ChannelState>,
    lines: Vec<Line>,
    shift: String,
    since: String,
}

#[derive(Serialize)]
struct Line {
    name: String,
    stations: Vec<Station>,
}

#[derive(Serialize)]
struct Station {
    name: &'static str,
    feed: FeedState,
    streams: Streams,
}

/// How the streams of a station stand.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
struct Streams {
    all: usize,
    judged: usize,
    collecting: usize,
    without: usize,
    alerts: usize,
}

/// Shows it.
pub(in crate::serve) async fn show(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    looked(page, move |page, reader| {
        let view = view(&page.config, reader)?;
        Ok(shown(page, &visitor, ("now.html", "now"), &view))
    })
    .await
}

fn view(config: &Config, reader: &Reader) -> Result<View, CommandError> {
    let now = clock::now();
    let shift = shifts::at(config, now);
    let counts = reader.feed_counts(shift.start)?;
    let streams = reader.streams()?;
    let all = in_order(reader)?;
    let (alerts, alerts_open) = open_lines(config, reader, (&streams, &all), ALERTS_MAX)?;
    let mut channels = channels(config, reader)?;
    channels.retain(|channel| channel.needs_attention);
    let active: BTreeSet<i64> = all
        .iter()
        .filter(|alert| !alert.revised)
        .flat_map(|alert| &alert.members)
        .filter(|one| one.returned_at.is_none())
        .map(|one| one.stream)
        .collect();
    let mut lines: Vec<Line> = Vec::new();
    for feed in &config.feeds {
        let delivered = counts.iter().find(|one| one.feed == feed.name);
        let station = Station {
            name: feed.station.name(),
            feed: feed_state(config, reader, feed, delivered)?,
            streams: of_station(config, feed, &streams, &active)?,
        };
        match lines.iter_mut().find(|line| line.name == feed.line) {
            Some(line) => line.stations.push(station),
            None => lines.push(Line {
                name: feed.line.clone(),
                stations: vec![station],
            }),
        }
    }
    Ok(View {
        alerts,
        alerts_open,
        proposals: waiting(config, reader)?,
        silences: silent(config, reader)?,
        channels,
        lines,
        shift: shift.name.clone(),
        since: local_minute(config, shift.start),
    })
}

/// The streams that a feed's station makes; those that do not tell lines apart count for each.
fn of_station(
    config: &Config,
    feed: &Feed,
    streams: &[StreamRow],
    active: &BTreeSet<i64>,
) -> Result<Streams, CommandError> {
    let mut sum = Streams::default();
    for stream in streams {
        let what = characteristic(config, stream)?;
        let keys = keys(what, stream);
        let line = keys.iter().find(|(key, _)| *key == Key::Line);
        let is_of_line = line.is_none_or(|(_, line)| **line == *feed.line);
        if what.station != feed.station || !is_of_line {
            continue;
        }
        sum.all += 1;
        sum.judged += usize::from(stream.monitoring);
        sum.without += usize::from(!stream.monitoring && stream.note.is_some());
        sum.collecting += usize::from(!stream.monitoring && stream.note.is_none());
        sum.alerts += usize::from(active.contains(&stream.id));
    }
    Ok(sum)
}

/// Nothing was delivered.
pub(super) static NOTHING: FeedCounts = FeedCounts {
    feed: String::new(),
    accepted: 0,
    with_rejects: 0,
    duplicate: 0,
    quarantined: 0,
    rows: [0; 4],
};
