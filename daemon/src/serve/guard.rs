//! What every request passes before a page sees it, and every response before it leaves.
//!
//! Knows no page. The one invariant: no response leaves without the headers of [`harden`], not even
//! one that refuses.

use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::header::{
    AUTHORIZATION, CACHE_CONTROL, CONTENT_SECURITY_POLICY, COOKIE, HOST, HeaderName, ORIGIN,
    REFERER, REFERRER_POLICY, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::Response;

use super::access::{Denied, Role, Visitor};
use super::{Page, pages};

/// The name of the cookie that holds a session's secret.
pub(super) const COOKIE_NAME: &str = "driftvane";

/// Where a request came from.
#[derive(Clone, Copy, Debug)]
pub struct Peer(pub IpAddr);

/// What browsers must keep to: nothing from elsewhere, nothing inline, in nobody's frame.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
                      connect-src 'self'; base-uri 'none'; form-action 'self'; \
                      frame-ancestors 'none'";

/// Adds the headers that every response has.
pub fn harden(mut response: Response) -> Response {
    let headers = response.headers_mut();
    // A report has a policy of its own, which lets it do even less.
    headers
        .entry(CONTENT_SECURITY_POLICY)
        .or_insert(HeaderValue::from_static(POLICY));
    for (name, value) in [
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (REFERRER_POLICY, "no-referrer"),
        (CACHE_CONTROL, "no-store"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    for name in ["cross-origin-opener-policy", "cross-origin-resource-policy"] {
        let value = HeaderValue::from_static("same-origin");
        headers.insert(HeaderName::from_static(name), value);
    }
    response
}

/// The outermost layer.
pub(super) async fn hardened(request: Request, next: Next) -> Response {
    harden(next.run(request).await)
}

/// Refuses requests that name another host: they come from a page that plays with names.
pub(super) async fn host(State(page): State<Arc<Page>>, request: Request, next: Next) -> Response {
    match named_host(request.headers()) {
        Some(host) if page.is_allowed(&host) => next.run(request).await,
        _ => pages::refusal(
            StatusCode::MISDIRECTED_REQUEST,
            "This page does not answer to that name. Use a name listed in allowed_hosts.",
        ),
    }
}

/// The host of a request without its port, where exactly one is named.
fn named_host(headers: &HeaderMap) -> Option<String> {
    let mut all = headers.get_all(HOST).iter();
    let host = all.next()?.to_str().ok()?;
    all.next()
        .is_none()
        .then(|| without_port(host).to_ascii_lowercase())
}

fn without_port(host: &str) -> &str {
    // An address of version 6 has colons of its own, within brackets.
    match host.rsplit_once(':') {
        Some((name, port)) if !port.ends_with(']') && port.bytes().all(|b| b.is_ascii_digit()) => {
            name
        }
        _ => host,
    }
}

/// Refuses what another site has a browser send.
pub(super) async fn same_site(request: Request, next: Next) -> Response {
    if is_safe(request.method()) || is_own(request.headers()) {
        return next.run(request).await;
    }
    pages::refusal(
        StatusCode::FORBIDDEN,
        "This request does not come from a page of this program. Open the page and send it there.",
    )
}

fn is_safe(method: &Method) -> bool {
    matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS)
}

/// Whether a request that changes something comes from our own page, or from no browser at all.
fn is_own(headers: &HeaderMap) -> bool {
    let text = |name: &HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or(""));
    if let Some(site) = text(&HeaderName::from_static("sec-fetch-site")) {
        return site == "same-origin";
    }
    let host = text(&HOST).unwrap_or_default();
    if let Some(from) = text(&ORIGIN).or_else(|| text(&REFERER)) {
        let from: Option<Uri> = from.parse().ok();
        let authority = from.as_ref().and_then(Uri::authority);
        return authority.is_some_and(|from| from.as_str().eq_ignore_ascii_case(host));
    }
    // A program that sends a token in a header can not be made to by another site.
    bearer(headers).is_some()
}

/// The token in a header.
fn bearer(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(AUTHORIZATION)?.to_str().ok()?;
    let (kind, token) = value.split_once(' ')?;
    kind.eq_ignore_ascii_case("bearer").then_some(token.trim())
}

/// The session's secret in a cookie.
pub(super) fn cookie(headers: &HeaderMap) -> Option<&str> {
    let all = headers
        .get_all(COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok());
    all.flat_map(|value| value.split(';'))
        .filter_map(|one| one.trim().split_once('='))
        .find(|(name, _)| *name == COOKIE_NAME)
        .map(|(_, value)| value)
}

/// Finds out who asks. Style, script and the way in are for everyone.
pub(super) async fn known(
    State(page): State<Arc<Page>>,
    mut request: Request,
    next: Next,
) -> Response {
    let peer = request
        .extensions()
        .get::<Peer>()
        .map_or(IpAddr::from([0, 0, 0, 0]), |peer| peer.0);
    let path = request.uri().path().to_owned();
    let visitor = match visitor(&page, request.headers(), peer) {
        Ok(visitor) => visitor,
        Err(denied) if is_for_programs(&path) => {
            return pages::plain(status(denied), denied.words());
        }
        Err(denied) => return pages::denied(denied),
    };
    let is_public = matches!(path.as_str(), "/style.css" | "/page.js" | "/login");
    match visitor {
        Some(visitor) => {
            request.extensions_mut().insert(visitor);
        }
        None if is_public => {}
        None if is_for_programs(&path) => {
            let words = "A token is needed: send the header Authorization: Bearer TOKEN.";
            return pages::plain(StatusCode::UNAUTHORIZED, words);
        }
        None => {
            let words = match cookie(request.headers()) {
                Some(_) => "Your session has ended. Sign in again.",
                None => "",
            };
            return pages::sign_in(&page, StatusCode::UNAUTHORIZED, words);
        }
    }
    next.run(request).await
}

/// Whether programs ask there, which read no page.
fn is_for_programs(path: &str) -> bool {
    matches!(path, "/health" | "/metrics" | "/events")
}

/// The status with which a token is refused.
pub(super) fn status(denied: Denied) -> StatusCode {
    match denied {
        Denied::Unknown | Denied::Ended => StatusCode::UNAUTHORIZED,
        Denied::Throttled => StatusCode::TOO_MANY_REQUESTS,
    }
}

fn visitor(page: &Page, headers: &HeaderMap, peer: IpAddr) -> Result<Option<Visitor>, Denied> {
    if let Some(token) = bearer(headers) {
        return page.access.token(token, peer).map(Some);
    }
    let session = cookie(headers).and_then(|secret| page.access.session(secret));
    let everyone = page.access.is_open().then(|| Visitor {
        token: String::new(),
        role: Role::View,
    });
    Ok(session.or(everyone))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(all: &[(&'static str, &'static str)]) -> HeaderMap {
        let mut map = HeaderMap::new();
        for (name, value) in all {
            map.append(
                HeaderName::from_static(name),
                HeaderValue::from_static(value),
            );
        }
        map
    }

    #[test]
    fn a_host_is_compared_without_its_port_and_only_once() {
        for (host, name) in [
            ("Plant.example:8474", Some("plant.example")),
            ("[::1]:8474", Some("[::1]")),
            ("[::1]", Some("[::1]")),
            ("127.0.0.1", Some("127.0.0.1")),
        ] {
            assert_eq!(named_host(&headers(&[("host", host)])).as_deref(), name);
        }
        assert_eq!(named_host(&headers(&[])), None);
        assert_eq!(named_host(&headers(&[("host", "a"), ("host", "b")])), None);
    }

    #[test]
    fn what_changes_something_must_come_from_our_own_page() {
        // The rules of OWASP's cheat sheet on forged requests: fetch metadata first, then the
        // origin, then the referrer.
        for (all, own) in [
            (&[("sec-fetch-site", "same-origin")][..], true),
            (&[("sec-fetch-site", "cross-site")], false),
            (&[("sec-fetch-site", "same-site")], false),
            (&[("sec-fetch-site", "none")], false),
            (
                &[
                    ("sec-fetch-site", "cross-site"),
                    ("authorization", "Bearer x"),
                ],
                false,
            ),
            (&[("host", "p:1"), ("origin", "http://p:1")], true),
            (&[("host", "p:1"), ("origin", "http://p:2")], false),
            (&[("host", "p:1"), ("origin", "null")], false),
            (&[("host", "p:1"), ("referer", "http://p:1/alerts")], true),
            (
                &[("host", "p:1"), ("referer", "http://p:1.evil.example/")],
                false,
            ),
            (&[("host", "p:1"), ("authorization", "Bearer x")], true),
            (&[("host", "p:1")], false),
        ] {
            assert_eq!(is_own(&headers(all)), own, "{all:?}");
        }
    }

    #[test]
    fn the_cookie_is_found_among_others() {
        let all = headers(&[("cookie", "a=1; driftvane=abc; b=2")]);
        assert_eq!(cookie(&all), Some("abc"));
        assert_eq!(cookie(&headers(&[("cookie", "xdriftvane=abc")])), None);
    }
}
