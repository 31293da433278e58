//! `driftvane report shift`: a shift as one page.
//!
//! Knows no HTML. The one invariant: a report that says something new gets a new revision and a new
//! name; one that says the same is not written again.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};

use reports::shift_report_or_built_in;
use reports::view::{
    AlertDetail, AlertLine, CapabilityRow, ControlSummary, Estimate, HealthLine, OnsetView,
    ShiftReport,
};
use serde::Serialize;

use super::alerts::health::{self, Health};
use super::alerts::{self, Alert};
use super::capability::{self, Capability, Index};
use super::chart::{self, ChartFacts};
use super::report_templates::overrides;
use super::{
    CommandError, changeovers, characteristic, local, local_minute, outbox, pad_maps,
    report_history, rule_words, shift_facts, strata,
};
use crate::clock;
use crate::config::Config;
use crate::output::{self, Format, Table};
use crate::shifts::{self, Span, file_part};
use crate::store::query::StreamRow;
use crate::store::{Reader, ReportRow};

/// Alerts of a report that are explained: as many as it shows in full, the most urgent.
const EXPLAINED_MAX: usize = 60;

/// Streams that a report remarks on one by one.
const REMARKS_MAX: usize = 20;

/// Points around the first signal that the chart of an alert shows: before and after it.
const POINTS_BEFORE: usize = 75;
const POINTS_AFTER: usize = 75;

/// Everything that the report of a shift shows, as its first revision.
///
/// # Errors
///
/// When the record or archive can not be read, or the configuration does not fit it.
pub fn build_shift_report(
    config: &Config,
    reader: &Reader,
    shift: &Span,
) -> Result<ShiftReport, CommandError> {
    let window = (shift.start, shift.end);
    let streams = reader.streams()?;
    let mut alerts = Vec::new();
    let mut open = Vec::new();
    let mut rows = reader.alerts()?;
    rows.sort_by_key(alerts::urgency);
    for row in rows.clone() {
        let Some(stream) = streams.iter().find(|stream| stream.id == row.lead.stream) else {
            continue;
        };
        let in_shift = (window.0..window.1).contains(&row.first_at);
        let is_open = alerts::is_open(&row) && row.first_at < window.1;
        if !in_shift && !is_open {
            continue;
        }
        let facts = ChartFacts::read(reader, stream.clone())?;
        let ask = match alerts.len() < EXPLAINED_MAX {
            true => alerts::Ask::Causes,
            false => alerts::Ask::Later,
        };
        let alert = alerts::alert(config, reader, (&streams, &facts), (row, ask))?;
        if is_open {
            open.push(open_line(config, stream, &alert));
        }
        alerts.push(detail(config, reader, (&streams, &facts), &alert)?);
    }
    let health = health::health(config, reader, window)?;
    let files = shift_facts::file_count(reader, window)?;
    let (top_defects, defects_total) = shift_facts::top_defects(config, reader, window)?;
    let mut view = ShiftReport {
        plant: config.plant.clone(),
        shift: shift.name.clone(),
        from: local_minute(config, window.0),
        to: local_minute(config, window.1),
        zone: config.zone.iana_name().unwrap_or("UTC").to_owned(),
        data_note: format!("Made from {files} files with events in the shift"),
        revision: 1,
        control: control(reader, &streams, window)?,
        open,
        yields: shift_facts::yields(config, reader, window)?,
        top_defects,
        defects_total,
        pad_maps: pad_maps::pad_maps(config, reader, window)?,
        alerts,
        health: health_lines(&health),
        health_remarks: [
            outbox::failing(config, reader, window.1)?,
            health_remarks(&health),
        ]
        .concat(),
        capability: capabilities(config, reader, &streams, window)?,
        completeness: shift_facts::completeness(config, reader, window)?,
        changes: shift_facts::changes(config, reader, &streams, window)?,
        cautions: shift_facts::cautions(config),
        ..ShiftReport::default()
    };
    report_history::take_over(config, reader, (&streams, &rows), shift, &mut view)?;
    Ok(view)
}

fn control(
    reader: &Reader,
    streams: &[StreamRow],
    (from, to): (i64, i64),
) -> Result<ControlSummary, CommandError> {
    let mut sum = ControlSummary::default();
    for stream in streams {
        let counts = reader.point_counts(stream.id, from, to)?;
        sum.streams += u64::from(counts.points > 0);
        sum.streams_judged += u64::from(counts.judged > 0);
        sum.streams_signalled += u64::from(counts.signalled > 0);
        sum.points += counts.judged;
        sum.points_signalled += counts.signalled;
    }
    Ok(sum)
}

fn plan_steps(plan: &str) -> Vec<String> {
    let lines = plan.lines().map(str::trim).filter(|line| !line.is_empty());
    lines.map(str::to_owned).collect()
}

fn open_line(config: &Config, stream: &StreamRow, alert: &Alert) -> AlertLine {
    let steps = plan_steps(&alert.plan);
    AlertLine {
        id: alert.id.clone(),
        stream: stream.label.clone(),
        state: alert.state.clone(),
        what: moved(config, alert),
        size: alert.size,
        unit: alert.unit.clone(),
        size_sigma: Some(alert.row.lead.size_sigma),
        points_to: match alert.origin.as_str() {
            "gauge" => "points to the gauge".to_owned(),
            "process" => "points to the process".to_owned(),
            _ => String::new(),
        },
        raised_at: local_minute(config, alert.row.first_at),
        boards_to_hold: alert.boards_to_hold,
        next_step: steps.into_iter().next().unwrap_or_default(),
        carried: String::new(),
    }
}

/// What moved and since when, for who has two minutes; the sentence with all of it stands with the
/// evidence.
fn moved(config: &Config, alert: &Alert) -> String {
    let rule = alert.rules.first().map(|rule| rule_words(rule));
    let rule = rule.unwrap_or_default();
    let others = match alert.stream_count {
        0 | 1 => ",".to_owned(),
        streams => format!(
            "; with {};",
            output::number_of(streams as u64 - 1, "more stream")
        ),
    };
    let at = alert.onset.at.parse::<jiff::Timestamp>();
    let at = at.map_or(alert.row.lead.first_at, |at| at.as_microsecond());
    let at = local_minute(config, at);
    format!("{rule}{others} since {} ({at})", alert.onset.board)
}

/// An alert with its evidence. Where a stratum explains it, the chart shows which points are of it,
/// and the others beside them.
pub(crate) fn detail(
    config: &Config,
    reader: &Reader,
    (streams, facts): (&[StreamRow], &ChartFacts),
    alert: &Alert,
) -> Result<AlertDetail, CommandError> {
    let stream = &facts.stream;
    let what = characteristic(config, stream)?;
    let (row, lead) = (&alert.row, &alert.row.lead);
    let first = facts
        .points
        .iter()
        .position(|point| point.at == lead.first_at && point.unit == lead.first_unit);
    let middle = first.unwrap_or(facts.points.len());
    let start = middle.saturating_sub(POINTS_BEFORE);
    let end = (middle + POINTS_AFTER).min(facts.points.len());
    let mut view = chart::view(config, facts, start..end)?;
    view.onset = onset_view(config, facts, alert, start..end);
    changeovers::show(config, reader, (facts, start..end), &mut view)?;
    if let Some(key) = alert.told_by {
        strata::tell(
            config,
            reader,
            (streams, facts),
            (key, start..end),
            &mut view,
        )?;
    }
    let said = row.acknowledged.clone();
    let (at, by, comment) = said.map_or_else(Default::default, |(at, by, comment)| {
        (local_minute(config, at), by, comment)
    });
    Ok(AlertDetail {
        id: alert.id.clone(),
        stream: stream.label.clone(),
        characteristic: chart::title(what, stream),
        state: alert.state.clone(),
        raised_at: local_minute(config, row.first_at),
        acknowledged_by: by,
        acknowledged_at: at,
        acknowledged_comment: comment,
        what_happened: alert.what_happened.clone(),
        cause: alert.cause(),
        first_signal_board: lead.first_unit.clone(),
        first_signal_at: local(config, lead.first_at),
        rules: lead.rules.iter().map(|rule| rule_words(rule)).collect(),
        size: alert.size,
        unit: alert.unit.clone(),
        size_sigma: Some(lead.size_sigma),
        boards_since: alert.boards_to_hold,
        reaction_plan: plan_steps(&alert.plan),
        history: history(config, alert),
        chart: Some(view),
    })
}

/// The onset on a stretch of the chart; absent where it lies outside or is not estimated.
fn onset_view(
    config: &Config,
    facts: &ChartFacts,
    alert: &Alert,
    shown: std::ops::Range<usize>,
) -> Option<OnsetView> {
    let (best, low, high) = alert.onset.places?;
    let inside = |place: usize| place.clamp(shown.start, shown.end - 1) - shown.start;
    let point = &facts.points[best];
    // Since when single pads have been moving comes without a set that covers it.
    let is_set = alert.onset.low.is_some();
    shown.contains(&best).then(|| OnsetView {
        index: inside(best),
        label: format!("{}, {}", local_minute(config, point.at), point.unit),
        range: is_set.then(|| (inside(low), inside(high))),
    })
}

fn history(config: &Config, alert: &Alert) -> Vec<String> {
    let line = |event: &alerts::Event| {
        let comment = if event.comment.is_empty() {
            String::new()
        } else {
            format!(": {}", event.comment)
        };
        format!(
            "{} {} by {}{comment}",
            local(config, event.time),
            event.what,
            event.who
        )
    };
    alert.history.iter().map(line).collect()
}

/// The figures that say something about the shift's alerts.
pub(super) fn health_lines(health: &Health) -> Vec<HealthLine> {
    let line = |one: &health::Figure| {
        Some(HealthLine {
            figure: one.figure.to_owned(),
            value: one.words(one.value?),
            unit: one.unit.to_owned(),
            target: one
                .target
                .map_or_else(String::new, |target| one.words(target)),
            is_missed: one.is_met == Some(false),
        })
    };
    health.figures.iter().filter_map(line).collect()
}

pub(super) fn health_remarks(health: &Health) -> Vec<String> {
    let shown = health.streams.iter().take(REMARKS_MAX);
    let mut lines: Vec<String> = shown.map(health::Remark::words).collect();
    let more = health.streams.len() + health.streams_more - lines.len();
    if more > 0 {
        lines.push(format!("{more} more: “driftvane alerts health” lists them"));
    }
    lines
}

fn capabilities(
    config: &Config,
    reader: &Reader,
    streams: &[StreamRow],
    window: (i64, i64),
) -> Result<Vec<CapabilityRow>, CommandError> {
    let mut rows = Vec::new();
    for stream in streams {
        if let Some(found) = capability::study(config, reader, stream, window)? {
            rows.push(capability_row(config, found));
        }
    }
    Ok(rows)
}

/// The capability of a stream as reports show it.
pub(super) fn capability_row(config: &Config, found: Capability) -> CapabilityRow {
    let estimate = |index: Option<Index>, label: &str| match index {
        Some(index) => Estimate {
            label: index.symbol.to_owned(),
            value: Some(index.value),
            low: Some(index.lower),
            high: Some(index.upper),
        },
        None => Estimate {
            label: label.to_owned(),
            ..Estimate::default()
        },
    };
    let (spread, nearest) = if found.is_stable {
        ("Cp", "Cpk")
    } else {
        ("Pp", "Ppk")
    };
    let version = found.limits_version.map_or_else(String::new, |version| {
        let from = found
            .limits_subgroups
            .map_or_else(String::new, |n| format!(", from {n} subgroups"));
        format!("version {version}{from}")
    });
    let (from, to) = (
        local_minute(config, found.window.0),
        local_minute(config, found.window.1),
    );
    CapabilityRow {
        stream: found.stream,
        unit: found.unit,
        specification: capability::specification_words(found.lower, found.upper),
        specification_source: found.specification_source,
        panels: found.subgroups,
        readings: found.readings,
        window: format!("{from} to {to}"),
        mean: found.mean,
        sigma_within: found.sigma_within,
        sigma_overall: found.sigma_overall,
        spread_index: estimate(found.spread_index, spread),
        minimum_index: estimate(found.nearest_index, nearest),
        model: format!("{}, 95 % bounds", found.evidence.in_words(found.model)),
        ppm_observed: found.ppm_observed,
        ppm_expected: found.ppm_expected,
        stability: found.stability,
        limits_version: version,
        cautions: found.cautions,
    }
}

/// Writes the report of a shift from the record of a configuration, and tells where it is.
///
/// # Errors
///
/// As [`write_shift_report`], and when there is no record yet.
pub fn write(config: &Config, shift: &Span) -> Result<PathBuf, CommandError> {
    let reader = Reader::open(&config.data_folder)?;
    Ok(write_shift_report(config, &reader, shift)?.path)
}

/// A report that stands in its folder.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Written {
    /// The shift.
    pub shift: String,
    /// The day on which it began.
    pub date: String,
    /// The revision.
    pub revision: u32,
    /// Where it is.
    pub path: PathBuf,
}

/// Writes the report of the shift at a time, or of the one of the newest data, and prints where it
/// is.
///
/// # Errors
///
/// As [`write_shift_report`], and when the record can have nothing about that shift.
pub fn print(config: &Config, at: Option<i64>, format: Format) -> Result<(), CommandError> {
    let reader = Reader::open(&config.data_folder)?;
    let Some((first, newest)) = reader.events()? else {
        let text = "the record holds no event yet: there is nothing to report";
        return Err(CommandError::Usage(text.to_owned()));
    };
    let shift = shifts::at(config, at.unwrap_or(newest));
    let named = format!("the {} shift of {}", shift.name, shift.date);
    // A shift in between that stood still has a report: what is open has to be handed over.
    if shift.end <= first {
        let first = local_minute(config, first);
        let text = format!("there is no report of {named}: the record begins at {first}");
        return Err(CommandError::Usage(text));
    }
    if shift.start > newest.max(clock::now()) {
        let text = format!("there is no report of {named}: it has not begun");
        return Err(CommandError::Usage(text));
    }
    let written = write_shift_report(config, &reader, &shift)?;
    let path = written.path.display().to_string();
    if format == Format::Table {
        return Ok(output::print(&format!("{path}\n"))?);
    }
    let mut table = Table::new(&["shift", "date", "revision", "path"]);
    table.push(vec![
        written.shift.as_str().into(),
        written.date.as_str().into(),
        written.revision.into(),
        path.into(),
    ]);
    Ok(output::print_rows(format, &table, &written)?)
}

/// Writes the report of a shift, and tells where it is. What was said before is not written again.
///
/// # Errors
///
/// When the record can not be read, or the report folder not written.
pub fn write_shift_report(
    config: &Config,
    reader: &Reader,
    shift: &Span,
) -> Result<Written, CommandError> {
    let mut view = build_shift_report(config, reader, shift)?;
    let overrides = overrides(config);
    let first = shift_report_or_built_in(&view, &overrides, config.locale)?;
    let written = |path: &Path, revision| Written {
        shift: shift.name.clone(),
        date: shift.date.to_string(),
        revision,
        path: path.to_owned(),
    };
    let digest = blake3::hash(first.html.as_bytes()).as_bytes().to_vec();
    let start = shift.start;
    let last = reader.last_report(start)?;
    if let Some(last) = &last
        && last.digest == digest
        && Path::new(&last.path).exists()
    {
        return Ok(written(Path::new(&last.path), last.revision));
    }
    // The same words once more, where somebody took the file away: no new revision.
    let again = last.as_ref().filter(|last| last.digest == digest);
    let revision = again.map_or_else(
        || last.as_ref().map_or(1, |last| last.revision + 1),
        |same| same.revision,
    );
    view.revision = revision;
    if revision > 1 {
        view.revision_note = "data or decisions came in after the revision before".to_owned();
        report_history::compare(reader, shift, revision - 1, &mut view)?;
    }
    let page = match revision {
        1 => first,
        _ => shift_report_or_built_in(&view, &overrides, config.locale)?,
    };
    for notice in &page.notices {
        tracing::warn!(shift = %shift.name, %notice, "report");
    }
    let path = config.report_folder.join(file_name(shift, revision));
    write_whole(&path, page.html.as_bytes())?;
    if again.is_none() && reader.is_read_only() {
        let path = path.display();
        tracing::warn!(%path, "the record can not be written: it does not keep this report");
    } else if again.is_none() {
        let row = ReportRow {
            revision,
            path: path.to_string_lossy().into_owned(),
            digest,
        };
        let figures = report_history::kept(reader, shift, &view)?;
        reader.keep_report(start, &row, &figures, clock::now())?;
    }
    Ok(written(&path, revision))
}

fn file_name(shift: &Span, revision: u32) -> String {
    let day = shift.date;
    let name = file_part(&shift.name);
    match revision {
        0 | 1 => format!("{day}-{name}.html"),
        revision => format!("{day}-{name}-r{revision}.html"),
    }
}

/// A reader of the folder sees the whole file or none, also after a power cut; of one that can not
/// be written whole nothing is left.
fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), CommandError> {
    let wrap = |source| CommandError::Report {
        path: path.to_owned(),
        source,
    };
    let folder = path.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(folder).map_err(wrap)?;
    let part = path.with_extension("part");
    let write = || {
        let mut file = File::create(&part)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        fs::rename(&part, path)
    };
    if let Err(error) = write() {
        if let Err(left) = fs::remove_file(&part) {
            tracing::debug!(%left, part = %part.display(), "nothing to take away");
        }
        return Err(wrap(error));
    }
    File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(wrap)
}
