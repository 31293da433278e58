//! `driftvane streams`: every stream and how it stands.
//!
//! Knows no chart. The one invariant: one row a stream, in the order of labels.

use std::collections::BTreeMap;

use serde::Serialize;

use super::baseline::Baseline;
use super::limits::{Collecting, Watch, collecting};
use super::{ALWAYS, CommandError, alerts, characteristic, keys, unit, utc, when};
use crate::config::Config;
use crate::output::{self, Cell, Format, Table};
use crate::store::Reader;

/// A stream as it stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stream {
    /// Its readable name.
    pub stream: String,
    /// The characteristic.
    pub characteristic: String,
    /// Its keys.
    pub keys: BTreeMap<String, String>,
    /// The unit of its values.
    pub unit: String,
    /// `baseline` or `monitoring`.
    pub phase: &'static str,
    /// Plotted points.
    pub points: u64,
    /// The baseline that is being collected; absent while limits hold.
    pub collecting: Option<Collecting>,
    /// The version of the newest limits.
    pub limits_version: Option<u32>,
    /// The subgroups that made them.
    pub limits_subgroups: Option<u32>,
    /// What the newest limits are watched with.
    pub watch: Option<Watch>,
    /// What to look at in the baseline of the newest limits: warnings, points left out; may be
    /// empty.
    pub baseline_mark: Option<String>,
    /// The newest point, RFC 3339 in UTC.
    pub last_point: Option<String>,
    /// The alert that is active.
    pub open_alert: Option<String>,
    /// Why no limits can be set, where that is so.
    pub note: Option<String>,
    #[serde(skip)]
    last_at: Option<i64>,
}

/// The word for whether a stream is judged.
pub(crate) fn phase(monitoring: bool) -> &'static str {
    if monitoring { "monitoring" } else { "baseline" }
}

/// Every stream.
///
/// # Errors
///
/// When the record can not be read, or the configuration does not fit it.
pub fn rows(config: &Config, reader: &Reader) -> Result<Vec<Stream>, CommandError> {
    let (limits, open) = (reader.limits(None)?, reader.alerts()?);
    let requests = reader.requests(ALWAYS.0, ALWAYS.1)?;
    let mut rows = Vec::new();
    for stream in reader.streams()? {
        let what = characteristic(config, &stream)?;
        let counts = reader.point_counts(stream.id, ALWAYS.0, ALWAYS.1)?;
        let newest = limits.iter().rfind(|limits| limits.stream == stream.id);
        let active = open.iter().find(|alert| alert.is_active_on(stream.id));
        rows.push(Stream {
            characteristic: what.name.clone(),
            keys: keys(what, &stream)
                .into_iter()
                .map(|(key, value)| (key.name().to_owned(), value.to_string()))
                .collect(),
            unit: unit(config, what, &stream),
            phase: phase(stream.monitoring),
            collecting: collecting((config, reader), &stream, &requests)?,
            points: counts.points,
            limits_version: newest.map(|limits| limits.version),
            limits_subgroups: newest.map(|limits| limits.limits.subgroups),
            watch: newest.map(|limits| Watch::of(&limits.detection)),
            baseline_mark: newest.map(|limits| Baseline::of(&limits.findings).mark()),
            last_point: counts.last_at.map(utc),
            open_alert: active.map(|alert| alerts::name(alert.id)),
            note: stream.note.clone(),
            last_at: counts.last_at,
            stream: stream.label,
        });
    }
    Ok(rows)
}

/// Prints every stream.
///
/// # Errors
///
/// As [`rows`], and when standard output can not be written.
pub fn print(config: &Config, reader: &Reader, format: Format) -> Result<(), CommandError> {
    let rows = rows(config, reader)?;
    let mut table = Table::new(&[
        "stream",
        "unit",
        "phase",
        "points",
        "limits",
        "from subgroups",
        "baseline",
        "run length",
        "last point",
        "open alert",
        "note",
    ]);
    for row in &rows {
        table.push(vec![
            row.stream.as_str().into(),
            row.unit.as_str().into(),
            row.phase.into(),
            row.points.into(),
            row.limits_version.into(),
            row.limits_subgroups.into(),
            row.baseline_mark.as_deref().into(),
            row.watch.as_ref().map(|watch| watch.run_length).into(),
            row.last_at.map(|at| when(config, format, at)).into(),
            row.open_alert.as_deref().into(),
            row.note.as_deref().map_or(Cell::Empty, Cell::from),
        ]);
    }
    Ok(output::print_rows(format, &table, &rows)?)
}
