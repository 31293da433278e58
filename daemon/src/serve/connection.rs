//! HTTP/1.1 on a socket: one request a connection, everything bounded in bytes and in time.
//!
//! Knows no page and no host. The one invariant: a peer that sends too much, too slowly or nonsense
//! gets an answer or is dropped, and never holds more than its one place among the connections.

use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::http::header::{CONNECTION, CONTENT_LENGTH, DATE, HOST, TRANSFER_ENCODING};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, Request, StatusCode, Uri, Version};
use axum::response::Response;
use http_body::Body as _;
use tokio::io::AsyncWrite;
use tokio::net::{TcpListener, TcpStream};
use tokio::time::timeout;
use tower::ServiceExt;

use super::download::InPieces;
use super::guard::{Peer, harden};
use super::pages;
use super::places::{Place, Places};
use crate::clock;

/// Bytes of a request's line and headers.
const HEAD_MAX: usize = 16 * 1024;

/// Headers of a request.
const HEADERS_MAX: usize = 64;

/// Bytes of a request's target.
const TARGET_MAX: usize = 2_048;

/// Bytes of a request's body.
const BODY_MAX: usize = 64 * 1024;

/// Bytes of a response that is no stream of events and no file.
const RESPONSE_MAX: u64 = 1024 * 1024;

/// How long a request may take to arrive, to be answered, and a piece of the answer to be taken.
const PATIENCE: Duration = Duration::from_secs(10);

/// How long the rest of a refused request is read, so that the peer sees the refusal.
const FAREWELL: Duration = Duration::from_secs(1);

/// Answers connections until it is dropped. One that can not be accepted is logged.
pub async fn serve(listener: Arc<TcpListener>, app: Router) {
    let places = Arc::new(Places::default());
    loop {
        let accepted = listener.accept().await;
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::warn!(%error, "the live page could not accept a connection");
                // Out of file handles, most likely: others have to close first.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            }
        };
        // Without a free place the connection is dropped at once: to explain would take one.
        let Some(place) = places.take(peer.ip()) else {
            tracing::debug!(%peer, "all connections are taken");
            continue;
        };
        let app = app.clone();
        tokio::spawn(async move {
            answer(stream, (peer, &place), app).await;
            drop(place);
        });
    }
}

async fn answer(mut stream: TcpStream, (peer, place): (SocketAddr, &Place), app: Router) {
    let read = tokio::select! {
        read = timeout(PATIENCE, read_request(&stream, peer)) => read,
        () = place.wanted() => return,
    };
    place.note_sent();
    let (response, is_head) = match read {
        Err(_) => {
            let words = "The request took too long to arrive.";
            (refused(StatusCode::REQUEST_TIMEOUT, words), false)
        }
        Ok(Err(Unread::Gone)) => return,
        Ok(Err(Unread::Refused(status, words))) => (refused(status, words), false),
        Ok(Ok(request)) => {
            let is_head = *request.method() == Method::HEAD;
            (routed(app, request).await, is_head)
        }
    };
    if let Err(error) = write_response(&stream, response, is_head).await {
        tracing::debug!(%peer, %error, "a response did not arrive");
        return;
    }
    farewell(&mut stream).await;
}

async fn routed(app: Router, request: Request<Body>) -> Response {
    match timeout(PATIENCE, app.oneshot(request)).await {
        Ok(Ok(response)) => response,
        Ok(Err(never)) => match never {},
        Err(_) => refused(
            StatusCode::SERVICE_UNAVAILABLE,
            "The answer took too long. Try again; if it stays so, see the log.",
        ),
    }
}

fn refused(status: StatusCode, words: &str) -> Response {
    harden(pages::refusal(status, words))
}

/// Why there is no request.
#[derive(Debug)]
enum Unread {
    /// The peer has closed.
    Gone,
    Refused(StatusCode, &'static str),
}

async fn read_request(stream: &TcpStream, peer: SocketAddr) -> Result<Request<Body>, Unread> {
    let mut bytes = Vec::with_capacity(1_024);
    let (mut request, head_len) = loop {
        if let Some(found) = parse_head(&bytes)? {
            break found;
        }
        if bytes.len() >= HEAD_MAX {
            return Err(Unread::Refused(
                StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE,
                "The headers of the request are too long.",
            ));
        }
        read_more(stream, &mut bytes, HEAD_MAX).await?;
    };
    let length = body_length(request.headers())?;
    let whole = head_len + length;
    while bytes.len() < whole {
        read_more(stream, &mut bytes, whole).await?;
    }
    request.extensions_mut().insert(Peer(peer.ip()));
    let body = Bytes::copy_from_slice(&bytes[head_len..whole]);
    Ok(request.map(|()| Body::from(body)))
}

async fn read_more(stream: &TcpStream, bytes: &mut Vec<u8>, max: usize) -> Result<(), Unread> {
    let mut piece = [0u8; 4_096];
    let room = piece.len().min(max.saturating_sub(bytes.len()).max(1));
    match receive(stream, &mut piece[..room]).await {
        Ok(0) | Err(_) => Err(Unread::Gone),
        Ok(len) => {
            bytes.extend_from_slice(&piece[..len]);
            Ok(())
        }
    }
}

/// Waits for bytes; none means that the peer has closed.
async fn receive(stream: &TcpStream, bytes: &mut [u8]) -> std::io::Result<usize> {
    loop {
        stream.readable().await?;
        match stream.try_read(bytes) {
            Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {}
            done => return done,
        }
    }
}

/// The head of a request and its length; `None` where more has to come.
fn parse_head(bytes: &[u8]) -> Result<Option<(Request<()>, usize)>, Unread> {
    let bad = || Unread::Refused(StatusCode::BAD_REQUEST, "This is no request of HTTP/1.1.");
    let mut headers = [httparse::EMPTY_HEADER; HEADERS_MAX];
    let mut head = httparse::Request::new(&mut headers);
    let len = match head.parse(bytes) {
        Ok(httparse::Status::Complete(len)) => len,
        Ok(httparse::Status::Partial) => return Ok(None),
        Err(httparse::Error::TooManyHeaders) => {
            return Err(Unread::Refused(
                StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE,
                "The request has too many headers.",
            ));
        }
        Err(_) => return Err(bad()),
    };
    let target = head.path.ok_or_else(bad)?;
    if target.len() > TARGET_MAX {
        let words = "The address of the request is too long.";
        return Err(Unread::Refused(StatusCode::URI_TOO_LONG, words));
    }
    // Only the form that browsers send to a server itself: this is no proxy.
    let uri: Uri = match target.starts_with('/') {
        true => target.parse().map_err(|_| bad())?,
        false => return Err(bad()),
    };
    let mut request = Request::new(());
    *request.method_mut() =
        Method::from_bytes(head.method.ok_or_else(bad)?.as_bytes()).map_err(|_| bad())?;
    *request.uri_mut() = uri;
    *request.version_mut() = match head.version {
        Some(0) => Version::HTTP_10,
        _ => Version::HTTP_11,
    };
    for header in head.headers.iter() {
        let name = HeaderName::from_bytes(header.name.as_bytes()).map_err(|_| bad())?;
        let value = HeaderValue::from_bytes(header.value).map_err(|_| bad())?;
        request.headers_mut().append(name, value);
    }
    if request.headers().get_all(HOST).iter().count() > 1 {
        return Err(bad());
    }
    Ok(Some((request, len)))
}

/// The length of the body. Where two readers could disagree about it, nothing is read.
fn body_length(headers: &HeaderMap) -> Result<usize, Unread> {
    if headers.contains_key(TRANSFER_ENCODING) {
        let words = "Send the body with its length.";
        return Err(Unread::Refused(StatusCode::NOT_IMPLEMENTED, words));
    }
    let mut lengths = headers.get_all(CONTENT_LENGTH).iter();
    let Some(length) = lengths.next() else {
        return Ok(0);
    };
    let text = length.to_str().unwrap_or_default();
    let is_number = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    if !is_number || lengths.next().is_some() {
        let words = "The length of the body is no single number.";
        return Err(Unread::Refused(StatusCode::BAD_REQUEST, words));
    }
    match text.parse::<usize>() {
        Ok(length) if length <= BODY_MAX => Ok(length),
        _ => Err(Unread::Refused(
            StatusCode::PAYLOAD_TOO_LARGE,
            "The body of the request is too long.",
        )),
    }
}

async fn write_response(
    stream: &TcpStream,
    response: Response,
    is_head: bool,
) -> std::io::Result<()> {
    let is_in_pieces = response.extensions().get::<InPieces>().is_some();
    let is_too_long = !is_in_pieces && response.body().size_hint().lower() > RESPONSE_MAX;
    let response = match is_too_long {
        true => refused(
            StatusCode::INTERNAL_SERVER_ERROR,
            "The answer would be too long for a page. The commands give it in full.",
        ),
        false => response,
    };
    let (mut parts, mut body) = response.into_parts();
    let known = body.size_hint().exact();
    if let Some(length) = known
        && !parts.headers.contains_key(CONTENT_LENGTH)
    {
        parts
            .headers
            .insert(CONTENT_LENGTH, HeaderValue::from(length));
    }
    parts
        .headers
        .insert(CONNECTION, HeaderValue::from_static("close"));
    if let Ok(date) = HeaderValue::from_str(&http_date(clock::now())) {
        parts.headers.insert(DATE, date);
    }
    let mut head = format!("HTTP/1.1 {}\r\n", parts.status).into_bytes();
    for (name, value) in &parts.headers {
        head.extend_from_slice(name.as_str().as_bytes());
        head.extend_from_slice(b": ");
        head.extend_from_slice(value.as_bytes());
        head.extend_from_slice(b"\r\n");
    }
    head.extend_from_slice(b"\r\n");
    write(stream, &head).await?;
    if is_head {
        return Ok(());
    }
    loop {
        // A stream of events has no length, and ends when its reader goes or the program does.
        let frame = std::future::poll_fn(|context| Pin::new(&mut body).poll_frame(context));
        let frame = match known {
            Some(_) => frame.await,
            None => tokio::select! {
                frame = frame => frame,
                () = closed(stream) => return Ok(()),
            },
        };
        match frame {
            Some(Ok(frame)) => {
                if let Ok(bytes) = frame.into_data() {
                    write(stream, &bytes).await?;
                }
            }
            Some(Err(error)) => return Err(std::io::Error::other(error)),
            None => return Ok(()),
        }
    }
}

/// Waits until the peer has closed its side; what it sends meanwhile is thrown away.
async fn closed(stream: &TcpStream) {
    let mut waste = [0u8; 256];
    while receive(stream, &mut waste).await.is_ok_and(|len| len > 0) {}
}

async fn write(stream: &TcpStream, bytes: &[u8]) -> std::io::Result<()> {
    let all = async {
        let mut rest = bytes;
        while !rest.is_empty() {
            stream.writable().await?;
            match stream.try_write(rest) {
                Ok(len) => rest = &rest[len..],
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {}
                Err(error) => return Err(error),
            }
        }
        Ok(())
    };
    match timeout(PATIENCE, all).await {
        Ok(written) => written,
        Err(_) => Err(std::io::ErrorKind::TimedOut.into()),
    }
}

/// Closes in a way that lets the peer read the answer: with unread bytes left, it would be told
/// of a reset instead.
async fn farewell(stream: &mut TcpStream) {
    let shut = std::future::poll_fn(|context| Pin::new(&mut *stream).poll_shutdown(context));
    if shut.await.is_err() {
        return;
    }
    let rest = async {
        let mut waste = [0u8; 4_096];
        let mut left = BODY_MAX;
        while let Ok(len) = receive(stream, &mut waste).await {
            if len == 0 || len > left {
                break;
            }
            left -= len;
        }
    };
    // Whoever goes on sending after that has had the time to read.
    let _in_time = timeout(FAREWELL, rest).await;
}

/// A time as HTTP writes it (RFC 9110, section 5.6.7).
fn http_date(at: i64) -> String {
    jiff::Timestamp::from_microsecond(at)
        .map(|time| time.strftime("%a, %d %b %Y %H:%M:%S GMT").to_string())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn status(text: &str) -> Option<u16> {
        match parse_head(text.as_bytes()) {
            Ok(Some((request, _))) => match body_length(request.headers()) {
                Ok(_) => None,
                Err(Unread::Refused(status, _)) => Some(status.as_u16()),
                Err(Unread::Gone) => panic!("nobody closed"),
            },
            Ok(None) => panic!("more was wanted after {text:?}"),
            Err(Unread::Refused(status, _)) => Some(status.as_u16()),
            Err(Unread::Gone) => panic!("nobody closed"),
        }
    }

    #[test]
    fn heads_are_read_or_refused() {
        let many: String = (0..65).map(|number| format!("x-{number}: 1\r\n")).collect();
        for (text, expected) in [
            ("GET / HTTP/1.1\r\nhost: a\r\n\r\n".to_owned(), None),
            (
                "GET http://b/ HTTP/1.1\r\nhost: a\r\n\r\n".to_owned(),
                Some(400),
            ),
            ("GET * HTTP/1.1\r\nhost: a\r\n\r\n".to_owned(), Some(400)),
            ("GET / HTTP/3.7\r\n\r\n".to_owned(), Some(400)),
            (
                "GET / HTTP/1.1\r\nhost: a\r\nhost: b\r\n\r\n".to_owned(),
                Some(400),
            ),
            ("G\0T / HTTP/1.1\r\n\r\n".to_owned(), Some(400)),
            ("GET / HTTP/1.1\r\na b: c\r\n\r\n".to_owned(), Some(400)),
            (
                format!("GET /{} HTTP/1.1\r\n\r\n", "a".repeat(2_048)),
                Some(414),
            ),
            (format!("GET / HTTP/1.1\r\n{many}\r\n"), Some(431)),
            (
                "POST / HTTP/1.1\r\ncontent-length: 65536\r\n\r\n".to_owned(),
                None,
            ),
            (
                "POST / HTTP/1.1\r\ncontent-length: 65537\r\n\r\n".to_owned(),
                Some(413),
            ),
            (
                "POST / HTTP/1.1\r\ncontent-length: +1\r\n\r\n".to_owned(),
                Some(400),
            ),
            (
                "POST / HTTP/1.1\r\ncontent-length: 1\r\ncontent-length: 2\r\n\r\n".to_owned(),
                Some(400),
            ),
            (
                "POST / HTTP/1.1\r\ntransfer-encoding: chunked\r\n\r\n".to_owned(),
                Some(501),
            ),
        ] {
            assert_eq!(status(&text), expected, "{text:.80}");
        }
    }

    #[test]
    fn a_date_is_written_as_the_standard_shows_it() {
        // The example of RFC 9110, section 5.6.7.
        assert_eq!(
            http_date(784_111_777_000_000),
            "Sun, 06 Nov 1994 08:49:37 GMT"
        );
    }
}
