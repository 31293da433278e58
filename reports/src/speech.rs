//! The language that a page is written in: its sentences, numbers and dates.
//!
//! The program and its record speak English. A book holds each of their sentences, with holes for
//! names, numbers and times, beside the same in another language; what is in no book, such as the
//! name of a board or what a person wrote, stays as it is. Must not know views or layout.
//! Invariant: saying changes neither a name nor the value of a number.

mod phrase;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::{Arc, LazyLock};

use phrase::{Kind, Part, Phrase, number_length, time_length};

use crate::number::{GROUP_SEPARATOR, MINUS};

/// What stands between a sentence and the same in other words.
const ARROW: &str = " => ";

/// How deep sentences may stand in one another.
const DEPTH_MAX: u32 = 12;

/// Bytes of a text beyond which it is taken for no sentence of the program.
const SENTENCE_BYTES_MAX: usize = 4_000;

/// The sentences of a report in German; with it, the list of all sentences that can be overridden.
const GERMAN: &str = include_str!("speech/german.txt");

/// A language that reports can be written in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Language {
    /// English, with dates as ISO 8601 and a point before decimals.
    #[default]
    English,
    /// German, with dates as 25.11.2026 and a comma before decimals.
    German,
}

impl Language {
    /// Every language.
    pub const ALL: [Language; 2] = [Language::English, Language::German];

    /// Its code after ISO 639.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Language::English => "en",
            Language::German => "de",
        }
    }
}

/// A line of the plant's own wording that can not be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {reason}")]
pub struct WordingError {
    /// The line, from 1.
    pub line: usize,
    /// What is wrong, and what to do.
    pub reason: String,
}

/// A sentence, and how it is said.
#[derive(Debug, Clone)]
struct Entry {
    from: Phrase,
    to: Phrase,
}

/// Says the program's sentences in a language. A copy costs nothing.
#[derive(Debug, Clone)]
pub struct Speech {
    language: Language,
    books: Arc<Books>,
}

/// What is said how.
#[derive(Debug, Clone, Default)]
struct Books {
    /// Sentences without holes.
    whole: BTreeMap<String, String>,
    /// Sentences with holes; the first that fits counts.
    entries: Vec<Entry>,
    /// The place of each in `entries`, by its key.
    by_key: BTreeMap<String, usize>,
}

/// The built-in sentences, read once: English, German.
static BUILT_IN: LazyLock<[Arc<Books>; 2]> =
    LazyLock::new(|| Language::ALL.map(|language| Arc::new(Books::of(language))));

impl Books {
    fn of(language: Language) -> Self {
        let mut books = Self::default();
        for (_, read) in lines(GERMAN) {
            // A test reads every line; one that could not be read would be said in English.
            let Ok((from, to)) = read else { continue };
            let to = match language {
                Language::English => from.clone(),
                Language::German => to,
            };
            books.add(from, to);
        }
        books
    }

    fn has(&self, phrase: &Phrase) -> bool {
        let key = phrase.key();
        self.whole.contains_key(&key) || self.by_key.contains_key(&key)
    }

    fn add(&mut self, from: Phrase, to: Phrase) {
        let key = from.key();
        match from.parts.as_slice() {
            [Part::Literal(_)] => {
                self.whole.insert(key, to.key());
            }
            _ => match self.by_key.get(&key) {
                // The holes say what may stand there, also where a plant left that out.
                Some(place) => self.entries[*place].to = to,
                None => {
                    self.by_key.insert(key, self.entries.len());
                    self.entries.push(Entry { from, to });
                }
            },
        }
    }
}

impl Speech {
    /// The built-in sentences of a language.
    #[must_use]
    pub fn new(language: Language) -> Self {
        let [english, german] = &*BUILT_IN;
        let books = match language {
            Language::English => english,
            Language::German => german,
        };
        let books = Arc::clone(books);
        Self { language, books }
    }

    /// With the plant's own wording: a line for each sentence that it says in another way.
    ///
    /// # Errors
    ///
    /// When a line can not be read, with its number.
    pub fn with_wording(self, text: &str) -> Result<Self, WordingError> {
        let mut books = (*self.books).clone();
        for (line, read) in lines(text) {
            let (from, to) = read.map_err(|reason| WordingError { line, reason })?;
            if !books.has(&from) {
                let reason = format!(
                    "the reports have no sentence {:?}; \
                     reports/src/speech/german.txt lists them all",
                    from.key()
                );
                return Err(WordingError { line, reason });
            }
            books.add(from, to);
        }
        let books = Arc::new(books);
        Ok(Self { books, ..self })
    }

    /// The language.
    #[must_use]
    pub fn language(&self) -> Language {
        self.language
    }

    /// Whether a text is one of the program's sentences.
    #[must_use]
    pub fn knows(&self, text: &str) -> bool {
        self.known(text, 0).is_some()
    }

    /// A text of the program in this language. One that is no sentence of it stays as it is.
    #[must_use]
    pub fn say(&self, text: &str) -> String {
        self.said(text, 0)
    }

    /// The sentence of a key, with its holes filled as they are.
    pub(crate) fn fill(&self, key: &str, of: impl Fn(&str) -> Option<String>) -> Option<String> {
        if let Some(whole) = self.books.whole.get(key) {
            return Some(whole.clone());
        }
        let entry = &self.books.entries[*self.books.by_key.get(key)?];
        let part = |part: &Part| match part {
            Part::Literal(text) => Some(text.clone()),
            Part::Hole { name, .. } => of(name),
        };
        entry.to.parts.iter().map(part).collect()
    }

    /// A number of [`crate::number`] as this language writes it.
    #[must_use]
    pub fn number(&self, text: &str) -> String {
        let as_written = |character: char| match (self.language, character) {
            (_, '-') => MINUS,
            (Language::German, '.') => ',',
            (Language::German, GROUP_SEPARATOR) => '.',
            (_, character) => character,
        };
        text.chars().map(as_written).collect()
    }

    fn time(&self, text: &str) -> String {
        match (self.language, text.get(..10), text.get(10..)) {
            (Language::German, Some(day), Some(rest)) => {
                format!("{}.{}.{}{rest}", &day[8..10], &day[5..7], &day[..4])
            }
            _ => text.to_owned(),
        }
    }

    fn said(&self, text: &str, depth: u32) -> String {
        self.in_parts(text, depth)
            .unwrap_or_else(|| text.to_owned())
    }

    /// Sentences after one another, each for itself, where any of them is known.
    fn in_parts(&self, text: &str, depth: u32) -> Option<String> {
        let whole = self.known(text, depth);
        if whole.is_some() || depth > DEPTH_MAX {
            return whole;
        }
        [". ", "; "].into_iter().find_map(|between| {
            let (first, rest) = text.split_once(between)?;
            let (stop, gap) = between.split_at(between.len() - 1);
            let begin = match between {
                ". " => format!("{first}{stop}"),
                _ => first.to_owned(),
            };
            let gap = if between == ". " { gap } else { between };
            let said = (
                self.in_parts(&begin, depth + 1),
                self.in_parts(rest, depth + 1),
            );
            if said == (None, None) {
                return None;
            }
            let begin = said.0.unwrap_or(begin);
            Some(format!(
                "{begin}{gap}{}",
                said.1.unwrap_or_else(|| rest.to_owned())
            ))
        })
    }

    /// A sentence of the books, a number or a time.
    fn known(&self, text: &str, depth: u32) -> Option<String> {
        if text.is_empty() || text.len() > SENTENCE_BYTES_MAX || depth > DEPTH_MAX {
            return None;
        }
        if number_length(text) == text.len() {
            return Some(self.number(text));
        }
        if time_length(text) == text.len() {
            return Some(self.time(text));
        }
        let as_it_is = self.in_books(text, depth);
        let capital = || Some(with_capital(&self.in_books(&uncapitalised(text)?, depth)?));
        let without_stop = || {
            Some(format!(
                "{}.",
                self.known(text.strip_suffix('.')?, depth + 1)?
            ))
        };
        as_it_is.or_else(capital).or_else(without_stop)
    }

    fn in_books(&self, text: &str, depth: u32) -> Option<String> {
        if let Some(whole) = self.books.whole.get(text) {
            return Some(whole.clone());
        }
        self.books.entries.iter().find_map(|entry| {
            let found = entry.from.fit(text)?;
            Some(self.filled(&entry.to, &found, depth))
        })
    }

    fn filled(&self, to: &Phrase, found: &[(&str, Kind, &str)], depth: u32) -> String {
        let part = |part: &Part| match part {
            Part::Literal(text) => text.clone(),
            Part::Hole { name, .. } => {
                let hole = found.iter().find(|(known, ..)| known == name);
                hole.map_or_else(String::new, |(_, kind, text)| match kind {
                    Kind::Number => self.number(text),
                    Kind::Time => self.time(text),
                    Kind::Name => (*text).to_owned(),
                    Kind::Phrase => self.said(text, depth + 1),
                })
            }
        };
        to.parts.iter().map(part).collect()
    }
}

/// The lines of a book, each with its number.
fn lines(book: &str) -> impl Iterator<Item = (usize, Result<(Phrase, Phrase), String>)> {
    let is_said = |line: &&str| !line.trim().is_empty() && !line.starts_with('#');
    let numbered = book.lines().enumerate();
    let said = numbered.filter(move |(_, line)| is_said(line));
    said.map(|(place, line)| (place + 1, entry(line)))
}

fn entry(line: &str) -> Result<(Phrase, Phrase), String> {
    let Some((from, to)) = line.split_once(ARROW) else {
        return Err(format!("write a sentence,{ARROW}and how it is to be said"));
    };
    let (from, to) = (Phrase::parse(from.trim())?, Phrase::parse(to.trim())?);
    let holes = from.holes();
    if let Some(other) = to.holes().keys().find(|name| !holes.contains_key(*name)) {
        let known: Vec<&str> = holes.into_keys().collect();
        return Err(format!(
            "the sentence has no hole {{{other}}}, only: {}",
            known.join(", ")
        ));
    }
    Ok((from, to))
}

fn uncapitalised(text: &str) -> Option<Cow<'_, str>> {
    let first = text.chars().next()?;
    let is_capital = first.is_ascii_uppercase();
    is_capital.then(|| Cow::Owned(format!("{}{}", first.to_ascii_lowercase(), &text[1..])))
}

fn with_capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().into_iter().flat_map(char::to_uppercase);
    first.chain(letters).collect()
}

#[cfg(test)]
mod tests;
