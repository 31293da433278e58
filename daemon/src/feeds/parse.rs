//! Rows to blocks: the cells of a piece of a file, validated column by column.
//!
//! Knows the plan of the file and nothing of other files. The invariant: rows read are rows in the
//! block plus rejects, and cutting the file elsewhere gives the same rows. Work goes by batches of
//! rows and, within a batch, by columns, so that each kind of cell has one tight loop.

use std::sync::Arc;

use super::cells::{Cells, Fault, RowFault, Walk};
use super::columns::{BATCH, Bad, Coded, Text, TextUse, code, retain, room, show};
use super::decode;
use super::diagnostics::REJECTS_KEPT_MAX;
use super::diagnostics::{self as codes, Quarantine, REJECT_TEXT_MAX, Reject, quote_text};
use super::head::{self, CellSource, FileHead, LayoutPlan};
use super::looks::{Looks, control};
use super::number;
use crate::block::{Block, Column, Lines, Values};
use crate::config::{Feed, Layout};
use crate::words::{Call, Review, Role};

/// No measure is larger in magnitude: the exact sums hold numbers below 2^64.
const NUMBER_MAX: f64 = 1e19;

/// No inspection is older: 2001-01-01. Clocks that were never set begin at 1970, 1980 or 2000.
pub(super) const EARLIEST_US: i64 = 978_307_200_000_000;

/// The rows of a piece of a file.
#[derive(Debug)]
pub struct Piece {
    /// The valid rows.
    pub block: Block,
    /// The rejected rows by line, at most [`REJECTS_KEPT_MAX`].
    pub rejects: Vec<Reject>,
    /// How many rows were rejected.
    pub rejects_total: u64,
    /// How many rows there were; blank lines are none.
    pub rows_read: u64,
    /// Why the whole file must be set aside, if a row shows that.
    pub fatal: Option<Quarantine>,
}

/// Parses whole rows. `bytes` is UTF-8 text without preamble and header, cut as
/// [`super::piece_bounds`] says; `first_line` is the number of its first line in the file.
#[must_use]
pub fn parse_piece(head: &FileHead, feed: &Feed, bytes: &[u8], first_line: u64) -> Piece {
    let mut parser = Parser::new(head, feed, bytes, first_line);
    let looks = Looks::of(bytes, head.dialect.quote);
    if !looks.ascii
        && let Err(quarantine) = decode::utf8(bytes, first_line)
    {
        parser.fatal = Some(quarantine);
        return parser.finish();
    }
    let mut cells = Cells::new(head.columns.len(), BATCH.min(room(bytes)));
    let mut walk = Walk { at: 0, line: 0 };
    parser.has_controls = looks.controls;
    while walk.at < bytes.len() && parser.fatal.is_none() {
        if looks.quotes {
            cells.fill_quoted(bytes, &mut walk, head.dialect);
        } else {
            cells.fill_plain(bytes, &mut walk, head.dialect.delimiter);
        }
        parser.take(&cells);
    }
    parser.finish()
}

/// The rows so far, and what was found about them.
struct Parser<'a> {
    head: &'a FileHead,
    feed: &'a Feed,
    bytes: &'a [u8],
    first_line: u64,
    has_controls: bool,
    at: Vec<i64>,
    reader: super::time::TimeReader,
    texts: Vec<Text>,
    attempt: Coded<u16>,
    opportunities: Coded<u32>,
    call: Coded<Call>,
    review: Coded<Review>,
    numbers: Vec<Vec<f64>>,
    lines: Lines,
    bad: Vec<Bad>,
    rejects: Vec<Reject>,
    rejects_total: u64,
    rows_read: u64,
    fatal: Option<Quarantine>,
}

impl<'a> Parser<'a> {
    fn new(head: &'a FileHead, feed: &'a Feed, bytes: &'a [u8], first_line: u64) -> Parser<'a> {
        let room = room(bytes);
        let mut texts = Vec::new();
        for (role, source) in &head.roles {
            if let CellSource::Column(column) = source {
                texts.push(Text::new(TextUse::Role(*role), *column, room));
            }
        }
        if let LayoutPlan::Long { step, unit, .. } = &head.layout {
            texts.push(Text::new(TextUse::Step, *step, room));
            texts.extend(unit.map(|column| Text::new(TextUse::Unit, column, room)));
        }
        let numbers = match &head.layout {
            LayoutPlan::Wide(columns) => columns.len(),
            LayoutPlan::Long { .. } => 3,
        };
        Parser {
            head,
            feed,
            bytes,
            first_line,
            has_controls: false,
            at: Vec::with_capacity(room),
            reader: head.reader.clone(),
            texts,
            attempt: Coded::new(room),
            opportunities: Coded::new(room),
            call: Coded::new(room),
            review: Coded::new(room),
            numbers: (0..numbers).map(|_| Vec::with_capacity(room)).collect(),
            lines: Lines::default(),
            bad: Vec::new(),
            rejects: Vec::new(),
            rejects_total: 0,
            rows_read: 0,
            fatal: None,
        }
    }

    /// Takes the rows of a batch.
    fn take(&mut self, cells: &Cells) {
        let kept = self.at.len();
        if self.has_controls {
            self.take_controls(cells);
        }
        self.take_times(cells);
        self.take_texts(cells);
        self.take_coded(cells);
        self.take_numbers(cells);
        self.rows_read += (cells.rows() + cells.faults.len()) as u64;
        if !self.bad.is_empty() {
            self.drop_bad(kept, cells.rows());
        }
        self.take_lines(kept, cells);
        self.reject(cells);
    }

    /// Notes the lines of the rows that are kept: two are enough where no line lies between.
    fn take_lines(&mut self, kept: usize, cells: &Cells) {
        let line = |row: usize| self.first_line + u64::from(cells.row(row).1);
        let Some(last) = cells.rows().checked_sub(1) else {
            return;
        };
        if self.bad.is_empty() && line(last) - line(0) == last as u64 {
            return self.lines.push(kept, line(0));
        }
        let mut bad = self.bad.iter().map(|bad| bad.row).peekable();
        let mut next = kept;
        for row in 0..=last {
            if bad.next_if_eq(&row).is_none() {
                self.lines
                    .push(next, self.first_line + u64::from(cells.row(row).1));
                next += 1;
            }
        }
    }

    fn take_controls(&mut self, cells: &Cells) {
        for row in 0..cells.rows() {
            for column in 0..self.head.columns.len() {
                let cell = cells.cell(self.bytes, row, column);
                if let Some(&byte) = cell.iter().find(|&&byte| control(byte) != 0) {
                    let reason = format!("The cell holds the control character 0x{byte:02x}");
                    self.find(row, codes::CONTROL_CHARACTER, Some(column), reason);
                    break;
                }
            }
        }
    }

    fn take_times(&mut self, cells: &Cells) {
        if let Some(at) = self.head.at {
            self.at.resize(self.at.len() + cells.rows(), at);
            return;
        }
        let mut joined = Vec::new();
        let head = self.head;
        let place = head.time.iter().find_map(|source| match source {
            CellSource::Column(column) => Some(*column),
            CellSource::Text(_) => None,
        });
        for row in 0..cells.rows() {
            let text = match &head.time[..] {
                [CellSource::Column(column)] => cells.cell(self.bytes, row, *column),
                sources => {
                    joined.clear();
                    for source in sources {
                        let text = match source {
                            CellSource::Column(column) => cells.cell(self.bytes, row, *column),
                            CellSource::Text(text) => text.as_bytes(),
                        };
                        joined.extend_from_slice(text.trim_ascii());
                        joined.push(b' ');
                    }
                    joined.trim_ascii()
                }
            };
            let at = self.reader.read(text);
            self.at.push(at.unwrap_or(0));
            if at.is_none_or(|at| at < EARLIEST_US) {
                let (code, reason) = if text.trim_ascii().is_empty() {
                    (codes::EMPTY_TIME, "The row has no time".to_owned())
                } else if at.is_some() {
                    (codes::TOO_EARLY, too_early(&show(text)))
                } else {
                    let reason = format!("\"{}\" is not a time as the feed says", show(text));
                    (codes::BAD_TIME, reason)
                };
                self.bad.push(Bad {
                    row,
                    code,
                    column: place,
                    reason,
                });
            }
        }
    }

    fn take_texts(&mut self, cells: &Cells) {
        for text in &mut self.texts {
            let first = text.codes.len();
            text.codes.extend((0..cells.rows()).map(|row| {
                let (bytes, start, end) = cells.place(self.bytes, row, text.column);
                text.words.code(bytes, start, end)
            }));
            text.judge(first, &mut self.bad);
        }
    }

    fn take_coded(&mut self, cells: &Cells) {
        let head = self.head;
        let source = (self.bytes, cells);
        let attempt = (
            head.attempt.as_ref(),
            1,
            codes::BAD_ATTEMPT,
            "a count from 1",
        );
        code(
            &mut self.attempt,
            attempt,
            source,
            &mut self.bad,
            head::attempt,
        );
        let count = (
            head.opportunities.as_ref(),
            0,
            codes::BAD_OPPORTUNITIES,
            "a count",
        );
        code(
            &mut self.opportunities,
            count,
            source,
            &mut self.bad,
            head::opportunities,
        );
        let call = head.call.as_ref();
        let words = "one of the feed's words for a call";
        let plan = (
            call.map(|it| &it.0),
            Call::Absent,
            codes::UNMAPPED_CALL,
            words,
        );
        let meaning = |word: &str| call.and_then(|it| it.1.of(word));
        code(&mut self.call, plan, source, &mut self.bad, meaning);
        let review = head.review.as_ref();
        let words = "one of the feed's words for a review";
        let plan = (
            review.map(|it| &it.0),
            Review::Pending,
            codes::UNMAPPED_REVIEW,
            words,
        );
        let meaning = |word: &str| review.and_then(|it| it.1.of(word));
        code(&mut self.review, plan, source, &mut self.bad, meaning);
    }

    fn take_numbers(&mut self, cells: &Cells) {
        match (&self.head.layout, &self.feed.layout) {
            (LayoutPlan::Wide(columns), Layout::Wide(measures)) => {
                for (place, (column, measure)) in columns.iter().zip(measures).enumerate() {
                    let scale = (measure.scale, measure.plausible);
                    self.take_number(cells, place, *column, scale);
                }
            }
            (
                LayoutPlan::Long {
                    value,
                    lower,
                    upper,
                    ..
                },
                _,
            ) => {
                for (place, column) in [Some(*value), *lower, *upper].into_iter().enumerate() {
                    match column {
                        Some(column) => self.take_number(cells, place, column, (1.0, None)),
                        None => {
                            let rows = self.numbers[place].len() + cells.rows();
                            self.numbers[place].resize(rows, f64::NAN);
                        }
                    }
                }
            }
            (LayoutPlan::Wide(_), Layout::Long(_)) => {}
        }
    }

    fn take_number(
        &mut self,
        cells: &Cells,
        place: usize,
        column: usize,
        (scale, plausible): (f64, Option<(f64, f64)>),
    ) {
        let mark = self.head.decimal;
        let (lower, upper) = plausible.unwrap_or((-NUMBER_MAX, NUMBER_MAX));
        let mut numbers = std::mem::take(&mut self.numbers[place]);
        let bytes = self.bytes;
        // Extended from a range of known length, so that room is made once a batch.
        numbers.extend((0..cells.rows()).map(|row| {
            let (bytes, start, end) = cells.place(bytes, row, column);
            if start == end {
                return f64::NAN;
            }
            let value = number::parse_within(bytes, start, end, mark).map(|value| value * scale);
            if let Some(value) = value
                && lower <= value
                && value <= upper
            {
                return value;
            }
            self.judge_number(cells, (row, column), value, (lower, upper));
            f64::NAN
        }));
        self.numbers[place] = numbers;
    }

    /// Says what is wrong with a cell that gave no plausible number.
    #[cold]
    fn judge_number(
        &mut self,
        cells: &Cells,
        (row, column): (usize, usize),
        value: Option<f64>,
        (lower, upper): (f64, f64),
    ) {
        let text = cells.cell(self.bytes, row, column).trim_ascii();
        if text.is_empty() {
            return;
        }
        let mark = self.head.decimal;
        if value.is_none() && number::has_other_mark(text, mark) {
            let (_, line) = cells.row(row);
            let header = self.head.column(column);
            let line = self.first_line + u64::from(line);
            if self.fatal.is_none() {
                self.fatal = Some(wrong_decimal(header, &show(text), mark, line));
            }
            return;
        }
        let (code, reason) = match value {
            Some(value) if value.is_finite() => (
                codes::IMPLAUSIBLE,
                format!("{value} is outside the plausible range from {lower} to {upper}"),
            ),
            _ => (
                codes::NOT_A_NUMBER,
                format!("\"{}\" is not a finite number", show(text)),
            ),
        };
        self.find(row, code, Some(column), reason);
    }

    fn find(&mut self, row: usize, code: &'static str, column: Option<usize>, reason: String) {
        self.bad.push(Bad {
            row,
            code,
            column,
            reason,
        });
    }

    /// Removes the bad rows of the batch that starts at `first` from every column.
    fn drop_bad(&mut self, first: usize, rows: usize) {
        self.bad.sort_by_key(|bad| bad.row);
        self.bad.dedup_by_key(|bad| bad.row);
        let mut keep = vec![true; rows];
        for bad in &self.bad {
            keep[bad.row] = false;
        }
        retain(&mut self.at, first, &keep);
        retain(&mut self.attempt.values, first, &keep);
        retain(&mut self.opportunities.values, first, &keep);
        retain(&mut self.call.values, first, &keep);
        retain(&mut self.review.values, first, &keep);
        self.texts
            .iter_mut()
            .for_each(|text| retain(&mut text.codes, first, &keep));
        self.numbers
            .iter_mut()
            .for_each(|numbers| retain(numbers, first, &keep));
    }

    /// Turns the findings of a batch into rejects in the order of lines.
    fn reject(&mut self, cells: &Cells) {
        if self.bad.is_empty() && cells.faults.is_empty() {
            return;
        }
        let mut found: Vec<Reject> = Vec::new();
        for bad in std::mem::take(&mut self.bad) {
            let (start, line) = cells.row(bad.row);
            let column = bad.column.map(|column| self.head.column(column).to_owned());
            found.push(self.row_reject((bad.code, bad.reason), column, start, line));
        }
        for fault in &cells.faults {
            found.extend(self.fault_reject(*fault));
        }
        found.sort_by_key(|reject| reject.line);
        self.rejects_total += found.len() as u64;
        let room = REJECTS_KEPT_MAX - self.rejects.len();
        self.rejects.extend(found.into_iter().take(room));
    }

    fn fault_reject(&mut self, fault: Fault) -> Option<Reject> {
        let (code, reason) = match fault.what {
            RowFault::Ragged(cells) => (codes::RAGGED_ROW, self.ragged(cells)),
            RowFault::Quote => (
                codes::UNCLOSED_QUOTE,
                "A quote is not closed before a delimiter or the end of the line".to_owned(),
            ),
            RowFault::TooLong => {
                let line = self.first_line + u64::from(fault.line);
                self.fatal.get_or_insert_with(|| head::line_too_long(line));
                return None;
            }
        };
        Some(self.row_reject((code, reason), None, fault.start, fault.line))
    }

    fn ragged(&self, cells: usize) -> String {
        let columns = self.head.columns.len();
        let commas = cells > columns && self.head.dialect.delimiter == b',';
        let hint = if commas {
            "; are there commas in unquoted numbers or texts?"
        } else {
            ""
        };
        format!("The row has {cells} cells, the header {columns}{hint}")
    }

    fn row_reject(
        &self,
        (code, reason): (&'static str, String),
        column: Option<String>,
        start: usize,
        line: u32,
    ) -> Reject {
        let rest = &self.bytes[start..];
        let end = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
        let row = rest[..end].trim_ascii_end();
        let line = self.first_line + u64::from(line);
        Reject {
            code,
            line,
            column,
            reason,
            text: quote_text(row, REJECT_TEXT_MAX),
        }
    }

    fn finish(self) -> Piece {
        let mut keys: [Column; Role::COUNT] = std::array::from_fn(|_| Column::Absent);
        for (role, source) in &self.head.roles {
            if let CellSource::Text(text) = source {
                keys[role.index()] = Column::Constant(Arc::clone(text));
            }
        }
        let (mut step, mut unit) = (Column::Absent, Column::Absent);
        for text in self.texts {
            let column = text.words.into_column(text.codes);
            match text.use_ {
                TextUse::Role(role) => keys[role.index()] = column,
                TextUse::Step => step = column,
                TextUse::Unit => unit = column,
            }
        }
        let rows = self.at.len();
        if let Some(families) = &self.head.families {
            let product = &keys[Role::Product.index()];
            let component = &keys[Role::Component.index()];
            keys[Role::Family.index()] = families.column(product, component, rows);
        }
        let mut numbers = self.numbers;
        let values = match &self.head.layout {
            LayoutPlan::Wide(columns) if columns.is_empty() => Values::None,
            LayoutPlan::Wide(_) => Values::Wide(numbers),
            LayoutPlan::Long { .. } => {
                let upper = numbers.pop().unwrap_or_default();
                let lower = numbers.pop().unwrap_or_default();
                let value = numbers.pop().unwrap_or_default();
                Values::Long {
                    step,
                    value,
                    unit,
                    lower,
                    upper,
                }
            }
        };
        let block = Block {
            feed: self.head.feed,
            rows,
            at: self.at,
            keys,
            attempt: self.attempt.values,
            call: self.call.values,
            review: self.review.values,
            opportunities: self.opportunities.values,
            values,
            lines: self.lines,
        };
        Piece {
            block,
            rejects: self.rejects,
            rejects_total: self.rejects_total,
            rows_read: self.rows_read,
            fatal: self.fatal,
        }
    }
}

/// What is said of a time before [`EARLIEST_US`].
pub(super) fn too_early(text: &str) -> String {
    format!("\"{text}\" lies before 2001: set the station's clock, or correct the feed's format")
}

fn wrong_decimal(column: &str, text: &str, mark: u8, line: u64) -> Quarantine {
    let other = if mark == b'.' { ',' } else { '.' };
    Quarantine {
        code: codes::WRONG_DECIMAL,
        reason: format!(
            "\"{text}\" in column \"{column}\" has the decimal mark \"{other}\"; the feed says \
             \"{}\"",
            char::from(mark)
        ),
        fix: "Set the feed's csv.decimal to what the station writes".into(),
        line: Some(line),
    }
}
