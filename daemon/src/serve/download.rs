//! A file as the body of a response: in pieces, however large it is.
//!
//! Knows no page, and takes no name from a request. The one invariant: what is handed out is a
//! plain file of the length that the head of the response tells, or the connection breaks.

use std::fs::{File, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::pin::Pin;
use std::task::{Context, Poll};

use axum::body::{Body, Bytes};
use axum::http::HeaderValue;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::response::Response;
use http_body::{Frame, SizeHint};
use tokio::sync::mpsc;

/// Bytes of a piece.
const PIECE: usize = 64 * 1024;

/// Pieces that wait for a slow peer.
const PIECES_MAX: usize = 2;

/// Bytes of a file that is handed out.
const FILE_BYTES_MAX: u64 = 256 << 20;

/// What a browser must keep to in a report: it has a style of its own and nothing else, runs
/// nothing, and is of no origin, so that it can do nothing in anybody's name.
const REPORT_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; \
                             base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox";

/// What a file is, and what is done with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// A page of its own, to be looked at.
    Report,
    /// A workbook, to be kept.
    Workbook,
    /// Figures, to be kept.
    Figures,
}

/// Marks a response that may be longer than a page: its body comes in pieces.
#[derive(Clone, Copy)]
pub(super) struct InPieces;

/// Opens a file, which must be no link and no pipe, and tells how long it is.
fn open(path: &Path) -> io::Result<(File, u64)> {
    let mut options = OpenOptions::new();
    let flags = libc::O_NOFOLLOW | libc::O_NONBLOCK;
    let file = options.read(true).custom_flags(flags).open(path)?;
    let found = file.metadata()?;
    if !found.is_file() || found.len() > FILE_BYTES_MAX {
        return Err(io::Error::from(io::ErrorKind::InvalidData));
    }
    Ok((file, found.len()))
}

/// A file as a response; `name` is what it is called where it is kept.
pub(super) fn file(path: &Path, kind: Kind, name: &str) -> io::Result<Response> {
    let (file, length) = open(path)?;
    let (pieces, received) = mpsc::channel(PIECES_MAX);
    tokio::task::spawn_blocking(move || send(file, length, &pieces));
    let body = Pieces {
        received,
        left: length,
    };
    let mut response = Response::new(Body::new(body));
    response.extensions_mut().insert(InPieces);
    let headers = response.headers_mut();
    let is = match kind {
        Kind::Report => "text/html; charset=utf-8",
        Kind::Workbook => "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        Kind::Figures => "application/json",
    };
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(is));
    if kind == Kind::Report {
        let policy = HeaderValue::from_static(REPORT_POLICY);
        headers.insert(CONTENT_SECURITY_POLICY, policy);
    } else if let Ok(how) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        headers.insert(CONTENT_DISPOSITION, how);
    }
    Ok(response)
}

/// Reads a file and sends it, until all is sent or nobody takes it any more.
fn send(mut file: File, mut left: u64, to: &mpsc::Sender<io::Result<Bytes>>) {
    while left > 0 {
        let wanted = left.min(PIECE as u64);
        let mut piece = Vec::with_capacity(PIECE);
        let read = (&mut file).take(wanted).read_to_end(&mut piece);
        let piece = match read {
            Ok(0) => Err(io::Error::from(io::ErrorKind::UnexpectedEof)),
            Ok(length) => {
                left -= length as u64;
                Ok(Bytes::from(piece))
            }
            Err(error) => Err(error),
        };
        let is_over = piece.is_err();
        if to.blocking_send(piece).is_err() || is_over {
            return;
        }
    }
}

/// The pieces of a file.
struct Pieces {
    received: mpsc::Receiver<io::Result<Bytes>>,
    left: u64,
}

impl http_body::Body for Pieces {
    type Data = Bytes;
    type Error = io::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, io::Error>>> {
        self.received.poll_recv(context).map(|piece| {
            piece.map(|piece| {
                let piece = piece?;
                self.left = self.left.saturating_sub(piece.len() as u64);
                Ok(Frame::data(piece))
            })
        })
    }

    fn size_hint(&self) -> SizeHint {
        SizeHint::with_exact(self.left)
    }
}
