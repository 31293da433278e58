//! Which columns hold the time, and how it is written.
//!
//! Knows no role. The invariant: a format is proposed only where the reader of times, the one used
//! in earnest, reads every sampled text with it.

use jiff::tz::TimeZone;

use super::sheet::Sheet;
use super::words;
use crate::config::{TimeFormat, TimeSource};
use crate::feeds::time::TimeReader;

/// Different texts of a column that a format has to fit.
const TEXTS_MAX: usize = 200;

/// Dates, day first before month first: where both fit, a person decides.
const DATES: [&str; 17] = [
    "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y",
    "%m-%d-%Y", "%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%d-%m-%y", "%m-%d-%y", "%d-%b-%Y", "%d %b %Y",
    "%b %d %Y",
];

/// Times of day.
const TIMES: [&str; 9] = [
    "%H:%M:%S",
    "%H:%M:%S%.f",
    "%H:%M",
    "%I:%M:%S %p",
    "%I:%M:%S%p",
    "%I:%M %p",
    "%H%M%S",
    "%H.%M.%S",
    "%H-%M-%S",
];

/// Between date and time of day.
const JOINTS: [&str; 4] = [" ", "T", "_", ", "];

/// From the year 2000 to the year 2100, in microseconds since 1970: other times are none.
const PLAUSIBLE_US: std::ops::Range<i64> = 946_684_800_000_000..4_102_444_800_000_000;

/// Where the time is.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Place {
    Columns(Vec<usize>),
    Preamble(String),
    /// The parts of the file name, cut at underscores, that make it.
    FileName(usize),
}

/// A time that was found.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct When {
    pub(super) place: Place,
    pub(super) format: String,
    /// Other ways to read the same texts.
    pub(super) others: Vec<String>,
    /// Whether each text says its offset from UTC.
    pub(super) has_offset: bool,
    /// Other columns that hold times.
    pub(super) rivals: Vec<usize>,
}

/// The time of a file; `None` where nothing in it reads as one.
pub(super) fn find(sheet: &Sheet, file_stem: &str) -> Option<When> {
    in_columns(sheet)
        .or_else(|| in_preamble(sheet))
        .or_else(|| in_file_name(file_stem))
}

/// A column and what its texts are.
struct Candidate {
    column: usize,
    kind: Kind,
    formats: Vec<String>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Whole,
    Date,
    TimeOfDay,
}

fn in_columns(sheet: &Sheet) -> Option<When> {
    let mut found: Vec<Candidate> = (0..sheet.columns.len())
        .filter_map(|column| candidate(sheet, column))
        .collect();
    found.sort_by_key(|one| std::cmp::Reverse(words::time_rank(&sheet.columns[one.column])));
    let of = |kind: Kind| found.iter().filter(move |one| one.kind == kind);
    let rivals = |used: &[usize]| {
        let all = found.iter().map(|one| one.column);
        all.filter(|column| !used.contains(column)).collect()
    };
    if let Some(whole) = of(Kind::Whole).next() {
        let mut formats = whole.formats.iter().cloned();
        let offsets = sheet.cells(whole.column).all(says_offset);
        return Some(When {
            place: Place::Columns(vec![whole.column]),
            format: formats.next()?,
            others: formats.collect(),
            has_offset: offsets || whole.formats[0].starts_with("unix"),
            rivals: rivals(&[whole.column]),
        });
    }
    let (date, time) = (of(Kind::Date).next()?, of(Kind::TimeOfDay).next()?);
    let clock = &time.formats[0];
    let mut formats = date.formats.iter().map(|date| format!("{date} {clock}"));
    Some(When {
        place: Place::Columns(vec![date.column, time.column]),
        format: formats.next()?,
        others: formats.collect(),
        has_offset: false,
        rivals: rivals(&[date.column, time.column]),
    })
}

fn candidate(sheet: &Sheet, column: usize) -> Option<Candidate> {
    let mut texts: Vec<&str> = sheet.cells(column).collect();
    texts.sort_unstable();
    texts.dedup();
    texts.truncate(TEXTS_MAX);
    if texts.is_empty() {
        return None;
    }
    let named = words::time_rank(&sheet.columns[column]) > 0;
    let (kind, formats) = [
        (Kind::Whole, whole_formats(&texts, named)),
        (Kind::Date, date_formats(&texts, named)),
        (Kind::TimeOfDay, clock_formats(&texts, named)),
    ]
    .into_iter()
    .find(|(_, formats)| !formats.is_empty())?;
    Some(Candidate {
        column,
        kind,
        formats,
    })
}

fn whole_formats(texts: &[&str], named: bool) -> Vec<String> {
    let is_iso = |text: &&str| text.contains(':') && text.starts_with(|c: char| c.is_ascii_digit());
    if texts.iter().all(is_iso) && fits("rfc3339", texts, as_it_is) {
        return vec!["rfc3339".to_owned()];
    }
    if texts.iter().all(|text| is_digits(text)) {
        // Whole numbers are times only where the header says so.
        let formats = ["unix", "unix-ms", "%Y%m%d%H%M%S"];
        let fitting = formats.iter().find(|one| fits(one, texts, as_it_is));
        return fitting
            .filter(|_| named)
            .map(|one| vec![(*one).to_owned()])
            .unwrap_or_default();
    }
    let mut found = Vec::new();
    for date in DATES {
        for (joint, time) in JOINTS
            .iter()
            .flat_map(|joint| TIMES.map(|time| (joint, time)))
        {
            for offset in ["", "%z", " %z", "%:z"] {
                let format = format!("{date}{joint}{time}{offset}");
                if fits(&format, texts, as_it_is) {
                    found.push(format);
                }
            }
        }
    }
    simplest(found)
}

fn date_formats(texts: &[&str], named: bool) -> Vec<String> {
    if texts.iter().all(|text| is_digits(text)) && !named {
        return Vec::new();
    }
    let fitting = DATES.iter().filter(|date| {
        fits(&format!("{date} %H:%M"), texts, |text| {
            format!("{text} 12:00")
        })
    });
    simplest(fitting.map(|date| (*date).to_owned()).collect())
}

fn clock_formats(texts: &[&str], named: bool) -> Vec<String> {
    if texts.iter().all(|text| is_digits(text)) && !named {
        return Vec::new();
    }
    let fitting = TIMES.iter().filter(|time| {
        fits(&format!("%Y-%m-%d {time}"), texts, |text| {
            format!("2026-01-05 {text}")
        })
    });
    simplest(fitting.map(|time| (*time).to_owned()).collect())
}

/// Of formats that read the same texts, those that differ in the order of day and month only.
fn simplest(found: Vec<String>) -> Vec<String> {
    let Some(first) = found.first().cloned() else {
        return found;
    };
    let parts = |format: &str| {
        let mut parts: Vec<char> = format.chars().filter(|c| c.is_alphabetic()).collect();
        parts.sort_unstable();
        parts
    };
    let same = parts(&first);
    found.into_iter().filter(|one| parts(one) == same).collect()
}

fn in_preamble(sheet: &Sheet) -> Option<When> {
    let mut entries: Vec<&(String, String)> = sheet.preamble.iter().collect();
    entries.sort_by_key(|(key, _)| std::cmp::Reverse(words::time_rank(key)));
    entries.into_iter().find_map(|(key, value)| {
        let formats = whole_formats(&[value], words::time_rank(key) > 0);
        let mut formats = formats.into_iter();
        Some(When {
            place: Place::Preamble(key.clone()),
            format: formats.next()?,
            others: formats.collect(),
            has_offset: says_offset(value),
            rivals: Vec::new(),
        })
    })
}

fn in_file_name(stem: &str) -> Option<When> {
    let formats = ["%Y%m%dT%H%M%S", "%Y%m%d%H%M%S", "%Y-%m-%dT%H-%M-%S"];
    let parts = stem.split('_').enumerate();
    let found = parts.flat_map(|(place, part)| formats.map(|format| (place, part, format)));
    let mut fitting = found.filter(|(_, part, format)| fits(format, &[part], as_it_is));
    let (place, _, format) = fitting.next()?;
    Some(When {
        place: Place::FileName(place),
        format: format.to_owned(),
        others: Vec::new(),
        has_offset: false,
        rivals: Vec::new(),
    })
}

fn as_it_is(text: &str) -> String {
    text.to_owned()
}

/// Whether the reader of times reads every text with a format, and gives plausible times.
fn fits(format: &str, texts: &[&str], whole: impl Fn(&str) -> String) -> bool {
    let format = match format {
        "rfc3339" => TimeFormat::Rfc3339,
        "unix" => TimeFormat::UnixSeconds,
        "unix-ms" => TimeFormat::UnixMillis,
        pattern => TimeFormat::Pattern(pattern.to_owned()),
    };
    let mut reader = TimeReader::new(&TimeSource {
        sources: Vec::new(),
        format,
        zone: TimeZone::UTC,
    });
    texts.iter().all(|text| {
        let at = reader.read(whole(text).as_bytes());
        at.is_some_and(|at| PLAUSIBLE_US.contains(&at))
    })
}

fn is_digits(text: &str) -> bool {
    text.bytes()
        .all(|byte| byte.is_ascii_digit() || byte == b'.')
        && !text.contains("..")
        && text.matches('.').count() < 2
}

/// Whether a text ends with an offset from UTC.
fn says_offset(text: &str) -> bool {
    let text = text.trim();
    let after = text.rsplit_once(['+', '-']).map(|(before, after)| {
        before.contains(':')
            && after.len() >= 2
            && after.bytes().all(|b| b.is_ascii_digit() || b == b':')
    });
    (text.ends_with(['Z', 'z']) && text.contains(':')) || after == Some(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(text: &str) -> Option<When> {
        let sheet = Sheet::of(text.as_bytes(), true).unwrap();
        find(&sheet, "a_20260302T113645")
    }

    /// The format and whether another order of day and month fits too.
    #[track_caller]
    fn check(cells: &[&str], format: &str, is_doubtful: bool) {
        let rows: Vec<String> = cells.iter().map(|cell| format!("{cell};1\n")).collect();
        let when = found(&format!("Time;Other\n{}", rows.concat())).unwrap();
        assert_eq!(when.format, format);
        assert_eq!(!when.others.is_empty(), is_doubtful, "{:?}", when.others);
    }

    #[test]
    fn formats_are_told_from_the_texts() {
        check(&["2026-03-02T11:30:05+01:00"], "rfc3339", false);
        check(&["2026-03-02 11:30:05"], "rfc3339", false);
        check(&["02.03.2026 11:30:05"], "%d.%m.%Y %H:%M:%S", false);
        check(&["02/03/2026 11:30:05"], "%d/%m/%Y %H:%M:%S", true);
        check(&["25/03/2026 11:30:05"], "%d/%m/%Y %H:%M:%S", false);
        check(&["03/25/2026 11:30:05 PM"], "%m/%d/%Y %I:%M:%S %p", false);
        check(&["02-03-26 11:30"], "%d-%m-%y %H:%M", true);
        check(&["1772449805000"], "unix-ms", false);
        check(&["1772449805"], "unix", false);
        check(&["20260302113645"], "%Y%m%d%H%M%S", false);
    }

    #[test]
    fn date_and_time_of_day_may_stand_apart() {
        let when = found("Panel;Date;Time\nP1;04.03.2026;06:12:07\n").unwrap();
        assert_eq!(when.place, Place::Columns(vec![1, 2]));
        assert_eq!(when.format, "%d.%m.%Y %H:%M:%S");
        assert!(!when.has_offset);
    }

    #[test]
    fn a_time_may_stand_before_the_table_or_in_the_name() {
        let when = found("Inspected: 02.03.2026 11:36:45\nA;B\nx;y\n").unwrap();
        assert_eq!(when.place, Place::Preamble("Inspected".to_owned()));
        assert_eq!(when.format, "%d.%m.%Y %H:%M:%S");
        let when = found("A;B\nx;y\n").unwrap();
        assert_eq!(when.place, Place::FileName(1));
        assert!(
            found("Height;Number\n1.5;1772449805\n")
                .is_some_and(|when| when.place == Place::FileName(1))
        );
    }

    #[test]
    fn an_offset_is_seen() {
        assert!(says_offset("2026-03-02T11:30:05+01:00"));
        assert!(says_offset("2026-03-02T11:30:05Z"));
        assert!(!says_offset("2026-03-02T11:30:05"));
        assert!(!says_offset("02-03-2026 11:30"));
    }
}
