//! What was rehearsed, printed.
//!
//! Must not know how figures come about. The one invariant: JSON holds all that tables show.

use super::{Found, LevelOf, Options, Rehearsed, Row, SHIFTS, TIMES, rehearse};
use crate::commands::CommandError;
use crate::config::Config;
use crate::output::{self, Cell, Format, Table, significant};

/// The columns of measured values; a delay for each of [`SHIFTS`].
const MEASURED: [&str; 14] = [
    "characteristic",
    "line",
    "detectors",
    "streams",
    "points a shift",
    "run length",
    "false alerts a shift",
    "0.5 sigma",
    "1 sigma",
    "2 sigma",
    "3 sigma",
    "drift",
    "in baseline",
    "note",
];

/// The columns of counts; a delay for each of [`TIMES`].
const COUNTED: [&str; 13] = [
    "characteristic",
    "line",
    "detectors",
    "streams",
    "points a shift",
    "run length",
    "false alerts a shift",
    "level",
    "rate x 1.5",
    "rate x 2",
    "rate x 3",
    "drift",
    "note",
];

/// Prints what was rehearsed: for a person a row for each characteristic and the sums of the lines,
/// as CSV a row for each change.
///
/// # Errors
///
/// As [`rehearse`], and when standard output can not be written.
pub fn print(config: &Config, options: &Options, format: Format) -> Result<(), CommandError> {
    let rehearsed = rehearse(config, options)?;
    if format != Format::Table {
        return Ok(output::print_rows(
            format,
            &by_change(&rehearsed),
            &rehearsed,
        )?);
    }
    let of = |is_counted: bool| {
        let rows = rehearsed.characteristics.iter();
        rows.filter(move |row| row.level.is_some() == is_counted)
    };
    if of(false).next().is_some() {
        output::print_rows(format, &by_characteristic(of(false), &SHIFTS), &rehearsed)?;
    }
    if of(true).next().is_some() {
        output::print_rows(format, &by_characteristic(of(true), &TIMES), &rehearsed)?;
    }
    let mut text = format!(
        "points until half (nine of ten) of {} made streams signal; drift {} sigma a point\n",
        options.runs, options.drift
    );
    for line in &rehearsed.lines {
        let (expected, budget) = (significant(line.false_alerts_per_shift), line.budget);
        let name = &line.line;
        text +=
            &format!("line {name}: {expected} false alerts expected a shift, {budget} allowed\n");
    }
    let is_watched = |row: &Row| !row.in_baseline.is_empty();
    if rehearsed.characteristics.iter().any(is_watched) {
        text += "in baseline: signalled before there are limits, of shifts of 1, 2 and 3 sigma \
                 half way through it, in percent\n";
    }
    if rehearsed.characteristics.iter().any(|row| !row.measured) {
        let points = options.points;
        text += &format!("not in the record: one stream a line with {points} points a shift\n");
    }
    if of(true).any(|row| !row.measured) {
        let (counted, inspected) = (options.counted, options.inspected);
        text += &format!("counts not in the record: {counted} of {inspected} units a point\n");
    }
    Ok(output::print(&text)?)
}

/// A row for each characteristic: of measured values a column for each shift, of counts for each
/// rate.
fn by_characteristic<'r>(rows: impl Iterator<Item = &'r Row>, sizes: &[f64]) -> Table {
    let is_counted = sizes == TIMES;
    let mut table = Table::new(if is_counted { &COUNTED } else { &MEASURED });
    let figure = |points: Option<f64>| points.map_or_else(|| "-".to_owned(), |n| n.to_string());
    for row in rows {
        let mut cells: Vec<Cell> = vec![
            row.characteristic.as_str().into(),
            row.line.as_str().into(),
            row.detectors.join(" ").into(),
            (row.streams as u64).into(),
            row.points_per_shift.into(),
            row.run_length.map(|found| found.value).into(),
            row.false_alerts_per_shift.into(),
        ];
        cells.extend(row.level.map(|level| level_in_words(&level).into()));
        for place in 0..=sizes.len() {
            let found = row.delays.get(place);
            let text = |found: &Found| format!("{} ({})", figure(found.half), figure(found.ninety));
            cells.push(found.map(text).into());
        }
        if !is_counted {
            let early = row
                .in_baseline
                .iter()
                .map(|found| (100.0 * found.share).round().to_string());
            cells.push(early.collect::<Vec<_>>().join(" ").into());
        }
        cells.push(row.note.clone().into());
        table.push(cells);
    }
    table
}

fn level_in_words(level: &LevelOf) -> String {
    let centre = significant(level.centre);
    let varies = level
        .sigma_z
        .map(|z| format!(", sigma_z {}", significant(z)));
    let varies = varies.unwrap_or_default();
    match level.size {
        Some(size) => format!("{centre} of {}{varies}", significant(size)),
        None => format!("one in {centre}"),
    }
}

fn by_change(rehearsed: &Rehearsed) -> Table {
    let mut table = Table::new(&[
        "characteristic",
        "line",
        "detectors",
        "streams",
        "points_per_shift",
        "run_length",
        "run_length_error",
        "false_alerts_per_shift",
        "change",
        "size",
        "mean",
        "standard_error",
        "between",
        "half",
        "ninety",
        "share",
        "note",
    ]);
    for row in &rehearsed.characteristics {
        let mut push = |change: [Cell; 8]| {
            let mut cells: Vec<Cell> = vec![
                row.characteristic.as_str().into(),
                row.line.as_str().into(),
                row.detectors.join(" ").into(),
                (row.streams as u64).into(),
                row.points_per_shift.into(),
                row.run_length.map(|length| length.value).into(),
                row.run_length.map(|length| length.standard_error).into(),
                row.false_alerts_per_shift.into(),
            ];
            cells.extend(change);
            cells.push(row.note.clone().into());
            table.push(cells);
        };
        if row.delays.is_empty() {
            push([const { Cell::Empty }; 8]);
        }
        for found in &row.delays {
            push([
                found.change.into(),
                found.size.into(),
                found.mean.into(),
                found.standard_error.into(),
                found.between.into(),
                found.half.into(),
                found.ninety.into(),
                Cell::Empty,
            ]);
        }
        for found in &row.in_baseline {
            push([
                "step in baseline".into(),
                found.size.into(),
                Cell::Empty,
                found.standard_error.into(),
                Cell::Empty,
                Cell::Empty,
                Cell::Empty,
                found.share.into(),
            ]);
        }
    }
    table
}
