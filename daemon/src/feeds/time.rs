//! Event times: written text to microseconds since 1970.
//!
//! Knows no row. The invariant: a time is what jiff makes of the text; the short cuts here only
//! give the same answer sooner, and whatever they do not know goes to jiff. A local time that
//! occurs twice is the earlier one; one that the clocks skipped is moved on by the skipped hour.

use jiff::civil::DateTime;
use jiff::fmt::strtime::BrokenDownTime;
use jiff::tz::{AmbiguousOffset, TimeZone};

use super::number;
use crate::config::{TimeFormat, TimeSource};

const DAY_S: i64 = 86_400;
const SECOND_US: i64 = 1_000_000;

/// Reads the times of one feed; keeps what it learnt from the row before.
#[derive(Clone, Debug)]
pub struct TimeReader {
    format: Format,
    zone: TimeZone,
    fixed_s: Option<i64>,
    /// The local hour of the row before and the offset that holds all through it.
    hour: Option<(i64, i64)>,
    text: Vec<u8>,
    at: Option<i64>,
}

#[derive(Clone, Debug)]
enum Format {
    Rfc3339,
    Pattern {
        pattern: String,
        steps: Option<Vec<Step>>,
    },
    Unix {
        unit_us: f64,
    },
}

/// A part of a pattern that is simple enough to be read by hand.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Step {
    Literal(u8),
    Year,
    Field(usize),
    Fraction,
    DottedFraction,
}

/// Year, month, day, hour, minute, second, microsecond.
type Parts = [i64; 7];
const LEAST: Parts = [1970, 1, 1, 0, 0, 0, 0];

impl TimeReader {
    /// A reader of the format and zone of a feed.
    #[must_use]
    pub fn new(source: &TimeSource) -> TimeReader {
        let format = match &source.format {
            TimeFormat::Rfc3339 => Format::Rfc3339,
            TimeFormat::Pattern(pattern) => Format::Pattern {
                pattern: pattern.clone(),
                steps: steps(pattern),
            },
            TimeFormat::UnixSeconds => Format::Unix { unit_us: 1e6 },
            TimeFormat::UnixMillis => Format::Unix { unit_us: 1e3 },
        };
        let fixed_s = source
            .zone
            .to_fixed_offset()
            .ok()
            .map(|offset| i64::from(offset.seconds()));
        TimeReader {
            format,
            zone: source.zone.clone(),
            fixed_s,
            hour: None,
            text: vec![],
            at: None,
        }
    }

    /// The time written in the text, in microseconds since 1970; `None` where it is not one.
    pub fn read(&mut self, text: &[u8]) -> Option<i64> {
        if self.at.is_none() || self.text != text {
            self.at = self.read_new(text.trim_ascii());
            self.text.clear();
            self.text.extend_from_slice(text);
        }
        self.at
    }

    fn read_new(&mut self, text: &[u8]) -> Option<i64> {
        let quick = match &self.format {
            Format::Rfc3339 => rfc3339(text),
            Format::Pattern {
                steps: Some(steps), ..
            } => local(steps, text).map(|it| (it, None)),
            Format::Pattern { .. } => None,
            Format::Unix { unit_us } => {
                let value = number::parse(text, b'.')? * unit_us;
                // Beyond year 9999 the number is no time but another unit.
                let known = (0.0..253_402_300_800e6).contains(&value);
                return known.then(|| value.round() as i64);
            }
        };
        match quick {
            Some((parts, Some(offset_s))) => Some(micros(&parts) - offset_s * SECOND_US),
            Some((parts, None)) => self.zoned(&parts),
            None => self.read_slowly(std::str::from_utf8(text).ok()?),
        }
    }

    fn read_slowly(&self, text: &str) -> Option<i64> {
        let time = match &self.format {
            Format::Pattern { pattern, .. } => {
                let time = BrokenDownTime::parse(pattern, text).ok()?;
                match time.to_timestamp() {
                    Ok(at) => return Some(at.as_microsecond()),
                    Err(_) => time.to_datetime().ok()?,
                }
            }
            _ => match text.parse::<jiff::Timestamp>() {
                Ok(at) => return Some(at.as_microsecond()),
                Err(_) => text.parse::<DateTime>().ok()?,
            },
        };
        let zoned = self
            .zone
            .to_ambiguous_zoned_datetime(time)
            .compatible()
            .ok()?;
        Some(zoned.timestamp().as_microsecond())
    }

    /// The instant of a local time. Offsets change at most once an hour, so that an hour with the
    /// same offset at both ends has it all through.
    fn zoned(&mut self, parts: &Parts) -> Option<i64> {
        let local_us = micros(parts);
        if let Some(offset_s) = self.fixed_s {
            return Some(local_us - offset_s * SECOND_US);
        }
        let hour = local_us.div_euclid(3600 * SECOND_US);
        if let Some((known, offset_s)) = self.hour
            && known == hour
        {
            return Some(local_us - offset_s * SECOND_US);
        }
        let offset_at = |minute: i64, second: i64| {
            let time = civil(&[parts[0], parts[1], parts[2], parts[3], minute, second, 0])?;
            match self.zone.to_ambiguous_zoned_datetime(time).offset() {
                AmbiguousOffset::Unambiguous { offset } => Some(i64::from(offset.seconds())),
                _ => None,
            }
        };
        if let (Some(first), Some(last)) = (offset_at(0, 0), offset_at(59, 59))
            && first == last
        {
            self.hour = Some((hour, first));
            return Some(local_us - first * SECOND_US);
        }
        let zoned = self
            .zone
            .to_ambiguous_zoned_datetime(civil(parts)?)
            .compatible()
            .ok()?;
        Some(zoned.timestamp().as_microsecond())
    }
}

fn civil(parts: &Parts) -> Option<DateTime> {
    let small = |place: usize| i8::try_from(parts[place]).ok();
    let year = i16::try_from(parts[0]).ok()?;
    let nanos = i32::try_from(parts[6] * 1000).ok()?;
    DateTime::new(
        year,
        small(1)?,
        small(2)?,
        small(3)?,
        small(4)?,
        small(5)?,
        nanos,
    )
    .ok()
}

/// Microseconds from 1970 to a civil time, as if it were UTC (days by the era of 400 years:
/// the proleptic Gregorian calendar repeats after 146 097 days).
fn micros(parts: &Parts) -> i64 {
    let [year, month, day, hour, minute, second, micro] = *parts;
    let year = if month <= 2 { year - 1 } else { year };
    let era = year.div_euclid(400);
    let year_of_era = year.rem_euclid(400);
    let day_of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    let days = era * 146_097 + day_of_era - 719_468;
    (days * DAY_S + hour * 3600 + minute * 60 + second) * SECOND_US + micro
}

/// Whether the parts are a date and a time of the calendar, the leap second left to jiff.
fn is_civil(parts: &Parts) -> bool {
    let [year, month, day, hour, minute, second, _] = *parts;
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        2 => 28 + i64::from(leap),
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    };
    (1..=12).contains(&month)
        && (1..=days).contains(&day)
        && (1..=9999).contains(&year)
        && hour <= 23
        && minute <= 59
        && second <= 59
}

/// The decimal digits at the start of the text: exactly `count`.
fn digits(text: &mut &[u8], count: usize) -> Option<i64> {
    let (head, rest) = text.split_at_checked(count)?;
    *text = rest;
    head.iter().try_fold(0i64, |sum, byte| {
        byte.is_ascii_digit()
            .then(|| sum * 10 + i64::from(byte - b'0'))
    })
}

/// One to nine digits after the point, cut to microseconds.
fn fraction(text: &mut &[u8]) -> Option<i64> {
    let count = text.iter().take_while(|byte| byte.is_ascii_digit()).count();
    if !(1..=9).contains(&count) {
        return None;
    }
    let value = digits(text, count)?;
    let power = |exponent: usize| 10i64.pow(exponent as u32);
    Some(if count <= 6 {
        value * power(6 - count)
    } else {
        value / power(count - 6)
    })
}

/// The common shape of RFC 3339 with its offset, if it has one.
fn rfc3339(text: &[u8]) -> Option<(Parts, Option<i64>)> {
    let mut rest = text;
    let mut parts = LEAST;
    parts[0] = digits(&mut rest, 4)?;
    for (place, marks) in [(1, "-"), (2, "-"), (3, "Tt "), (4, ":"), (5, ":")] {
        let (mark, tail) = rest.split_first()?;
        rest = tail;
        if !marks.as_bytes().contains(mark) {
            return None;
        }
        parts[place] = digits(&mut rest, 2)?;
    }
    if let Some((b'.', tail)) = rest.split_first() {
        rest = tail;
        parts[6] = fraction(&mut rest)?;
    }
    let offset_s = match rest.split_first() {
        None => None,
        Some((b'Z' | b'z', [])) => Some(0),
        Some((sign @ (b'+' | b'-'), mut tail)) => {
            let hours = digits(&mut tail, 2)?;
            tail = tail.strip_prefix(b":")?;
            let minutes = digits(&mut tail, 2)?;
            if !tail.is_empty() || hours > 23 || minutes > 59 {
                return None;
            }
            let seconds = hours * 3600 + minutes * 60;
            Some(if *sign == b'-' { -seconds } else { seconds })
        }
        Some(_) => return None,
    };
    is_civil(&parts).then_some((parts, offset_s))
}

/// The pattern as steps, where it has only those; a date must be whole.
fn steps(pattern: &str) -> Option<Vec<Step>> {
    let mut steps = Vec::new();
    let mut rest = pattern.as_bytes();
    while let Some((&byte, tail)) = rest.split_first() {
        rest = tail;
        if byte != b'%' {
            // A blank in a pattern stands for any blanks: jiff's business, unless it is exact.
            steps.push(Step::Literal(byte));
            continue;
        }
        if let Some(tail) = rest.strip_prefix(b".f") {
            rest = tail;
            steps.push(Step::DottedFraction);
            continue;
        }
        let (&conversion, tail) = rest.split_first()?;
        rest = tail;
        match conversion {
            b'Y' => steps.push(Step::Year),
            b'f' => steps.push(Step::Fraction),
            b'F' => steps.extend(date(b'-')),
            b'T' => steps.extend(clock()),
            _ => {
                let place = b"mdHMS".iter().position(|known| *known == conversion)?;
                steps.push(Step::Field(place + 1));
            }
        }
    }
    let once = |step| steps.iter().filter(|known| **known == step).count() == 1;
    let whole = once(Step::Year) && once(Step::Field(1)) && once(Step::Field(2));
    let timed = once(Step::Field(3)) && once(Step::Field(4));
    (whole && timed).then_some(steps)
}

fn date(mark: u8) -> [Step; 5] {
    let mark = Step::Literal(mark);
    [Step::Year, mark, Step::Field(1), mark, Step::Field(2)]
}

fn clock() -> [Step; 5] {
    let mark = Step::Literal(b':');
    [Step::Field(3), mark, Step::Field(4), mark, Step::Field(5)]
}

/// The local time of a text that follows the steps with full-width fields.
fn local(steps: &[Step], text: &[u8]) -> Option<Parts> {
    let mut rest = text;
    let mut parts = LEAST;
    for step in steps {
        match *step {
            Step::Literal(byte) => {
                let (head, tail) = rest.split_first()?;
                rest = tail;
                if *head != byte {
                    return None;
                }
            }
            Step::Year => parts[0] = digits(&mut rest, 4)?,
            Step::Field(place) => parts[place] = digits(&mut rest, 2)?,
            Step::Fraction => parts[6] = fraction(&mut rest)?,
            Step::DottedFraction => {
                if let Some(tail) = rest.strip_prefix(b".") {
                    rest = tail;
                    parts[6] = fraction(&mut rest)?;
                }
            }
        }
    }
    (rest.is_empty() && is_civil(&parts)).then_some(parts)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Source;
    use proptest::prelude::*;

    fn reader(format: TimeFormat, zone: &str) -> TimeReader {
        let zone = TimeZone::get(zone).unwrap();
        TimeReader::new(&TimeSource {
            sources: vec![Source::Column("t".into())],
            format,
            zone,
        })
    }

    fn check(format: TimeFormat, zone: &str, text: &str, expected: Option<&str>) {
        let expected = expected.map(|at| at.parse::<jiff::Timestamp>().unwrap().as_microsecond());
        let mut reader = reader(format, zone);
        assert_eq!(reader.read(text.as_bytes()), expected, "{text}");
        assert_eq!(reader.read(text.as_bytes()), expected, "{text} again");
    }

    #[test]
    fn rfc3339_with_offset_or_in_the_zone() {
        for (text, expected) in [
            ("2026-03-02T06:00:00Z", Some("2026-03-02T06:00:00Z")),
            (
                "2026-03-02 06:00:00.1234567+01:00",
                Some("2026-03-02T05:00:00.123456Z"),
            ),
            ("2026-03-02T06:00:00", Some("2026-03-02T05:00:00Z")),
            ("2026-07-02T06:00:00", Some("2026-07-02T04:00:00Z")),
            // The fold of 2026-10-25 in Berlin: the earlier of the two.
            ("2026-10-25T02:30:00", Some("2026-10-25T00:30:00Z")),
            // The gap of 2026-03-29: moved on by the skipped hour.
            ("2026-03-29T02:30:00", Some("2026-03-29T01:30:00Z")),
            ("2026-02-29T06:00:00Z", None),
            ("2026-03-02T24:00:00Z", None),
            ("02.03.2026 06:00", None),
            ("", None),
        ] {
            check(TimeFormat::Rfc3339, "Europe/Berlin", text, expected);
        }
    }

    #[test]
    fn patterns_read_by_hand_and_by_jiff() {
        let day_first = || TimeFormat::Pattern("%d.%m.%Y %H:%M:%S".into());
        let zone = "Europe/Berlin";
        check(
            day_first(),
            zone,
            "02.03.2026 06:00:01",
            Some("2026-03-02T05:00:01Z"),
        );
        check(
            day_first(),
            zone,
            "2.3.2026 6:00:01",
            Some("2026-03-02T05:00:01Z"),
        );
        check(day_first(), zone, "31.02.2026 06:00:01", None);
        let twelve = TimeFormat::Pattern("%m/%d/%Y %I:%M:%S %p".into());
        check(
            twelve,
            "America/New_York",
            "03/02/2026 01:00:00 PM",
            Some("2026-03-02T18:00:00Z"),
        );
        let offset = TimeFormat::Pattern("%Y%m%d%H%M%S%z".into());
        check(
            offset,
            zone,
            "20260302060000+0200",
            Some("2026-03-02T04:00:00Z"),
        );
        let file = TimeFormat::Pattern("%Y%m%d%H%M%S".into());
        check(file, "UTC", "20260302060000", Some("2026-03-02T06:00:00Z"));
        let fraction = TimeFormat::Pattern("%F %T%.f".into());
        check(
            fraction,
            "UTC",
            "2026-03-02 06:00:00.5",
            Some("2026-03-02T06:00:00.5Z"),
        );
    }

    #[test]
    fn unix_times() {
        check(
            TimeFormat::UnixSeconds,
            "UTC",
            "1772431200.25",
            Some("2026-03-02T06:00:00.25Z"),
        );
        check(
            TimeFormat::UnixMillis,
            "UTC",
            "1772431200250",
            Some("2026-03-02T06:00:00.25Z"),
        );
        check(TimeFormat::UnixSeconds, "UTC", "1772431200250", None);
        check(TimeFormat::UnixSeconds, "UTC", "-5", None);
    }

    proptest! {
        #[test]
        fn short_cuts_give_what_jiff_gives(seconds in 0i64..4_102_444_800) {
            let at = jiff::Timestamp::from_second(seconds).unwrap();
            let utc = at.to_zoned_datetime(TimeZone::UTC);
            let mut exact = reader(TimeFormat::Rfc3339, "Europe/Berlin");
            let text = at.to_string();
            prop_assert_eq!(exact.read(text.as_bytes()), Some(at.as_microsecond()));
            let text = utc.strftime("%d.%m.%Y %H:%M:%S").to_string();
            for zone in ["Europe/Berlin", "America/St_Johns", "Asia/Kolkata"] {
                let format = TimeFormat::Pattern("%d.%m.%Y %H:%M:%S".into());
                let mut quick = reader(format, zone);
                let slow = quick.read_slowly(&text);
                prop_assert_eq!(quick.read(text.as_bytes()), slow);
            }
        }
    }
}
