//! Rows of a file after decoding, mapping and validation, column by column.
//!
//! This is the only thing that passes from the feeds to the engine and the archive. It knows
//! neither bytes nor charts. Every column has one entry a row; every number is finite or, where a
//! cell was empty, `f64::NAN`, which nothing downstream may treat as a value.

use std::sync::Arc;

use crate::words::{Call, Review, Role};

/// The place of a feed in the configuration's list.
pub type FeedIndex = usize;

/// One text role of a block.
#[derive(Clone, Debug, PartialEq)]
pub enum Column {
    /// The feed does not carry the role.
    Absent,
    /// One value for every row (a constant, the file name or the preamble).
    Constant(Arc<str>),
    /// A value a row: `words[codes[row]]`. An empty cell is the empty word.
    PerRow {
        /// The place of each row's word in `words`.
        codes: Vec<u32>,
        /// The different words of this block.
        words: Vec<Arc<str>>,
    },
}

impl Column {
    /// The text of a row; `None` where the role is absent or the cell was empty.
    #[must_use]
    pub fn text(&self, row: usize) -> Option<&Arc<str>> {
        let word = match self {
            Column::Absent => None,
            Column::Constant(word) => Some(word),
            Column::PerRow { codes, words } => {
                codes.get(row).and_then(|&code| words.get(code as usize))
            }
        };
        word.filter(|word| !word.is_empty())
    }

    fn select(&self, rows: &[usize]) -> Column {
        match self {
            Column::Absent => Column::Absent,
            Column::Constant(word) => Column::Constant(Arc::clone(word)),
            Column::PerRow { codes, words } => Column::PerRow {
                codes: pick(codes, rows),
                words: words.clone(),
            },
        }
    }
}

/// The measured numbers of a block.
#[derive(Clone, Debug, PartialEq)]
pub enum Values {
    /// A column a measure, in the order of the feed's measures. An empty cell is NaN.
    Wide(Vec<Vec<f64>>),
    /// A row a test step.
    Long {
        /// The step's name, a word a row.
        step: Column,
        /// The measured value; NaN where the step only gives a verdict.
        value: Vec<f64>,
        /// The unit as the file writes it.
        unit: Column,
        /// The lower test limit; NaN where absent.
        lower: Vec<f64>,
        /// The upper test limit; NaN where absent.
        upper: Vec<f64>,
    },
    /// The feed lists calls only.
    None,
}

/// Validated rows of one file, or of one piece of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Block {
    /// The feed the rows came from.
    pub feed: FeedIndex,
    /// How many rows there are.
    pub rows: usize,
    /// The event time of each row in microseconds since 1970-01-01T00:00:00Z.
    pub at: Vec<i64>,
    /// The text roles, indexed by [`Role::index`]. Attempt, call, review and opportunities are
    /// never here: they have typed columns below.
    pub keys: [Column; Role::COUNT],
    /// The try of each row: 1 is the first; also where the feed does not say.
    pub attempt: Vec<u16>,
    /// The machine's verdict of each row.
    pub call: Vec<Call>,
    /// The human verdict of each row.
    pub review: Vec<Review>,
    /// How many things were inspected, where the feed says: 0 where not. A figure of the file
    /// name or the preamble, or a repeated column, counts once a unit, not once a row.
    pub opportunities: Vec<u32>,
    /// The measured numbers.
    pub values: Values,
    /// Where in the file the rows stand.
    pub lines: Lines,
}

/// The lines of a block's rows in their file. Rows mostly follow line by line, so only the places
/// where they do not are kept.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lines(Vec<(usize, u64)>);

impl Lines {
    /// Notes the line of the next row; rows come in order.
    pub fn push(&mut self, row: usize, line: u64) {
        if self.of(row) != Some(line) {
            self.0.push((row, line));
        }
    }

    /// The line of a row; 1 is the first of the file. `None` where the rows are of no file.
    #[must_use]
    pub fn of(&self, row: usize) -> Option<u64> {
        let after = self.0.partition_point(|(first, _)| *first <= row);
        let (first, line) = self.0.get(after.checked_sub(1)?)?;
        Some(line + (row - first) as u64)
    }
}

/// What a file without rows still says: which unit was inspected, and that nothing was found.
#[derive(Clone, Debug, PartialEq)]
pub struct EmptyUnit {
    /// The feed.
    pub feed: FeedIndex,
    /// The event time from the file name or the preamble.
    pub at: i64,
    /// The roles that the file name, the preamble and constants give.
    pub keys: [Column; Role::COUNT],
    /// The try.
    pub attempt: u16,
    /// How many things were inspected; 0 where the file does not say.
    pub opportunities: u32,
}

impl Block {
    /// The column of a text role.
    #[must_use]
    pub fn key(&self, role: Role) -> &Column {
        &self.keys[role.index()]
    }

    /// Some of the rows, in the order given.
    #[must_use]
    pub fn select(&self, rows: &[usize]) -> Block {
        let mut lines = Lines::default();
        for (place, row) in rows.iter().enumerate() {
            if let Some(line) = self.lines.of(*row) {
                lines.push(place, line);
            }
        }
        Block {
            feed: self.feed,
            rows: rows.len(),
            at: pick(&self.at, rows),
            keys: std::array::from_fn(|role| self.keys[role].select(rows)),
            attempt: pick(&self.attempt, rows),
            call: pick(&self.call, rows),
            review: pick(&self.review, rows),
            opportunities: pick(&self.opportunities, rows),
            values: self.values.select(rows),
            lines,
        }
    }
}

impl Values {
    fn select(&self, rows: &[usize]) -> Values {
        match self {
            Values::Wide(columns) => {
                Values::Wide(columns.iter().map(|column| pick(column, rows)).collect())
            }
            Values::Long {
                step,
                value,
                unit,
                lower,
                upper,
            } => Values::Long {
                step: step.select(rows),
                value: pick(value, rows),
                unit: unit.select(rows),
                lower: pick(lower, rows),
                upper: pick(upper, rows),
            },
            Values::None => Values::None,
        }
    }

    /// Takes the measured numbers of a row away.
    pub fn clear(&mut self, row: usize) {
        match self {
            Values::Wide(columns) => columns.iter_mut().for_each(|column| column[row] = f64::NAN),
            Values::Long { value, .. } => value[row] = f64::NAN,
            Values::None => {}
        }
    }
}

/// The entries of a column at some rows.
fn pick<T: Copy>(column: &[T], rows: &[usize]) -> Vec<T> {
    rows.iter().map(|row| column[*row]).collect()
}
