//! `driftvane chart`: one stream's points and limits, for people, programs and reports.
//!
//! Judges nothing: what it shows is what the engine has kept. The one invariant: points are in the
//! order of their time, and `seq` counts them from 1.

use std::cell::RefCell;
use std::collections::BTreeMap;

use serde::Serialize;
use spc::chart::{Bounds, ChartKind, Limits};

use super::baseline;
use super::limits::Watch;
use super::{
    ALWAYS, CommandError, changeovers, characteristic, find_stream, keys, local, local_minute,
    rule_words, streams, subgroup_name, unit, utc, when,
};
use crate::config::{Characteristic, Config, Subject};
use crate::engine::{self, Excluded};
use crate::output::{self, Cell, Format, Table};
use crate::store::query::{LimitsRow, PointRow, StreamRow};
use crate::store::{Reader, chart_name};

/// A stream with its points and limits.
#[derive(Clone, Debug)]
pub struct ChartFacts {
    /// The stream.
    pub stream: StreamRow,
    /// The points, by time and unit.
    pub points: Vec<PointRow>,
    /// The versions of limits, in order.
    pub limits: Vec<LimitsRow>,
}

/// The contract of `chart --format json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Chart {
    /// The stream's readable name.
    pub stream: String,
    /// The characteristic.
    pub characteristic: String,
    /// The keys.
    pub keys: BTreeMap<String, String>,
    /// The unit.
    pub unit: String,
    /// The kind of chart.
    pub chart: &'static str,
    /// `baseline` or `monitoring`.
    pub phase: &'static str,
    /// The limits of the plotted value.
    pub limits: Vec<Version>,
    /// The limits of the spread within.
    pub spread_limits: Vec<Version>,
    /// The points.
    pub points: Vec<Point>,
}

/// A version of limits, computed at the median size of its subgroups.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Version {
    /// Its number.
    pub version: u32,
    /// The first point of its baseline.
    pub from_point: Option<u64>,
    /// Subgroups in the baseline.
    pub subgroups: u32,
    /// The centre line.
    pub centre: f64,
    /// The lower limit.
    pub lower: Option<f64>,
    /// The upper limit.
    pub upper: Option<f64>,
    /// Sigma of the plotted value; absent for the spread, whose limits are not built on one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sigma: Option<f64>,
    /// How much more than by chance the baseline varied (p-prime, u-prime); below 1 it counts as
    /// 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sigma_z: Option<f64>,
    /// What the values are watched with; absent for the spread.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub watch: Option<Watch>,
}

/// A point.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Point {
    /// Its place, from 1.
    pub seq: u64,
    /// The event time, RFC 3339 in UTC.
    pub at: String,
    /// The unit.
    pub board: String,
    /// Readings, boards or opportunities.
    pub n: f64,
    /// The plotted value.
    pub value: f64,
    /// The spread within.
    pub spread: Option<f64>,
    /// The lower limit at this point's size.
    pub lower: Option<f64>,
    /// The upper limit at this point's size.
    pub upper: Option<f64>,
    /// The version of the limits, or of the baseline.
    pub version: u32,
    /// Whether it belongs to a baseline.
    pub baseline: bool,
    /// Whether it came after its time was settled.
    pub late: bool,
    /// Whether the limits were made without it.
    pub excluded: bool,
    /// Why, where that is so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub excluded_because: Option<String>,
    /// The rules that fired.
    pub signals: Vec<Signal>,
}

/// A rule that fired.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Signal {
    /// The rule.
    pub by: String,
    /// The side.
    pub side: String,
    /// The measure that contributes most, where several are charted together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measure: Option<String>,
}

impl Signal {
    /// Rule, side and, where there is one, measure.
    fn text(&self) -> String {
        let measure = self.measure.iter().map(|measure| format!(":{measure}"));
        format!("{}:{}{}", self.by, self.side, measure.collect::<String>())
    }
}

/// The median size of points.
pub(super) fn median_size<'a>(points: impl Iterator<Item = &'a PointRow>) -> Option<f64> {
    let mut sizes: Vec<f64> = points.map(|point| point.size).collect();
    sizes.sort_by(f64::total_cmp);
    sizes.get(sizes.len() / 2).copied()
}

impl ChartFacts {
    /// Reads a stream's points and limits.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn read(reader: &Reader, stream: StreamRow) -> Result<ChartFacts, CommandError> {
        let points = reader.points(stream.id, ALWAYS.0, ALWAYS.1)?;
        let limits = reader.limits(Some(stream.id))?;
        Ok(ChartFacts {
            stream,
            points,
            limits,
        })
    }

    /// The limits of a version.
    #[must_use]
    pub fn limits_of(&self, version: u32) -> Option<&Limits> {
        let row = self.limits.iter().find(|row| row.version == version);
        row.map(|row| &row.limits)
    }

    /// How many points there are from one false alert to the next under a version of limits.
    #[must_use]
    pub fn run_length(&self, version: u32) -> Option<f64> {
        let row = self.limits.iter().find(|row| row.version == version);
        row.map(|row| row.detection.run_length)
    }

    /// The median size among the points of a version.
    fn median_size(&self, version: u32) -> f64 {
        let own = self.points.iter().filter(|point| point.version == version);
        median_size(own).unwrap_or(1.0)
    }

    fn first_point(&self, version: u32) -> Option<usize> {
        let belongs = |point: &PointRow| point.version == version && !point.late;
        self.points.iter().position(belongs)
    }

    /// How a point of a baseline was left out of the limits, where it was.
    #[must_use]
    pub fn excluded(&self, point: &PointRow) -> Option<&Excluded> {
        if !point.baseline || point.late {
            return None;
        }
        let row = self
            .limits
            .iter()
            .find(|row| row.version == point.version)?;
        let is_it = |one: &&Excluded| (one.key.0, &*one.key.1) == (point.at, &point.unit);
        row.findings.excluded.iter().find(is_it)
    }
}

/// The limits by which points are judged, so that no chart shows others. Exact ones take a search:
/// each size is worked out once.
pub(crate) struct Judge {
    is_exact: bool,
    known: RefCell<BTreeMap<(u32, u64), Bounds>>,
}

impl Judge {
    /// Of a characteristic's streams.
    pub(crate) fn of(what: &Characteristic) -> Judge {
        Judge {
            is_exact: what.exact_limits,
            known: RefCell::default(),
        }
    }

    /// Of a version, at a size. A judge knows one stream only.
    fn bounds(&self, row: &LimitsRow, size: f64) -> Bounds {
        if !self.is_exact {
            return row.limits.bounds(size);
        }
        let mut known = self.known.borrow_mut();
        *known
            .entry((row.version, size.to_bits()))
            .or_insert_with(|| engine::bounds(&row.limits, size, true))
    }
}

/// A stream's chart in the form of the contract.
///
/// # Errors
///
/// When the configuration does not fit the record.
pub fn chart(config: &Config, facts: &ChartFacts) -> Result<Chart, CommandError> {
    let what = characteristic(config, &facts.stream)?;
    let keys = keys(what, &facts.stream);
    let judge = Judge::of(what);
    Ok(Chart {
        stream: facts.stream.label.clone(),
        characteristic: what.name.clone(),
        keys: keys
            .into_iter()
            .map(|(key, value)| (key.name().to_owned(), value.to_string()))
            .collect(),
        unit: unit(config, what, &facts.stream),
        chart: chart_name(what.chart),
        phase: streams::phase(facts.stream.monitoring),
        limits: facts
            .limits
            .iter()
            .map(|row| value_limits(facts, row, &judge))
            .collect(),
        spread_limits: facts
            .limits
            .iter()
            .filter_map(|row| spread_limits(facts, row))
            .collect(),
        points: (1..)
            .zip(&facts.points)
            .map(|(seq, row)| point((what, &judge), facts, (seq, row)))
            .collect(),
    })
}

/// The limits of a version for the plotted value, at the median size of its points.
pub(crate) fn value_limits(facts: &ChartFacts, row: &LimitsRow, judge: &Judge) -> Version {
    let size = facts.median_size(row.version);
    let sigma = row.limits.sigma_at(size);
    Version {
        sigma: sigma.is_finite().then_some(sigma),
        sigma_z: row.limits.sigma_z(),
        watch: Some(Watch::of(&row.detection)),
        ..version(facts, row, judge.bounds(row, size))
    }
}

/// The same for the spread within; nothing where it is not charted.
pub(crate) fn spread_limits(facts: &ChartFacts, row: &LimitsRow) -> Option<Version> {
    // The moving range of single values is not plotted, so its limits judge nothing.
    if row.limits.kind == ChartKind::Individuals {
        return None;
    }
    let bounds = row.limits.spread_bounds(facts.median_size(row.version))?;
    Some(version(facts, row, bounds))
}

fn version(facts: &ChartFacts, row: &LimitsRow, bounds: Bounds) -> Version {
    Version {
        version: row.version,
        from_point: facts.first_point(row.version).map(|place| place as u64 + 1),
        subgroups: row.limits.subgroups,
        centre: bounds.centre,
        lower: bounds.lower,
        upper: bounds.upper,
        sigma: None,
        sigma_z: None,
        watch: None,
    }
}

/// A point with its limits, in the form of the contract.
pub(crate) fn point(
    (what, judge): (&Characteristic, &Judge),
    facts: &ChartFacts,
    (seq, row): (u64, &PointRow),
) -> Point {
    let limits = facts.limits.iter().find(|one| one.version == row.version);
    let bounds = limits.map(|limits| judge.bounds(limits, row.size));
    let excluded = facts.excluded(row);
    Point {
        seq,
        at: utc(row.at),
        board: row.unit.clone(),
        n: row.size,
        value: row.value,
        spread: row.spread,
        lower: bounds.and_then(|bounds| bounds.lower),
        upper: bounds.and_then(|bounds| bounds.upper),
        version: row.version,
        baseline: row.baseline,
        late: row.late,
        excluded: excluded.is_some(),
        excluded_because: excluded.map(baseline::reason),
        signals: row
            .signals
            .iter()
            .map(|(by, side)| Signal {
                by: by.clone(),
                side: side.clone(),
                measure: leading(what, row).map(str::to_owned),
            })
            .collect(),
    }
}

/// Prints a stream's chart, also as a picture.
///
/// # Errors
///
/// When there is no such stream, the record can not be read, or standard output not written.
pub fn print(
    config: &Config,
    reader: &Reader,
    wanted: &str,
    format: Format,
) -> Result<(), CommandError> {
    let facts = ChartFacts::read(reader, find_stream(reader, wanted)?)?;
    if format == Format::Svg {
        let all = 0..facts.points.len();
        let mut view = view(config, &facts, all.clone())?;
        changeovers::show(config, reader, (&facts, all), &mut view)?;
        let svg = reports::chart_svg(&view, reports::ChartSize::PAGE);
        return Ok(output::print(&svg)?);
    }
    let chart = chart(config, &facts)?;
    let mut table = Table::new(&[
        "seq", "at", "board", "n", "value", "spread", "lower", "upper", "phase", "signals",
    ]);
    for (point, row) in chart.points.iter().zip(&facts.points) {
        let signals: Vec<String> = point.signals.iter().map(Signal::text).collect();
        let phase = match (point.late, point.excluded, point.baseline) {
            (true, ..) => "late",
            (_, true, _) => "excluded",
            (.., baseline) => streams::phase(!baseline),
        };
        table.push(vec![
            point.seq.into(),
            when(config, format, row.at).into(),
            point.board.as_str().into(),
            point.n.into(),
            point.value.into(),
            point.spread.into(),
            point.lower.into(),
            point.upper.into(),
            phase.into(),
            Cell::from(signals.join(" ")),
        ]);
    }
    Ok(output::print_rows(format, &table, &chart)?)
}

/// A stretch of a stream's chart, as reports draw it.
///
/// # Errors
///
/// When the configuration does not fit the record.
pub fn view(
    config: &Config,
    facts: &ChartFacts,
    places: std::ops::Range<usize>,
) -> Result<reports::view::Chart, CommandError> {
    let what = characteristic(config, &facts.stream)?;
    let points = &facts.points[places];
    let signalled = points
        .iter()
        .filter(|point| !point.signals.is_empty())
        .count();
    let ends = points.first().zip(points.last());
    let span = ends.map_or_else(String::new, |(first, last)| {
        let (first, last) = (
            local_minute(config, first.at),
            local_minute(config, last.at),
        );
        format!(" from {first} to {last}")
    });
    let name = subgroup_name(what);
    let judge = Judge::of(what);
    Ok(reports::view::Chart {
        title: title(what, &facts.stream),
        description: format!("{} {name}{span}, {signalled} with a signal.", points.len()),
        unit: unit(config, what, &facts.stream),
        subgroup_name: name.to_owned(),
        points: points
            .iter()
            .map(|row| reports::view::Point {
                excluded: facts.excluded(row).is_some(),
                ..point_view(config, what, row)
            })
            .collect(),
        limits: segments(facts, points, |row, size| Some(judge.bounds(row, size))),
        specification: specification(config, what, facts),
        onset: None,
        spread: spread_panel(what, facts, points),
        strata: None,
    })
}

/// What a stream shows, in words.
pub(crate) fn title(what: &Characteristic, stream: &StreamRow) -> String {
    let mut title = what.name.clone();
    for (key, value) in keys(what, stream) {
        let value: &str = if value.is_empty() { "-" } else { &value };
        title.push_str(&format!(", {} {value}", key.name()));
    }
    title
}

/// The measure that contributes most to a signal, where several are charted together.
pub(crate) fn leading<'a>(what: &'a Characteristic, row: &PointRow) -> Option<&'a str> {
    match &what.subject {
        Subject::Measures(names) => names.get(row.leading?).map(String::as_str),
        _ => None,
    }
}

fn point_view(config: &Config, what: &Characteristic, row: &PointRow) -> reports::view::Point {
    let most = leading(what, row).map_or_else(String::new, |name| format!(", most by {name}"));
    let signal = |(by, side): &(String, String)| reports::view::SignalView {
        rule_words: rule_words(by) + &most,
        side: if side == "neither" {
            String::new()
        } else {
            side.clone()
        },
        run_length: spc::rules::Rule::from_name(by).map_or(1, |rule| rule.window() as usize),
    };
    reports::view::Point {
        at_label: local(config, row.at),
        x: row.at as f64 / 1e6,
        board: row.unit.clone(),
        value: row.value,
        spread: row.spread,
        late: row.late,
        excluded: false,
        baseline: row.baseline,
        signals: row.signals.iter().map(signal).collect(),
        stratum: None,
        changeover: String::new(),
    }
}

/// One segment a version over the points that it judged or was made from.
fn segments(
    facts: &ChartFacts,
    points: &[PointRow],
    bounds: impl Fn(&LimitsRow, f64) -> Option<Bounds>,
) -> Vec<reports::view::LimitSegment> {
    let mut found = Vec::new();
    for row in &facts.limits {
        let belongs = |point: &PointRow| point.version == row.version && !point.late;
        let (Some(from), Some(to)) = (
            points.iter().position(belongs),
            points.iter().rposition(belongs),
        ) else {
            continue;
        };
        let each: Vec<Bounds> = points[from..=to]
            .iter()
            .filter_map(|point| bounds(row, point.size))
            .collect();
        let median = bounds(row, facts.median_size(row.version));
        let (Some(middle), true) = (median, each.len() == to - from + 1) else {
            continue;
        };
        // Bounds of equal sizes come out of the same operations, so they are equal to the bit.
        let is_same = each.iter().all(|one| *one == each[0]);
        let shown = if is_same { each[0] } else { middle };
        found.push(reports::view::LimitSegment {
            version: row.version,
            from_index: from,
            to_index: to,
            subgroups: row.limits.subgroups as usize,
            centre: shown.centre,
            lower: shown.lower,
            upper: shown.upper,
            bounds: if is_same {
                Vec::new()
            } else {
                each.iter()
                    .map(|one| (one.lower, one.centre, one.upper))
                    .collect()
            },
        });
    }
    found
}

/// Specification limits hold for single readings, so they are drawn only where such are plotted.
fn specification(
    config: &Config,
    what: &Characteristic,
    facts: &ChartFacts,
) -> Option<reports::view::SpecificationLines> {
    let single = matches!(what.subject, Subject::Measure(_))
        && facts.points.iter().all(|point| point.size <= 1.0);
    let found = super::capability::specification(config, what, &facts.stream)?;
    single.then_some(reports::view::SpecificationLines {
        lower: found.lower,
        nominal: found.target,
        upper: found.upper,
    })
}

fn spread_panel(
    what: &Characteristic,
    facts: &ChartFacts,
    points: &[PointRow],
) -> Option<reports::view::SpreadPanel> {
    let which = match what.chart {
        ChartKind::MeanRange | ChartKind::MedianRange => "Range",
        ChartKind::MeanS | ChartKind::ThreeWay => "Standard deviation",
        _ => return None,
    };
    points
        .iter()
        .any(|point| point.spread.is_some())
        .then(|| reports::view::SpreadPanel {
            title: format!("{which} within the subgroup"),
            limits: segments(facts, points, |row, size| row.limits.spread_bounds(size)),
        })
}
