//! Rows and cells of delimited text: where each begins and ends.
//!
//! Follows RFC 4180 and knows no column's meaning. The invariant: where a row ends depends only on
//! the bytes from its beginning, so a file may be cut between any two rows. A quoted cell must
//! close before a delimiter or the end of a line; otherwise the row's first line alone is refused,
//! and reading goes on with the next line: an open quote never swallows what follows.

/// No row is longer, in bytes: a longer line has the file set aside.
pub const ROW_MAX: usize = 256 * 1024;

/// The characters that give text its cells.
#[derive(Clone, Copy, Debug)]
pub struct Dialect {
    /// Between cells.
    pub delimiter: u8,
    /// Around cells with delimiters or line ends in them.
    pub quote: u8,
}

/// What is wrong with a row as such.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RowFault {
    /// It has so many cells.
    Ragged(usize),
    /// A quote is open, or text follows a closing one.
    Quote,
    /// It is longer than [`ROW_MAX`].
    TooLong,
}

/// The cells of some rows: for each row as many spans as the header has columns.
#[derive(Debug, Default)]
pub struct Cells {
    columns: usize,
    /// Start and end of each cell; beyond the text's length they lie in `unescaped`.
    spans: Vec<(u32, u32)>,
    /// Quoted cells that held doubled quotes.
    unescaped: Vec<u8>,
    /// Where each row starts and in which line, for messages.
    rows: Vec<(u32, u32)>,
    /// Rows that are not among the others, with their extent.
    pub faults: Vec<Fault>,
}

/// A row that has no cells.
#[derive(Clone, Copy, Debug)]
pub struct Fault {
    /// What is wrong.
    pub what: RowFault,
    /// Where the row starts.
    pub start: usize,
    /// The line, counted from the start of the text.
    pub line: u32,
}

/// Walks through text row by row.
#[derive(Clone, Copy, Debug)]
pub struct Walk {
    /// Where the next row starts.
    pub at: usize,
    /// The lines before it.
    pub line: u32,
}

impl Cells {
    /// For rows of so many columns, at most `rows` at once.
    #[must_use]
    pub fn new(columns: usize, rows: usize) -> Cells {
        Cells {
            columns,
            spans: vec![(0, 0); columns * rows],
            ..Cells::default()
        }
    }

    /// How many whole rows there are.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.rows.len()
    }

    /// Where a row starts, and the lines before it.
    #[must_use]
    pub fn row(&self, row: usize) -> (usize, u32) {
        let (start, line) = self.rows[row];
        (start as usize, line)
    }

    /// Start and end of a cell.
    #[inline]
    #[must_use]
    pub fn span(&self, row: usize, column: usize) -> (usize, usize) {
        let (start, end) = self.spans[row * self.columns + column];
        (start as usize, end as usize)
    }

    /// The text that holds a cell, and the cell's start and end in it.
    #[inline]
    #[must_use]
    pub fn place<'a>(
        &'a self,
        text: &'a [u8],
        row: usize,
        column: usize,
    ) -> (&'a [u8], usize, usize) {
        let (start, end) = self.span(row, column);
        if end <= text.len() {
            (text, start, end)
        } else {
            (&self.unescaped, start - text.len(), end - text.len())
        }
    }

    /// The text of a cell.
    #[inline]
    #[must_use]
    pub fn cell<'a>(&'a self, text: &'a [u8], row: usize, column: usize) -> &'a [u8] {
        let (text, start, end) = self.place(text, row, column);
        &text[start..end]
    }

    /// Whether the table has no place for another row, or as many faults as it has places: a text
    /// of nothing but faults must not be held as one list of them.
    #[inline]
    fn is_full(&self) -> bool {
        let places = self.spans.len();
        self.rows.len() * self.columns >= places || self.faults.len() * self.columns >= places
    }

    /// Takes rows of a text without quotes until the table is full or the text ends.
    pub fn fill_plain(&mut self, text: &[u8], walk: &mut Walk, delimiter: u8) {
        self.clear();
        let (mut row_start, mut cell_start, mut count) = (walk.at, walk.at, 0);
        let mut base = 0;
        for block_at in (walk.at..text.len()).step_by(64) {
            let mut marks = marks(text, block_at, delimiter);
            while marks != 0 {
                let at = block_at + marks.trailing_zeros() as usize;
                marks &= marks - 1;
                if text[at] != b'\n' {
                    if let Some(span) = self.spans.get_mut(base + count)
                        && count < self.columns
                    {
                        *span = (cell_start as u32, at as u32);
                    }
                    count += 1;
                    cell_start = at + 1;
                    continue;
                }
                base += self.end_row(text, (row_start, cell_start, at), count, walk.line);
                *walk = Walk {
                    at: at + 1,
                    line: walk.line + 1,
                };
                (row_start, cell_start, count) = (at + 1, at + 1, 0);
                if self.is_full() {
                    return;
                }
            }
        }
        if row_start < text.len() {
            self.end_row(text, (row_start, cell_start, text.len()), count, walk.line);
            *walk = Walk {
                at: text.len(),
                line: walk.line + 1,
            };
        }
    }

    /// Ends a row whose last cell is open; returns how many spans it took.
    #[inline]
    fn end_row(
        &mut self,
        text: &[u8],
        (row_start, cell_start, at): (usize, usize, usize),
        count: usize,
        line: u32,
    ) -> usize {
        let end = if at > cell_start && text[at - 1] == b'\r' {
            at - 1
        } else {
            at
        };
        if at - row_start > ROW_MAX {
            self.faults.push(Fault {
                what: RowFault::TooLong,
                start: row_start,
                line,
            });
            return 0;
        }
        if end == row_start {
            return 0;
        }
        let spare = count == self.columns && cell_start == end;
        if count + 1 == self.columns || spare {
            let base = self.rows.len() * self.columns;
            if !spare {
                self.spans[base + count] = (cell_start as u32, end as u32);
            }
            self.rows.push((row_start as u32, line));
            return self.columns;
        }
        let what = RowFault::Ragged(count + 1);
        self.faults.push(Fault {
            what,
            start: row_start,
            line,
        });
        0
    }

    /// Takes rows of a text with quotes until the table is full or the text ends.
    pub fn fill_quoted(&mut self, text: &[u8], walk: &mut Walk, dialect: Dialect) {
        self.clear();
        let mut spans = Vec::with_capacity(self.columns + 1);
        while walk.at < text.len() && !self.is_full() {
            let start = walk.at;
            let end = row_end(text, start, dialect);
            spans.clear();
            if end.at - start > ROW_MAX {
                self.faults.push(Fault {
                    what: RowFault::TooLong,
                    start,
                    line: walk.line,
                });
            } else if end.is_closed {
                self.split_row(text, start, end.at, dialect, &mut spans);
                self.take_row(start, walk.line, &spans);
            } else {
                self.faults.push(Fault {
                    what: RowFault::Quote,
                    start,
                    line: walk.line,
                });
            }
            *walk = Walk {
                at: end.at,
                line: walk.line + end.lines,
            };
        }
    }

    fn take_row(&mut self, start: usize, line: u32, spans: &[(u32, u32)]) {
        if matches!(spans, [(from, to)] if from == to) {
            return;
        }
        let spare =
            spans.len() == self.columns + 1 && spans.last().is_some_and(|(from, to)| from == to);
        if spans.len() == self.columns || spare {
            let base = self.rows.len() * self.columns;
            self.spans[base..base + self.columns].copy_from_slice(&spans[..self.columns]);
            self.rows.push((start as u32, line));
        } else {
            let what = RowFault::Ragged(spans.len());
            self.faults.push(Fault { what, start, line });
        }
    }

    fn split_row(
        &mut self,
        text: &[u8],
        start: usize,
        end: usize,
        dialect: Dialect,
        spans: &mut Vec<(u32, u32)>,
    ) {
        let row = trim_line_end(&text[..end]);
        let mut at = start;
        loop {
            let close = cell_end(row, at, dialect);
            // A header's quotes may be open: then what stands there is the cell, as it is.
            let is_quoted = row.get(at) == Some(&dialect.quote)
                && close > at + 1
                && row.get(close - 1) == Some(&dialect.quote);
            spans.push(if is_quoted {
                self.unquoted(text, at + 1, close - 1, dialect.quote)
            } else {
                (at as u32, close as u32)
            });
            at = close + 1;
            if close >= row.len() {
                return;
            }
        }
    }

    /// The span of a quoted cell's content, its doubled quotes made single.
    fn unquoted(&mut self, text: &[u8], start: usize, end: usize, quote: u8) -> (u32, u32) {
        if memchr::memchr(quote, &text[start..end]).is_none() {
            return (start as u32, end as u32);
        }
        let from = self.unescaped.len();
        let mut doubled = false;
        for &byte in &text[start..end] {
            if byte != quote || doubled {
                self.unescaped.push(byte);
            }
            doubled = byte == quote && !doubled;
        }
        (
            (text.len() + from) as u32,
            (text.len() + self.unescaped.len()) as u32,
        )
    }

    fn clear(&mut self) {
        self.rows.clear();
        self.faults.clear();
        self.unescaped.clear();
    }
}

/// Which of the 64 bytes from `at` are delimiters or line ends: a bit each. Many bytes at once,
/// because a branch for every few of them mispredicts, and in plain loops, because compilers turn
/// those into vector instructions.
#[inline]
fn marks(text: &[u8], at: usize, delimiter: u8) -> u64 {
    let mut block = [0u8; 64];
    match text.get(at..at + 64) {
        Some(bytes) => block.copy_from_slice(bytes),
        None => block[..text.len() - at].copy_from_slice(&text[at..]),
    }
    for byte in &mut block {
        *byte = u8::from(*byte == delimiter) | u8::from(*byte == b'\n');
    }
    // The multiplication gathers the low bits of eight bytes in the top byte.
    let gather = |bytes| u64::from_le_bytes(bytes).wrapping_mul(0x0102_0408_1020_4080) >> 56;
    let (eights, _) = block.as_chunks::<8>();
    eights
        .iter()
        .rev()
        .fold(0, |marks, eight| marks << 8 | gather(*eight))
}

/// A line without `\n` or `\r\n`.
fn trim_line_end(line: &[u8]) -> &[u8] {
    let line = line.strip_suffix(b"\n").unwrap_or(line);
    line.strip_suffix(b"\r").unwrap_or(line)
}

/// Where a row ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RowEnd {
    /// The start of the next row.
    pub at: usize,
    /// The lines of the row.
    pub lines: u32,
    /// Whether all its quotes are closed; if not, it ends with its first line.
    pub is_closed: bool,
    /// Whether the end was seen, and not only the end of the text.
    pub is_certain: bool,
}

/// The end of the row that starts at `start`.
#[must_use]
pub fn row_end(text: &[u8], start: usize, dialect: Dialect) -> RowEnd {
    let line_end = memchr::memchr(b'\n', &text[start..]).map(|at| start + at + 1);
    let first_line = line_end.unwrap_or(text.len());
    let plain = RowEnd {
        at: first_line,
        lines: 1,
        is_closed: true,
        is_certain: line_end.is_some(),
    };
    if memchr::memchr(dialect.quote, &text[start..first_line]).is_none() {
        return plain;
    }
    let limit = text.len().min(start + ROW_MAX);
    let open = |is_certain| RowEnd {
        is_closed: false,
        is_certain,
        ..plain
    };
    let mut at = start;
    loop {
        if text.get(at) == Some(&dialect.quote) {
            match quoted_end(&text[..limit], at, dialect) {
                Quoted::Closed(end) => at = end,
                Quoted::Broken => return open(plain.is_certain),
                Quoted::Open => {
                    return open(plain.is_certain && limit == start + ROW_MAX);
                }
            }
        }
        match memchr::memchr2(dialect.delimiter, b'\n', &text[at..]) {
            Some(found) if text[at + found] == dialect.delimiter => at += found + 1,
            Some(found) => {
                let end = at + found + 1;
                let lines = memchr::memchr_iter(b'\n', &text[start..end]).count() as u32;
                return RowEnd {
                    at: end,
                    lines,
                    is_closed: true,
                    is_certain: true,
                };
            }
            None => {
                let lines = memchr::memchr_iter(b'\n', &text[start..]).count() as u32 + 1;
                return RowEnd {
                    at: text.len(),
                    lines,
                    is_closed: true,
                    is_certain: false,
                };
            }
        }
    }
}

enum Quoted {
    /// Closed; the delimiter, line end or end of text after it is here.
    Closed(usize),
    /// Text follows the closing quote.
    Broken,
    /// The text ends first.
    Open,
}

fn quoted_end(text: &[u8], open: usize, dialect: Dialect) -> Quoted {
    let mut at = open + 1;
    while let Some(found) = memchr::memchr(dialect.quote, &text[at..]) {
        let after = at + found + 1;
        match text.get(after) {
            Some(&byte) if byte == dialect.quote => at = after + 1,
            Some(&byte) if byte == dialect.delimiter || byte == b'\n' => {
                return Quoted::Closed(after);
            }
            Some(b'\r') if matches!(text.get(after + 1), None | Some(b'\n')) => {
                return Quoted::Closed(after);
            }
            None => return Quoted::Closed(after),
            Some(_) => return Quoted::Broken,
        }
    }
    Quoted::Open
}

/// The end of the cell at `at` in a row without its line end and with closed quotes.
fn cell_end(row: &[u8], at: usize, dialect: Dialect) -> usize {
    let from = match row.get(at) {
        Some(&byte) if byte == dialect.quote => match quoted_end(row, at, dialect) {
            Quoted::Closed(end) => end,
            Quoted::Broken | Quoted::Open => row.len(),
        },
        _ => at,
    };
    let rest = row.get(from..).unwrap_or_default();
    memchr::memchr(dialect.delimiter, rest).map_or(row.len(), |found| from + found)
}

/// The cells of one line as text, quotes removed: for headers and previews.
#[must_use]
pub fn split_line(line: &str, dialect: Dialect) -> Vec<String> {
    let mut cells = Cells::default();
    let mut spans = Vec::new();
    let bytes = line.as_bytes();
    cells.split_row(bytes, 0, bytes.len(), dialect, &mut spans);
    let columns = spans.len();
    cells = Cells {
        columns,
        spans,
        unescaped: cells.unescaped,
        ..Cells::default()
    };
    let text = |column| {
        String::from_utf8_lossy(cells.cell(bytes, 0, column))
            .trim()
            .to_owned()
    };
    (0..columns).map(text).collect()
}

/// Where to cut a buffer into pieces of whole rows of about `size` bytes each: the end of each
/// piece. What follows the last one is a row whose end was not seen; `is_last` says that nothing
/// follows the buffer, so that it is whole all the same.
#[must_use]
pub fn piece_bounds(text: &[u8], size: usize, is_last: bool, dialect: Dialect) -> Vec<usize> {
    let mut bounds = Vec::new();
    if memchr::memchr(dialect.quote, text).is_some() {
        quoted_bounds(text, size, dialect, &mut bounds);
    } else {
        let mut start = 0;
        while text.len() - start > size {
            let Some(end) = memchr::memrchr(b'\n', &text[start..start + size])
                .or_else(|| memchr::memchr(b'\n', &text[start..]))
            else {
                break;
            };
            start += end + 1;
            bounds.push(start);
        }
        if let Some(end) = memchr::memrchr(b'\n', &text[start..]) {
            bounds.push(start + end + 1);
        }
    }
    if is_last && bounds.last().copied().unwrap_or(0) < text.len() {
        bounds.push(text.len());
    }
    bounds
}

fn quoted_bounds(text: &[u8], size: usize, dialect: Dialect, bounds: &mut Vec<usize>) {
    let (mut piece, mut at) = (0, 0);
    while at < text.len() {
        let end = row_end(text, at, dialect);
        if !end.is_certain {
            break;
        }
        at = end.at;
        if at - piece >= size {
            bounds.push(at);
            piece = at;
        }
    }
    if at > piece {
        bounds.push(at);
    }
}

#[cfg(test)]
mod tests;
