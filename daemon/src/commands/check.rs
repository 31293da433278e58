//! `driftvane check`: what the configuration makes of each feed's first file.

use std::fmt::Write as _;
use std::sync::Arc;

use serde::Serialize;

use crate::config::{Config, Feed};
use crate::feeds::preview::{Preview, PreviewRow, preview};
use crate::feeds::read::ReadFailure;
use crate::feeds::scan::scan;
use crate::output::Format;
use crate::words::{Call, Review};

/// What one feed's first file became.
#[derive(Debug, Serialize)]
pub struct FeedCheck {
    /// The feed.
    pub feed: String,
    /// Its folder.
    pub folder: String,
    /// The file that was looked at; none where the folder is empty or missing.
    pub file: Option<String>,
    /// What is wrong with the folder or the file, and what to do.
    pub problem: Option<String>,
    /// Whether the folder is missing, or it or the file can not be read.
    pub is_unreadable: bool,
    /// Whether the file would be quarantined whole.
    pub is_quarantined: bool,
    /// The first readings, with their units.
    pub readings: Vec<Reading>,
    /// Rows that could not be used.
    pub rejected: Vec<Rejected>,
    /// Rows that were looked at.
    pub rows: u64,
    /// Columns of the file that nothing uses.
    pub unused_columns: Vec<String>,
}

/// One reading or call.
#[derive(Debug, Serialize)]
pub struct Reading {
    /// The event time on the plant's clock.
    pub at: String,
    /// The roles that have a text.
    pub keys: Vec<(String, String)>,
    /// The measure or test step; empty for a call.
    pub measure: String,
    /// The value.
    pub value: Option<f64>,
    /// The unit.
    pub unit: String,
    /// The machine's verdict and the review.
    pub verdict: String,
}

/// A row that could not be used.
#[derive(Debug, Serialize)]
pub struct Rejected {
    /// Its line.
    pub line: u64,
    /// The stable code.
    pub code: String,
    /// The column.
    pub column: Option<String>,
    /// Why.
    pub reason: String,
}

/// Readings that are shown of each feed.
const READINGS_MAX: usize = 20;

/// Looks at the first file of each feed.
#[must_use]
pub fn check(config: &Arc<Config>) -> Vec<FeedCheck> {
    config
        .feeds
        .iter()
        .enumerate()
        .map(|(place, feed)| check_feed(config, place, feed))
        .collect()
}

fn check_feed(config: &Config, place: usize, feed: &Feed) -> FeedCheck {
    let mut found = FeedCheck {
        feed: feed.name.clone(),
        folder: feed.folder.display().to_string(),
        file: None,
        problem: None,
        is_unreadable: false,
        is_quarantined: false,
        readings: Vec::new(),
        rejected: Vec::new(),
        rows: 0,
        unused_columns: Vec::new(),
    };
    let files = match scan(feed) {
        Ok(scan) => scan.found,
        Err(error) => {
            found.problem = Some(error.to_string());
            found.is_unreadable = true;
            return found;
        }
    };
    let Some(file) = files.first() else {
        found.problem = Some(format!(
            "no file matches \"{}\" yet; nothing can be shown until one arrives",
            feed.pattern
        ));
        return found;
    };
    found.file = Some(file.file_name.clone());
    match preview(config, place, &file.path) {
        Ok(preview) => fill(config, &mut found, preview),
        Err(error) => {
            found.is_quarantined = matches!(error, ReadFailure::Quarantine(_));
            found.is_unreadable = !found.is_quarantined;
            found.problem = Some(error.to_string());
        }
    }
    found
}

fn fill(config: &Config, found: &mut FeedCheck, preview: Preview) {
    found.rows = preview.rows_read;
    found.unused_columns = preview.unused;
    found.rejected = preview
        .rejects
        .into_iter()
        .map(|reject| Rejected {
            line: reject.line,
            code: reject.code.to_owned(),
            column: reject.column,
            reason: reject.reason,
        })
        .collect();
    let readings = preview.rows.iter().flat_map(|row| readings(config, row));
    found.readings = readings.take(READINGS_MAX).collect();
}

fn readings(config: &Config, row: &PreviewRow) -> Vec<Reading> {
    let at = jiff::Timestamp::from_microsecond(row.at).map_or_else(
        |_| String::new(),
        |at| {
            at.to_zoned_datetime(config.zone.clone())
                .strftime("%Y-%m-%d %H:%M:%S")
                .to_string()
        },
    );
    let mut keys: Vec<(String, String)> = row
        .keys
        .iter()
        .map(|(role, text)| (role.name().to_owned(), text.clone()))
        .collect();
    if row.attempt > 1 {
        keys.push(("attempt".to_owned(), row.attempt.to_string()));
    }
    let reading = |measure: &str, value: Option<f64>, unit: &str| Reading {
        at: at.clone(),
        keys: keys.clone(),
        measure: measure.to_owned(),
        value,
        unit: unit.to_owned(),
        verdict: verdict(row.call, row.review),
    };
    if row.readings.is_empty() {
        return vec![reading("", None, "")];
    }
    row.readings
        .iter()
        .map(|one| reading(&one.name, Some(one.value), &one.unit))
        .collect()
}

fn verdict(call: Call, review: Review) -> String {
    let call = match call {
        Call::Absent | Call::Recorded => None,
        Call::Good => Some("good"),
        Call::Defect => Some("defect"),
    };
    let review = match review {
        Review::Pending => None,
        Review::Confirmed => Some("confirmed"),
        Review::FalseCall => Some("false call"),
    };
    let said: Vec<&str> = call.into_iter().chain(review).collect();
    said.join(", ")
}

/// The checks as they are printed.
///
/// # Errors
///
/// When the format does not fit.
pub fn render(checks: &[FeedCheck], format: Format) -> anyhow::Result<String> {
    match format {
        Format::Table => Ok(text(checks)),
        Format::Json => Ok(serde_json::to_string_pretty(checks)? + "\n"),
        Format::Csv | Format::Svg => anyhow::bail!("check prints table or json"),
    }
}

/// The checks as text for a person.
fn text(checks: &[FeedCheck]) -> String {
    let mut text = String::new();
    for check in checks {
        let file = check.file.as_deref().unwrap_or("no file");
        put(
            &mut text,
            format_args!("feed {}: {} in {}\n", check.feed, file, check.folder),
        );
        if let Some(problem) = &check.problem {
            put(&mut text, format_args!("  problem: {problem}\n"));
        }
        for one in &check.readings {
            let keys: Vec<String> = one
                .keys
                .iter()
                .map(|(key, value)| format!("{key}={value}"))
                .collect();
            let value = one.value.map_or_else(String::new, |value| {
                format!("{} = {value} {}", one.measure, one.unit)
                    .trim_end()
                    .to_owned()
            });
            let line = [one.at.clone(), keys.join(" "), value, one.verdict.clone()];
            let line: Vec<String> = line.into_iter().filter(|part| !part.is_empty()).collect();
            put(&mut text, format_args!("  {}\n", line.join("  ")));
        }
        let rejected = check.rejected.len();
        put(
            &mut text,
            format_args!("  {} rows looked at, {rejected} rejected\n", check.rows),
        );
        for one in &check.rejected {
            let column = one
                .column
                .as_deref()
                .map_or_else(String::new, |c| format!(" [{c}]"));
            put(
                &mut text,
                format_args!("  line {} {}{column}: {}\n", one.line, one.code, one.reason),
            );
        }
        if !check.unused_columns.is_empty() {
            let columns = check.unused_columns.join(", ");
            put(&mut text, format_args!("  columns not used: {columns}\n"));
        }
    }
    text
}

fn put(text: &mut String, line: std::fmt::Arguments<'_>) {
    // Writing to a String can not fail.
    if text.write_fmt(line).is_err() {
        text.push('\n');
    }
}
