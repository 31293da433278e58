//! How alerts are doing: few, answered, believed.

use std::sync::Arc;

use axum::Extension;
use axum::extract::State;
use axum::response::Response;
use serde::Serialize;

use super::{Page, looked, shown};
use crate::commands::alerts::health::{Figure, Health, health, window};
use crate::commands::local_minute;
use crate::output::significant;
use crate::serve::access::Visitor;

#[derive(Serialize)]
struct View {
    from: String,
    to: String,
    /// False alerts that a line may have in a shift.
    budget: String,
    figures: Vec<Line>,
    health: Health,
}

#[derive(Serialize)]
struct Line {
    figure: &'static str,
    value: String,
    unit: &'static str,
    target: String,
    is_missed: bool,
}

fn line(one: &Figure) -> Option<Line> {
    Some(Line {
        figure: one.figure,
        value: one.words(one.value?),
        unit: one.unit,
        target: one
            .target
            .map_or_else(String::new, |target| one.words(target)),
        is_missed: one.is_met == Some(false),
    })
}

/// Shows the thirty days before the newest event.
pub(in crate::serve) async fn show(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    looked(page, move |page, reader| {
        let config = &page.config;
        let (from, to) = window(reader, None, None)?;
        let health = health(config, reader, (from, to))?;
        let view = View {
            from: local_minute(config, from),
            to: local_minute(config, to),
            budget: significant(config.false_alerts_per_shift),
            figures: health.figures.iter().filter_map(line).collect(),
            health,
        };
        Ok(shown(page, &visitor, ("health.html", "alerts"), &view))
    })
    .await
}
