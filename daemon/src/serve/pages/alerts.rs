//! Alerts in the order of need, and one alert with its evidence.

use std::sync::Arc;
use std::time::Duration;

use axum::Extension;
use axum::extract::{Path, State};
use axum::response::Response;
use reports::Figure;
use reports::view::AlertDetail;
use serde::Serialize;
use tokio::time::timeout;

use super::{Page, looked, missing, shown};
use crate::commands::alerts::{Alert, Ask, alert, is_open, name, state, urgency};
use crate::commands::chart::ChartFacts;
use crate::commands::{CommandError, local_minute, report, rule_words};
use crate::config::Config;
use crate::serve::access::Visitor;
use crate::store::Reader;
use crate::store::query::{AlertRow, StreamRow};

/// Open alerts that are shown with what to do.
const OPEN_MAX: usize = 50;

/// Alerts that are closed, in short.
const CLOSED_MAX: usize = 100;

/// How long a page waits for a pass over the archive.
const PASS_PATIENCE: Duration = Duration::from_secs(5);

/// An open alert with what to do.
#[derive(Serialize)]
pub(super) struct AlertLine {
    number: i64,
    id: String,
    state: String,
    is_acknowledged: bool,
    what: String,
    stream: String,
    stream_number: i64,
    first_at: String,
    first_board: String,
    boards_to_hold: Option<u64>,
    next_step: String,
}

/// An alert in short.
#[derive(Serialize)]
pub(super) struct AlertInShort {
    number: i64,
    id: String,
    state: String,
    stream: String,
    first_at: String,
    rules: String,
}

#[derive(Serialize)]
struct List {
    open: Vec<AlertLine>,
    open_all: usize,
    closed: Vec<AlertInShort>,
    closed_all: usize,
}

/// Alerts in the order of need, the newest first among equals.
fn in_order(reader: &Reader) -> Result<(Vec<AlertRow>, Vec<AlertRow>), CommandError> {
    let mut rows = reader.alerts()?;
    rows.sort_by_key(|row| (urgency(row), std::cmp::Reverse(row.first_at)));
    Ok(rows.into_iter().partition(is_open))
}

/// The most urgent open alerts, and how many there are.
pub(super) fn open_lines(
    config: &Config,
    reader: &Reader,
    streams: &[StreamRow],
    max: usize,
) -> Result<(Vec<AlertLine>, usize), CommandError> {
    let (open, _) = in_order(reader)?;
    let all = open.len();
    let mut lines = Vec::new();
    for row in open.into_iter().take(max) {
        let Some(stream) = streams.iter().find(|stream| stream.id == row.stream) else {
            continue;
        };
        let facts = ChartFacts::read(reader, stream.clone())?;
        // Causes take a pass over the archive: the page of one alert asks for them.
        let alert = alert(config, reader, (streams, &facts), (row, Ask::Facts))?;
        lines.push(line(config, stream, &alert));
    }
    Ok((lines, all))
}

fn line(config: &Config, stream: &StreamRow, alert: &Alert) -> AlertLine {
    let row = &alert.row;
    let step = alert
        .plan
        .lines()
        .map(str::trim)
        .find(|step| !step.is_empty());
    AlertLine {
        number: row.id,
        id: alert.id.clone(),
        state: alert.state.clone(),
        is_acknowledged: row.acknowledged.is_some(),
        what: alert.what_happened.clone(),
        stream: stream.label.clone(),
        stream_number: stream.id,
        first_at: local_minute(config, row.first_at),
        first_board: row.first_unit.clone(),
        boards_to_hold: alert.boards_to_hold,
        next_step: step.unwrap_or_default().to_owned(),
    }
}

/// An alert in short.
pub(super) fn in_short(config: &Config, streams: &[StreamRow], row: &AlertRow) -> AlertInShort {
    let stream = streams.iter().find(|stream| stream.id == row.stream);
    let rules: Vec<String> = row.rules.iter().map(|rule| rule_words(rule)).collect();
    AlertInShort {
        number: row.id,
        id: name(row.id),
        state: state(row),
        stream: stream.map_or_else(String::new, |stream| stream.label.clone()),
        first_at: local_minute(config, row.first_at),
        rules: rules.join("; "),
    }
}

/// Lists them.
pub(in crate::serve) async fn list(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    looked(page, move |page, reader| {
        let config = &page.config;
        let streams = reader.streams()?;
        let (open, open_all) = open_lines(config, reader, &streams, OPEN_MAX)?;
        let (_, closed) = in_order(reader)?;
        let short = closed.iter().take(CLOSED_MAX);
        let view = List {
            open,
            open_all,
            closed: short.map(|row| in_short(config, &streams, row)).collect(),
            closed_all: closed.len(),
        };
        Ok(shown(page, &visitor, ("alerts.html", "alerts"), &view))
    })
    .await
}

#[derive(Serialize)]
struct One {
    number: i64,
    stream_number: i64,
    is_acknowledged: bool,
    /// Whether nobody has looked what explains it, though it is open.
    is_unexplained: bool,
    alert: AlertDetail,
    figure: Option<Figure>,
}

/// Shows one. What explains it takes a pass over the archive; where that takes too long, or too
/// many are under way, the page comes without.
pub(in crate::serve) async fn show(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<String>,
) -> Response {
    if let Ok(place) = Arc::clone(&page.passes).try_acquire_owned() {
        let (visitor, id) = (visitor.clone(), id.clone());
        let explained = looked(Arc::clone(&page), move |page, reader| {
            let _place = place;
            one(page, reader, &visitor, (&id, Ask::Causes))
        });
        if let Ok(response) = timeout(PASS_PATIENCE, explained).await {
            return response;
        }
    }
    looked(page, move |page, reader| {
        one(page, reader, &visitor, (&id, Ask::Facts))
    })
    .await
}

fn one(
    page: &Page,
    reader: &Reader,
    visitor: &Visitor,
    (id, ask): (&str, Ask),
) -> Result<Response, CommandError> {
    let config = &page.config;
    let wanted = id.parse::<i64>().ok();
    let rows = reader.alerts()?;
    let Some(row) = rows.into_iter().find(|row| Some(row.id) == wanted) else {
        return Ok(missing("There is no such alert."));
    };
    let streams = reader.streams()?;
    let Some(stream) = streams.iter().find(|stream| stream.id == row.stream) else {
        return Ok(missing("The stream of this alert is gone."));
    };
    let facts = ChartFacts::read(reader, stream.clone())?;
    let (open, ask) = match is_open(&row) {
        true => (true, ask),
        false => (false, Ask::Facts),
    };
    let alert = alert(config, reader, (&streams, &facts), (row, ask))?;
    let mut detail = report::detail(config, &facts, &alert)?;
    let chart = detail.chart.take();
    let view = One {
        number: alert.row.id,
        stream_number: alert.row.stream,
        is_acknowledged: alert.row.acknowledged.is_some(),
        is_unexplained: open && ask == Ask::Facts,
        figure: chart.map(|chart| Figure::new(&chart, "chart")),
        alert: detail,
    };
    Ok(shown(page, visitor, ("alert.html", "alerts"), &view))
}
