//! What the pages show, and how they are put together.
//!
//! Fills templates with plain facts; knows no SQL and changes nothing. The one invariant: a text of
//! a file or of a person reaches a page only through a template, which escapes it.

use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::header::{ALLOW, CONTENT_TYPE, RETRY_AFTER, WWW_AUTHENTICATE};
use axum::http::{HeaderValue, StatusCode, Uri};
use axum::response::Response;
use minijinja::value::Serde;
use minijinja::{Environment, Value, context};
use serde::Serialize;

use super::access::{Denied, Role, Visitor};
use super::{Page, ServeError, guard};
use crate::clock;
use crate::commands::{CommandError, local_minute};
use crate::store::{Reader, StoreError};

pub(super) mod alerts;
pub(super) mod feeds;
pub(super) mod health;
mod moved;
pub(super) mod now;
mod proposals;
pub(super) mod reports;
pub(super) mod streams;
pub(super) mod study;
mod watched;

/// How long a page waits for a pass over the archive.
const PASS_PATIENCE: Duration = Duration::from_secs(5);

const STYLE: &str = include_str!("../templates/style.css");
const SCRIPT: &str = include_str!("../templates/page.js");

const TEMPLATES: [(&str, &str); 18] = [
    ("page.html", include_str!("../templates/page.html")),
    ("now.html", include_str!("../templates/now.html")),
    ("alerts.html", include_str!("../templates/alerts.html")),
    ("alert.html", include_str!("../templates/alert.html")),
    ("health.html", include_str!("../templates/health.html")),
    ("channels.html", include_str!("../templates/channels.html")),
    ("streams.html", include_str!("../templates/streams.html")),
    ("stream.html", include_str!("../templates/stream.html")),
    ("feeds.html", include_str!("../templates/feeds.html")),
    (
        "proposals.html",
        include_str!("../templates/proposals.html"),
    ),
    ("causes.html", include_str!("../templates/causes.html")),
    ("moved.html", include_str!("../templates/moved.html")),
    (
        "capability.html",
        include_str!("../templates/capability.html"),
    ),
    ("pads.html", include_str!("../templates/pads.html")),
    ("reports.html", include_str!("../templates/reports.html")),
    ("watched.html", include_str!("../templates/watched.html")),
    ("figure.html", include_str!("../templates/figure.html")),
    ("login.html", include_str!("../templates/login.html")),
];

/// The templates of all pages.
pub(super) fn templates() -> Result<Environment<'static>, ServeError> {
    let broken = |error: String| ServeError::Template(error);
    let mut environment =
        ::reports::page_environment().map_err(|error| broken(error.to_string()))?;
    for (name, text) in TEMPLATES {
        environment
            .add_template(name, text)
            .map_err(|error| broken(format!("{error:#}")))?;
    }
    Ok(environment)
}

/// Looks into the record and shows what is there.
async fn looked(
    page: Arc<Page>,
    work: impl FnOnce(&Page, &Reader) -> Result<Response, CommandError> + Send + 'static,
) -> Response {
    let looked = tokio::task::spawn_blocking(move || {
        let reader = Reader::look(&page.config.data_folder)?;
        work(&page, &reader)
    });
    match looked.await {
        Ok(Ok(response)) => response,
        Ok(Err(error)) => failure(&error),
        Err(error) => broken(&error),
    }
}

/// A page for a visitor: the template sees `view`, and what the frame around it needs.
fn shown(
    page: &Page,
    visitor: &Visitor,
    (template, here): (&str, &str),
    view: &impl Serialize,
) -> Response {
    let config = &page.config;
    rendered(
        page,
        StatusCode::OK,
        template,
        context! {
            plant => &config.plant,
            zone => config.zone.iana_name().unwrap_or("UTC"),
            time => local_minute(config, clock::now()),
            token => &visitor.token,
            may_operate => visitor.role >= Role::Operate,
            may_approve => visitor.role >= Role::Approve,
            has_tokens => !page.access.is_open(),
            here => here,
            hindrances => hindrances(page),
            view => Value::from(Serde(view)),
        },
    )
}

/// What hinders the program, and since when; it stands on every page.
fn hindrances(page: &Page) -> Vec<(String, String)> {
    let all = page.health.hindrances().into_iter();
    all.map(|one| (one.words, local_minute(&page.config, one.since)))
        .collect()
}

fn rendered(page: &Page, status: StatusCode, template: &str, context: Value) -> Response {
    let text = page
        .templates
        .get_template(template)
        .and_then(|one| one.render(context));
    match text {
        Ok(text) => html(status, text),
        Err(error) => {
            tracing::error!(template, error = %format!("{error:#}"), "a page is broken");
            refusal(
                StatusCode::INTERNAL_SERVER_ERROR,
                "This page is broken; the log says how.",
            )
        }
    }
}

fn html(status: StatusCode, text: String) -> Response {
    with_type(status, "text/html; charset=utf-8", text)
}

pub(super) fn with_type(status: StatusCode, kind: &'static str, text: String) -> Response {
    let mut response = Response::new(text.into());
    *response.status_mut() = status;
    response
        .headers_mut()
        .insert(CONTENT_TYPE, HeaderValue::from_static(kind));
    response
}

/// A page that says why there is no other.
pub(super) fn refusal(status: StatusCode, words: &str) -> Response {
    let words = ::reports::escape(words);
    let title = status.canonical_reason().unwrap_or("Refused");
    html(
        status,
        format!(
            "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
             <title>{title}</title><link rel=\"stylesheet\" href=\"/style.css\"></head>\
             <body><main><h1>{title}</h1><p>{words}</p><p><a href=\"/\">Back to the start</a></p>\
             </main></body></html>\n"
        ),
    )
}

/// The page that asks for a token.
pub(super) fn sign_in(page: &Page, status: StatusCode, words: &str) -> Response {
    let context = context! {
        plant => &page.config.plant,
        words => words,
        has_tokens => !page.access.is_open(),
    };
    rendered(page, status, "login.html", context)
}

/// A token that lets nobody in.
pub(super) fn denied(denied: Denied) -> Response {
    waiting(refusal(guard::status(denied), denied.words()))
}

/// What a program is told, which reads no page.
pub(super) fn plain(status: StatusCode, words: &str) -> Response {
    let mut response = with_type(status, "text/plain; charset=utf-8", format!("{words}\n"));
    if status == StatusCode::UNAUTHORIZED {
        let how = HeaderValue::from_static("Bearer");
        response.headers_mut().insert(WWW_AUTHENTICATE, how);
    }
    waiting(response)
}

/// Says when to come back, where that is asked for.
fn waiting(mut response: Response) -> Response {
    if response.status() == StatusCode::TOO_MANY_REQUESTS {
        let minute = HeaderValue::from_static("60");
        response.headers_mut().insert(RETRY_AFTER, minute);
    }
    response
}

/// What a visitor is told of a failure. What is wrong with the record stands in the log only.
pub(super) fn failure(error: &CommandError) -> Response {
    let (status, words) = match error {
        CommandError::Usage(words) => (StatusCode::BAD_REQUEST, words.clone()),
        CommandError::Stream(words) => (StatusCode::NOT_FOUND, words.clone()),
        CommandError::Refused(words) => (StatusCode::CONFLICT, words.clone()),
        CommandError::Store(StoreError::Nothing(_)) => {
            let words = "There is no record yet: no file has been read.";
            (StatusCode::SERVICE_UNAVAILABLE, words.to_owned())
        }
        other => {
            tracing::error!(error = %other, "the live page could not answer");
            let words = "The record could not be read or written; the log says why.";
            (StatusCode::INTERNAL_SERVER_ERROR, words.to_owned())
        }
    };
    refusal(status, &words)
}

/// Something that must not happen did.
pub(super) fn broken(error: &dyn std::fmt::Display) -> Response {
    tracing::error!(%error, "the live page could not answer");
    let words = "The page could not be made; the log says why.";
    refusal(StatusCode::INTERNAL_SERVER_ERROR, words)
}

/// There is no such page.
pub(super) async fn nowhere() -> Response {
    missing("There is no such page.")
}

fn missing(words: &str) -> Response {
    refusal(StatusCode::NOT_FOUND, words)
}

/// The page is there, but can not be asked like that.
pub(super) async fn no_such_method(uri: Uri) -> Response {
    let mut response = refusal(
        StatusCode::METHOD_NOT_ALLOWED,
        "This address can not be asked in that way.",
    );
    let changes = [
        "/acknowledge",
        "/comment",
        "/shelve",
        "/unshelve",
        "/close",
        "/freeze",
        "/restart",
        "/out-of-service",
        "/in-service",
        "/approve",
        "/reject",
        "/retry",
        "/discard",
        "/packs",
        "/logout",
    ];
    let allowed = match uri.path() {
        path if changes.iter().any(|end| path.ends_with(end)) => "POST",
        "/login" => "GET, HEAD, POST",
        _ => "GET, HEAD",
    };
    response
        .headers_mut()
        .insert(ALLOW, HeaderValue::from_static(allowed));
    response
}

/// How the pages look.
pub(super) async fn style(State(_): State<Arc<Page>>) -> Response {
    with_type(StatusCode::OK, "text/css; charset=utf-8", STYLE.to_owned())
}

/// What the pages do beside being read.
pub(super) async fn script(State(_): State<Arc<Page>>) -> Response {
    with_type(
        StatusCode::OK,
        "text/javascript; charset=utf-8",
        SCRIPT.to_owned(),
    )
}
