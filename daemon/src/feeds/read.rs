//! Reading one file from end to end: in order, in bounded memory, on several threads.
//!
//! Knows neither the ledger nor what becomes of blocks. The invariant: blocks reach the sink in
//! the order of the file; a failure means that the caller must undo what it has taken from this
//! file, and a success that the file was the same before and after.

use std::cell::RefCell;
use std::fs::{File, Metadata};
use std::io::{self, Read};
use std::path::Path;

use super::cells::{self, Dialect};
use super::decode::Decoding;
use super::diagnostics::{self as codes, Quarantine, REJECTS_KEPT_MAX, Reject};
use super::glance::Whole;
use super::head::{self, FileHead, HEAD_MAX};
use super::midnight::Order;
use super::parse::{Piece, parse_piece};
use super::regular::{Links, open_and_look};
use super::scan::{inode, modified_ns};
use crate::block::{Block, EmptyUnit, FeedIndex};
use crate::config::{Config, Feed};
use crate::pipeline;

/// How much of a file is read and parsed at once, in bytes.
const BUFFER: usize = 4 * 1024 * 1024;
/// Files smaller than this are not worth a thread, in bytes.
const THREADS_FROM: u64 = 1024 * 1024;
/// How much is hashed and counted at once, in bytes.
const HASHED: usize = 64 * 1024;
/// Files that must be converted to UTF-8 are held in memory and may not be larger, in bytes.
pub const DECODE_MAX: u64 = 64 * 1024 * 1024;
/// How much of a file is read first, in bytes.
const FIRST: u64 = HEAD_MAX as u64;

/// What to read.
#[derive(Clone, Copy, Debug)]
pub struct ReadRequest<'a> {
    /// The file.
    pub path: &'a Path,
    /// Where the last reading ended; 0 for the whole file.
    pub from: u64,
    /// The hash of the bytes before `from`, as the last reading returned it: if the file no
    /// longer begins with them, nothing is passed on.
    pub prefix: Option<blake3::Hash>,
    /// Whether a last line without its line end is a row (whole files) or still being written.
    pub take_last_partial_line: bool,
    /// How many threads may parse.
    pub threads: usize,
    /// The file, where it was read as a whole before: nothing is read again then.
    pub whole: Option<&'a Whole>,
}

/// What was read.
#[derive(Debug)]
pub struct FileRead {
    /// Rows, without blank lines.
    pub rows_read: u64,
    /// The first rejected rows.
    pub rejects: Vec<Reject>,
    /// How many rows were rejected.
    pub rejects_total: u64,
    /// The hash of the bytes from the file's beginning to `end`.
    pub hash: blake3::Hash,
    /// Where the next reading of a growing file begins.
    pub end: u64,
    /// What a file without rows says about its unit.
    pub empty: Option<EmptyUnit>,
    /// The line of the first row that was read; 1 is the first line of the file.
    pub first_line: u64,
}

/// Why a file was not read.
#[derive(Debug, thiserror::Error)]
pub enum ReadFailure {
    /// The file must be set aside.
    #[error(transparent)]
    Quarantine(#[from] Quarantine),
    /// The file is gone, or is no regular file any more.
    #[error("the file is gone; it was moved or deleted after it was listed")]
    Vanished,
    /// The system refused.
    #[error("cannot read the file: {0}. Check its permissions and the disk or share")]
    Io(io::Error),
    /// The file changed while it was read: read it again when it is at rest.
    #[error("the file changed while it was read; it is read again when it is at rest")]
    Changed,
    /// A growing file no longer begins with what was read before.
    #[error("the file no longer begins with what was read before: it was replaced or cut")]
    Rewritten,
}

impl From<io::Error> for ReadFailure {
    fn from(error: io::Error) -> ReadFailure {
        match error.kind() {
            io::ErrorKind::NotFound => ReadFailure::Vanished,
            _ => ReadFailure::Io(error),
        }
    }
}

/// What becomes of blocks: `prepare` runs on any thread, `sink` takes what it made, in order.
pub struct Use<'a, T> {
    /// What can be made of a block by itself.
    pub prepare: &'a (dyn Fn(Block) -> T + Sync),
    /// Takes what was made of each block, in the order of the file.
    pub sink: &'a mut dyn FnMut(T),
}

/// Reads a file and passes its blocks on, in order. On failure the caller undoes what the sink
/// took.
///
/// # Errors
/// See [`ReadFailure`].
pub fn read_file<T: Send>(
    config: &Config,
    feed_index: FeedIndex,
    request: &ReadRequest<'_>,
    mut to: Use<'_, T>,
) -> Result<FileRead, ReadFailure> {
    let job = FileJob {
        config,
        feed_index,
        request,
    };
    if let Some(whole) = request.whole {
        let bytes = whole.bytes().to_vec();
        let len = bytes.len() as u64;
        return job.read(bytes, io::empty(), len, &mut to);
    }
    let (mut file, before) = open(request.path)?;
    let first = read_up_to(&mut file, before.len.min(FIRST))?;
    let read = job.read(first, file, before.len, &mut to)?;
    let (_, after) = open(request.path)?;
    let is_same = if request.take_last_partial_line {
        after == before
    } else {
        after.inode == before.inode && after.len >= before.len
    };
    if is_same {
        Ok(read)
    } else {
        Err(ReadFailure::Changed)
    }
}

/// What tells one state of a file from another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct State {
    pub(super) len: u64,
    pub(super) modified_ns: i64,
    pub(super) inode: u64,
}

impl State {
    pub(super) fn of(meta: &Metadata) -> State {
        State {
            len: meta.len(),
            modified_ns: modified_ns(meta),
            inode: inode(meta),
        }
    }
}

/// Opens a regular file; links are not followed.
pub(super) fn open(path: &Path) -> Result<(File, State), ReadFailure> {
    let Some((file, meta)) = open_and_look(path, Links::Refuse)? else {
        return Err(ReadFailure::Vanished);
    };
    Ok((file, State::of(&meta)))
}

/// The first bytes of a file, in as few calls as can be: files are many and small.
pub(super) fn read_up_to(file: &mut File, len: u64) -> io::Result<Vec<u8>> {
    let mut bytes = vec![0; usize::try_from(len).unwrap_or(usize::MAX)];
    let mut read = 0;
    while let Some(room) = bytes.get_mut(read..).filter(|room| !room.is_empty()) {
        match file.read(room) {
            Ok(0) => break,
            Ok(more) => read += more,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    bytes.truncate(read);
    Ok(bytes)
}

/// A text read buffer by buffer.
struct Source<'a, R> {
    reader: R,
    /// Bytes that the reader still has to give.
    left: u64,
    /// Bytes read and not consumed.
    buffer: Vec<u8>,
    /// Bytes consumed.
    at: u64,
    /// The line at which the buffer begins.
    line: u64,
    hasher: blake3::Hasher,
    /// Buffers to use again: fresh memory has to be cleared by the system first.
    spare: &'a Spare,
}

/// Buffers whose rows have been parsed.
type Spare = RefCell<Vec<Vec<u8>>>;

impl<'a, R: Read> Source<'a, R> {
    /// A text of so many bytes, of which the first have been read.
    fn new(first: Vec<u8>, reader: R, len: u64, spare: &'a Spare) -> Source<'a, R> {
        let hasher = blake3::Hasher::new();
        Source {
            reader,
            left: len.saturating_sub(first.len() as u64),
            buffer: first,
            at: 0,
            line: 1,
            hasher,
            spare,
        }
    }

    /// Fills the buffer as far as the text goes.
    fn fill(&mut self) -> Result<(), ReadFailure> {
        let room = BUFFER.saturating_sub(self.buffer.len()) as u64;
        let wanted = room.min(self.left);
        if wanted == 0 {
            return Ok(());
        }
        self.buffer.reserve(wanted as usize);
        let read = (&mut self.reader)
            .take(wanted)
            .read_to_end(&mut self.buffer)? as u64;
        if read < wanted {
            // The file is shorter than it was when it was opened.
            return Err(ReadFailure::Changed);
        }
        self.left -= read;
        Ok(())
    }

    /// Hands over the first bytes of the buffer.
    fn consume(&mut self, len: usize) -> Vec<u8> {
        let mut rest = self.spare.borrow_mut().pop().unwrap_or_default();
        rest.clear();
        rest.extend_from_slice(&self.buffer[len..]);
        let mut taken = std::mem::replace(&mut self.buffer, rest);
        taken.truncate(len);
        // By parts, so that the second look at each finds it in the caches.
        for part in taken.chunks(HASHED) {
            self.hasher.update(part);
            self.line += memchr::memchr_iter(b'\n', part).count() as u64;
        }
        self.at += len as u64;
        taken
    }

    /// Consumes everything up to an offset.
    fn skip_to(&mut self, to: u64) -> Result<(), ReadFailure> {
        while self.at < to {
            self.fill()?;
            let len = (to - self.at).min(self.buffer.len() as u64) as usize;
            if len == 0 {
                return Err(ReadFailure::Rewritten);
            }
            self.consume(len);
        }
        Ok(())
    }

    /// The next whole rows and the number of their first line; `None` at the end.
    fn next(
        &mut self,
        dialect: Dialect,
        take_last: bool,
    ) -> Result<Option<(Vec<u8>, u64)>, ReadFailure> {
        self.fill()?;
        let is_last = self.left == 0;
        let bounds = cells::piece_bounds(&self.buffer, BUFFER, is_last && take_last, dialect);
        let Some(&end) = bounds.last() else {
            if self.buffer.len() > cells::ROW_MAX {
                return Err(head::line_too_long(self.line).into());
            }
            return Ok(None);
        };
        let line = self.line;
        Ok(Some((self.consume(end), line)))
    }
}

/// One file to be read.
struct FileJob<'a> {
    config: &'a Config,
    feed_index: FeedIndex,
    request: &'a ReadRequest<'a>,
}

impl FileJob<'_> {
    fn feed(&self) -> &Feed {
        &self.config.feeds[self.feed_index]
    }

    /// Reads a file of so many bytes, of which the first have been read.
    fn read<R: Read, T: Send>(
        &self,
        first: Vec<u8>,
        rest: R,
        len: u64,
        to: &mut Use<'_, T>,
    ) -> Result<FileRead, ReadFailure> {
        if len < self.request.from {
            return Err(ReadFailure::Rewritten);
        }
        let decoding = Decoding::of(&first, self.feed().csv.encoding);
        if decoding.is_utf8() {
            let spare = Spare::default();
            let mut source = Source::new(first, rest, len, &spare);
            self.stream(&mut source, self.request.from, to)
        } else {
            self.convert(decoding, first, (rest, len), to)
        }
    }

    /// The plan of the file and where its rows begin; `None` where a growing file has no header
    /// yet.
    fn head(&self, first: &[u8]) -> Result<Option<(FileHead, usize)>, ReadFailure> {
        let name = self
            .request
            .path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy();
        let mut known = first;
        if !self.request.take_last_partial_line {
            let end = memchr::memrchr(b'\n', first).map_or(0, |end| end + 1);
            if end == 0 && first.len() <= cells::ROW_MAX {
                return Ok(None);
            }
            known = &first[..end];
        }
        match head::open_head(self.config, self.feed_index, &name, known) {
            Ok(found) => Ok(Some(found)),
            Err(quarantine)
                if !self.request.take_last_partial_line
                    && quarantine.code == codes::NO_HEADER
                    && first.len() < HEAD_MAX =>
            {
                Ok(None)
            }
            Err(quarantine) => Err(quarantine.into()),
        }
    }

    /// Reads UTF-8 text from its beginning; rows count from the offset `from`.
    fn stream<R: Read, T: Send>(
        &self,
        source: &mut Source<'_, R>,
        from: u64,
        to: &mut Use<'_, T>,
    ) -> Result<FileRead, ReadFailure> {
        source.fill()?;
        let mut totals = Totals::default();
        let Some((head, row_at)) = self.head(&source.buffer)? else {
            return Ok(totals.finish(source, None));
        };
        source.skip_to(from.max(row_at as u64))?;
        if let Some(prefix) = self.request.prefix
            && from > 0
            && source.hasher.finalize() != prefix
        {
            return Err(ReadFailure::Rewritten);
        }
        totals.first_line = source.line;
        let rest = source.left + source.buffer.len() as u64;
        let threads = if rest >= THREADS_FROM {
            self.request.threads
        } else {
            1
        };
        let spare = source.spare;
        pipeline::in_order(
            threads,
            &mut || source.next(head.dialect, self.request.take_last_partial_line),
            &|(bytes, line)| Parsed::of(&head, self.feed(), bytes, line, to.prepare),
            &mut |parsed| {
                let bytes = totals.take(parsed, to.sink)?;
                spare.borrow_mut().push(bytes);
                Ok(())
            },
        )?;
        totals.order.verdict()?;
        Ok(totals.finish(source, Some(&head)))
    }

    /// Reads a file in another encoding: converted in memory as a whole.
    fn convert<R: Read, T: Send>(
        &self,
        decoding: Decoding,
        mut bytes: Vec<u8>,
        (rest, len): (R, u64),
        to: &mut Use<'_, T>,
    ) -> Result<FileRead, ReadFailure> {
        if len > DECODE_MAX {
            return Err(too_large(decoding).into());
        }
        rest.take(len - bytes.len() as u64)
            .read_to_end(&mut bytes)?;
        if (bytes.len() as u64) < len {
            return Err(ReadFailure::Changed);
        }
        let mark = decoding.mark_len;
        if !self.request.take_last_partial_line {
            let end = decoding.last_line_end(&bytes[mark.min(bytes.len())..]);
            bytes.truncate(if end == 0 { 0 } else { mark + end });
        }
        let from = usize::try_from(self.request.from)
            .unwrap_or(usize::MAX)
            .min(bytes.len());
        if let Some(prefix) = self.request.prefix
            && from > 0
            && blake3::hash(&bytes[..from]) != prefix
        {
            return Err(ReadFailure::Rewritten);
        }
        let split = from.max(mark.min(bytes.len()));
        let mut text = decoding
            .decode(&bytes[mark.min(split)..split])?
            .into_owned();
        let text_from = text.len() as u64;
        text.push_str(&decoding.decode(&bytes[split..])?);
        let text_len = text.len() as u64;
        let spare = Spare::default();
        let mut source = Source::new(Vec::new(), io::Cursor::new(text), text_len, &spare);
        // The prefix was compared in the file's own bytes.
        let request = ReadRequest {
            prefix: None,
            ..*self.request
        };
        let job = FileJob {
            request: &request,
            ..*self
        };
        let mut read = job.stream(&mut source, text_from, to)?;
        read.end = if read.end == 0 { 0 } else { bytes.len() as u64 };
        read.hash = blake3::hash(if read.end == 0 { &[] } else { &bytes });
        Ok(read)
    }
}

/// What came of a piece of a file.
struct Parsed<T> {
    /// What was made of the rows.
    prepared: Option<T>,
    rejects: Vec<Reject>,
    rejects_total: u64,
    rows_read: u64,
    fatal: Option<Quarantine>,
    /// The order of the times, where the date stands apart.
    order: Order,
    /// The text, to be used again.
    bytes: Vec<u8>,
}

impl<T> Parsed<T> {
    fn of(
        head: &FileHead,
        feed: &Feed,
        bytes: Vec<u8>,
        line: u64,
        prepare: &(dyn Fn(Block) -> T + Sync),
    ) -> Parsed<T> {
        let Piece {
            block,
            rejects,
            rejects_total,
            rows_read,
            fatal,
        } = parse_piece(head, feed, &bytes, line);
        let is_wanted = fatal.is_none() && block.rows > 0;
        let order = match head.time.len() {
            0 | 1 => Order::default(),
            _ => Order::of(&block),
        };
        Parsed {
            order,
            prepared: is_wanted.then(|| prepare(block)),
            rejects,
            rejects_total,
            rows_read,
            fatal,
            bytes,
        }
    }
}

fn too_large(decoding: Decoding) -> Quarantine {
    Quarantine {
        code: codes::TOO_LARGE_TO_DECODE,
        reason: format!(
            "The file is {} and larger than {} MiB, the most that is converted",
            decoding.encoding.name(),
            DECODE_MAX / 1024 / 1024
        ),
        fix: "Let the station export UTF-8, which has no such limit, or smaller files".into(),
        line: None,
    }
}

/// The sums over a file's pieces.
#[derive(Default)]
struct Totals {
    rows_read: u64,
    rejects: Vec<Reject>,
    rejects_total: u64,
    first_line: u64,
    order: Order,
}

impl Totals {
    /// Adds a piece and passes on what was made of its rows; gives back its text.
    fn take<T>(
        &mut self,
        parsed: Parsed<T>,
        sink: &mut dyn FnMut(T),
    ) -> Result<Vec<u8>, ReadFailure> {
        if let Some(quarantine) = parsed.fatal {
            return Err(quarantine.into());
        }
        self.rows_read += parsed.rows_read;
        self.order.join(parsed.order);
        self.rejects_total += parsed.rejects_total;
        let room = REJECTS_KEPT_MAX - self.rejects.len();
        self.rejects.extend(parsed.rejects.into_iter().take(room));
        if let Some(prepared) = parsed.prepared {
            sink(prepared);
        }
        Ok(parsed.bytes)
    }

    fn finish<R>(self, source: &Source<'_, R>, head: Option<&FileHead>) -> FileRead {
        let is_empty = self.rows_read == 0;
        FileRead {
            rows_read: self.rows_read,
            rejects: self.rejects,
            rejects_total: self.rejects_total,
            hash: source.hasher.finalize(),
            end: source.at,
            empty: head.filter(|_| is_empty).and_then(head::empty_unit),
            first_line: self.first_line,
        }
    }
}
