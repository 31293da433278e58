//! What people change from the page: the same as the commands, with the same words and refusals.
//!
//! Knows no SQL. The one invariant: every change is a POST of someone whose role allows it, and
//! leaves their name, their reason and the name of their token in the record.

use std::sync::Arc;
use std::time::Duration;

use axum::Extension;
use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::header::{HeaderMap, LOCATION, SET_COOKIE};
use axum::http::{HeaderValue, StatusCode};
use axum::response::Response;
use axum::routing::{MethodRouter, post};
use tokio::time::timeout;

use super::access::{Denied, Role, Visitor};
use super::guard::{COOKIE_NAME, Peer, cookie};
use super::{Page, pages};
use crate::clock;
use crate::commands::alerts::life;
use crate::commands::audit::{Request, make};
use crate::commands::limits::Minimum;
use crate::commands::{self, CommandError, quarantine};
use crate::store::query::StreamRow;
use crate::store::{Reader, Service, What};

/// How long a page waits for an audit pack.
const PACK_PATIENCE: Duration = Duration::from_secs(5);

/// Characters of a name, a comment or a reason.
const TEXT_MAX: usize = 1_000;

/// The fields of a form.
pub(super) struct Form(Vec<(String, String)>);

impl Form {
    fn read(body: &[u8]) -> Form {
        Form(form_urlencoded::parse(body).into_owned().collect())
    }

    fn field(&self, name: &str) -> &str {
        let found = self.0.iter().find(|(known, _)| known == name);
        found.map_or("", |(_, value)| value.trim())
    }

    /// A text that goes into the record.
    fn text(&self, name: &str, what: &str) -> Result<String, CommandError> {
        let text = self.field(name);
        if text.chars().count() > TEXT_MAX {
            let words = format!("{what} is longer than {TEXT_MAX} characters; say it shorter");
            return Err(CommandError::Usage(words));
        }
        Ok(text.to_owned())
    }

    /// Who asks: the name in the form, and the token that let them.
    fn author(&self, visitor: &Visitor) -> Result<String, CommandError> {
        let name = self.text("by", "the name")?;
        Ok(match name.is_empty() {
            true => name,
            false => format!("{name} (token {})", visitor.token),
        })
    }
}

/// Does something for someone with a role, and leads on to a page.
async fn act(
    page: Arc<Page>,
    (visitor, needed): (Visitor, Role),
    work: impl FnOnce(&Page, &Reader, &Visitor) -> Result<String, CommandError> + Send + 'static,
) -> Response {
    if visitor.role < needed {
        let words = match needed {
            Role::Approve => "Your token may not approve. Sign in with one that may.",
            _ => "Your token may look only. Sign in with one that may operate.",
        };
        return pages::refusal(StatusCode::FORBIDDEN, words);
    }
    let done = tokio::task::spawn_blocking(move || {
        let reader = Reader::open(&page.config.data_folder)?;
        work(&page, &reader, &visitor)
    });
    match done.await {
        Ok(Ok(next)) => lead_to(&next),
        Ok(Err(error)) => pages::failure(&error),
        Err(error) => pages::broken(&error),
    }
}

fn lead_to(next: &str) -> Response {
    let mut response = Response::default();
    *response.status_mut() = StatusCode::SEE_OTHER;
    if let Ok(next) = HeaderValue::from_str(next) {
        response.headers_mut().insert(LOCATION, next);
    }
    response
}

/// What is done about an alert, by its name, with a form and the name of who sent it.
type AlertWork = fn(&Page, &Reader, &str, (&Form, &str)) -> Result<(), CommandError>;

/// What is done about a stream, with a form and the name and the reason of who sent it.
type StreamWork = fn(&Page, &Reader, &StreamRow, (&Form, &str, &str)) -> Result<(), CommandError>;

/// A route that does something about one alert, and leads back to it.
pub(super) fn on_alert(work: AlertWork) -> MethodRouter<Arc<Page>> {
    let handle = move |State(page): State<Arc<Page>>,
                       Extension(visitor): Extension<Visitor>,
                       Path(id): Path<String>,
                       body: Bytes| {
        act(
            page,
            (visitor, Role::Operate),
            move |page, reader, visitor| {
                let form = Form::read(&body);
                let by = form.author(visitor)?;
                work(page, reader, &id, (&form, &by))?;
                let number = id.trim_start_matches(|c: char| !c.is_ascii_digit());
                Ok(format!("/alerts/{number}"))
            },
        )
    };
    post(handle)
}

/// A route that does something about one stream, and leads back to it.
pub(super) fn on_stream(work: StreamWork) -> MethodRouter<Arc<Page>> {
    let handle = move |State(page): State<Arc<Page>>,
                       Extension(visitor): Extension<Visitor>,
                       Path(id): Path<String>,
                       body: Bytes| {
        act(
            page,
            (visitor, Role::Operate),
            move |page, reader, visitor| {
                let form = Form::read(&body);
                let (by, reason) = (form.author(visitor)?, form.text("reason", "the reason")?);
                let stream = stream(reader, &id)?;
                work(page, reader, &stream, (&form, &by, &reason))?;
                Ok(format!("/streams/{}", stream.id))
            },
        )
    };
    post(handle)
}

/// What is done about something that came, or did not, by its number.
type FeedWork = fn(&Reader, &str, (&Form, &str)) -> Result<(), CommandError>;

/// A route that does something about what came from feeds, and leads back to them.
pub(super) fn on_feeds(work: FeedWork) -> MethodRouter<Arc<Page>> {
    let handle = move |State(page): State<Arc<Page>>,
                       Extension(visitor): Extension<Visitor>,
                       Path(id): Path<String>,
                       body: Bytes| {
        act(page, (visitor, Role::Operate), move |_, reader, visitor| {
            let form = Form::read(&body);
            let by = form.author(visitor)?;
            work(reader, &id, (&form, &by))?;
            Ok("/feeds".to_owned())
        })
    };
    post(handle)
}

/// Notes that someone has seen that a feed is silent.
pub(super) fn see_silence(
    reader: &Reader,
    id: &str,
    (form, by): (&Form, &str),
) -> Result<(), CommandError> {
    let comment = form.text("comment", "the comment")?;
    let all = commands::feeds::silences(reader)?;
    let silence = all.iter().find(|one| id.parse() == Ok(one.id));
    let feed = silence.map_or("", |one| one.feed.as_str());
    commands::feeds::see(reader, feed, (by, &comment, clock::now()))
}

/// Has a file that was set aside read again.
pub(super) fn read_again(
    reader: &Reader,
    id: &str,
    (form, by): (&Form, &str),
) -> Result<(), CommandError> {
    let reason = form.text("reason", "the reason")?;
    let said = (by, reason.as_str(), clock::now());
    quarantine::decide_one(reader, id, quarantine::Decision::Retry, said)
}

/// Takes a file that was set aside off the list.
pub(super) fn discard(
    reader: &Reader,
    id: &str,
    (form, by): (&Form, &str),
) -> Result<(), CommandError> {
    let reason = form.text("reason", "the reason")?;
    let said = (by, reason.as_str(), clock::now());
    quarantine::decide_one(reader, id, quarantine::Decision::Discard, said)
}

/// A route by which someone who may approve decides about a proposed change of limits.
pub(super) fn on_proposal(what: What) -> MethodRouter<Arc<Page>> {
    let handle = move |State(page): State<Arc<Page>>,
                       Extension(visitor): Extension<Visitor>,
                       Path(id): Path<String>,
                       body: Bytes| {
        act(page, (visitor, Role::Approve), move |_, reader, visitor| {
            let form = Form::read(&body);
            let (by, reason) = (form.author(visitor)?, form.text("reason", "the reason")?);
            let said = (by.as_str(), reason.as_str(), clock::now());
            let (proposal, _) = commands::proposals::decide(reader, &id, what, said)?;
            Ok(format!("/streams/{}", proposal.stream_number))
        })
    };
    post(handle)
}

/// Notes that someone has seen an alert.
pub(super) fn acknowledge(
    page: &Page,
    reader: &Reader,
    id: &str,
    (form, by): (&Form, &str),
) -> Result<(), CommandError> {
    let comment = form.text("comment", "the comment")?;
    life::acknowledge(&page.config, reader, id, (by, &comment), clock::now())
}

/// Adds words to an alert.
pub(super) fn comment(
    _: &Page,
    reader: &Reader,
    id: &str,
    (form, by): (&Form, &str),
) -> Result<(), CommandError> {
    let comment = form.text("comment", "the comment")?;
    life::comment(reader, id, said(by, &comment))
}

/// Keeps an alert quiet for some hours.
pub(super) fn shelve(
    page: &Page,
    reader: &Reader,
    id: &str,
    (form, by): (&Form, &str),
) -> Result<(), CommandError> {
    let reason = form.text("reason", "the reason")?;
    let Ok(hours) = form.field("hours").parse::<u32>().map(f64::from) else {
        let words = "write for how many hours the alert is shelved, as a whole number";
        return Err(CommandError::Usage(words.to_owned()));
    };
    life::shelve(&page.config, reader, id, hours, said(by, &reason))
}

/// Lets a shelved alert speak again.
pub(super) fn unshelve(
    _: &Page,
    reader: &Reader,
    id: &str,
    (form, by): (&Form, &str),
) -> Result<(), CommandError> {
    let reason = form.text("reason", "the reason")?;
    life::unshelve(reader, id, said(by, &reason))
}

/// Closes an alert with its cause and what was done.
pub(super) fn close(
    page: &Page,
    reader: &Reader,
    id: &str,
    (form, by): (&Form, &str),
) -> Result<(), CommandError> {
    let action = form.text("action", "the action")?;
    let said = said(by, &action);
    life::close(&page.config, reader, id, form.field("cause"), said)
}

fn said<'a>(by: &'a str, words: &'a str) -> life::Said<'a> {
    let now = clock::now();
    life::Said { by, words, now }
}

/// Takes a stream out of service.
pub(super) fn out_of_service(
    _: &Page,
    reader: &Reader,
    stream: &StreamRow,
    (_, by, reason): (&Form, &str, &str),
) -> Result<(), CommandError> {
    life::serve(reader, &stream.label, Service::Out, said(by, reason)).map(drop)
}

/// Takes a stream back into service.
pub(super) fn in_service(
    _: &Page,
    reader: &Reader,
    stream: &StreamRow,
    (_, by, reason): (&Form, &str, &str),
) -> Result<(), CommandError> {
    life::serve(reader, &stream.label, Service::In, said(by, reason)).map(drop)
}

/// Asks that limits be made of the subgroups so far.
pub(super) fn freeze(
    page: &Page,
    reader: &Reader,
    stream: &StreamRow,
    (form, by, reason): (&Form, &str, &str),
) -> Result<(), CommandError> {
    let minimum = match form.field("override") {
        "" => Minimum::Holds,
        _ => Minimum::Overridden,
    };
    let said = (by, reason, clock::now());
    commands::limits::freeze((&page.config, reader), &stream.label, minimum, said)?;
    Ok(())
}

/// Asks for a new baseline.
pub(super) fn restart(
    page: &Page,
    reader: &Reader,
    stream: &StreamRow,
    (form, by, reason): (&Form, &str, &str),
) -> Result<(), CommandError> {
    let from = match form.field("from") {
        "" => None,
        text => Some(commands::parse_time(&page.config, text)?),
    };
    let said = (by, reason, clock::now());
    commands::limits::restart((&page.config, reader), &stream.label, from, said)?;
    Ok(())
}

/// Makes an audit pack. It goes on where the answer takes too long, and one at a time.
pub(super) async fn make_pack(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    body: Bytes,
) -> Response {
    let making = act(page, (visitor, Role::Operate), move |page, _, _| {
        let Ok(_place) = page.packs.try_acquire() else {
            let words = "a pack is being made already; ask again when it stands among the reports";
            return Err(CommandError::Refused(words.to_owned()));
        };
        let form = Form::read(&body);
        let product = form.text("product", "the product")?;
        let request = Request {
            from: commands::parse_time(&page.config, form.field("from"))?,
            to: commands::parse_time(&page.config, form.field("to"))?,
            product: (!product.is_empty()).then_some(product),
        };
        let moment = Reader::open(&page.config.data_folder)?.at_one_moment()?;
        make(&page.config, &moment, &request)
            .inspect_err(|error| tracing::warn!(%error, "the audit pack was not made"))?;
        Ok("/reports".to_owned())
    });
    timeout(PACK_PATIENCE, making).await.unwrap_or_else(|_| {
        let words = "The pack is being made. It stands among the reports when it is done.";
        pages::refusal(StatusCode::ACCEPTED, words)
    })
}

/// The stream of a number.
fn stream(reader: &Reader, id: &str) -> Result<StreamRow, CommandError> {
    let wanted = id.parse::<i64>().ok();
    let found = reader
        .streams()?
        .into_iter()
        .find(|stream| Some(stream.id) == wanted);
    found.ok_or_else(|| CommandError::Stream("there is no such stream".to_owned()))
}

/// The form that asks for a token.
pub(super) async fn ask_token(State(page): State<Arc<Page>>) -> Response {
    pages::sign_in(&page, StatusCode::OK, "")
}

/// Takes a token and begins a session.
pub(super) async fn sign_in(
    State(page): State<Arc<Page>>,
    peer: Option<Extension<Peer>>,
    body: Bytes,
) -> Response {
    let form = Form::read(&body);
    let peer = peer.map_or([0, 0, 0, 0].into(), |Extension(peer)| peer.0);
    let token = form.field("token");
    match page.access.token(token, peer) {
        Err(denied) => {
            tracing::warn!(%peer, ?denied, "a token was refused by the live page");
            match denied {
                Denied::Throttled => pages::denied(denied),
                _ => pages::sign_in(&page, StatusCode::UNAUTHORIZED, denied.words()),
            }
        }
        Ok(visitor) => {
            tracing::info!(%peer, token = %visitor.token, "signed in to the live page");
            match page.access.begin(token, visitor) {
                Ok(secret) => with_cookie(lead_to("/"), &secret, None),
                Err(error) => pages::broken(&error),
            }
        }
    }
}

/// Ends the session.
pub(super) async fn sign_out(State(page): State<Arc<Page>>, headers: HeaderMap) -> Response {
    if let Some(secret) = cookie(&headers) {
        page.access.end(secret);
    }
    with_cookie(lead_to("/"), "", Some(0))
}

fn with_cookie(mut response: Response, secret: &str, max_age: Option<u32>) -> Response {
    let age = max_age.map_or_else(String::new, |seconds| format!("; Max-Age={seconds}"));
    let text = format!("{COOKIE_NAME}={secret}; Path=/; HttpOnly; SameSite=Strict{age}");
    if let Ok(value) = HeaderValue::from_str(&text) {
        response.headers_mut().insert(SET_COOKIE, value);
    }
    response
}
