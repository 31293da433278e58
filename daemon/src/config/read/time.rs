//! Reads where the event time of a feed comes from and how it is written.
//!
//! Knows no row. The invariant: a pattern that comes out is one that gives a date with a time of
//! day.

use jiff::fmt::strtime::{self, BrokenDownTime};
use jiff::tz::TimeZone;

use super::feed::Context;
use super::read_zone;
use super::roles::{self, Evidence};
use super::table::{Item, Table};
use crate::config::{Source, TimeFormat, TimeSource};

/// Reads the table of the time.
pub(super) fn read(
    table: &Table<'_>,
    evidence: &Evidence<'_>,
    context: &Context<'_>,
) -> Option<TimeSource> {
    let columns = table.get("columns");
    let elsewhere = roles::read_elsewhere(table, evidence);
    let given = usize::from(columns.is_some()) + elsewhere.given;
    if given != 1 {
        let found = if given == 0 {
            "no source"
        } else {
            "several sources"
        };
        table.fault(
            format!("has {found}"),
            "give one of columns, file_name, preamble",
        );
    }
    let format_item = table.need("format", "\"rfc3339\"");
    let format = format_item.as_ref().and_then(read_format);
    let own_zone = table.get("zone");
    let zone = match own_zone {
        Some(item) => read_zone(&item),
        None => context.zone.clone(),
    };
    table.finish();
    let sources = match columns {
        Some(item) => read_columns(&item),
        None => elsewhere.source.map(|source| vec![source]),
    };
    let is_number = matches!(
        format,
        Some(TimeFormat::UnixSeconds | TimeFormat::UnixMillis)
    );
    if let (true, Some(2), Some(item)) = (is_number, sources.as_ref().map(Vec::len), format_item) {
        item.fault(
            "is one number, but there are two columns",
            "name the column of the number",
        );
    }
    Some(TimeSource {
        sources: sources?,
        format: format?,
        zone: zone?,
    })
}

fn read_columns(item: &Item<'_>) -> Option<Vec<Source>> {
    let columns = item.texts()?;
    let count = item.items().map_or(0, |items| items.len());
    if !(1..=2).contains(&count) {
        item.fault(
            format!("names {count} columns"),
            "name one, or those of date and time",
        );
        return None;
    }
    Some(columns.into_iter().map(Source::Column).collect())
}

fn read_format(item: &Item<'_>) -> Option<TimeFormat> {
    let text = item.text()?;
    match text.as_str() {
        "rfc3339" => return Some(TimeFormat::Rfc3339),
        "unix" => return Some(TimeFormat::UnixSeconds),
        "unix-ms" => return Some(TimeFormat::UnixMillis),
        _ => {}
    }
    let fix = "write rfc3339, unix, unix-ms, or a pattern such as \"%Y-%m-%d %H:%M:%S\"";
    if !text.contains('%') {
        item.fault(format!("{text:?} is not known"), fix);
        return None;
    }
    match check_pattern(&text) {
        Ok(()) => Some(TimeFormat::Pattern(text)),
        Err(message) => {
            item.fault(message, fix);
            None
        }
    }
}

/// Writes a moment by the pattern and reads it back: whatever a file may say, the pattern must
/// give a date and a time of day.
fn check_pattern(pattern: &str) -> Result<(), String> {
    let moment = jiff::civil::datetime(2026, 3, 4, 17, 6, 7, 0);
    let zoned = moment
        .to_zoned_datetime(TimeZone::UTC)
        .map_err(|error| error.to_string())?;
    let written = strtime::format(pattern, &zoned)
        .map_err(|_| "has a conversion that does not exist".to_owned())?;
    let read = BrokenDownTime::parse(pattern, &written)
        .map_err(|_| "cannot be read back as it is written".to_owned())?;
    let read = match read.to_timestamp() {
        Ok(timestamp) => timestamp.to_zoned_datetime(TimeZone::UTC).datetime(),
        Err(_) => read
            .to_datetime()
            .map_err(|_| "does not give a date with a time of day".to_owned())?,
    };
    let (read_minute, minute) = (read.strftime("%F %H:%M"), moment.strftime("%F %H:%M"));
    if read_minute.to_string() != minute.to_string() {
        return Err("loses a part of the date or of the time of day".to_owned());
    }
    Ok(())
}
