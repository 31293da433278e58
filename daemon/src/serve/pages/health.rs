//! How alerts are doing: few, answered, believed.

use std::sync::Arc;

use axum::Extension;
use axum::extract::State;
use axum::response::Response;
use serde::Serialize;

use super::{Page, looked, shown};
use crate::commands::alerts::health::{Figure, Health, health, window};
use crate::commands::outbox::{ChannelState, channels};
use crate::commands::{CommandError, local_minute};
use crate::config::Config;
use crate::output::significant;
use crate::serve::access::Visitor;
use crate::store::Reader;

#[derive(Serialize)]
struct View {
    from: String,
    to: String,
    /// False alerts that a line may have in a shift.
    budget: String,
    figures: Vec<Line>,
    /// How the ways stand by which alerts reach people.
    channels: Vec<ChannelLine>,
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

/// A channel as a page shows it.
#[derive(Serialize)]
pub(super) struct ChannelLine {
    #[serde(flatten)]
    state: ChannelState,
    last_sent: String,
}

/// How every channel stands.
pub(super) fn channel_lines(
    config: &Config,
    reader: &Reader,
) -> Result<Vec<ChannelLine>, CommandError> {
    let line = |state: ChannelState| ChannelLine {
        last_sent: state.last_sent(config),
        state,
    };
    Ok(channels(config, reader)?.into_iter().map(line).collect())
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
            channels: channel_lines(config, reader)?,
            health,
        };
        Ok(shown(page, &visitor, ("health.html", "alerts"), &view))
    })
    .await
}
