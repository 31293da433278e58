//! Streams by characteristic, and one stream's chart with its limits and numbers.

use std::sync::Arc;

use axum::Extension;
use axum::extract::{Path, RawQuery, State};
use axum::response::Response;
use reports::Figure;
use serde::Serialize;
use tokio::time::timeout;

use super::alerts::{AlertInShort, in_short_on};
use super::moved::{self, StreamLine};
use super::proposals::{Waiting, waiting};
use super::watched::{self, WatchedPads};
use super::{PASS_PATIENCE, Page, looked, missing, shown};
use crate::commands::baseline::Baseline;
use crate::commands::capability::specification;
use crate::commands::chart::{self, ChartFacts};
use crate::commands::limits::Watch;
use crate::commands::{
    CommandError, changeovers, characteristic, limits, local_minute, pad_maps, strata, streams,
    subgroup_name, unit,
};
use crate::config::{Characteristic, Config, Key};
use crate::serve::access::Visitor;
use crate::store::query::{LimitsRow, StreamRow};
use crate::store::{Reader, chart_name};

/// Streams in the list.
const STREAMS_MAX: usize = 300;

/// Points of a chart: the usual number, and what can be asked for instead. Each can be read out.
const POINTS: [usize; 3] = [150, 500, 1_000];

/// Alerts of a stream that are listed.
const ALERTS_MAX: usize = 20;

#[derive(Serialize)]
struct List {
    find: String,
    all: usize,
    found: usize,
    groups: Vec<Group>,
}

#[derive(Serialize)]
struct Group {
    name: String,
    streams: Vec<Row>,
}

#[derive(Serialize)]
struct Row {
    number: i64,
    label: String,
    phase: &'static str,
    newest: String,
    limits: String,
    alert: Option<(i64, String)>,
    note: String,
}

/// Lists them, or those whose label holds a text.
pub(in crate::serve) async fn list(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    RawQuery(query): RawQuery,
) -> Response {
    let query = query.unwrap_or_default();
    let mut fields = form_urlencoded::parse(query.as_bytes());
    let find = fields.find(|(name, _)| name == "find");
    let find = find.map_or_else(String::new, |(_, text)| text.trim().to_owned());
    looked(page, move |page, reader| {
        let view = listed(&page.config, reader, find)?;
        Ok(shown(page, &visitor, ("streams.html", "streams"), &view))
    })
    .await
}

fn listed(config: &Config, reader: &Reader, find: String) -> Result<List, CommandError> {
    let (limits, alerts) = (reader.limits(None)?, reader.alerts()?);
    let mut streams = reader.streams()?;
    let all = streams.len();
    let wanted = find.to_lowercase();
    streams.retain(|stream| stream.label.to_lowercase().contains(&wanted));
    let found = streams.len();
    let mut groups: Vec<Group> = Vec::new();
    for stream in streams.into_iter().take(STREAMS_MAX) {
        let newest = limits.iter().rfind(|row| row.stream == stream.id);
        let active = alerts.iter().find(|alert| alert.is_active_on(stream.id));
        let row = Row {
            number: stream.id,
            phase: streams::phase(stream.monitoring),
            newest: local_minute(config, stream.newest),
            limits: newest.map_or_else(String::new, limits_words),
            alert: active.map(|alert| (alert.id, crate::commands::alerts::name(alert.id))),
            note: stream.note.unwrap_or_default(),
            label: stream.label,
        };
        match groups
            .iter_mut()
            .find(|group| group.name == stream.characteristic)
        {
            Some(group) => group.streams.push(row),
            None => groups.push(Group {
                name: stream.characteristic,
                streams: vec![row],
            }),
        }
    }
    Ok(List {
        find,
        all,
        found,
        groups,
    })
}

fn limits_words(row: &LimitsRow) -> String {
    format!(
        "version {}, from {} subgroups",
        row.version, row.limits.subgroups
    )
}

#[derive(Serialize)]
struct One {
    number: i64,
    label: String,
    title: String,
    phase: &'static str,
    note: String,
    chart: &'static str,
    unit: String,
    subgroups: &'static str,
    rules: Vec<String>,
    plan: Vec<String>,
    figure: Figure,
    window: Window,
    newest: String,
    limits: Vec<Version>,
    alerts: Vec<AlertInShort>,
    /// What else moved on its line in the time shown.
    moved: Vec<StreamLine>,
    /// Its single pads that moved, where these are watched.
    watched: Option<WatchedPads>,
    shapes: Shapes,
    /// Whether it has a specification to be judged by, and places of pads to be mapped.
    has_capability: bool,
    has_map: bool,
    may_freeze: bool,
    need_approval: bool,
    proposals: Vec<Waiting>,
    out_of_service: Option<String>,
}

#[derive(Serialize)]
struct Version {
    version: u32,
    subgroups: u32,
    centre: f64,
    sigma: Option<f64>,
    from: String,
    to: String,
    author: String,
    reason: String,
    set_at: String,
    /// What it is watched with.
    watch: String,
    /// What its baseline warns of.
    findings: String,
}

/// Which points of a stream are shown.
#[derive(Serialize)]
struct Window {
    shown: usize,
    points: usize,
    sizes: [usize; 3],
    /// The newest point shown, in microseconds; absent where it is the stream's newest.
    through: Option<i64>,
    /// Where the points before those shown end; absent where there are none.
    older: Option<i64>,
}

/// By what the points of a stream are told apart.
#[derive(Serialize)]
struct Shapes {
    /// What they can be told apart by.
    keys: Vec<&'static str>,
    /// What they are told apart by; empty where by nothing.
    by: &'static str,
    /// Says why they are not, where that was asked.
    note: &'static str,
}

/// Which points are asked for, and by what they are to be told apart.
struct Asked {
    points: usize,
    through: Option<i64>,
    by: Option<Key>,
    /// Whether the archive did not answer when it was asked for that.
    is_busy: bool,
}

impl Asked {
    fn of(query: Option<&str>) -> Asked {
        let mut asked = Asked {
            points: POINTS[0],
            through: None,
            by: None,
            is_busy: false,
        };
        for (name, value) in form_urlencoded::parse(query.unwrap_or_default().as_bytes()) {
            match &*name {
                "points" => {
                    let wanted = value.parse().ok();
                    let known = POINTS.into_iter().find(|size| Some(*size) == wanted);
                    asked.points = known.unwrap_or(asked.points);
                }
                "through" => asked.through = value.parse().ok(),
                "by" => asked.by = Key::from_name(&value),
                _ => {}
            }
        }
        asked
    }
}

/// Shows one.
pub(in crate::serve) async fn show(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<String>,
    RawQuery(query): RawQuery,
) -> Response {
    let asked = Asked::of(query.as_deref());
    if asked.by.is_none() {
        return looked(page, move |page, reader| {
            shown_one(page, reader, &visitor, (&id, &asked))
        })
        .await;
    }
    // Strata may take a pass over the archive; where it takes too long the chart comes without.
    let without = Asked {
        by: None,
        is_busy: true,
        ..asked
    };
    if let Ok(place) = Arc::clone(&page.passes).try_acquire_owned() {
        let (visitor, id) = (visitor.clone(), id.clone());
        let told = looked(Arc::clone(&page), move |page, reader| {
            let _place = place;
            shown_one(page, reader, &visitor, (&id, &asked))
        });
        if let Ok(response) = timeout(PASS_PATIENCE, told).await {
            return response;
        }
    }
    looked(page, move |page, reader| {
        shown_one(page, reader, &visitor, (&id, &without))
    })
    .await
}

fn shown_one(
    page: &Page,
    reader: &Reader,
    visitor: &Visitor,
    (id, asked): (&str, &Asked),
) -> Result<Response, CommandError> {
    let wanted = id.parse::<i64>().ok();
    let streams = reader.streams()?;
    let Some(stream) = streams.iter().find(|stream| Some(stream.id) == wanted) else {
        return Ok(missing("There is no such stream."));
    };
    let view = one(&page.config, reader, (&streams, stream), asked)?;
    Ok(shown(page, visitor, ("stream.html", "streams"), &view))
}

fn one(
    config: &Config,
    reader: &Reader,
    (streams, stream): (&[StreamRow], &StreamRow),
    asked: &Asked,
) -> Result<One, CommandError> {
    let what = characteristic(config, stream)?;
    let through = asked.through.unwrap_or(i64::MAX);
    let facts = ChartFacts {
        stream: stream.clone(),
        points: reader.newest_points(stream.id, through, asked.points)?,
        limits: reader.limits(Some(stream.id))?,
    };
    let mut chart = chart::view(config, &facts, 0..facts.points.len())?;
    let title = std::mem::replace(&mut chart.title, chart_title(config, what, &facts, asked));
    let all = 0..facts.points.len();
    changeovers::show(config, reader, (&facts, all), &mut chart)?;
    let shapes = shapes(config, reader, (streams, &facts), asked, &mut chart)?;
    let alerts = reader.alerts()?;
    let ends = facts.points.first().zip(facts.points.last());
    let shown = ends.map_or((0, 0), |(first, last)| (first.at, last.at));
    let of_stream = alerts
        .iter()
        .rev()
        .filter(|alert| alert.on(stream.id).is_some());
    let mut proposals = waiting(config, reader)?;
    proposals.retain(|one| one.stream_number == stream.id);
    let steps = what.reaction_plan.lines().map(str::trim);
    Ok(One {
        number: stream.id,
        label: stream.label.clone(),
        title,
        phase: streams::phase(stream.monitoring),
        note: stream.note.clone().unwrap_or_default(),
        chart: chart_name(what.chart),
        unit: unit(config, what, stream),
        subgroups: subgroup_name(what),
        rules: what
            .rules
            .iter()
            .map(|rule| rule.in_words().to_owned())
            .collect(),
        plan: steps
            .filter(|step| !step.is_empty())
            .map(str::to_owned)
            .collect(),
        figure: Figure::whole(&chart, "chart"),
        window: window(reader, &facts, asked)?,
        newest: local_minute(config, stream.newest),
        limits: facts
            .limits
            .iter()
            .rev()
            .map(|row| version(config, reader, (what, row)))
            .collect::<Result<_, _>>()?,
        alerts: of_stream
            .take(ALERTS_MAX)
            .map(|row| in_short_on(config, stream, row))
            .collect(),
        moved: moved::beside(config, streams, &alerts, (stream, shown))?,
        watched: watched::of_stream(config, reader, stream)?,
        shapes,
        has_capability: specification(config, what, stream).is_some(),
        has_map: pad_maps::has_places(config, what),
        may_freeze: !stream.monitoring,
        need_approval: config.limits_need_approval,
        proposals,
        out_of_service: out_of_service(config, reader, stream)?,
    })
}

/// Tells the points of a chart apart, where that was asked and can be done.
fn shapes(
    config: &Config,
    reader: &Reader,
    (streams, facts): (&[StreamRow], &ChartFacts),
    asked: &Asked,
    chart: &mut reports::view::Chart,
) -> Result<Shapes, CommandError> {
    let keys = strata::keys_of(config, streams, &facts.stream)?;
    let by = asked.by.filter(|key| keys.contains(key));
    if let Some(key) = by {
        let all = 0..facts.points.len();
        strata::tell(config, reader, (streams, facts), (key, all), chart)?;
    }
    Ok(Shapes {
        keys: keys.into_iter().map(Key::name).collect(),
        by: by.map_or("", Key::name),
        note: match (by, &chart.strata) {
            (Some(_), None) => "No two of them have points here.",
            _ if asked.is_busy => "The archive has not answered in time; ask it again.",
            _ => "",
        },
    })
}

fn chart_title(
    config: &Config,
    what: &Characteristic,
    facts: &ChartFacts,
    asked: &Asked,
) -> String {
    let (count, name) = (facts.points.len(), subgroup_name(what));
    match (asked.through, facts.points.last()) {
        (Some(_), Some(last)) => {
            format!("{count} {name} up to {}", local_minute(config, last.at))
        }
        _ => format!("The newest {count} {name}"),
    }
}

fn window(reader: &Reader, facts: &ChartFacts, asked: &Asked) -> Result<Window, CommandError> {
    let before = facts.points.first().map(|first| first.at.saturating_sub(1));
    let older = match before {
        Some(before) => reader.newest_points(facts.stream.id, before, 1)?.pop(),
        None => None,
    };
    Ok(Window {
        shown: facts.points.len(),
        points: asked.points,
        sizes: POINTS,
        through: asked.through,
        older: older.map(|point| point.at),
    })
}

/// Since when, by whom and why a stream is out of service; nothing where it is in service.
fn out_of_service(
    config: &Config,
    reader: &Reader,
    stream: &StreamRow,
) -> Result<Option<String>, CommandError> {
    let all = reader.out_of_service()?;
    let own = all.into_iter().find(|row| row.stream == stream.id);
    Ok(own.map(|row| {
        format!(
            "{} by {}: {}",
            local_minute(config, row.at),
            row.who,
            row.reason
        )
    }))
}

fn version(
    config: &Config,
    reader: &Reader,
    (what, row): (&Characteristic, &LimitsRow),
) -> Result<Version, CommandError> {
    Ok(Version {
        version: row.version,
        subgroups: row.limits.subgroups,
        centre: row.limits.centre,
        sigma: limits::sigma(reader, row)?,
        from: local_minute(config, row.from_at),
        to: local_minute(config, row.to_at),
        author: row.author.clone(),
        reason: row.reason.clone(),
        set_at: local_minute(config, row.set_at),
        watch: watch_words(what, row),
        findings: Baseline::of(&row.findings).words(),
    })
}

/// How rare a false alert is, and the thresholds that make it so.
fn watch_words(what: &Characteristic, row: &LimitsRow) -> String {
    let watch = Watch::of(&row.detection);
    let round = |value: f64| format!("{value:.2}");
    let how = if what.exact_limits {
        "exact limits, with the chance of"
    } else {
        "limits at"
    };
    let mut words = format!(
        "{how} {} sigma; one false alert in {} points",
        round(row.limits.width),
        watch.run_length.round()
    );
    if !watch.cusums.is_empty() {
        words += &format!("; cumulative sums with thresholds {}", watch.thresholds());
    }
    if let Some(ewma) = watch.ewma {
        words += &format!("; weighted average at {} sigma", round(ewma.width));
    }
    if let Some(points) = watch.points_per_shift {
        words += &format!("; from {points:.0} points of the station in a shift");
    }
    words
}
