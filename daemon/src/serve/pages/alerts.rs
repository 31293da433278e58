//! Alerts in the order of need, and one alert with its evidence.

use std::sync::Arc;

use axum::Extension;
use axum::extract::{Path, State};
use axum::http::HeaderValue;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::Response;
use reports::Figure;
use reports::view::AlertDetail;
use serde::Serialize;
use tokio::time::timeout;

use super::health::{ChannelLine, channel_lines};
use super::moved::{self, StreamLine};
use super::watched::{self, WatchedPads};
use super::{PASS_PATIENCE, Page, looked, missing, shown};
use crate::commands::alerts::{Alert, Ask, alert, hold, in_order, is_open, is_quiet, name, state};
use crate::commands::causes::MovedPads;
use crate::commands::chart::ChartFacts;
use crate::commands::{CommandError, local_minute, report, rule_words};
use crate::config::Config;
use crate::engine::SPREAD_BEYOND_LIMITS;
use crate::output::{self, Format, significant_to};
use crate::serve::access::Visitor;
use crate::store::Reader;
use crate::store::alerts::{AlertRow, EpisodeRow};
use crate::store::query::StreamRow;

/// Open alerts that are shown with what to do.
const OPEN_MAX: usize = 50;

/// Alerts that are closed, in short.
const CLOSED_MAX: usize = 100;

/// Panels or boards in a list that a page hands out.
const BOARDS_MAX: usize = 10_000;

/// An open alert with what to do.
#[derive(Serialize)]
pub(super) struct AlertLine {
    number: i64,
    id: String,
    state: String,
    /// Nobody has seen it, and nothing keeps it quiet.
    needs_someone: bool,
    what: String,
    stream: String,
    stream_count: usize,
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
    channels: Vec<ChannelLine>,
}

/// The most urgent of all alerts that are open, and how many are.
pub(super) fn open_lines(
    config: &Config,
    reader: &Reader,
    (streams, in_order): (&[StreamRow], &[AlertRow]),
    max: usize,
) -> Result<(Vec<AlertLine>, usize), CommandError> {
    let open = in_order.iter().filter(|row| is_open(row));
    let all = open.clone().count();
    let mut lines = Vec::new();
    for row in open.take(max).cloned() {
        let Some(stream) = streams.iter().find(|stream| stream.id == row.lead.stream) else {
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
        needs_someone: row.acknowledged.is_none() && !is_quiet(row),
        what: headline(stream, alert),
        stream: stream.label.clone(),
        stream_count: alert.stream_count,
        stream_number: stream.id,
        first_at: local_minute(config, row.first_at),
        first_board: row.lead.first_unit.clone(),
        boards_to_hold: alert.boards_to_hold,
        next_step: step.unwrap_or_default().to_owned(),
    }
}

/// What moved, by how much and since when, as far as a glance takes it in; the whole sentence where
/// the value is not what moved.
fn headline(stream: &StreamRow, alert: &Alert) -> String {
    let lead = &alert.row.lead;
    let is_of_spread = lead.rules.iter().any(|rule| rule == SPREAD_BEYOND_LIMITS);
    let Some(size) = alert.size.filter(|_| !is_of_spread) else {
        return alert.what_happened.clone();
    };
    let way = if size < 0.0 { "lower" } else { "higher" };
    let unit = match alert.unit.is_empty() {
        true => String::new(),
        false => format!(" {}", alert.unit),
    };
    let since = match alert.onset.board.is_empty() {
        true => String::new(),
        false => format!(", likely since {}", alert.onset.board),
    };
    format!(
        "{} {way} by {}{unit} ({} sigma){since}",
        stream.characteristic,
        significant_to(size.abs(), 3),
        output::signed(lead.size_sigma, 1)
    )
}

/// An alert in short.
pub(super) fn in_short(config: &Config, streams: &[StreamRow], row: &AlertRow) -> AlertInShort {
    let stream = streams.iter().find(|stream| stream.id == row.lead.stream);
    short(config, stream, (row, &row.lead))
}

/// An alert in short, as one of its streams has it.
pub(super) fn in_short_on(config: &Config, stream: &StreamRow, row: &AlertRow) -> AlertInShort {
    let own = row.on(stream.id).unwrap_or(&row.lead);
    short(config, Some(stream), (row, own))
}

fn short(
    config: &Config,
    stream: Option<&StreamRow>,
    (row, episode): (&AlertRow, &EpisodeRow),
) -> AlertInShort {
    let rules: Vec<String> = episode.rules.iter().map(|rule| rule_words(rule)).collect();
    AlertInShort {
        number: row.id,
        id: name(row.id),
        state: state(config, row),
        stream: stream.map_or_else(String::new, |stream| stream.label.clone()),
        first_at: local_minute(config, episode.first_at),
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
        let all = in_order(reader)?;
        let (open, open_all) = open_lines(config, reader, (&streams, &all), OPEN_MAX)?;
        let closed = all.iter().filter(|row| !is_open(row)).take(CLOSED_MAX);
        let view = List {
            open,
            open_all,
            closed: closed.map(|row| in_short(config, &streams, row)).collect(),
            closed_all: all.len() - open_all,
            channels: channel_lines(config, reader)?,
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
    is_shelved: bool,
    is_closed: bool,
    is_revised: bool,
    headline: String,
    severity: &'static str,
    streams: Vec<StreamLine>,
    stream_count: usize,
    points_between_false_alerts: Option<f64>,
    /// Since when boards are to be held.
    hold_since: String,
    /// How it was closed, in words.
    closing: String,
    closing_causes: Vec<String>,
    pads: Option<MovedPads>,
    /// The pads that moved of its streams that are watched pad by pad.
    watched: Vec<WatchedPads>,
    shelve_hours_max: u32,
    verify_points: u32,
    causes: Causes,
    alert: AlertDetail,
    figure: Option<Figure>,
}

/// How the page of an alert stands to what explains it.
#[derive(Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
enum Causes {
    /// It is told.
    Told,
    /// It takes a pass over the archive, and is asked for once the page is there.
    Later,
    /// The archive has not answered in time.
    Busy,
}

/// Shows one, at once.
pub(in crate::serve) async fn show(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<String>,
) -> Response {
    looked(page, move |page, reader| {
        one(page, reader, &visitor, (&id, Causes::Later))
    })
    .await
}

/// Shows one with what explains it. That takes a pass over the archive; where it takes too long,
/// or too many are under way, the page comes without.
pub(in crate::serve) async fn causes(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<String>,
) -> Response {
    if let Ok(place) = Arc::clone(&page.passes).try_acquire_owned() {
        let (visitor, id) = (visitor.clone(), id.clone());
        let explained = looked(Arc::clone(&page), move |page, reader| {
            let _place = place;
            one(page, reader, &visitor, (&id, Causes::Told))
        });
        if let Ok(response) = timeout(PASS_PATIENCE, explained).await {
            return response;
        }
    }
    looked(page, move |page, reader| {
        one(page, reader, &visitor, (&id, Causes::Busy))
    })
    .await
}

fn one(
    page: &Page,
    reader: &Reader,
    visitor: &Visitor,
    (id, causes): (&str, Causes),
) -> Result<Response, CommandError> {
    let config = &page.config;
    let Some(row) = known(reader, id)? else {
        return Ok(missing("There is no such alert."));
    };
    let streams = reader.streams()?;
    let Some(stream) = streams.iter().find(|stream| stream.id == row.lead.stream) else {
        return Ok(missing("The stream of this alert is gone."));
    };
    let facts = ChartFacts::read(reader, stream.clone())?;
    let ask = match causes {
        Causes::Told => Ask::Causes,
        Causes::Later | Causes::Busy => Ask::Facts,
    };
    let alert = alert(config, reader, (&streams, &facts), (row, ask))?;
    let mut detail = report::detail(config, reader, (&streams, &facts), &alert)?;
    let chart = detail.chart.take();
    let view = One {
        number: alert.row.id,
        stream_number: alert.row.lead.stream,
        is_acknowledged: alert.row.acknowledged.is_some(),
        is_shelved: alert.row.shelved_until.is_some(),
        is_closed: alert.row.closed.is_some(),
        is_revised: alert.row.revised,
        headline: headline(stream, &alert),
        severity: alert.severity,
        streams: moved::of_alert(config, &streams, &alert.row),
        stream_count: alert.stream_count,
        points_between_false_alerts: alert.points_between_false_alerts,
        hold_since: local_minute(config, alert.hold_since()),
        closing: closing(config, &alert.row),
        closing_causes: config.alerts.causes.clone(),
        pads: alert.pads.clone(),
        watched: watched::of_alert(config, reader, &streams, &alert.row)?,
        shelve_hours_max: config.alerts.shelve_hours_max,
        verify_points: config.alerts.verify_points,
        causes,
        figure: chart.map(|chart| Figure::new(&chart, "chart")),
        alert: detail,
    };
    Ok(shown(page, visitor, ("alert.html", "alerts"), &view))
}

fn known(reader: &Reader, id: &str) -> Result<Option<AlertRow>, CommandError> {
    Ok(match id.parse::<i64>() {
        Ok(number) => reader.alert(number)?,
        Err(_) => None,
    })
}

fn closing(config: &Config, row: &AlertRow) -> String {
    let Some(closed) = &row.closed else {
        return String::new();
    };
    let at = local_minute(config, closed.at);
    let by = format!("{}, {at}: {}. {}", closed.by, closed.cause, closed.action);
    match closed.verified_at {
        Some(at) => format!("{by} Verified {}.", local_minute(config, at)),
        None => by,
    }
}

/// The boards to hold, to be taken along.
pub(in crate::serve) async fn boards(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
) -> Response {
    looked(page, move |page, reader| {
        let config = &page.config;
        let Some(row) = known(reader, &id)? else {
            return Ok(missing("There is no such alert."));
        };
        let held = hold::list(config, reader, &row)?;
        if held.len() > BOARDS_MAX {
            return Err(CommandError::Refused(format!(
                "There are {} panels or boards; “driftvane alerts boards {}” lists them all.",
                held.len(),
                name(row.id)
            )));
        }
        let table = hold::table(config, &row, &held, Format::Csv);
        let mut text = Vec::new();
        output::write(&mut text, Format::Csv, &table, &held)?;
        Ok(download(text, &format!("{}-boards.csv", name(row.id))))
    })
    .await
}

fn download(text: Vec<u8>, file: &str) -> Response {
    let mut response = Response::new(text.into());
    let headers = response.headers_mut();
    headers.insert(
        CONTENT_TYPE,
        HeaderValue::from_static("text/csv; charset=utf-8"),
    );
    if let Ok(how) = HeaderValue::from_str(&format!("attachment; filename=\"{file}\"")) {
        headers.insert(CONTENT_DISPOSITION, how);
    }
    response
}
