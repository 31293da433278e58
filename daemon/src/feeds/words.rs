//! The different words of a column, each kept once.
//!
//! Knows no role. The invariant: equal texts have equal codes. Files repeat themselves from panel
//! to panel, so a word is first compared with the one before and with the one that followed it
//! last time; only what breaks the sequence is looked up.

use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::Arc;

use super::number::load;
use crate::block::Column;

/// So many words are gone through one by one; only beyond is there a table to look them up in.
const FEW: usize = 16;

/// The words of one column of one piece.
#[derive(Debug, Default)]
pub struct Words {
    words: Vec<Arc<str>>,
    entries: Vec<Entry>,
    /// The codes of all words, once these are many.
    codes: HashMap<Arc<str>, u32>,
    last: u32,
}

#[derive(Clone, Copy, Debug)]
struct Entry {
    /// The first eight bytes, zeros where the word is shorter.
    prefix: u64,
    /// The last eight bytes of a longer word; 0 of a shorter one.
    suffix: u64,
    len: u32,
    /// The code of the word that followed last time.
    next: u32,
}

impl Entry {
    #[inline]
    fn of(text: &[u8], start: usize, end: usize) -> Entry {
        let len = end - start;
        let prefix = match len {
            0 => 0,
            _ => load(text, start) & (u64::MAX >> (64 - 8 * len.min(8))),
        };
        let suffix = if len > 8 { load(text, end - 8) } else { 0 };
        Entry {
            prefix,
            suffix,
            len: len as u32,
            next: 0,
        }
    }
}

impl Words {
    /// The code of `text[start..end]` without blanks around it.
    #[inline]
    pub fn code(&mut self, text: &[u8], start: usize, end: usize) -> u32 {
        let (start, end) = trim(text, start, end);
        let wanted = Entry::of(text, start, end);
        if let Some(&entry) = self.entries.get(self.last as usize) {
            if self.is_word(entry, self.last, &wanted, (text, start, end)) {
                return self.last;
            }
            if let Some(&follower) = self.entries.get(entry.next as usize)
                && self.is_word(follower, entry.next, &wanted, (text, start, end))
            {
                self.last = entry.next;
                return entry.next;
            }
        }
        self.look_up((text, start, end), wanted)
    }

    #[inline]
    fn is_word(
        &self,
        entry: Entry,
        code: u32,
        wanted: &Entry,
        (text, start, end): (&[u8], usize, usize),
    ) -> bool {
        let ends_agree = entry.prefix == wanted.prefix
            && entry.suffix == wanted.suffix
            && entry.len == wanted.len;
        // Up to 16 bytes the two ends are the word.
        ends_agree && (entry.len <= 16 || *self.words[code as usize].as_bytes() == text[start..end])
    }

    #[cold]
    fn look_up(&mut self, place: (&[u8], usize, usize), wanted: Entry) -> u32 {
        let code = self.find(place, &wanted).unwrap_or_else(|word| {
            let code = self.words.len() as u32;
            self.entries.push(Entry {
                next: code,
                ..wanted
            });
            self.add(word.into());
            code
        });
        if let Some(entry) = self.entries.get_mut(self.last as usize) {
            entry.next = code;
        }
        self.last = code;
        code
    }

    /// The code of a word that is known, or else the word.
    fn find<'a>(
        &self,
        (text, start, end): (&'a [u8], usize, usize),
        wanted: &Entry,
    ) -> Result<u32, Cow<'a, str>> {
        let word = String::from_utf8_lossy(&text[start..end]);
        if !self.codes.is_empty() {
            return self.codes.get(word.as_ref()).copied().ok_or(word);
        }
        let same = |(code, entry): &(u32, &Entry)| {
            self.is_word(**entry, *code, wanted, (text, start, end))
        };
        let known = (0..).zip(&self.entries).find(same);
        known.map(|(code, _)| code).ok_or(word)
    }

    /// Takes in a word that is not known.
    fn add(&mut self, word: Arc<str>) {
        self.words.push(word);
        let known = match self.words.len() {
            ..FEW => return,
            FEW => 0,
            more => more - 1,
        };
        let fresh = self.words.iter().zip(0..).skip(known);
        self.codes
            .extend(fresh.map(|(word, code)| (Arc::clone(word), code)));
    }

    /// The words that have a code of `known` or more.
    #[must_use]
    pub fn since(&self, known: usize) -> &[Arc<str>] {
        &self.words[known..]
    }

    /// The column of these codes.
    #[must_use]
    pub fn into_column(self, codes: Vec<u32>) -> Column {
        Column::PerRow {
            codes,
            words: self.words,
        }
    }
}

#[inline]
fn trim(text: &[u8], mut start: usize, mut end: usize) -> (usize, usize) {
    while start < end && matches!(text[start], b' ' | b'\t') {
        start += 1;
    }
    while start < end && matches!(text[end - 1], b' ' | b'\t') {
        end -= 1;
    }
    (start, end)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_texts_have_equal_codes() {
        let mut words = Words::default();
        let texts = [
            "R1",
            "R1",
            "R2",
            "",
            "R1",
            "R2",
            " R1 ",
            "C100000001",
            "C100000002",
            "R1",
            "",
        ];
        let codes: Vec<u32> = texts
            .iter()
            .map(|text| words.code(text.as_bytes(), 0, text.len()))
            .collect();
        assert_eq!(codes, [0, 0, 1, 2, 0, 1, 0, 3, 4, 0, 2]);
        assert_eq!(words.since(3).len(), 2);
        let many: Vec<String> = (0..100).map(|number| format!("U{number}")).collect();
        let code = |words: &mut Words, text: &String| words.code(text.as_bytes(), 0, text.len());
        let first: Vec<u32> = many.iter().map(|text| code(&mut words, text)).collect();
        assert_eq!(first, (5..105).collect::<Vec<u32>>());
        let again: Vec<u32> = many
            .iter()
            .rev()
            .map(|text| code(&mut words, text))
            .collect();
        assert_eq!(again, (5..105).rev().collect::<Vec<u32>>());
        assert_eq!(words.code(b"R2", 0, 2), 1, "from before they were many");
        let column = words.into_column(codes);
        assert_eq!(column.text(8).map(|word| word.as_ref()), Some("C100000002"));
        assert_eq!(column.text(10), None);
    }
}
