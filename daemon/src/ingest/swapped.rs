//! Files whose dates would fit the time at which they were written, if month and day were
//! exchanged.
//!
//! Knows no row. The one invariant: nothing is exchanged here, a person decides.

use jiff::Timestamp;
use jiff::civil::DateTime;

use super::facts::counts;
use super::repeated::Trouble;
use super::{Ingest, Open, Taken, Waiting};
use crate::config::{TimeFormat, TimeSource};
use crate::feeds::diagnostics::DATE_SWAPPED;
use crate::store::StoreError;

const DAY_US: i64 = 86_400_000_000;

/// How far from the time of writing, or from what came before, an event has to lie to be doubted.
const APART_US: i64 = 7 * DAY_US;

impl Ingest {
    /// Why the dates of a file are doubted: as they are read they lie near nothing, and with month
    /// and day exchanged they would lie within a day of the time at which the file was written.
    pub(super) fn doubt(
        &self,
        one: &Waiting,
        taken: &Taken,
        open: &Open,
    ) -> Result<Option<Trouble>, StoreError> {
        let feed = &self.config.feeds[one.feed];
        let written = one.found.modified_ns / 1_000;
        let last = taken.facts.last_at.filter(|_| counts(taken.facts.verdict));
        let Some(last) = last.filter(|last| last.abs_diff(written) > APART_US.unsigned_abs())
        else {
            return Ok(None);
        };
        let swapped = exchanged(&feed.time, last);
        let Some(swapped) = swapped.filter(|at| at.abs_diff(written) <= DAY_US.unsigned_abs())
        else {
            return Ok(None);
        };
        let near = (last - APART_US, last + APART_US);
        let is_near = |other: &Taken| {
            let at = other
                .facts
                .last_at
                .filter(|_| other.facts.feed == feed.name);
            counts(other.facts.verdict) && at.is_some_and(|at| (near.0..=near.1).contains(&at))
        };
        if open.taken.iter().any(is_near) || self.store.has_events(&feed.name, near)? {
            return Ok(None);
        }
        let day = |at: i64| {
            let local = local(&feed.time, at);
            local.map_or_else(String::new, |local| local.date().to_string())
        };
        Ok(Some((
            DATE_SWAPPED.to_owned(),
            format!(
                "Its last row is read as of {}, and the file was written on {}: with month and day \
                 exchanged the row would be of {}",
                day(last),
                day(written),
                day(swapped)
            ),
            "compare a row with the feed's time format, and correct that; where the date is right \
             as it is read, give the file another time of writing (`touch`), and it counts"
                .to_owned(),
        )))
    }
}

/// The time with month and day exchanged, where the feed writes both as numbers and that makes
/// another date.
fn exchanged(time: &TimeSource, at: i64) -> Option<i64> {
    let TimeFormat::Pattern(pattern) = &time.format else {
        return None;
    };
    let has = |names: &[&str]| names.iter().any(|name| pattern.contains(name));
    if !(has(&["%m", "%-m"]) && has(&["%d", "%-d", "%e"]) || has(&["%D", "%F"])) {
        return None;
    }
    let read = local(time, at)?;
    if read.month() == read.day() {
        return None;
    }
    let clock = (read.hour(), read.minute(), read.second());
    let (month, day) = (read.day(), read.month());
    let other = DateTime::new(read.year(), month, day, clock.0, clock.1, clock.2, 0).ok()?;
    let zoned = time.zone.to_ambiguous_zoned_datetime(other).compatible();
    Some(zoned.ok()?.timestamp().as_microsecond())
}

/// A time on the clock of a feed.
fn local(time: &TimeSource, at: i64) -> Option<DateTime> {
    let at = Timestamp::from_microsecond(at).ok()?;
    Some(at.to_zoned_datetime(time.zone.clone()).datetime())
}
