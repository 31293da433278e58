//! Rows of visits that are recorded already, and what a row of another file is beside them.
//!
//! A row is known by what it is about: feed, board, attempt, time, component, pin, test step. Knows
//! no file and no database. The one invariant: each recorded row answers for one row of a file, so
//! what a file has twice is only taken for recorded where it is recorded twice.

use std::collections::HashMap;
use std::ops::Range;
use std::sync::Arc;

use crate::block::{Block, Column, Values};
use crate::config::{Config, Layout, Measure};
use crate::engine::board_of;
use crate::feeds::diagnostics::CONFLICT;
use crate::store::RejectFacts;
use crate::words::{Call, Review, Role};

/// Recorded rows that the rows of one file are compared with.
pub(super) const RECORDED_ROWS_MAX: usize = 2_000_000;

/// What a row is about.
type Subject = [u8; 16];

/// In what a row differs from a recorded one: the column, where one is to blame, and the values.
type Difference = (Option<String>, String);

/// What a row of a file is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Fate {
    /// Nothing like it is recorded.
    Fresh,
    /// It is recorded.
    Repeated,
    /// It is recorded without its review; the call has this name there.
    Reviewed(Arc<str>),
    /// Another value or verdict is recorded, which stays.
    Conflict,
}

/// Recorded rows.
#[derive(Default)]
pub(super) struct Known {
    blocks: Vec<Block>,
    rows: HashMap<Subject, Vec<Entry>>,
    /// Reviews that came after their calls.
    later: Vec<(Subject, Review, Arc<str>)>,
    count: usize,
}

/// One recorded row.
struct Entry {
    /// Its block and its row there.
    place: (usize, usize),
    /// The defect as the machine called it.
    called: Arc<str>,
    /// The review as it stands, and the defect that it names.
    review: Review,
    defect: Arc<str>,
    /// Whether it has not answered for a row yet.
    is_left: bool,
}

/// The rows of a block that are of one visit.
pub(super) struct Visit {
    /// Which rows, in order: stretches that follow each other.
    rows: Vec<Range<usize>>,
    /// The board.
    pub(super) unit: Arc<str>,
    /// The try.
    pub(super) attempt: u16,
}

impl Visit {
    pub(super) fn rows(&self) -> impl Iterator<Item = usize> {
        self.rows.iter().flat_map(Range::clone)
    }
}

/// The rows of a block by visit, in the order of their first rows; rows that name no board are left
/// out.
pub(super) fn visits(block: &Block) -> Vec<Visit> {
    let columns = [Role::Board, Role::Panel, Role::Position].map(|role| match block.key(role) {
        Column::PerRow { codes, .. } => Some(codes.as_slice()),
        Column::Absent | Column::Constant(_) => None,
    });
    let is_alike = |a: usize, b: usize| {
        let alike = |codes: &Option<&[u32]>| codes.is_none_or(|codes| codes[a] == codes[b]);
        block.attempt[a] == block.attempt[b] && columns.iter().all(alike)
    };
    let mut found: Vec<Visit> = Vec::new();
    let mut places: HashMap<(Arc<str>, u16), usize> = HashMap::new();
    let mut start = 0;
    for row in 1..=block.rows {
        if row < block.rows && is_alike(row - 1, row) {
            continue;
        }
        if let Some(unit) = board_of(&block.keys, start) {
            let attempt = block.attempt[start];
            let next = found.len();
            let place = *places.entry((Arc::clone(&unit), attempt)).or_insert(next);
            if place == next {
                let rows = Vec::new();
                found.push(Visit {
                    rows,
                    unit,
                    attempt,
                });
            }
            found[place].rows.push(start..row);
        }
        start = row;
    }
    found
}

impl Known {
    /// Adds the recorded rows of some visits of a block; gives back whether there was room. Its
    /// texts are kept once, however many visits are wanted.
    pub(super) fn add(&mut self, block: &Block, visits: &[&Visit]) -> bool {
        let rows: Vec<usize> = visits.iter().flat_map(|visit| visit.rows()).collect();
        let of = visits
            .iter()
            .flat_map(|visit| visit.rows().map(move |_| *visit));
        self.count += rows.len();
        if self.count > RECORDED_ROWS_MAX {
            return false;
        }
        if rows.is_empty() {
            return true;
        }
        let block = block.select(&rows);
        let place = self.blocks.len();
        for (row, visit) in of.enumerate() {
            let subject = subject(&block, row, visit);
            let (review, defect) = (block.review[row], text(&block, Role::Defect, row));
            if block.call[row] == Call::Recorded {
                self.later.push((subject, review, defect));
                continue;
            }
            self.rows.entry(subject).or_default().push(Entry {
                place: (place, row),
                called: Arc::clone(&defect),
                review,
                defect,
                is_left: true,
            });
        }
        self.blocks.push(block);
        true
    }

    /// Puts reviews that came later to the calls that they are about. To be done once, when all
    /// recorded rows are there.
    pub(super) fn join_reviews(&mut self) {
        for (subject, review, defect) in std::mem::take(&mut self.later) {
            let Some(entries) = self.rows.get_mut(&subject) else {
                continue;
            };
            if let Some(entry) = pending(entries, &defect, |_| true) {
                entry.review = review;
                entry.defect = defect;
            }
        }
    }

    /// Whether anything is recorded of what a row of a visit is about, and if so, whether a
    /// recorded row says the same and has not answered for a row yet; then it does now.
    pub(super) fn says_same(
        &mut self,
        config: &Config,
        (block, row): (&Block, usize),
        visit: &Visit,
    ) -> Option<bool> {
        let subject = subject(block, row, visit);
        self.rows.contains_key(&subject).then(|| {
            self.partner(config, Partner::Same, (block, row), &subject)
                .is_some()
        })
    }

    /// What a row is that no recorded row says as it stands, if one of this kind answers for it.
    pub(super) fn fate(
        &mut self,
        config: &Config,
        partner: Partner,
        (block, row): (&Block, usize),
        visit: &Visit,
    ) -> Option<(Fate, Option<RejectFacts>)> {
        let subject = subject(block, row, visit);
        let (fate, reason) = self.partner(config, partner, (block, row), &subject)?;
        let reject = reason.map(|reason| conflict(block, row, visit, reason));
        Some((fate, reject))
    }

    fn partner(
        &mut self,
        config: &Config,
        partner: Partner,
        (block, row): (&Block, usize),
        subject: &Subject,
    ) -> Option<(Fate, Option<Difference>)> {
        let blocks = &self.blocks;
        let entries = self.rows.get_mut(subject)?;
        let (review, defect) = (block.review[row], text(block, Role::Defect, row));
        let is_alike = |entry: &Entry| {
            let known = (&blocks[entry.place.0], entry.place.1);
            difference(config, known, (block, row)).is_none()
        };
        let entry = match partner {
            Partner::Same => entries.iter_mut().find(|entry| {
                entry.is_left && entry.review == review && entry.defect == defect && is_alike(entry)
            })?,
            Partner::Reviewed if review == Review::Pending => entries.iter_mut().find(|entry| {
                let is_named = entry.called == defect || entry.defect == defect;
                entry.is_left && is_named && is_alike(entry)
            })?,
            Partner::Reviewed => {
                let entry = pending(entries, &defect, is_alike)?;
                entry.is_left = false;
                return Some((Fate::Reviewed(Arc::clone(&entry.called)), None));
            }
            Partner::Any => {
                let entry = entries.iter_mut().find(|entry| entry.is_left)?;
                entry.is_left = false;
                let known = (&blocks[entry.place.0], entry.place.1);
                let reason = difference(config, known, (block, row))
                    .unwrap_or_else(|| other_verdict(entry, review, &defect));
                return Some((Fate::Conflict, Some(reason)));
            }
        };
        entry.is_left = false;
        Some((Fate::Repeated, None))
    }
}

/// Which recorded row may answer for a row.
#[derive(Clone, Copy, Debug)]
pub(super) enum Partner {
    /// One that says the same.
    Same,
    /// One that says the same but for the review.
    Reviewed,
    /// One about the same.
    Any,
}

/// A recorded call without a review: rather one that names this defect.
fn pending<'a>(
    entries: &'a mut [Entry],
    defect: &Arc<str>,
    is_alike: impl Fn(&Entry) -> bool,
) -> Option<&'a mut Entry> {
    let fits = |entry: &Entry| entry.is_left && entry.review == Review::Pending && is_alike(entry);
    let same = entries
        .iter()
        .position(|entry| fits(entry) && entry.defect == *defect);
    let place = same.or_else(|| entries.iter().position(fits))?;
    entries.get_mut(place)
}

fn text(block: &Block, role: Role, row: usize) -> Arc<str> {
    block.key(role).text(row).cloned().unwrap_or_default()
}

/// What a row is about, as a digest.
fn subject(block: &Block, row: usize, visit: &Visit) -> Subject {
    let step = match &block.values {
        Values::Long { step, .. } => step.text(row).cloned().unwrap_or_default(),
        Values::Wide(_) | Values::None => Arc::default(),
    };
    let texts = [
        Arc::clone(&visit.unit),
        text(block, Role::Component, row),
        text(block, Role::Pin, row),
        step,
    ];
    let mut hasher = blake3::Hasher::new();
    hasher.update(&block.at[row].to_le_bytes());
    hasher.update(&visit.attempt.to_le_bytes());
    for text in texts {
        hasher.update(&text.len().to_le_bytes());
        hasher.update(text.as_bytes());
    }
    let mut subject = Subject::default();
    subject.copy_from_slice(&hasher.finalize().as_bytes()[..16]);
    subject
}

/// What differs first: its column, and what is here and what there. Nothing where all values, what
/// goes with them and the machine's verdict are the same.
fn difference(config: &Config, known: (&Block, usize), row: (&Block, usize)) -> Option<Difference> {
    let old = numbers(config, known);
    for ((what, column, new), (_, _, old)) in numbers(config, row).into_iter().zip(old) {
        #[expect(clippy::float_cmp, reason = "the same text gives the same number")]
        if old != new && !(old.is_nan() && new.is_nan()) {
            let reason = differs(what, &number_word(new), &number_word(old));
            return Some((column.map(str::to_owned), reason));
        }
    }
    let old = words(known);
    for ((what, new), (_, old)) in words(row).into_iter().zip(old) {
        if old != new {
            return Some((None, differs(what, &new.shown(), &old.shown())));
        }
    }
    None
}

fn differs(what: &str, new: &str, old: &str) -> String {
    format!("The {what} is {new} here and was recorded as {old}")
}

/// The numbers of a row, what they are and in which columns they stand.
fn numbers<'a>(
    config: &'a Config,
    (block, row): (&Block, usize),
) -> Vec<(&'static str, Option<&'a str>, f64)> {
    let layout = &config.feeds[block.feed].layout;
    match (&block.values, layout) {
        (Values::Wide(columns), Layout::Wide(measures)) => {
            let named = |(column, measure): (&Vec<f64>, &'a Measure)| {
                ("value", Some(measure.column.as_str()), column[row])
            };
            columns.iter().zip(measures).map(named).collect()
        }
        (
            Values::Long {
                value,
                lower,
                upper,
                ..
            },
            Layout::Long(steps),
        ) => vec![
            ("value", Some(steps.value.as_str()), value[row]),
            ("lower limit", steps.lower.as_deref(), lower[row]),
            ("upper limit", steps.upper.as_deref(), upper[row]),
        ],
        _ => Vec::new(),
    }
}

/// What a row says in words or whole numbers.
#[derive(PartialEq)]
enum Word<'a> {
    Call(Call),
    Count(u32),
    Text(Option<&'a Arc<str>>),
}

impl Word<'_> {
    fn shown(&self) -> String {
        match self {
            Word::Call(call) => call_word(*call).to_owned(),
            Word::Count(count) => count.to_string(),
            Word::Text(Some(text)) => format!("{:?}", &***text),
            Word::Text(None) => "empty".to_owned(),
        }
    }
}

/// What else a row says beside what it is about and its review.
fn words((block, row): (&Block, usize)) -> [(&'static str, Word<'_>); 4] {
    let unit = match &block.values {
        Values::Long { unit, .. } => unit.text(row),
        Values::Wide(_) | Values::None => None,
    };
    [
        ("machine's verdict", Word::Call(block.call[row])),
        ("product", Word::Text(block.key(Role::Product).text(row))),
        ("unit", Word::Text(unit)),
        (
            "number of opportunities",
            Word::Count(block.opportunities[row]),
        ),
    ]
}

fn number_word(value: f64) -> String {
    if value.is_nan() {
        "empty".to_owned()
    } else {
        value.to_string()
    }
}

fn call_word(call: Call) -> &'static str {
    match call {
        Call::Good => "good",
        Call::Defect => "a defect",
        Call::Absent | Call::Recorded => "absent",
    }
}

fn other_verdict(entry: &Entry, review: Review, defect: &str) -> Difference {
    let word = |review: Review| match review {
        Review::Pending => "open",
        Review::Confirmed => "confirmed",
        Review::FalseCall => "a false call",
    };
    let reason = if entry.review == review {
        format!(
            "The defect is {defect:?} here and was recorded as {:?}",
            &*entry.defect
        )
    } else {
        format!(
            "The review is {} here and was recorded as {}",
            word(review),
            word(entry.review)
        )
    };
    (None, reason)
}

fn conflict(block: &Block, row: usize, visit: &Visit, (column, reason): Difference) -> RejectFacts {
    let places = [Role::Component, Role::Pin].map(|role| text(block, role, row));
    let mut words = vec![&*visit.unit];
    words.extend(
        places
            .iter()
            .map(|text| &**text)
            .filter(|text| !text.is_empty()),
    );
    if let Values::Long { step, .. } = &block.values {
        words.extend(step.text(row).map(|step| &**step));
    }
    RejectFacts {
        line: block.lines.of(row).unwrap_or_default(),
        code: CONFLICT,
        column,
        reason: format!("{reason}; what was recorded first stays"),
        text: words.join(" "),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::Lines;

    /// Calls on one component of one board each, in turns.
    fn block(boards: &[&str]) -> Block {
        let mut keys = [const { Column::Absent }; Role::COUNT];
        keys[Role::Board.index()] = Column::PerRow {
            codes: (0..).take(boards.len()).collect(),
            words: boards.iter().map(|board| Arc::from(*board)).collect(),
        };
        Block {
            feed: 0,
            rows: boards.len(),
            at: vec![0; boards.len()],
            keys,
            attempt: vec![1; boards.len()],
            call: vec![Call::Defect; boards.len()],
            review: vec![Review::Pending; boards.len()],
            opportunities: vec![0; boards.len()],
            values: Values::None,
            lines: Lines::default(),
        }
    }

    #[test]
    fn a_visit_is_one_however_its_rows_lie() {
        let found = visits(&block(&["A", "B", "A", "A", "B"]));
        let rows: Vec<(&str, Vec<usize>)> = found
            .iter()
            .map(|visit| (&*visit.unit, visit.rows().collect()))
            .collect();
        assert_eq!(rows, [("A", vec![0, 2, 3]), ("B", vec![1, 4])]);
    }

    #[test]
    fn recorded_rows_are_kept_once_and_up_to_a_limit() {
        let block = block(&["A", "B", "A", "C"]);
        let all = visits(&block);
        let mut known = Known::default();
        assert!(known.add(&block, &all.iter().collect::<Vec<_>>()));
        assert_eq!((known.blocks.len(), known.count), (1, 4));
        assert_eq!(known.rows.values().map(Vec::len).sum::<usize>(), 4);
        let mut full = Known {
            count: RECORDED_ROWS_MAX - 1,
            ..Known::default()
        };
        assert!(!full.add(&block, &[&all[0]]), "it has two rows");
        assert!(full.blocks.is_empty() && full.rows.is_empty());
    }
}
