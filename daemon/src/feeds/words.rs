//! The different words of a column, each kept once.
//!
//! Knows no role. The invariant: equal texts have equal codes. Files repeat themselves from panel
//! to panel, so a word is first compared with the one before and with the one that followed it
//! last time; only what breaks the sequence is looked up.

use std::collections::HashMap;
use std::sync::Arc;

use super::number::load;
use crate::block::Column;

/// The words of one column of one piece.
#[derive(Debug, Default)]
pub struct Words {
    words: Vec<Arc<str>>,
    entries: Vec<Entry>,
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
        self.look_up(&text[start..end], wanted)
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
    fn look_up(&mut self, text: &[u8], wanted: Entry) -> u32 {
        let word = String::from_utf8_lossy(text);
        let code = match self.codes.get(word.as_ref()) {
            Some(&code) => code,
            None => {
                let code = self.words.len() as u32;
                let word: Arc<str> = word.into();
                self.entries.push(Entry {
                    next: code,
                    ..wanted
                });
                self.words.push(Arc::clone(&word));
                self.codes.insert(word, code);
                code
            }
        };
        if let Some(entry) = self.entries.get_mut(self.last as usize) {
            entry.next = code;
        }
        self.last = code;
        code
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
        let column = words.into_column(codes);
        assert_eq!(column.text(8).map(|word| word.as_ref()), Some("C100000002"));
        assert_eq!(column.text(10), None);
    }
}
