//! A TOML table that collects problems instead of stopping at the first.
//!
//! Knows types, key paths and lines, but no key of the configuration. The invariant: whatever
//! comes back as absent or as its default because it is faulty has been reported.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fmt;
use std::ops::RangeInclusive;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One thing to correct.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Where, by keys; items of a list count from 1: `feed[1].time.format`. Empty for the file.
    pub key_path: String,
    /// The line in the file, counted from 1.
    pub line: usize,
    /// What is wrong.
    pub message: String,
    /// What to do about it.
    pub fix: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: ", self.line)?;
        if !self.key_path.is_empty() {
            write!(f, "{}: ", self.key_path)?;
        }
        write!(f, "{}; {}", self.message, self.fix)
    }
}

/// Where problems of one file are collected.
pub(super) struct Sink {
    line_starts: Vec<usize>,
    list: RefCell<Vec<Problem>>,
}

impl Sink {
    pub(super) fn new(text: &str) -> Sink {
        let breaks = text.match_indices('\n').map(|(at, _)| at + 1);
        Sink {
            line_starts: std::iter::once(0).chain(breaks).collect(),
            list: RefCell::default(),
        }
    }

    pub(super) fn line_of(&self, at: usize) -> usize {
        self.line_starts.partition_point(|&start| start <= at)
    }

    pub(super) fn report(&self, at: usize, path: &str, message: String, fix: String) {
        let problem = Problem {
            key_path: path.to_owned(),
            line: self.line_of(at),
            message,
            fix,
        };
        self.list.borrow_mut().push(problem);
    }

    /// The problems in the order of the file.
    pub(super) fn into_list(self) -> Vec<Problem> {
        let mut list = self.list.into_inner();
        list.sort_by_key(|problem| problem.line);
        list
    }
}

/// A value with its place.
#[derive(Clone)]
pub(super) struct Item<'a> {
    value: &'a DeValue<'a>,
    at: usize,
    path: String,
    sink: &'a Sink,
}

impl<'a> Item<'a> {
    pub(super) fn fault(&self, message: impl Into<String>, fix: impl Into<String>) {
        self.sink
            .report(self.at, &self.path, message.into(), fix.into());
    }

    fn wrong_type<T>(&self, wanted: &str) -> Option<T> {
        let found = self.value.type_str();
        self.fault(format!("is of type {found}"), format!("write {wanted}"));
        None
    }

    pub(super) fn is_table(&self) -> bool {
        self.value.is_table()
    }

    pub(super) fn is_text(&self) -> bool {
        self.value.is_str()
    }

    /// Any text, also the empty one.
    pub(super) fn text_or_empty(&self) -> Option<String> {
        match self.value.as_str() {
            Some(text) => Some(text.to_owned()),
            None => self.wrong_type("a text in quotes"),
        }
    }

    /// A text that is not blank.
    pub(super) fn text(&self) -> Option<String> {
        let text = self.text_or_empty()?;
        if text.trim().is_empty() {
            self.fault("is empty", "write a text that is not blank");
            return None;
        }
        Some(text)
    }

    pub(super) fn flag(&self) -> Option<bool> {
        self.value
            .as_bool()
            .or_else(|| self.wrong_type("true or false"))
    }

    pub(super) fn number(&self) -> Option<f64> {
        let number = match self.value {
            DeValue::Integer(_) => self.integer().map(|whole| whole as f64),
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            _ => return self.wrong_type("a number"),
        };
        let finite = number.filter(|number| number.is_finite());
        if finite.is_none() {
            self.fault("is not a finite number", "write a finite number");
        }
        finite
    }

    fn integer(&self) -> Option<i64> {
        let digits = self.value.as_integer()?;
        i64::from_str_radix(digits.as_str(), digits.radix()).ok()
    }

    /// A whole number within the range.
    pub(super) fn whole(&self, range: &RangeInclusive<u32>) -> Option<u32> {
        let wanted = format!("a whole number from {} to {}", range.start(), range.end());
        if !self.value.is_integer() {
            return self.wrong_type(&wanted);
        }
        let whole = self.integer().and_then(|whole| u32::try_from(whole).ok());
        let whole = whole.filter(|whole| range.contains(whole));
        if whole.is_none() {
            self.fault("is out of range", format!("write {wanted}"));
        }
        whole
    }

    /// One of the allowed names.
    pub(super) fn choice<T: Copy>(&self, allowed: &[(&'static str, T)]) -> Option<T> {
        let text = self.text()?;
        let found = allowed.iter().find(|(name, _)| *name == text);
        if found.is_none() {
            self.unknown(&text, allowed.iter().map(|(name, _)| *name));
        }
        found.map(|&(_, value)| value)
    }

    /// Reports a name that is not among the allowed ones.
    pub(super) fn unknown<'n>(&self, name: &str, allowed: impl Iterator<Item = &'n str>) {
        let quoted: Vec<String> = allowed.map(|name| format!("{name:?}")).collect();
        let quoted: Vec<&str> = quoted.iter().map(String::as_str).collect();
        let fix = advice(&format!("{name:?}"), &quoted);
        self.fault(format!("{name:?} is not known"), fix);
    }

    pub(super) fn items(&self) -> Option<Vec<Item<'a>>> {
        let Some(array) = self.value.as_array() else {
            return self.wrong_type("a list in brackets");
        };
        let item = |(index, value): (usize, &'a Spanned<DeValue<'a>>)| Item {
            value: value.get_ref(),
            at: value.span().start,
            path: format!("{}[{}]", self.path, index + 1),
            sink: self.sink,
        };
        Some(array.iter().enumerate().map(item).collect())
    }

    /// A list of texts that are not blank.
    pub(super) fn texts(&self) -> Option<Vec<String>> {
        let items = self.items()?;
        Some(items.iter().filter_map(Item::text).collect())
    }

    pub(super) fn table(&self) -> Option<Table<'a>> {
        let Some(table) = self.value.as_table() else {
            return self.wrong_type("a table");
        };
        Some(Table::new(table, self.at, self.path.clone(), self.sink))
    }
}

/// A table that remembers which of its keys were asked for.
pub(super) struct Table<'a> {
    table: &'a DeTable<'a>,
    at: usize,
    path: String,
    sink: &'a Sink,
    asked: RefCell<Vec<&'static str>>,
}

impl<'a> Table<'a> {
    pub(super) fn new(
        table: &'a DeTable<'a>,
        at: usize,
        path: String,
        sink: &'a Sink,
    ) -> Table<'a> {
        Table {
            table,
            at,
            path,
            sink,
            asked: RefCell::default(),
        }
    }

    pub(super) fn fault(&self, message: impl Into<String>, fix: impl Into<String>) {
        self.sink
            .report(self.at, &self.path, message.into(), fix.into());
    }

    fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    fn item(&self, key: &str, value: &'a Spanned<DeValue<'a>>) -> Item<'a> {
        let at = value.span().start;
        Item {
            value: value.get_ref(),
            at,
            path: self.path_of(key),
            sink: self.sink,
        }
    }

    /// The value of an optional key.
    pub(super) fn get(&self, key: &'static str) -> Option<Item<'a>> {
        self.asked.borrow_mut().push(key);
        self.table.get(key).map(|value| self.item(key, value))
    }

    /// The value of a key that must be there; the example tells what to write.
    pub(super) fn need(&self, key: &'static str, example: &str) -> Option<Item<'a>> {
        let item = self.get(key);
        if item.is_none() {
            let fix = format!("add it, such as {key} = {example}");
            self.sink
                .report(self.at, &self.path_of(key), "is missing".to_owned(), fix);
        }
        item
    }

    pub(super) fn text(&self, key: &'static str, example: &str) -> Option<String> {
        self.need(key, example)?.text()
    }

    pub(super) fn text_if(&self, key: &'static str) -> Option<String> {
        self.get(key)?.text()
    }

    pub(super) fn number_if(&self, key: &'static str) -> Option<f64> {
        self.get(key)?.number()
    }

    pub(super) fn flag_or(&self, key: &'static str, default: bool) -> bool {
        self.get(key)
            .and_then(|item| item.flag())
            .unwrap_or(default)
    }

    pub(super) fn whole_or(
        &self,
        key: &'static str,
        range: RangeInclusive<u32>,
        default: u32,
    ) -> u32 {
        self.get(key)
            .and_then(|item| item.whole(&range))
            .unwrap_or(default)
    }

    pub(super) fn choice_or<T: Copy>(
        &self,
        key: &'static str,
        allowed: &[(&'static str, T)],
        default: T,
    ) -> T {
        self.get(key)
            .and_then(|item| item.choice(allowed))
            .unwrap_or(default)
    }

    pub(super) fn table(&self, key: &'static str) -> Option<Table<'a>> {
        self.get(key)?.table()
    }

    /// The tables of a list, such as of all `[[feed]]`; none where the key is absent.
    pub(super) fn tables(&self, key: &'static str) -> Vec<Table<'a>> {
        let items = self
            .get(key)
            .and_then(|item| item.items())
            .unwrap_or_default();
        items.iter().filter_map(Item::table).collect()
    }

    /// The tables of a list that must have one.
    pub(super) fn need_tables(&self, key: &'static str, fix: &str) -> Vec<Table<'a>> {
        let item = self.get(key);
        if item
            .as_ref()
            .is_none_or(|item| item.value.as_array().is_some_and(|all| all.is_empty()))
        {
            let at = item.map_or(self.at, |item| item.at);
            self.sink.report(
                at,
                &self.path_of(key),
                "none is defined".to_owned(),
                fix.to_owned(),
            );
        }
        self.tables(key)
    }

    /// All entries of a table whose keys are names, in the order of the names.
    pub(super) fn entries(&self) -> Vec<(String, Item<'a>)> {
        let named = self.table.iter().map(|(key, value)| {
            let name = key.get_ref().to_string();
            let mut item = self.item(&name, value);
            item.at = key.span().start;
            (name, item)
        });
        named.collect()
    }

    /// Reports every key that nobody asked for. Called after all others.
    pub(super) fn finish(&self) {
        let asked = self.asked.borrow();
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if !asked.contains(&name) {
                let path = self.path_of(name);
                let fix = advice(name, &asked);
                self.sink
                    .report(key.span().start, &path, "is no key here".to_owned(), fix);
            }
        }
    }
}

/// Names that must differ, with what they are names of.
pub(super) struct Unique {
    what: &'static str,
    lines: BTreeMap<String, usize>,
}

impl Unique {
    pub(super) fn new(what: &'static str) -> Unique {
        Unique {
            what,
            lines: BTreeMap::new(),
        }
    }

    /// Reports a name that came before.
    pub(super) fn add(&mut self, name: &str, place: &Item<'_>) {
        let line = place.sink.line_of(place.at);
        if let Some(first) = self.lines.get(name) {
            let message = format!("{} {name:?} is already on line {first}", self.what);
            place.fault(message, "give each its own, or remove one");
        } else {
            self.lines.insert(name.to_owned(), line);
        }
    }
}

/// What to write instead of an unknown name.
fn advice(name: &str, allowed: &[&str]) -> String {
    let mut once: Vec<&str> = Vec::new();
    for other in allowed {
        if !once.contains(other) {
            once.push(other);
        }
    }
    if once.is_empty() {
        return "remove it: none is defined".to_owned();
    }
    let listed = once.join(", ");
    let close = once
        .iter()
        .map(|other| (distance(name, other), *other))
        .min();
    match close {
        Some((edits, other)) if edits <= 1 + name.chars().count() / 4 => {
            format!("did you mean {other}? Possible: {listed}")
        }
        _ => format!("write one of: {listed}"),
    }
}

/// The edit distance of two names: insertions, deletions and replacements of characters.
fn distance(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (place, letter) in one.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = place + 1;
        for (column, candidate) in other.iter().enumerate() {
            let replaced = diagonal + usize::from(letter != *candidate);
            diagonal = row[column + 1];
            row[column + 1] = replaced.min(diagonal + 1).min(row[column] + 1);
        }
    }
    row[other.len()]
}
