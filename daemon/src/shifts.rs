//! Shifts on the plant's clock, also where the clock is put forward or back.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::config::{Config, Shift};

/// One shift of one day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Span {
    /// The shift's name.
    pub name: String,
    /// The day on which it starts, on the plant's clock.
    pub date: Date,
    /// Its start in microseconds.
    pub start: i64,
    /// The start of the next shift in microseconds.
    pub end: i64,
}

/// A shift's name as part of the names of its reports.
#[must_use]
pub fn file_part(name: &str) -> String {
    let letter = |c: char| if c.is_alphanumeric() { c } else { '-' };
    name.to_lowercase().chars().map(letter).collect()
}

/// The shift that runs at a time.
#[must_use]
pub fn at(config: &Config, time: i64) -> Span {
    let today = Timestamp::from_microsecond(time)
        .unwrap_or(Timestamp::UNIX_EPOCH)
        .to_zoned_datetime(config.zone.clone())
        .date();
    let days = [today.yesterday(), Ok(today), today.tomorrow()];
    let mut starts: Vec<(i64, Date, &Shift)> = Vec::new();
    for day in days.into_iter().flatten() {
        starts.extend(
            config
                .shifts
                .iter()
                .map(|shift| (start(config, day, shift), day, shift)),
        );
    }
    starts.sort_by_key(|(start, _, _)| *start);
    let next = starts.partition_point(|(start, _, _)| *start <= time);
    let (begin, date, shift) = starts[next.saturating_sub(1)];
    let end = starts.get(next).map_or(begin, |(start, _, _)| *start);
    Span {
        name: shift.name.clone(),
        date,
        start: begin,
        end,
    }
}

/// When a shift starts on a day. A time that the clock skips is taken as far after the gap as it
/// lies after its beginning; of a time that it shows twice, the first is taken.
fn start(config: &Config, day: Date, shift: &Shift) -> i64 {
    day.to_datetime(shift.starts)
        .to_zoned_datetime(config.zone.clone())
        .map_or(0, |zoned| zoned.timestamp().as_microsecond())
}
