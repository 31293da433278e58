//! How alerts are doing: few, answered, believed.

use std::sync::Arc;

use axum::Extension;
use axum::extract::State;
use axum::response::Response;
use serde::Serialize;

use super::{Page, looked, shown};
use crate::commands::alerts::health::{Health, health, window};
use crate::commands::local_minute;
use crate::serve::access::Visitor;

#[derive(Serialize)]
struct View {
    from: String,
    to: String,
    /// False alerts that a line may have in a shift.
    budget: f64,
    health: Health,
}

/// Shows the thirty days before the newest event.
pub(in crate::serve) async fn show(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    looked(page, move |page, reader| {
        let config = &page.config;
        let (from, to) = window(&reader.streams()?, None, None);
        let view = View {
            from: local_minute(config, from),
            to: local_minute(config, to),
            budget: config.false_alerts_per_shift,
            health: health(config, reader, (from, to))?,
        };
        Ok(shown(page, &visitor, ("health.html", "alerts"), &view))
    })
    .await
}
