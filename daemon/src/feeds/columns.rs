//! Columns under way: texts, words that stand for values, and what was found about rows.
//!
//! Knows no file and no order of work. The invariant: a column gets one entry for each row of a
//! batch, good or bad; bad rows are taken out of all columns alike afterwards.

use std::collections::BTreeMap;

use super::cells::Cells;
use super::diagnostics::{self as codes, quote_text};
use super::head::CellSource;
use super::looks::is_invisible;
use super::words::Words;
use crate::words::Role;

/// Characters of a name: of a board, a component, a product, a test step and the like.
pub(super) const NAME_MAX: usize = 200;

/// Rows handled at once: their cells' places fit into the fastest caches.
pub(super) const BATCH: usize = 512;

/// A text up to this length has its lines counted: most files of a backlog are short, and room
/// that they do not need is most of what they cost.
const COUNTED: usize = 64 * 1024;

/// For how many rows there is room at first: in a short text for all, in a long one for about as
/// many as the length of the first says.
pub(super) fn room(bytes: &[u8]) -> usize {
    if bytes.len() <= COUNTED {
        return memchr::memchr_iter(b'\n', bytes).count() + 1;
    }
    let line = memchr::memchr(b'\n', bytes).unwrap_or(bytes.len());
    bytes.len() / line.max(32) + BATCH
}

/// A finding about a row of the batch.
pub(super) struct Bad {
    pub(super) row: usize,
    pub(super) code: &'static str,
    pub(super) column: Option<usize>,
    pub(super) reason: String,
}

/// A text column under way.
pub(super) struct Text {
    pub(super) use_: TextUse,
    pub(super) column: usize,
    pub(super) words: Words,
    pub(super) codes: Vec<u32>,
    /// How many of the words were judged, and what is wrong with some.
    judged: usize,
    faults: BTreeMap<u32, (&'static str, String)>,
}

/// What a text column is for.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum TextUse {
    Role(Role),
    Step,
    Unit,
}

impl Text {
    pub(super) fn new(use_: TextUse, column: usize, room: usize) -> Text {
        Text {
            use_,
            column,
            words: Words::default(),
            codes: Vec::with_capacity(room),
            judged: 0,
            faults: BTreeMap::new(),
        }
    }

    /// Judges each different word once, and tells the rows from the first of the batch on whose
    /// word can not be taken.
    pub(super) fn judge(&mut self, first: usize, bad: &mut Vec<Bad>) {
        for (code, word) in (self.judged..).zip(self.words.since(self.judged)) {
            self.judged += 1;
            if let (Some(fault), Ok(code)) = (self.use_.fault(word), u32::try_from(code)) {
                self.faults.insert(code, fault);
            }
        }
        if self.faults.is_empty() {
            return;
        }
        for (row, code) in self.codes.iter().skip(first).enumerate() {
            if let Some((code, reason)) = self.faults.get(code) {
                bad.push(Bad {
                    row,
                    code,
                    column: Some(self.column),
                    reason: reason.clone(),
                });
            }
        }
    }
}

impl TextUse {
    fn fault(self, word: &str) -> Option<(&'static str, String)> {
        if self == TextUse::Step && word.is_empty() {
            return Some((codes::EMPTY_STEP, "The row names no test step".to_owned()));
        }
        name_fault(word)
    }
}

/// Why a text can not name anything: its code, and the reason.
pub(super) fn name_fault(word: &str) -> Option<(&'static str, String)> {
    if word.len() > NAME_MAX && word.chars().count() > NAME_MAX {
        let reason = format!(
            "The name has {} characters, and at most {NAME_MAX} can be taken",
            word.chars().count()
        );
        return Some((codes::TEXT_TOO_LONG, reason));
    }
    let hidden = word.chars().find(|char| is_invisible(*char))?;
    let reason = format!(
        "The name \"{}\" holds the invisible character U+{:04X}",
        show(word.as_bytes()),
        u32::from(hidden)
    );
    Some((codes::INVISIBLE_CHARACTER, reason))
}

/// A column whose words stand for values: each different word is judged once.
pub(super) struct Coded<T> {
    pub(super) words: Words,
    pub(super) meanings: Vec<Option<T>>,
    pub(super) values: Vec<T>,
}

impl<T: Copy> Coded<T> {
    pub(super) fn new(room: usize) -> Coded<T> {
        Coded {
            words: Words::default(),
            meanings: Vec::new(),
            values: Vec::with_capacity(room),
        }
    }

    pub(super) fn fill(&mut self, value: T, rows: usize) {
        self.values.resize(self.values.len() + rows, value);
    }
}

/// Takes a column of words that stand for values. The plan: where from, the value where the feed
/// does not say, the code of a word without meaning, and what it should have been.
pub(super) fn code<T: Copy>(
    coded: &mut Coded<T>,
    (source, absent, reject, wanted): (Option<&CellSource>, T, &'static str, &str),
    (bytes, cells): (&[u8], &Cells),
    bad: &mut Vec<Bad>,
    meaning: impl Fn(&str) -> Option<T>,
) {
    let column = match source {
        Some(CellSource::Column(column)) => *column,
        Some(CellSource::Text(text)) => {
            return coded.fill(meaning(text).unwrap_or(absent), cells.rows());
        }
        None => return coded.fill(absent, cells.rows()),
    };
    for row in 0..cells.rows() {
        let (bytes, start, end) = cells.place(bytes, row, column);
        let code = coded.words.code(bytes, start, end) as usize;
        if code >= coded.meanings.len() {
            let new = coded.words.since(coded.meanings.len());
            let new: Vec<Option<T>> = new.iter().map(|word| meaning(word)).collect();
            coded.meanings.extend(new);
        }
        let value = coded.meanings[code];
        coded.values.push(value.unwrap_or(absent));
        if value.is_none() {
            let reason = format!("\"{}\" is not {wanted}", show(&bytes[start..end]));
            bad.push(Bad {
                row,
                code: reject,
                column: Some(column),
                reason,
            });
        }
    }
}

/// Keeps the marked ones among the values from `first` on.
pub(super) fn retain<T>(values: &mut Vec<T>, first: usize, keep: &[bool]) {
    let mut place = 0;
    values.retain(|_| {
        let kept = place < first || keep.get(place - first).copied().unwrap_or(true);
        place += 1;
        kept
    });
}

/// Text of a cell for a message.
pub(super) fn show(text: &[u8]) -> String {
    quote_text(text, 60)
}
