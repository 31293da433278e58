//! The beginning of a file: its plan, its first rows, the time of the first of them.
//!
//! Knows neither the ledger nor what becomes of rows. The one invariant: a small file that is kept
//! is as it was at one moment and as the scan found it, so that nobody has to read it again.

use std::fs::File;
use std::path::Path;

use super::cells;
use super::decode::Decoding;
use super::head::{self, FileHead, HEAD_MAX};
use super::parse::{Piece, parse_piece};
use super::read::{ReadFailure, State, open, read_up_to};
use super::scan::Found;
use crate::block::FeedIndex;
use crate::config::Config;

/// How much of a file is looked at for a preview or its first time, in bytes.
const PEEK: u64 = HEAD_MAX as u64;

/// How much of a file is looked at first for its first time, in bytes.
const GLANCE: u64 = 4 * 1024;

/// The bytes of a small file.
#[derive(Clone, Debug)]
pub struct Whole(Box<[u8]>);

impl Whole {
    /// All bytes of the file.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }
}

/// What a look at the beginning of a file shows.
#[derive(Clone, Debug, Default)]
pub struct Glance {
    /// The time of the first row, or of the file itself; `None` where the beginning gives none.
    pub first: Option<i64>,
    /// The file, where that is all of it.
    pub whole: Option<Whole>,
}

/// Looks at the beginning of a file: to read a backlog in the order of time.
#[must_use]
pub fn glance(config: &Config, feed_index: FeedIndex, found: &Found) -> Glance {
    let time = |beginning: &Beginning| beginning.first_time(config, feed_index, &found.path);
    let Ok(short) = Beginning::of(&found.path, GLANCE) else {
        return Glance::default();
    };
    let first = time(&short);
    if short.is_whole() {
        let is_kept = !config.feeds[feed_index].grows && short.is_still(found);
        let whole = is_kept.then(|| Whole(short.bytes.into_boxed_slice()));
        return Glance { first, whole };
    }
    // A backlog is many files: most tell it in their first lines.
    let longer = || time(&Beginning::of(&found.path, PEEK).ok()?);
    Glance {
        first: first.or_else(longer),
        whole: None,
    }
}

/// The plan and the first rows of a file.
///
/// # Errors
/// See [`ReadFailure`].
pub(super) fn peek(
    config: &Config,
    feed_index: FeedIndex,
    path: &Path,
) -> Result<(FileHead, Piece), ReadFailure> {
    Beginning::of(path, PEEK)?.rows(config, feed_index, path, Rows::All)
}

/// How many rows of a beginning are looked at.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Rows {
    First,
    All,
}

/// The first bytes of a file.
struct Beginning {
    file: File,
    /// What it was before they were read.
    state: State,
    bytes: Vec<u8>,
}

impl Beginning {
    fn of(path: &Path, most: u64) -> Result<Beginning, ReadFailure> {
        let (mut file, state) = open(path)?;
        let bytes = read_up_to(&mut file, state.len.min(most))?;
        Ok(Beginning { file, state, bytes })
    }

    fn is_whole(&self) -> bool {
        self.bytes.len() as u64 == self.state.len
    }

    /// Whether the file is what the scan found, and was not changed while it was read.
    fn is_still(&self, found: &Found) -> bool {
        let after = self.file.metadata().map(|meta| State::of(&meta));
        let scanned = State {
            len: found.len,
            modified_ns: found.modified_ns,
            inode: found.inode,
        };
        self.state == scanned && after.is_ok_and(|after| after == scanned)
    }

    /// The time of the file, or of its first row that has one.
    fn first_time(&self, config: &Config, feed_index: FeedIndex, path: &Path) -> Option<i64> {
        let time = |rows| {
            let (head, piece) = self.rows(config, feed_index, path, rows).ok()?;
            head.at.or(piece.block.at.first().copied())
        };
        time(Rows::First).or_else(|| time(Rows::All))
    }

    fn rows(
        &self,
        config: &Config,
        feed_index: FeedIndex,
        path: &Path,
        wanted: Rows,
    ) -> Result<(FileHead, Piece), ReadFailure> {
        let feed = &config.feeds[feed_index];
        let decoding = Decoding::of(&self.bytes, feed.csv.encoding);
        let body = &self.bytes[decoding.mark_len..];
        let end = if self.is_whole() {
            body.len()
        } else {
            decoding.last_line_end(body)
        };
        let text = decoding.decode(&body[..end])?;
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let (head, row_at) = head::open_head(config, feed_index, &name, text.as_bytes())?;
        let rows = &text.as_bytes()[row_at..];
        let end = match wanted {
            Rows::First => cells::row_end(rows, 0, head.dialect).at,
            Rows::All => {
                let bounds = cells::piece_bounds(rows, usize::MAX, self.is_whole(), head.dialect);
                bounds.last().copied().unwrap_or(0)
            }
        };
        let piece = parse_piece(&head, feed, &rows[..end], head.first_row_line);
        match piece.fatal {
            Some(quarantine) => Err(quarantine.into()),
            None => Ok((head, piece)),
        }
    }
}
