//! How the program is, for machines: `/health` as JSON, `/metrics` as Prometheus reads them.
//!
//! Knows no page. The one invariant: there are no more lines than feeds, states and kinds that the
//! configuration and the program have; nothing of a file's content names one.

use std::fmt::Write as _;
use std::sync::Arc;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use serde::Serialize;

use super::{Page, pages};
use crate::clock;
use crate::commands::utc;
use crate::health::{COMMIT_SECONDS, Counts, Health, Kind, VERDICTS};
use crate::store::live::Stock;
use crate::store::{Reader, StoreError};

/// The format of the metrics, as its documentation names it.
const TEXT: &str = "text/plain; version=0.0.4; charset=utf-8";

#[derive(Serialize)]
struct Told {
    state: &'static str,
    ready: bool,
    version: &'static str,
    started_at: String,
    last_commit_at: Option<String>,
    files_waiting: u64,
    lag_seconds: f64,
    alerts_of_the_system: Vec<Hindering>,
}

#[derive(Serialize)]
struct Hindering {
    kind: &'static str,
    words: String,
    since: String,
}

/// Whether files are read: 200, or 503 where they are not.
pub(super) async fn health(State(page): State<Arc<Page>>) -> Response {
    let looked = stock(&page).await;
    let told = told(&page.health, looked.is_some());
    let status = match told.ready {
        true => StatusCode::OK,
        false => StatusCode::SERVICE_UNAVAILABLE,
    };
    match serde_json::to_string_pretty(&told) {
        Ok(text) => pages::with_type(status, "application/json", text + "\n"),
        Err(error) => pages::broken(&error),
    }
}

fn told(health: &Health, is_record_readable: bool) -> Told {
    let counts = health.counts();
    let state = match (health.is_stopping(), health.is_paused(), is_record_readable) {
        (true, ..) => "stopping",
        (_, true, _) => "paused",
        (_, _, false) => "without a record",
        _ => "reading",
    };
    let hindering = health.hindrances().into_iter().map(|one| Hindering {
        kind: one.kind.name(),
        words: one.words,
        since: utc(one.since),
    });
    Told {
        state,
        ready: state == "reading",
        version: env!("CARGO_PKG_VERSION"),
        started_at: utc(health.started_at()),
        last_commit_at: counts.committed_at.map(utc),
        files_waiting: counts.waiting,
        lag_seconds: health.lag_seconds(),
        alerts_of_the_system: hindering.collect(),
    }
}

/// What the program has done, in numbers.
pub(super) async fn metrics(State(page): State<Arc<Page>>) -> Response {
    let stock = stock(&page).await;
    let mut text = Text(String::new());
    of_program(&mut text, &page);
    of_files(&mut text, &page.health.counts());
    of_commits(&mut text, &page.health.counts());
    of_hindrances(&mut text, &page.health);
    if let Some(stock) = stock {
        of_record(&mut text, &stock);
    }
    pages::with_type(StatusCode::OK, TEXT, text.0)
}

/// What the record holds; nothing where it can not be read.
async fn stock(page: &Arc<Page>) -> Option<Stock> {
    let folder = page.config.data_folder.clone();
    let looked = move || Reader::look(&folder)?.stock(clock::now());
    match tokio::task::spawn_blocking(looked).await {
        Ok(Ok(stock)) => Some(stock),
        Ok(Err(StoreError::Nothing(_))) => None,
        Ok(Err(error)) => {
            tracing::error!(%error, "the record can not be looked at");
            None
        }
        Err(error) => {
            tracing::error!(%error, "the record can not be looked at");
            None
        }
    }
}

/// Metrics as text: a family begins with what it says and of which type it is.
struct Text(String);

impl Text {
    fn family(&mut self, name: &str, kind: &str, help: &str) {
        self.line(format_args!("# HELP driftvane_{name} {help}"));
        self.line(format_args!("# TYPE driftvane_{name} {kind}"));
    }

    fn one(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        let labels: Vec<String> = labels
            .iter()
            .map(|(label, text)| format!("{label}=\"{}\"", quoted(text)))
            .collect();
        match labels.is_empty() {
            true => self.line(format_args!("driftvane_{name} {value}")),
            false => {
                let labels = labels.join(",");
                self.line(format_args!("driftvane_{name}{{{labels}}} {value}"));
            }
        }
    }

    /// A family of one line.
    fn alone(&mut self, name: &str, kind: &str, help: &str, value: f64) {
        self.family(name, kind, help);
        self.one(name, &[], value);
    }

    fn line(&mut self, text: std::fmt::Arguments) {
        // Writing to a String can not fail.
        writeln!(self.0, "{text}").unwrap_or_default();
    }
}

/// A label's value, as the format asks.
fn quoted(text: &str) -> String {
    let text = text.replace('\\', "\\\\").replace('"', "\\\"");
    text.replace('\n', "\\n")
}

fn seconds(at: i64) -> f64 {
    at as f64 / 1e6
}

fn of_program(to: &mut Text, page: &Page) {
    let health = &page.health;
    let counts = health.counts();
    to.family("build", "gauge", "The version of the program; always 1.");
    to.one("build", &[("version", env!("CARGO_PKG_VERSION"))], 1.0);
    let help = "When the program started, in seconds since 1970.";
    let started = seconds(health.started_at());
    to.alone("started_seconds", "gauge", help, started);
    let help = "Feeds of the configuration.";
    to.alone("feeds", "gauge", help, page.config.feeds.len() as f64);
    let paused = f64::from(u8::from(health.is_paused()));
    let help = "Whether reading is paused, because the disk is full.";
    to.alone("paused", "gauge", help, paused);
    let help = "Files that are known to wait for being read.";
    to.alone("files_waiting", "gauge", help, counts.waiting as f64);
    let help = "How long files have been waiting without a break; 0 where none waits.";
    to.alone("lag_seconds", "gauge", help, health.lag_seconds());
    let idle = counts.committed_at.map(|at| seconds(clock::now() - at));
    if let Some(idle) = idle {
        let help = "How long ago files were last committed.";
        to.alone("last_commit_age_seconds", "gauge", help, idle);
    }
}

fn of_files(to: &mut Text, counts: &Counts) {
    to.family(
        "files_total",
        "counter",
        "Files read, by what became of them.",
    );
    for (verdict, count) in VERDICTS.iter().zip(counts.files) {
        to.one("files_total", &[("outcome", verdict.name())], count as f64);
    }
    let help = "Files that changed while they were read or vanished: they are read again.";
    to.alone("files_again_total", "counter", help, counts.again as f64);
    to.family(
        "rows_total",
        "counter",
        "Rows read, by what became of them.",
    );
    let outcomes = ["used", "rejected", "duplicate"];
    for (outcome, count) in outcomes.into_iter().zip(counts.rows) {
        to.one("rows_total", &[("outcome", outcome)], count as f64);
    }
}

fn of_commits(to: &mut Text, counts: &Counts) {
    let help = "The time from the first row written of a batch until it is durable.";
    to.family("commit_seconds", "histogram", help);
    let mut sum = 0;
    let bounds = COMMIT_SECONDS.iter().map(ToString::to_string);
    for (bound, count) in bounds.chain(["+Inf".to_owned()]).zip(counts.commits) {
        sum += count;
        to.one("commit_seconds_bucket", &[("le", &bound)], sum as f64);
    }
    to.one("commit_seconds_sum", &[], counts.commits_us as f64 / 1e6);
    to.one("commit_seconds_count", &[], sum as f64);
}

fn of_hindrances(to: &mut Text, health: &Health) {
    let all = health.hindrances();
    to.family(
        "hindered",
        "gauge",
        "Alerts of the system that last, by kind.",
    );
    for kind in Kind::ALL {
        let count = all.iter().filter(|one| one.kind == kind).count();
        to.one("hindered", &[("kind", kind.name())], count as f64);
    }
}

fn of_record(to: &mut Text, stock: &Stock) {
    to.family("alerts", "gauge", "Alerts in the record, by state.");
    for (state, count) in &stock.alerts {
        to.one("alerts", &[("state", state)], *count as f64);
    }
    let help = "Notices that have not left yet, counted for each channel.";
    to.alone("outbox_notices", "gauge", help, stock.untold as f64);
    to.alone(
        "streams",
        "gauge",
        "Streams in the record.",
        stock.streams as f64,
    );
    let help = "Bytes of the record's write-ahead log.";
    to.alone("wal_bytes", "gauge", help, stock.wal_bytes as f64);
    let help = "Bytes of the record without its write-ahead log.";
    to.alone("record_bytes", "gauge", help, stock.record_bytes as f64);
}
