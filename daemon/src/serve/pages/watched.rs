//! The pads of streams that are watched pad by pad: those that moved, with how sure the list is.
//!
//! Knows no sum and no threshold. The one invariant: a list says what share of it may be false.

use std::collections::BTreeSet;

use serde::Serialize;

use crate::commands::pads::{WatchedPad, watched};
use crate::commands::{CommandError, local_minute};
use crate::config::Config;
use crate::store::Reader;
use crate::store::alerts::AlertRow;
use crate::store::query::StreamRow;

/// Pads of a stream that a page lists.
const PADS_MAX: usize = 20;

/// Streams of an alert whose pads a page lists.
const LISTS_MAX: usize = 5;

/// A stream's list.
#[derive(Serialize)]
pub(super) struct WatchedPads {
    stream: String,
    unit: String,
    rate: f64,
    /// Pads that were judged.
    tested: usize,
    /// Pads that moved, listed or not.
    moved: usize,
    left_out: u64,
    pads: Vec<Line>,
}

#[derive(Serialize)]
struct Line {
    pad: String,
    change: f64,
    change_sigma: f64,
    since: String,
    p: f64,
}

/// The list of a stream; nothing where its pads are not watched.
pub(super) fn of_stream(
    config: &Config,
    reader: &Reader,
    stream: &StreamRow,
) -> Result<Option<WatchedPads>, CommandError> {
    let Some(found) = watched(config, reader, stream)? else {
        return Ok(None);
    };
    let line = |pad: &WatchedPad| Line {
        pad: pad.name(),
        change: pad.change,
        change_sigma: pad.change_sigma,
        since: local_minute(config, pad.since_at()),
        p: pad.p,
    };
    Ok(Some(WatchedPads {
        stream: found.stream,
        unit: found.unit,
        rate: found.false_discovery_rate,
        tested: found.tested,
        moved: found.pads.len() + found.more,
        left_out: found.left_out,
        pads: found.pads.iter().take(PADS_MAX).map(line).collect(),
    }))
}

/// The lists that have pads, of the streams of an alert; the one that says most comes first.
pub(super) fn of_alert(
    config: &Config,
    reader: &Reader,
    streams: &[StreamRow],
    row: &AlertRow,
) -> Result<Vec<WatchedPads>, CommandError> {
    let members = std::iter::once(&row.lead).chain(&row.members);
    let mut seen = BTreeSet::new();
    let mut lists = Vec::new();
    for one in members.filter(|one| seen.insert(one.stream)) {
        let Some(stream) = streams.iter().find(|stream| stream.id == one.stream) else {
            continue;
        };
        let found = of_stream(config, reader, stream)?;
        lists.extend(found.filter(|list| list.moved > 0));
        if lists.len() == LISTS_MAX {
            break;
        }
    }
    Ok(lists)
}
