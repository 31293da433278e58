//! What the head of a file settles for all its rows: the plan from columns to roles.
//!
//! Knows the feed's configuration and the header, but reads no row. The invariant: with a plan in
//! hand, every configured column exists exactly once, and every value that holds for the whole
//! file is valid.

use std::sync::Arc;

use super::cells::{self, Dialect};
use super::columns::name_fault;
use super::decode;
use super::diagnostics::{self as codes, Quarantine, quote_text};
use super::family::Families;
use super::names;
use super::number;
use super::parse::{EARLIEST_US, too_early};
use super::sources::{Sources, preamble_entry};
use super::time::TimeReader;
use crate::block::{Column, EmptyUnit, FeedIndex};
use crate::config::{CallMap, Config, Feed, Header, Layout, ReviewMap};
use crate::words::{Call, Review, Role};

/// How many bytes of a file suffice to find its header.
pub const HEAD_MAX: usize = 2 * cells::ROW_MAX;

/// The plan for one file.
#[derive(Clone, Debug)]
pub struct FileHead {
    /// The header, name by name.
    pub columns: Vec<String>,
    /// The line of the header; 1 is the first line of the file.
    pub header_line: u64,
    /// The line of the first row.
    pub first_row_line: u64,
    pub(super) feed: FeedIndex,
    pub(super) dialect: Dialect,
    pub(super) decimal: u8,
    pub(super) time: Vec<CellSource>,
    pub(super) reader: TimeReader,
    /// The time where it holds for the whole file.
    pub(super) at: Option<i64>,
    pub(super) roles: Vec<(Role, CellSource)>,
    pub(super) attempt: Option<CellSource>,
    pub(super) opportunities: Option<CellSource>,
    pub(super) call: Option<(CellSource, Verdicts<Call>)>,
    pub(super) review: Option<(CellSource, Verdicts<Review>)>,
    pub(super) layout: LayoutPlan,
    pub(super) families: Option<Arc<Families>>,
}

/// Where the text of a row comes from.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum CellSource {
    Column(usize),
    Text(Arc<str>),
}

/// The columns of the measured values.
#[derive(Clone, Debug)]
pub(super) enum LayoutPlan {
    Wide(Vec<usize>),
    Long {
        step: usize,
        value: usize,
        unit: Option<usize>,
        lower: Option<usize>,
        upper: Option<usize>,
    },
}

/// What the words of a verdict mean.
#[derive(Clone, Debug)]
pub(super) struct Verdicts<T> {
    words: Vec<(String, T)>,
    other: Option<T>,
}

impl<T: Copy> Verdicts<T> {
    fn new(lists: &[(&[String], T)]) -> Verdicts<T> {
        let mut verdicts = Verdicts {
            words: Vec::new(),
            other: None,
        };
        for (list, verdict) in lists {
            for word in *list {
                if word == "*" {
                    verdicts.other = Some(*verdict);
                } else {
                    verdicts.words.push((word.clone(), *verdict));
                }
            }
        }
        verdicts
    }

    pub(super) fn of(&self, word: &str) -> Option<T> {
        let known = self.words.iter().find(|(known, _)| known == word);
        known.map(|(_, verdict)| *verdict).or(self.other)
    }
}

pub(super) fn call_verdicts(map: &CallMap) -> Verdicts<Call> {
    Verdicts::new(&[(&map.good, Call::Good), (&map.defect, Call::Defect)])
}

pub(super) fn review_verdicts(map: &ReviewMap) -> Verdicts<Review> {
    let mut verdicts = Verdicts::new(&[
        (&map.confirmed, Review::Confirmed),
        (&map.false_call, Review::FalseCall),
        (&map.pending, Review::Pending),
    ]);
    verdicts.words.push((String::new(), Review::Pending));
    verdicts
}

impl FileHead {
    /// The header of a column.
    #[must_use]
    pub fn column(&self, column: usize) -> &str {
        self.columns.get(column).map_or("", String::as_str)
    }

    /// The columns that no role and no measure uses.
    #[must_use]
    pub fn unused(&self) -> Vec<&str> {
        let used = self.used();
        let free = self
            .columns
            .iter()
            .enumerate()
            .filter(|(at, _)| !used.contains(at));
        free.map(|(_, name)| name.as_str())
            .filter(|name| !name.is_empty())
            .collect()
    }

    fn used(&self) -> Vec<usize> {
        let sources = self
            .time
            .iter()
            .chain(self.roles.iter().map(|(_, source)| source));
        let sources = sources.chain(&self.attempt).chain(&self.opportunities);
        let sources = sources.chain(self.call.iter().map(|(source, _)| source));
        let sources = sources.chain(self.review.iter().map(|(source, _)| source));
        let mut used: Vec<usize> = sources
            .filter_map(|source| match source {
                CellSource::Column(column) => Some(*column),
                CellSource::Text(_) => None,
            })
            .collect();
        match &self.layout {
            LayoutPlan::Wide(columns) => used.extend(columns),
            LayoutPlan::Long {
                step,
                value,
                unit,
                lower,
                upper,
            } => {
                used.extend([*step, *value]);
                used.extend([unit, lower, upper].into_iter().flatten());
            }
        }
        used
    }
}

/// Reads the head of a file: its preamble and header. `first_bytes` is UTF-8 text, with or without
/// its byte order mark, of the whole file or at least [`HEAD_MAX`] bytes. Returns the plan and the
/// offset of the first row in `first_bytes`.
///
/// # Errors
/// Where the file does not fit its feed; says in what and what to do.
pub fn open_head(
    config: &Config,
    feed_index: FeedIndex,
    file_name: &str,
    first_bytes: &[u8],
) -> Result<(FileHead, usize), Quarantine> {
    let feed = &config.feeds[feed_index];
    let dialect = Dialect {
        delimiter: feed.csv.delimiter,
        quote: feed.csv.quote,
    };
    let text = decode::without_mark(first_bytes);
    decode::refuse_nul(&text[..text.len().min(4096)])?;
    let found = find_header(feed, text, dialect)?;
    let mut sources = Sources {
        feed,
        dialect,
        columns: &found.columns,
        header_line: found.line,
        file_name,
        captures: feed
            .file_name
            .as_deref()
            .and_then(|pat| names::captures(pat, file_name)),
        preamble: &found.preamble,
        missing: Vec::new(),
    };
    let mut head = plan(&mut sources, feed_index)?;
    head.families = Families::of(config, &head.roles).map(Arc::new);
    let row_at = first_bytes.len() - text.len() + found.row_at;
    head.columns = found.columns;
    head.first_row_line = found.line + u64::from(found.lines);
    check_constants(&mut head)?;
    Ok((head, row_at))
}

struct FoundHeader {
    columns: Vec<String>,
    line: u64,
    lines: u32,
    row_at: usize,
    preamble: Vec<(String, String)>,
}

fn find_header(feed: &Feed, text: &[u8], dialect: Dialect) -> Result<FoundHeader, Quarantine> {
    let no_header = |reason: String| Quarantine {
        code: codes::NO_HEADER,
        reason,
        fix: "Compare the file with the feed's csv.header settings; an interrupted export must \
              be repeated"
            .into(),
        line: None,
    };
    let mut preamble = Vec::new();
    let (mut at, mut line) = (0, 1u64);
    while at < text.len() {
        let rest = &text[at..];
        let line_end = memchr::memchr(b'\n', rest).map_or(text.len(), |end| at + end + 1);
        if line_end - at > cells::ROW_MAX {
            return Err(line_too_long(line));
        }
        let is_header = match &feed.csv.header {
            Header::AfterLines(lines) => line > *lines as u64,
            Header::StartsWith(start) => rest.starts_with(start.as_bytes()),
        };
        if is_header {
            let end = cells::row_end(text, at, dialect);
            let columns = cells::split_line(decode::utf8(&text[at..end.at], line)?, dialect);
            if columns.iter().all(String::is_empty) {
                return Err(no_header(format!(
                    "Line {line} is blank where the header should be"
                )));
            }
            return Ok(FoundHeader {
                columns,
                line,
                lines: end.lines,
                row_at: end.at,
                preamble,
            });
        }
        let entry = decode::utf8(&text[at..line_end], line)?;
        preamble.extend(preamble_entry(entry, dialect));
        (at, line) = (line_end, line + 1);
    }
    Err(no_header(match &feed.csv.header {
        _ if text.is_empty() => "The file is empty".into(),
        Header::AfterLines(lines) => {
            format!(
                "The file has {} lines; the header is expected after {lines}",
                line - 1
            )
        }
        Header::StartsWith(start) => format!("No line starts with \"{start}\""),
    }))
}

/// The verdict on a line that is longer than any row may be.
pub(super) fn line_too_long(line: u64) -> Quarantine {
    Quarantine {
        code: codes::LINE_TOO_LONG,
        reason: format!("The line is longer than {} KiB", cells::ROW_MAX / 1024),
        fix: "The file is damaged or not line by line; export it again".into(),
        line: Some(line),
    }
}

fn plan(sources: &mut Sources<'_>, feed_index: FeedIndex) -> Result<FileHead, Quarantine> {
    let feed = sources.feed;
    let time = feed
        .time
        .sources
        .iter()
        .map(|source| sources.source(source));
    let time = time.collect::<Result<Vec<_>, _>>()?;
    let (mut roles, mut attempt, mut opportunities) = (Vec::new(), None, None);
    for (role, source) in &feed.roles {
        let source = sources.source(source)?;
        match role {
            Role::Attempt => attempt = Some(source),
            Role::Opportunities => opportunities = Some(source),
            _ => roles.push((*role, source)),
        }
    }
    let call = match &feed.call {
        Some(map) => Some((sources.source(&map.source)?, call_verdicts(map))),
        None => None,
    };
    let review = match &feed.review {
        Some(map) => Some((sources.source(&map.source)?, review_verdicts(map))),
        None => None,
    };
    let layout = layout(sources, &feed.layout)?;
    sources.missing_columns()?;
    Ok(FileHead {
        columns: Vec::new(),
        header_line: sources.header_line,
        first_row_line: 0,
        feed: feed_index,
        dialect: sources.dialect,
        decimal: feed.csv.decimal,
        time,
        reader: TimeReader::new(&feed.time),
        at: None,
        roles,
        attempt,
        opportunities,
        call,
        review,
        layout,
        families: None,
    })
}

fn layout(sources: &mut Sources<'_>, layout: &Layout) -> Result<LayoutPlan, Quarantine> {
    let optional = |sources: &mut Sources<'_>, name: &Option<String>| {
        name.as_deref().map(|name| sources.column(name)).transpose()
    };
    Ok(match layout {
        Layout::Wide(measures) => {
            let columns = measures
                .iter()
                .map(|measure| sources.column(&measure.column));
            LayoutPlan::Wide(columns.collect::<Result<_, _>>()?)
        }
        Layout::Long(steps) => LayoutPlan::Long {
            step: sources.column(&steps.name)?,
            value: sources.column(&steps.value)?,
            unit: optional(sources, &steps.unit)?,
            lower: optional(sources, &steps.lower)?,
            upper: optional(sources, &steps.upper)?,
        },
    })
}

/// Refuses values for the whole file that no row could use.
fn check_constants(head: &mut FileHead) -> Result<(), Quarantine> {
    let bad = |what: &str, text: &str| Quarantine {
        code: codes::BAD_FILE_VALUE,
        reason: format!(
            "The {what} \"{}\" of the file name, preamble or constant cannot be read",
            quote_text(text.as_bytes(), 200)
        ),
        fix: format!("Compare it with the feed's settings for {what}"),
        line: None,
    };
    let texts: Option<Vec<&str>> = head.time.iter().map(CellSource::text).collect();
    if let Some(texts) = texts {
        let text = texts.join(" ");
        head.at = head.reader.read(text.as_bytes());
        match head.at {
            None => return Err(bad("time", &text)),
            Some(at) if at < EARLIEST_US => {
                return Err(Quarantine {
                    code: codes::BAD_FILE_VALUE,
                    reason: format!("The time {}", too_early(&quote_text(text.as_bytes(), 200))),
                    fix: "Then export the file again".into(),
                    line: None,
                });
            }
            Some(_) => {}
        }
    }
    for (role, source) in &head.roles {
        let fault = source.text().and_then(name_fault);
        if let Some((_, reason)) = fault {
            return Err(Quarantine {
                code: codes::BAD_FILE_VALUE,
                reason: format!(
                    "The {} of the file name, preamble or constant: {reason}",
                    role.name()
                ),
                fix: "Name it otherwise at the station".into(),
                line: None,
            });
        }
    }
    let constant = |source: &Option<CellSource>| {
        source
            .as_ref()
            .and_then(CellSource::text)
            .map(str::to_owned)
    };
    match constant(&head.attempt) {
        Some(text) if attempt(&text).is_none() => return Err(bad("attempt", &text)),
        _ => {}
    }
    match constant(&head.opportunities) {
        Some(text) if opportunities(&text).is_none() => {
            return Err(bad("opportunities", &text));
        }
        _ => {}
    }
    if let Some((CellSource::Text(text), verdicts)) = &head.call
        && verdicts.of(text).is_none()
    {
        return Err(bad("call", text));
    }
    if let Some((CellSource::Text(text), verdicts)) = &head.review
        && verdicts.of(text).is_none()
    {
        return Err(bad("review", text));
    }
    Ok(())
}

impl CellSource {
    pub(super) fn text(&self) -> Option<&str> {
        match self {
            CellSource::Column(_) => None,
            CellSource::Text(text) => Some(text),
        }
    }
}

/// A try as written: nothing means the first.
pub(super) fn attempt(text: &str) -> Option<u16> {
    if text.is_empty() {
        return Some(1);
    }
    number::parse_count(text.as_bytes())
        .and_then(|count| u16::try_from(count).ok())
        .filter(|count| *count > 0)
}

/// A number of things inspected as written: nothing means that the file does not say.
pub(super) fn opportunities(text: &str) -> Option<u32> {
    if text.is_empty() {
        Some(0)
    } else {
        number::parse_count(text.as_bytes())
    }
}

/// What the file says without any row; `None` where it gives no time for its unit.
#[must_use]
pub fn empty_unit(head: &FileHead) -> Option<EmptyUnit> {
    let at = head.at?;
    let mut keys: [Column; Role::COUNT] = std::array::from_fn(|_| Column::Absent);
    for (role, source) in &head.roles {
        if let CellSource::Text(text) = source {
            keys[role.index()] = Column::Constant(Arc::clone(text));
        }
    }
    let text = |source: &Option<CellSource>| {
        source
            .as_ref()
            .and_then(CellSource::text)
            .map(str::to_owned)
    };
    Some(EmptyUnit {
        feed: head.feed,
        at,
        keys,
        attempt: text(&head.attempt)
            .and_then(|text| attempt(&text))
            .unwrap_or(1),
        opportunities: text(&head.opportunities)
            .and_then(|text| opportunities(&text))
            .unwrap_or(0),
    })
}
