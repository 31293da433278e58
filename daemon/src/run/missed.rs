//! Shift reports that were missed while nobody watched.
//!
//! Knows no page. The one invariant: what is before the newest report there is was decided then.

use crate::config::Config;
use crate::shifts::{self, Span};
use crate::store::{Reader, StoreError};

/// Shifts before the running one whose reports are written if they are missing.
const MISSED_SHIFTS_MAX: usize = 42;

/// The shifts before the running one that ended without a report and had something to tell, in
/// order.
pub(super) fn missed(config: &Config, running: &Span) -> Result<Vec<Span>, StoreError> {
    let reader = match Reader::open(&config.data_folder) {
        Ok(reader) => reader,
        Err(StoreError::Nothing(_)) => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let mut missed = Vec::new();
    let mut end = running.start;
    for _ in 0..MISSED_SHIFTS_MAX {
        let span = shifts::at(config, end.saturating_sub(1));
        if reader.last_report(span.start)?.is_some() || span.start >= end {
            break;
        }
        end = span.start;
        if reader.has_news_between(span.start, span.end)? {
            missed.push(span);
        }
    }
    missed.reverse();
    Ok(missed)
}
