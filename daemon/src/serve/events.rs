//! Tells pages that something changed. It says no more than that: the page asks for the rest.
//!
//! Knows no page. The one invariant: a page that does not listen any more frees its place.

use std::convert::Infallible;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderValue, StatusCode};
use axum::response::Response;
use http_body::Frame;
use tokio::sync::{mpsc, watch};

use super::{Page, pages};
use crate::health::Health;
use crate::store::{Reader, StoreError};

/// How often the record is asked whether it changed.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// After this much silence a line is sent, so that a dead connection is noticed.
const HEARTBEAT: Duration = Duration::from_secs(15);

/// Lines that wait for a slow reader.
const LINES_MAX: usize = 4;

/// Looks at the record and the program's health again and again, and says when they changed, until
/// nobody listens any more.
pub async fn follow(folder: PathBuf, health: Arc<Health>, changed: watch::Sender<u64>) {
    let mut reader = None;
    let mut known = None;
    let mut ticks = tokio::time::interval(LOOK_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    while !changed.is_closed() {
        ticks.tick().await;
        let version = match tokio::task::block_in_place(|| version(&mut reader, &folder)) {
            Ok(version) => Some(version),
            Err(error) => {
                tracing::debug!(%error, "the live page can not see whether the record changed");
                reader = None;
                None
            }
        };
        let found = Some((version, health.hindrances()));
        if found != known {
            known = found;
            changed.send_modify(|number| *number += 1);
        }
    }
}

fn version(reader: &mut Option<Reader>, folder: &Path) -> Result<i64, StoreError> {
    match reader {
        Some(reader) => reader.data_version(),
        None => reader.insert(Reader::watching(folder)?).data_version(),
    }
}

/// The stream of events.
pub(super) async fn stream(State(page): State<Arc<Page>>) -> Response {
    let Ok(place) = Arc::clone(&page.listeners).try_acquire_owned() else {
        return pages::refusal(
            StatusCode::SERVICE_UNAVAILABLE,
            "Too many pages wait for news already. This one shows what it has; load it again.",
        );
    };
    let mut changed = page.changed.clone();
    changed.mark_unchanged();
    let (lines, received) = mpsc::channel(LINES_MAX);
    tokio::spawn(async move {
        let _place = place;
        let mut line = Bytes::from_static(b"retry: 5000\n\n");
        while lines.send(line).await.is_ok() {
            line = tokio::select! {
                () = lines.closed() => return,
                () = tokio::time::sleep(HEARTBEAT) => Bytes::from_static(b":\n\n"),
                news = changed.changed() => match news {
                    Ok(()) => {
                        let number = *changed.borrow_and_update();
                        Bytes::from(format!("event: changed\ndata: {number}\n\n"))
                    }
                    Err(_) => return,
                },
            };
        }
    });
    let mut response = Response::new(Body::new(Lines(received)));
    let kind = HeaderValue::from_static("text/event-stream");
    response.headers_mut().insert(CONTENT_TYPE, kind);
    response
}

/// Lines as the body of a response that has no length.
struct Lines(mpsc::Receiver<Bytes>);

impl http_body::Body for Lines {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        let line = self.0.poll_recv(context);
        line.map(|line| line.map(|line| Ok(Frame::data(line))))
    }
}
