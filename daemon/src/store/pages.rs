//! Rows of blocks as the pages of a Parquet row group.
//!
//! The feeds keep each word once and give rows its number, which is what a dictionary page wants:
//! no word is hashed again for a row. Numbers repeat too, because stations write few decimals.
//! Knows no file and no folder, so that several threads can encode. The invariant: every column of
//! a group has as many rows as the group.

use std::borrow::Cow;
use std::collections::HashMap;
use std::ops::Range;

use polars_parquet::parquet::CowBuffer;
use polars_parquet::parquet::compression::Compression;
use polars_parquet::parquet::encoding::Encoding;
use polars_parquet::parquet::metadata::Descriptor;
use polars_parquet::parquet::page::{
    CompressedDataPage, CompressedDictPage, CompressedPage, DataPageHeader, DataPageHeaderV1,
};
use polars_parquet::parquet::schema::Repetition;
use polars_parquet::parquet::schema::types::{
    ParquetType, PhysicalType, PrimitiveLogicalType, PrimitiveType, TimeUnit,
};

use super::levels::{self, Levels};
use crate::block::{Block, Column, Values};
use crate::config::{Config, Layout};
use crate::words::{Call, Review, Role};

/// Different numbers of a column above which they are written as they are, without a dictionary.
const DISTINCT_MAX: usize = 4_096;

/// Some rows of a block.
pub type Rows<'a> = (&'a Block, Vec<Range<usize>>);

/// The pages of some rows.
pub struct RowGroup {
    /// How many rows there are.
    pub rows: usize,
    /// A type and its pages for each column.
    pub columns: Vec<(ParquetType, Vec<CompressedPage>)>,
}

/// The rows of one feed as a row group.
#[must_use]
pub fn row_group(config: &Config, parts: &[Rows]) -> RowGroup {
    let rows = parts.iter().map(|(_, ranges)| length(ranges)).sum();
    let mut columns = Vec::new();
    let Some((first, _)) = parts.first() else {
        return RowGroup { rows, columns };
    };
    let feed = &config.feeds[first.feed];
    let times = gather(parts, |block| &block.at);
    columns.push(whole_numbers(
        "at",
        Whole::Time,
        times.iter().copied(),
        rows,
    ));
    let line = Column::Constant(feed.line.as_str().into());
    columns.push(texts("line", rows, parts, |_| &line));
    // Which roles there are is the configuration's choice, so all segments of a feed are alike.
    for role in Role::ALL.into_iter().filter(|role| role.is_text()) {
        if *first.key(role) != Column::Absent {
            columns.push(texts(role.name(), rows, parts, |block| block.key(role)));
        }
    }
    let attempts = gather(parts, |block| &block.attempt);
    let attempts = attempts.iter().map(|&attempt| i64::from(attempt));
    columns.push(whole_numbers("attempt", Whole::Short, attempts, rows));
    let calls = gather(parts, |block| &block.call);
    let calls = calls.iter().map(|call| call_code(*call));
    columns.push(few_words(
        "call",
        &["", "good", "defect", "recorded"],
        calls,
    ));
    if feed.review.is_some() {
        let reviews = gather(parts, |block| &block.review);
        let reviews = reviews.iter().map(|review| review_code(*review));
        columns.push(few_words(
            "review",
            &["", "confirmed", "false_call"],
            reviews,
        ));
    }
    let mut roles = feed.roles.iter();
    if roles.any(|(role, _)| *role == Role::Opportunities) {
        let counts = gather(parts, |block| &block.opportunities);
        let counts = counts.iter().map(|&count| i64::from(count));
        columns.push(whole_numbers("opportunities", Whole::Long, counts, rows));
    }
    values(&feed.layout, rows, parts, &mut columns);
    RowGroup { rows, columns }
}

fn call_code(call: Call) -> u32 {
    match call {
        Call::Absent => 0,
        Call::Good => 1,
        Call::Defect => 2,
        Call::Recorded => 3,
    }
}

fn review_code(review: Review) -> u32 {
    match review {
        Review::Pending => 0,
        Review::Confirmed => 1,
        Review::FalseCall => 2,
    }
}

type Encoded = (ParquetType, Vec<CompressedPage>);

fn values(layout: &Layout, rows: usize, parts: &[Rows], columns: &mut Vec<Encoded>) {
    if let Layout::Wide(measures) = layout {
        for (place, measure) in measures.iter().enumerate() {
            let numbers = gather(parts, |block| match &block.values {
                Values::Wide(numbers) => numbers.get(place).map_or(&[], Vec::as_slice),
                Values::Long { .. } | Values::None => &[],
            });
            if numbers.len() == rows {
                columns.push(floats(&measure.name, &numbers));
            }
        }
        return;
    }
    let long = |block: &Block| matches!(block.values, Values::Long { .. });
    if !parts.iter().all(|(block, _)| long(block)) {
        return;
    }
    let absent = Column::Absent;
    columns.push(texts("step", rows, parts, |block| match &block.values {
        Values::Long { step, .. } => step,
        Values::Wide(_) | Values::None => &absent,
    }));
    columns.push(floats("value", &long_numbers(parts, 0)));
    columns.push(texts("unit", rows, parts, |block| match &block.values {
        Values::Long { unit, .. } => unit,
        Values::Wide(_) | Values::None => &absent,
    }));
    columns.push(floats("lower", &long_numbers(parts, 1)));
    columns.push(floats("upper", &long_numbers(parts, 2)));
}

fn long_numbers<'a>(parts: &[Rows<'a>], place: usize) -> Cow<'a, [f64]> {
    gather(parts, |block| match &block.values {
        Values::Long {
            value,
            lower,
            upper,
            ..
        } => [value, lower, upper][place].as_slice(),
        Values::Wide(_) | Values::None => &[],
    })
}

fn length(ranges: &[Range<usize>]) -> usize {
    ranges.iter().map(ExactSizeIterator::len).sum()
}

/// A column of all parts; borrowed where one range holds all of it.
fn gather<'a, T: Copy>(parts: &[Rows<'a>], column: impl Fn(&'a Block) -> &'a [T]) -> Cow<'a, [T]> {
    if let [(block, ranges)] = parts
        && let [range] = ranges.as_slice()
    {
        return Cow::Borrowed(column(block).get(range.clone()).unwrap_or_default());
    }
    let mut all = Vec::with_capacity(parts.iter().map(|(_, ranges)| length(ranges)).sum());
    for (block, ranges) in parts {
        for range in ranges {
            all.extend_from_slice(column(block).get(range.clone()).unwrap_or_default());
        }
    }
    Cow::Owned(all)
}

/// A text column. The empty word stands for nothing.
fn texts<'a>(
    name: &str,
    rows: usize,
    parts: &[Rows<'a>],
    column: impl Fn(&'a Block) -> &'a Column,
) -> Encoded {
    // The numbers that the feed gave the words serve as they are, where one block is all there is.
    if let [(block, ranges)] = parts
        && let [range] = ranges.as_slice()
        && range.len() == block.rows
        && let Column::PerRow { codes, words } = column(block)
        && words.iter().all(|word| !word.is_empty())
    {
        let words: Vec<&str> = words.iter().map(AsRef::as_ref).collect();
        return word_pages(name, &words, codes);
    }
    let mut few = Words::default();
    let mut all: Vec<u32> = Vec::with_capacity(rows);
    for (block, ranges) in parts {
        match column(block) {
            Column::Absent => all.resize(all.len() + length(ranges), NOTHING),
            Column::Constant(word) => {
                let code = few.code(word);
                all.resize(all.len() + length(ranges), code);
            }
            Column::PerRow { codes, words } => {
                let mut known = vec![UNKNOWN; words.len()];
                for range in ranges {
                    all.extend(codes[range.clone()].iter().map(|&code| {
                        let known = &mut known[code as usize];
                        if *known == UNKNOWN {
                            *known = few.code(&words[code as usize]);
                        }
                        *known
                    }));
                }
            }
        }
    }
    word_pages(name, &few.words, &all)
}

/// A column with one of a few words a row; the empty word stands for nothing.
fn few_words(name: &str, words: &[&str], codes: impl Iterator<Item = u32>) -> Encoded {
    // The empty word is the first; the others move up into its place.
    let codes: Vec<u32> = codes.map(|code| code.wrapping_sub(1)).collect();
    word_pages(name, &words[1..], &codes)
}

/// The code of no word.
const NOTHING: u32 = u32::MAX;

/// A word whose code has not been asked for.
const UNKNOWN: u32 = u32::MAX - 1;

/// Different words in the order of their first use.
#[derive(Default)]
struct Words<'a> {
    words: Vec<&'a str>,
    codes: HashMap<&'a str, u32>,
}

impl<'a> Words<'a> {
    fn code(&mut self, word: &'a str) -> u32 {
        if word.is_empty() {
            return NOTHING;
        }
        let next = u32::try_from(self.words.len()).unwrap_or(NOTHING);
        let code = *self.codes.entry(word).or_insert(next);
        if code == next {
            self.words.push(word);
        }
        code
    }
}

fn word_pages(name: &str, words: &[&str], codes: &[u32]) -> Encoded {
    let mut dictionary = Vec::new();
    for word in words {
        let len = u32::try_from(word.len()).unwrap_or(0);
        dictionary.extend_from_slice(&len.to_le_bytes());
        dictionary.extend_from_slice(word.as_bytes());
    }
    let column =
        ColumnType::optional(name, PhysicalType::ByteArray).with(PrimitiveLogicalType::String);
    let levels = Levels::of(codes, |code| *code != NOTHING);
    let present: Cow<[u32]> = if levels.is_full() {
        Cow::Borrowed(codes)
    } else {
        let some = codes.iter().copied().filter(|code| *code != NOTHING);
        Cow::Owned(some.collect())
    };
    column.coded(dictionary, words.len(), &levels, &present)
}

/// What whole numbers a column holds.
#[derive(Clone, Copy)]
enum Whole {
    /// Microseconds since 1970.
    Time,
    /// 32 bits.
    Short,
    /// 64 bits.
    Long,
}

fn whole_numbers(
    name: &str,
    kind: Whole,
    numbers: impl Iterator<Item = i64> + Clone,
    rows: usize,
) -> Encoded {
    let physical = match kind {
        Whole::Short => PhysicalType::Int32,
        Whole::Time | Whole::Long => PhysicalType::Int64,
    };
    let mut column = ColumnType::required(name, physical);
    if matches!(kind, Whole::Time) {
        column = column.with(PrimitiveLogicalType::Timestamp {
            unit: TimeUnit::Microseconds,
            is_adjusted_to_utc: false,
        });
    }
    let plain = |to: &mut Vec<u8>, number: i64| match kind {
        // An attempt is below 2^16.
        Whole::Short => to.extend_from_slice(&(number as i32).to_le_bytes()),
        Whole::Time | Whole::Long => to.extend_from_slice(&number.to_le_bytes()),
    };
    let mut bytes = Vec::new();
    let mut few = Numbers::default();
    let codes = few.codes(numbers.clone().map(i64::cast_unsigned), rows);
    if let Some(codes) = codes {
        for &number in &few.distinct {
            plain(&mut bytes, number.cast_signed());
        }
        return column.coded(bytes, few.distinct.len(), &Levels::none(rows), &codes);
    }
    numbers.for_each(|number| plain(&mut bytes, number));
    column.plain(&bytes, &Levels::none(rows))
}

/// Numbers of a column; an empty cell becomes null, never a number.
fn floats(name: &str, numbers: &[f64]) -> Encoded {
    let column = ColumnType::optional(name, PhysicalType::Double);
    let levels = Levels::of(numbers, |number| !number.is_nan());
    let present = numbers.iter().copied().filter(|number| !number.is_nan());
    let mut bytes = Vec::new();
    let mut few = Numbers::default();
    let codes = if levels.is_full() {
        few.codes(numbers.iter().map(|number| number.to_bits()), numbers.len())
    } else {
        few.codes(present.clone().map(f64::to_bits), numbers.len())
    };
    if let Some(codes) = codes {
        for &number in &few.distinct {
            bytes.extend_from_slice(&number.to_le_bytes());
        }
        return column.coded(bytes, few.distinct.len(), &levels, &codes);
    }
    bytes.reserve(8 * numbers.len());
    present.for_each(|number| bytes.extend_from_slice(&number.to_le_bytes()));
    column.plain(&bytes, &levels)
}

/// Different numbers, as bits, in the order of their first use.
#[derive(Default)]
struct Numbers {
    distinct: Vec<u64>,
    /// One more than the place in `distinct`; 0 is free. Four times as many as there may be
    /// numbers, so that searches stay short.
    slots: Vec<u16>,
}

impl Numbers {
    /// A code a number; nothing where there are too many different ones.
    fn codes(&mut self, numbers: impl Iterator<Item = u64>, rows: usize) -> Option<Vec<u32>> {
        self.slots = vec![0; 4 * DISTINCT_MAX];
        let mut codes = Vec::with_capacity(rows);
        let (mut last, mut last_code) = (None, 0);
        for number in numbers {
            if last != Some(number) {
                last_code = self.code(number)?;
                last = Some(number);
            }
            codes.push(last_code);
        }
        Some(codes)
    }

    #[inline]
    fn code(&mut self, number: u64) -> Option<u32> {
        // The golden ratio spreads numbers that differ in few bits (Knuth, The Art of Computer
        // Programming 3, section 6.4).
        let hash = number.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mut place = (hash >> (64 - (4 * DISTINCT_MAX).ilog2())) as usize;
        loop {
            match self.slots[place] {
                0 => break,
                taken if self.distinct[usize::from(taken) - 1] == number => {
                    return Some(u32::from(taken) - 1);
                }
                _ => place = (place + 1) % self.slots.len(),
            }
        }
        if self.distinct.len() == DISTINCT_MAX {
            return None;
        }
        self.distinct.push(number);
        let taken = u16::try_from(self.distinct.len()).ok()?;
        self.slots[place] = taken;
        Some(u32::from(taken) - 1)
    }
}

/// A column's type, and pages of it.
struct ColumnType {
    primitive: PrimitiveType,
}

impl ColumnType {
    fn optional(name: &str, physical: PhysicalType) -> ColumnType {
        ColumnType {
            primitive: PrimitiveType::from_physical(name.into(), physical),
        }
    }

    fn required(name: &str, physical: PhysicalType) -> ColumnType {
        let mut column = ColumnType::optional(name, physical);
        column.primitive.field_info.repetition = Repetition::Required;
        column
    }

    fn with(mut self, logical: PrimitiveLogicalType) -> ColumnType {
        self.primitive.logical_type = Some(logical);
        self
    }

    /// A dictionary and the codes of the values that are there.
    fn coded(self, words: Vec<u8>, count: usize, levels: &Levels, codes: &[u32]) -> Encoded {
        let bits = levels::bits_for(count);
        let mut bytes = self.levels(levels);
        bytes.push(bits);
        levels::runs(&mut bytes, codes, bits);
        let page = self.data(bytes, Encoding::RleDictionary, levels);
        let size = words.len();
        let dictionary = CompressedDictPage::new(
            CowBuffer::Owned(words),
            Compression::Uncompressed,
            size,
            count,
            false,
        );
        let pages = vec![CompressedPage::Dict(dictionary), page];
        (ParquetType::PrimitiveType(self.primitive), pages)
    }

    /// The values that are there, one after another.
    fn plain(self, values: &[u8], levels: &Levels) -> Encoded {
        let mut bytes = self.levels(levels);
        bytes.extend_from_slice(values);
        let page = self.data(bytes, Encoding::Plain, levels);
        (ParquetType::PrimitiveType(self.primitive), vec![page])
    }

    fn levels(&self, levels: &Levels) -> Vec<u8> {
        match self.primitive.field_info.repetition {
            Repetition::Required => Vec::new(),
            Repetition::Optional | Repetition::Repeated => levels.encode(),
        }
    }

    fn data(&self, bytes: Vec<u8>, encoding: Encoding, levels: &Levels) -> CompressedPage {
        let is_optional = self.primitive.field_info.repetition == Repetition::Optional;
        let header = DataPageHeaderV1 {
            num_values: i32::try_from(levels.rows()).unwrap_or(i32::MAX),
            encoding: encoding.into(),
            definition_level_encoding: Encoding::Rle.into(),
            repetition_level_encoding: Encoding::Rle.into(),
            statistics: None,
        };
        let size = bytes.len();
        CompressedPage::Data(CompressedDataPage::new(
            DataPageHeader::V1(header),
            CowBuffer::Owned(bytes),
            Compression::Uncompressed,
            size,
            Descriptor {
                primitive_type: self.primitive.clone(),
                max_def_level: i16::from(is_optional),
                max_rep_level: 0,
            },
            levels.rows(),
        ))
    }
}
