//! What a report has in common with the ones before it: what the shift before handed over, and
//! what differs from the revision before.
//!
//! Knows no page. The one invariant: an alert that a report handed over stands in the next shift's
//! report, as open or with what became of it.

use std::collections::BTreeSet;

use reports::facts::{self, Fact};
use reports::view::{ShiftReport, TakenOver};
use serde::{Deserialize, Serialize};

use super::alerts;
use super::{CommandError, file_name, number};
use crate::config::Config;
use crate::shifts::{self, Span};
use crate::store::Reader;
use crate::store::alerts::AlertRow;
use crate::store::query::StreamRow;

/// Files that are named as new in a revision.
const NEW_FILES_MAX: usize = 30;

/// What the record keeps of a report's figures.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Kept {
    /// The newest file that the record had.
    newest_file: i64,
    facts: Vec<Fact>,
}

/// The figures of a report, for the record.
pub(super) fn kept(
    reader: &Reader,
    shift: &Span,
    view: &ShiftReport,
) -> Result<String, CommandError> {
    let files = reader.files(shift.start, shift.end)?;
    let kept = Kept {
        newest_file: files.iter().map(|file| file.id).max().unwrap_or(0),
        facts: facts::facts(view),
    };
    // Plain texts and numbers: they can always be written.
    Ok(serde_json::to_string(&kept).unwrap_or_default())
}

/// Figures that can not be read are none: they are only compared with.
fn read(figures: &str) -> Option<Kept> {
    serde_json::from_str(figures).ok()
}

/// Adds what the shift before handed over.
pub(super) fn take_over(
    config: &Config,
    reader: &Reader,
    (streams, rows): (&[StreamRow], &[AlertRow]),
    shift: &Span,
    view: &mut ShiftReport,
) -> Result<(), CommandError> {
    let Some((start, revision, figures)) = reader.report_before(shift.start)? else {
        return Ok(());
    };
    let kept = read(&figures).unwrap_or_default();
    let open: BTreeSet<&str> = kept
        .facts
        .iter()
        .filter(|fact| fact.area == facts::OPEN)
        .map(|fact| fact.subject.as_str())
        .collect();
    for line in &mut view.open {
        if open.contains(line.id.as_str()) {
            line.carried = "taken over from the shift before".to_owned();
        }
    }
    let still: BTreeSet<&str> = view.open.iter().map(|line| line.id.as_str()).collect();
    let gone = open.iter().filter(|id| !still.contains(*id));
    let taken: Vec<TakenOver> = gone.map(|id| became(config, (streams, rows), id)).collect();
    if !taken.is_empty() {
        let before = shifts::at(config, start);
        view.taken_over_from = format!(
            "From the report {} of {}, revision {revision}",
            before.name, before.date
        );
    }
    view.taken_over = taken;
    Ok(())
}

/// What became of an alert that was open.
fn became(config: &Config, (streams, rows): (&[StreamRow], &[AlertRow]), id: &str) -> TakenOver {
    let row = number(id, 'A').and_then(|id| rows.iter().find(|row| row.id == id));
    let now = match row {
        None => "not in the record any more".to_owned(),
        Some(row) => {
            let state = alerts::state(config, row);
            match &row.closed {
                Some(closed) => format!(
                    "{state}; closed by {}: {}, {}",
                    closed.by, closed.cause, closed.action
                ),
                None => state,
            }
        }
    };
    let stream = row.and_then(|row| streams.iter().find(|one| one.id == row.lead.stream));
    TakenOver {
        id: id.to_owned(),
        stream: stream.map_or_else(String::new, |stream| stream.label.clone()),
        now,
    }
}

/// Adds what differs from the revision before.
pub(super) fn compare(
    reader: &Reader,
    shift: &Span,
    revision: u32,
    view: &mut ShiftReport,
) -> Result<(), CommandError> {
    view.compared_with = revision;
    let figures = reader.report_figures(shift.start, revision)?;
    let Some(before) = figures.as_deref().and_then(read) else {
        view.differences_note = format!(
            "Revision {revision} was written by an earlier version, which kept no figures to \
             compare with."
        );
        return Ok(());
    };
    view.differences = facts::differences(&before.facts, &facts::facts(view));
    if view.differences.is_empty() {
        view.differences_note =
            "No figure differs; what differs is in the words or the charts.".to_owned();
    }
    let files = reader.files(shift.start, shift.end)?;
    let new = files.iter().filter(|file| file.id > before.newest_file);
    let names: BTreeSet<String> = new.map(|file| file_name(&file.path)).collect();
    view.new_files_more = names.len().saturating_sub(NEW_FILES_MAX) as u64;
    view.new_files = names.into_iter().take(NEW_FILES_MAX).collect();
    Ok(())
}
