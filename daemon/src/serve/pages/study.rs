//! What takes a pass over the archive: a stream's capability, and the map of its pads.

use std::sync::Arc;

use axum::Extension;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use reports::{HistogramFigure, PadFigure};
use serde::Serialize;
use tokio::time::timeout;

use super::{PASS_PATIENCE, Page, looked, missing, refusal, shown};
use crate::commands::capability::{Capability, Index, specification_words, study};
use crate::commands::histogram::histogram;
use crate::commands::{ALWAYS, CommandError, characteristic, chart, local_minute, pad_maps};
use crate::output::significant_to;
use crate::serve::access::Visitor;
use crate::store::Reader;
use crate::store::query::StreamRow;

/// Points over which pads are averaged: those that the stream's page shows.
const POINTS_MAX: usize = 150;

/// The head of a page about a stream.
#[derive(Serialize)]
struct Head {
    number: i64,
    title: String,
    label: String,
}

#[derive(Serialize)]
struct Study {
    head: Head,
    /// Absent where the stream has no specification, or no readings.
    found: Option<Found>,
}

#[derive(Serialize)]
struct Found {
    facts: Vec<(&'static str, String)>,
    cautions: Vec<String>,
    figure: Option<HistogramFigure>,
}

#[derive(Serialize)]
struct Map {
    head: Head,
    from: String,
    to: String,
    /// Absent where the feed carries no places of pads.
    figure: Option<PadFigure>,
    description: String,
}

/// What a page makes of a stream.
type Work = fn(&Page, &Reader, &Visitor, &StreamRow) -> Result<Response, CommandError>;

/// Shows a stream's capability.
pub(in crate::serve) async fn capability(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<String>,
) -> Response {
    passed(page, visitor, id, capable).await
}

/// Shows where the pads of a stream lie, and how far from nominal.
pub(in crate::serve) async fn pads(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<String>,
) -> Response {
    passed(page, visitor, id, mapped).await
}

/// Does what takes a pass over the archive, where there is a place for one and it does not take
/// too long.
async fn passed(page: Arc<Page>, visitor: Visitor, id: String, work: Work) -> Response {
    let busy = || {
        refusal(
            StatusCode::SERVICE_UNAVAILABLE,
            "The archive has not answered in time. Load the page again in a while.",
        )
    };
    let Ok(place) = Arc::clone(&page.passes).try_acquire_owned() else {
        return busy();
    };
    let looking = looked(page, move |page, reader| {
        let _place = place;
        let wanted = id.parse::<i64>().ok();
        let streams = reader.streams()?;
        match streams.iter().find(|stream| Some(stream.id) == wanted) {
            Some(stream) => work(page, reader, &visitor, stream),
            None => Ok(missing("There is no such stream.")),
        }
    });
    timeout(PASS_PATIENCE, looking)
        .await
        .unwrap_or_else(|_| busy())
}

fn head(page: &Page, stream: &StreamRow) -> Result<Head, CommandError> {
    let what = characteristic(&page.config, stream)?;
    Ok(Head {
        number: stream.id,
        title: chart::title(what, stream),
        label: stream.label.clone(),
    })
}

fn capable(
    page: &Page,
    reader: &Reader,
    visitor: &Visitor,
    stream: &StreamRow,
) -> Result<Response, CommandError> {
    let found = study(&page.config, reader, stream, ALWAYS)?;
    let view = Study {
        head: head(page, stream)?,
        found: found.map(|found| Found {
            facts: facts(page, &found),
            figure: histogram(&found).map(|one| HistogramFigure::new(&one, "readings")),
            cautions: found.cautions,
        }),
    };
    Ok(shown(page, visitor, ("capability.html", "streams"), &view))
}

fn facts(page: &Page, found: &Capability) -> Vec<(&'static str, String)> {
    let number = |number| significant_to(number, 4);
    let unit = &found.unit;
    let index = |one: &Option<Index>| {
        one.as_ref().map(|one| {
            let [value, low, high] = [one.value, one.lower, one.upper].map(|n| format!("{n:.2}"));
            format!("{} {value}, bounds at 95 %: {low} to {high}", one.symbol)
        })
    };
    let within = |value: Option<f64>| value.map(|value| format!("{} {unit}", number(value)));
    let source = &found.specification_source;
    let limits = specification_words(found.lower, found.upper);
    let (from, to) = found.window;
    let ppm = |value: Option<f64>| value.map(|value| format!("{} ppm", number(value)));
    let all = [
        ("Nearer side", index(&found.nearest_index)),
        ("Spread", index(&found.spread_index)),
        ("Against the target", index(&found.taguchi_index)),
        ("Stability", Some(found.stability.clone())),
        ("Specification", Some(format!("{limits} {unit}, {source}"))),
        ("Mean", within(found.mean)),
        ("Sigma, short-term", within(found.sigma_within)),
        ("Sigma, overall", within(found.sigma_overall)),
        ("Distribution", Some(found.evidence.in_words(found.model))),
        ("Outside, counted", ppm(found.ppm_observed)),
        ("Outside, expected", ppm(found.ppm_expected)),
        (
            "Rests on",
            Some(format!(
                "{} subgroups, {} readings, {} to {}",
                found.subgroups,
                found.readings,
                local_minute(&page.config, from),
                local_minute(&page.config, to)
            )),
        ),
    ];
    let known = |(name, text): (&'static str, Option<String>)| text.map(|text| (name, text));
    all.into_iter().filter_map(known).collect()
}

fn mapped(
    page: &Page,
    reader: &Reader,
    visitor: &Visitor,
    stream: &StreamRow,
) -> Result<Response, CommandError> {
    let config = &page.config;
    let points = reader.newest_points(stream.id, i64::MAX, POINTS_MAX)?;
    let ends = points.first().zip(points.last());
    let (from, to) = ends.map_or((stream.newest, stream.newest), |(first, last)| {
        (first.at, last.at)
    });
    let map = pad_maps::of_stream(config, reader, stream, (from, to.saturating_add(1)))?;
    let view = Map {
        head: head(page, stream)?,
        from: local_minute(config, from),
        to: local_minute(config, to),
        description: map
            .as_ref()
            .map_or_else(String::new, |map| map.description.clone()),
        figure: map.map(|map| PadFigure::new(&map, "pads")),
    };
    Ok(shown(page, visitor, ("pads.html", "streams"), &view))
}
