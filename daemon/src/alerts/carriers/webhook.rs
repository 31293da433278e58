//! A webhook: the notice as JSON by POST, signed, over HTTP/1.1.
//!
//! A request has the headers `Idempotency-Key` with the notice's key, and, with a secret,
//! `Driftvane-Timestamp` (seconds since 1970) and `Driftvane-Signature`: `sha256=` and HMAC-SHA-256
//! (RFC 2104, FIPS 180-4) in hexadecimal over the timestamp, a full stop and the body.

use std::io::Read;
use std::time::Duration;

use ring::hmac;

use super::wire::Wire;
use super::{Carrier, Fault, Load, Receipt, plain_key, secret};
use crate::clock;
use crate::config::channel::{Security, Webhook, bracketed};
use crate::store::Notice;

/// Bytes of an answer's first line and headers.
const HEAD_MAX: usize = 16 * 1024;

/// Headers of an answer.
const HEADERS_MAX: usize = 64;

/// Characters of an answer's body that are shown.
const SHOWN_MAX: usize = 200;

/// The sender.
pub(super) struct Sender {
    pub(super) settings: Webhook,
    pub(super) patience: Duration,
}

impl Carrier for Sender {
    fn carry(&mut self, load: &Load<'_>) -> Result<Receipt, Fault> {
        let mut said = String::new();
        for notice in load.notices {
            said = self.post(notice)?;
        }
        Ok(Receipt::said(said))
    }
}

impl Sender {
    fn post(&self, notice: &Notice) -> Result<String, Fault> {
        let request = self.request(notice, clock::now() / 1_000_000)?;
        let mut wire = Wire::open(&self.settings.server, self.patience)?;
        wire.say(request.as_bytes(), "the request")?;
        let (status, rest) = answer(&mut wire)?;
        // A receiver that is content may keep the connection open: what else it says is not needed.
        if !(200..300).contains(&status) {
            let body = shown(&mut wire, rest);
            return Err(refused(wire.place(), status, &body));
        }
        Ok(format!("{status} from {} {}", wire.found, wire.security()))
    }

    pub(super) fn request(&self, notice: &Notice, timestamp: i64) -> Result<String, Fault> {
        let Webhook { server, target, .. } = &self.settings;
        let usual = match server.security {
            Security::Tls => 443,
            _ => 80,
        };
        let host = match server.port == usual {
            true => bracketed(&server.host),
            false => server.place(),
        };
        let signature = match &self.settings.secret {
            Some(kept) => {
                let secret = secret::read(kept)?;
                let signature = signature(&secret, timestamp, &notice.body);
                format!("Driftvane-Timestamp: {timestamp}\r\nDriftvane-Signature: {signature}\r\n")
            }
            None => String::new(),
        };
        let (body, key) = (&notice.body, plain_key(&notice.key));
        let (length, version) = (body.len(), env!("CARGO_PKG_VERSION"));
        Ok(format!(
            "POST {target} HTTP/1.1\r\nHost: {host}\r\nUser-Agent: driftvane/{version}\r\n\
             Content-Type: application/json\r\nContent-Length: {length}\r\n\
             Idempotency-Key: \"{key}\"\r\n{signature}Connection: close\r\n\r\n{body}"
        ))
    }
}

/// The signature of a body.
fn signature(secret: &str, timestamp: i64, body: &str) -> String {
    let key = hmac::Key::new(hmac::HMAC_SHA256, secret.as_bytes());
    let tag = hmac::sign(&key, format!("{timestamp}.{body}").as_bytes());
    let digits: String = tag
        .as_ref()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    format!("sha256={digits}")
}

/// The status of an answer, and what came with its head.
fn answer(wire: &mut Wire) -> Result<(u16, Vec<u8>), Fault> {
    let mut head = Vec::new();
    let mut piece = [0; 2_048];
    loop {
        let count = match wire.read(&mut piece) {
            Ok(0) => {
                return Err(wire.broken("the answer", &std::io::ErrorKind::UnexpectedEof.into()));
            }
            Ok(count) => count,
            Err(error) => return Err(wire.broken("the answer", &error)),
        };
        head.extend_from_slice(&piece[..count]);
        let mut headers = [httparse::EMPTY_HEADER; HEADERS_MAX];
        let mut response = httparse::Response::new(&mut headers);
        match response.parse(&head) {
            Ok(httparse::Status::Complete(length)) => {
                let status = response.code.unwrap_or_default();
                return Ok((status, head.split_off(length)));
            }
            Ok(httparse::Status::Partial) if head.len() < HEAD_MAX => {}
            Ok(httparse::Status::Partial) | Err(_) => {
                let problem = format!("{}: the answer is not HTTP/1.1", wire.place());
                let fix = "check that the address is that of a webhook, and http or https";
                return Err(Fault::channel(problem, fix));
            }
        }
    }
}

/// The beginning of an answer's body, for a person.
fn shown(wire: &mut Wire, mut body: Vec<u8>) -> String {
    if body.is_empty() {
        let mut piece = [0; 512];
        // Without it the answer is told by its number alone.
        body = wire
            .read(&mut piece)
            .map_or_else(|_| Vec::new(), |count| piece[..count].to_vec());
    }
    let text = String::from_utf8_lossy(&body);
    let words: Vec<&str> = text.split_whitespace().collect();
    words
        .join(" ")
        .chars()
        .filter(|one| !reports::is_hidden(*one))
        .take(SHOWN_MAX)
        .collect()
}

/// What a status that is no success means for the notice and for the channel.
fn refused(place: &str, status: u16, body: &str) -> Fault {
    let problem = match body {
        "" => format!("{place} answered {status}"),
        _ => format!("{place} answered {status}: {body}"),
    };
    match status {
        300..=399 => Fault::channel(
            problem,
            "write the address that it points to; redirections are not followed",
        ),
        401 | 403 => Fault::channel(
            problem,
            "check secret and address with those who run the receiver",
        ),
        404 | 405 => Fault::channel(problem, "check the path of url"),
        408 | 425 | 429 | 500..=599 => {
            Fault::channel(problem, "look at the receiver; it is asked again by itself")
        }
        _ => Fault::notice(
            problem,
            "see why the receiver refuses this notice, or give it up: driftvane alerts outbox",
        ),
    }
}
