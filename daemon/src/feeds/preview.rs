//! The first rows of a file as the program understands them, for `check`.
//!
//! Knows no output format. The invariant: a preview is made by the same code that reads in
//! earnest, so what it shows is what would be charted.

use std::path::Path;

use super::diagnostics::Reject;
use super::glance::peek;
use super::read::ReadFailure;
use crate::block::{Block, Column, FeedIndex, Values};
use crate::config::{Config, Feed, Layout};
use crate::words::{Call, Review, Role};

/// How many rows a preview shows.
pub const PREVIEW_ROWS: usize = 20;

/// The beginning of a file.
#[derive(Debug)]
pub struct Preview {
    /// The header.
    pub columns: Vec<String>,
    /// The columns that nothing uses.
    pub unused: Vec<String>,
    /// The first rows.
    pub rows: Vec<PreviewRow>,
    /// The rejected rows among those looked at.
    pub rejects: Vec<Reject>,
    /// How many rows were looked at.
    pub rows_read: u64,
    /// How many of them were rejected.
    pub rejects_total: u64,
}

/// A row with its roles and readings.
#[derive(Clone, Debug, PartialEq)]
pub struct PreviewRow {
    /// The event time in microseconds since 1970.
    pub at: i64,
    /// The roles that have a text.
    pub keys: Vec<(Role, String)>,
    /// The try.
    pub attempt: u16,
    /// The machine's verdict.
    pub call: Call,
    /// The human verdict.
    pub review: Review,
    /// How many things were inspected; 0 where the feed does not say.
    pub opportunities: u32,
    /// The readings that have a value.
    pub readings: Vec<PreviewReading>,
}

/// A reading with its unit.
#[derive(Clone, Debug, PartialEq)]
pub struct PreviewReading {
    /// The measure or test step.
    pub name: String,
    /// The value, after scaling.
    pub value: f64,
    /// The unit; empty where the file and the feed say none.
    pub unit: String,
    /// The lower and upper test limits, where the file gives them.
    pub limits: (Option<f64>, Option<f64>),
}

/// Reads the beginning of a file.
///
/// # Errors
/// See [`ReadFailure`].
pub fn preview(
    config: &Config,
    feed_index: FeedIndex,
    path: &Path,
) -> Result<Preview, ReadFailure> {
    let (head, piece) = peek(config, feed_index, path)?;
    let feed = &config.feeds[feed_index];
    let shown = piece.block.rows.min(PREVIEW_ROWS);
    Ok(Preview {
        unused: head.unused().into_iter().map(str::to_owned).collect(),
        columns: head.columns,
        rows: (0..shown)
            .map(|row| preview_row(feed, &piece.block, row))
            .collect(),
        rejects: piece.rejects,
        rows_read: piece.rows_read,
        rejects_total: piece.rejects_total,
    })
}

fn preview_row(feed: &Feed, block: &Block, row: usize) -> PreviewRow {
    let key = |role: Role| Some((role, block.key(role).text(row)?.to_string()));
    PreviewRow {
        at: block.at[row],
        keys: Role::ALL.into_iter().filter_map(key).collect(),
        attempt: block.attempt[row],
        call: block.call[row],
        review: block.review[row],
        opportunities: block.opportunities[row],
        readings: readings(feed, block, row),
    }
}

fn readings(feed: &Feed, block: &Block, row: usize) -> Vec<PreviewReading> {
    let text = |column: &Column| {
        column
            .text(row)
            .map(ToString::to_string)
            .unwrap_or_default()
    };
    let limit = |limits: &[f64]| limits.get(row).copied().filter(|limit| limit.is_finite());
    match (&block.values, &feed.layout) {
        (Values::Wide(columns), Layout::Wide(measures)) => columns
            .iter()
            .zip(measures)
            .filter(|(values, _)| values[row].is_finite())
            .map(|(values, measure)| PreviewReading {
                name: measure.name.clone(),
                value: values[row],
                unit: measure.unit.clone(),
                limits: (None, None),
            })
            .collect(),
        (
            Values::Long {
                step,
                value,
                unit,
                lower,
                upper,
            },
            _,
        ) if value[row].is_finite() => {
            vec![PreviewReading {
                name: text(step),
                value: value[row],
                unit: text(unit),
                limits: (limit(lower), limit(upper)),
            }]
        }
        _ => Vec::new(),
    }
}
