//! `driftvane capability`: how a stream's spread relates to its specification.
//!
//! Quotes Cp and Cpk only for a stream that was in control; otherwise Pp and Ppk, and says so. The
//! one invariant: the number of subgroups, not of readings, sets the confidence bounds.

use serde::Serialize;
use spc::capability::{Estimate, Indices, Stability, Study};
use spc::chart::{ChartKind, Limits, Sample};
use spc::moments::Moments;

use super::evidence::{self, Evidence};
use super::gauge_share::{GaugeShare, add_gauge};
use super::{ALWAYS, CommandError, alerts, characteristic, find_stream, keys, unit, utc};
use crate::config::{Characteristic, Config, Key, Specification, Subject};
use crate::output;
use crate::store::Reader;
use crate::store::query::{ContentRow, LimitsRow, PointRow, ReadingFilter, StreamRow};
use crate::store::readings::{Archived, Wanted};
use crate::words::Role;

mod shown;

pub use shown::print;

/// The confidence of all bounds.
const CONFIDENCE: f64 = 0.95;

/// The capability of one stream in one window.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Capability {
    /// The stream.
    pub stream: String,
    /// The unit.
    pub unit: String,
    /// The lower specification limit.
    pub lower: Option<f64>,
    /// The nominal value.
    pub target: Option<f64>,
    /// The upper specification limit.
    pub upper: Option<f64>,
    /// The document that says so.
    pub specification_source: String,
    /// The first point, RFC 3339 in UTC.
    pub from: String,
    /// The last point.
    pub to: String,
    /// Subgroups: independent evidence.
    pub subgroups: u64,
    /// Readings.
    pub readings: u64,
    /// The mean of the readings.
    pub mean: Option<f64>,
    /// Short-term sigma of a single reading.
    pub sigma_within: Option<f64>,
    /// Standard deviation of all readings.
    pub sigma_overall: Option<f64>,
    /// Whether `indices` are Cp and Cpk: the stream was in control.
    pub is_stable: bool,
    /// Why, in words.
    pub stability: String,
    /// The version of limits that judged last.
    pub limits_version: Option<u32>,
    /// Cp or Pp.
    pub spread_index: Option<Index>,
    /// Cpk or Ppk.
    pub nearest_index: Option<Index>,
    /// The distribution chosen: the normal unless it is clearly rejected and another clearly fits.
    pub model: &'static str,
    /// Readings outside, parts per million, as counted in the archive.
    pub ppm_observed: Option<f64>,
    /// Readings that the archive holds for the window.
    pub archived_readings: u64,
    /// Readings outside, parts per million, as the model expects.
    pub ppm_expected: Option<f64>,
    /// Cpm or Ppm, against the target or else the middle of the limits.
    pub taguchi_index: Option<Index>,
    /// Shape, quantiles, model over time and checks, judged on one reading of each unit.
    pub evidence: Evidence,
    /// The measurement behind the figures, where the configuration names a gauge study.
    pub gauge: Option<GaugeShare>,
    /// What limits the use of the figures.
    pub cautions: Vec<String>,
    #[serde(skip)]
    pub(crate) window: (i64, i64),
    #[serde(skip)]
    pub(crate) limits_subgroups: Option<u32>,
}

/// An index with its bounds at 95 %.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Index {
    /// `Cp`, `Cpk`, `Cpm`, `Pp`, `Ppk` or `Ppm`.
    pub symbol: &'static str,
    /// The estimate.
    pub value: f64,
    /// The lower bound.
    pub lower: f64,
    /// The upper bound.
    pub upper: f64,
}

/// The specification of a stream: its product's for the measure and family, then its product's for
/// the measure, then the characteristic's own.
pub(crate) fn specification<'a>(
    config: &'a Config,
    what: &'a Characteristic,
    stream: &StreamRow,
) -> Option<&'a Specification> {
    let Subject::Measure(measure) = &what.subject else {
        return what.specification.as_ref();
    };
    // Values against a target are not what a specification limits.
    if what.short_run.is_some() {
        return None;
    }
    let family = alerts::key_value(what, stream, Key::Role(Role::Family));
    let product = alerts::product(config, what, stream);
    let find = |family: Option<&str>| {
        product?
            .specifications
            .iter()
            .find(|one| one.measure == *measure && one.family.as_deref() == family)
    };
    let of_family = family.as_deref().and_then(|family| find(Some(family)));
    of_family
        .or_else(|| find(None))
        .or(what.specification.as_ref())
}

/// The capability of every stream that has a specification, or of one.
///
/// # Errors
///
/// When the record or archive can not be read, or the one stream has no specification.
pub fn rows(
    config: &Config,
    reader: &Reader,
    stream: Option<&str>,
    (from, to): (Option<i64>, Option<i64>),
) -> Result<Vec<Capability>, CommandError> {
    let window = (from.unwrap_or(ALWAYS.0), to.unwrap_or(ALWAYS.1));
    let streams = match stream {
        Some(wanted) => vec![find_stream(reader, wanted)?],
        None => reader.streams()?,
    };
    let mut rows = Vec::new();
    for row in streams {
        let together = matches!(characteristic(config, &row)?.subject, Subject::Measures(_));
        if stream.is_some() && together {
            return Err(CommandError::Refused(format!(
                "the stream '{}' charts several measures together, and no index says how they \
                 meet their specifications; chart each of them by itself for its own",
                row.label
            )));
        }
        rows.extend(study(config, reader, &row, window)?);
        if stream.is_some() && rows.is_empty() {
            return Err(CommandError::Refused(format!(
                "the stream '{}' has no measured readings in that window, or neither its product \
                 nor its characteristic has a specification for it",
                row.label
            )));
        }
    }
    Ok(rows)
}

/// What the figures of a stream are made of.
#[derive(Clone, Debug, Default)]
pub(crate) struct Material {
    /// Its points in the window.
    pub(crate) points: Vec<PointRow>,
    /// What was measured on its units.
    pub(crate) contents: Vec<ContentRow>,
    /// Its versions of limits.
    pub(crate) limits: Vec<LimitsRow>,
    /// Its archived readings.
    pub(crate) archived: Archived,
}

/// Which archived readings the figures of a stream rest on, and the specification that they are
/// held against; nothing where there is none.
pub(crate) fn wanted<'a>(
    config: &'a Config,
    what: &'a Characteristic,
    stream: &StreamRow,
    (from, to): (i64, i64),
) -> Option<(&'a Specification, Wanted<'a>)> {
    let (Subject::Measure(measure), Some(specified)) =
        (&what.subject, specification(config, what, stream))
    else {
        return None;
    };
    let wanted = Wanted {
        filter: ReadingFilter {
            station: what.station,
            measure,
            keys: wanted_keys(what, stream),
            from,
            to,
        },
        lower: specified.lower,
        upper: specified.upper,
    };
    Some((specified, wanted))
}

/// The capability of a stream; nothing where it has no specification or no readings.
pub(crate) fn study(
    config: &Config,
    reader: &Reader,
    stream: &StreamRow,
    window: (i64, i64),
) -> Result<Option<Capability>, CommandError> {
    let what = characteristic(config, stream)?;
    let Some((specified, wanted)) = wanted(config, what, stream, window) else {
        return Ok(None);
    };
    let points = reader.points(stream.id, window.0, window.1)?;
    if points.is_empty() {
        return Ok(None);
    }
    let material = Material {
        points,
        contents: reader.contents(stream.id, window.0, window.1)?,
        limits: reader.limits(Some(stream.id))?,
        archived: reader.archived(&wanted)?,
    };
    Ok(studied(config, (what, stream), specified, &material))
}

/// The capability of a stream from what it is made of; nothing where it has no points.
pub(crate) fn studied(
    config: &Config,
    (what, stream): (&Characteristic, &StreamRow),
    specified: &Specification,
    material: &Material,
) -> Option<Capability> {
    let points = &material.points;
    let (first, last) = (points.first()?, points.last()?);
    let mut all = Moments::new();
    for content in &material.contents {
        all.merge(&content.moments);
    }
    let (stability, words) = stability(points);
    let mut found = Capability {
        stream: stream.label.clone(),
        unit: unit(config, what, stream),
        lower: specified.lower,
        target: specified.target,
        upper: specified.upper,
        specification_source: specified.source.clone(),
        from: utc(first.at),
        to: utc(last.at),
        subgroups: points.iter().filter(|point| !point.late).count() as u64,
        readings: all.count(),
        mean: all.mean(),
        sigma_within: sigma_within(what.chart, points, &material.contents),
        sigma_overall: all.standard_deviation(),
        is_stable: stability == Stability::Stable,
        stability: words,
        limits_version: None,
        spread_index: None,
        nearest_index: None,
        model: "normal",
        ppm_observed: ppm(&material.archived),
        archived_readings: material.archived.readings,
        ppm_expected: None,
        taguchi_index: None,
        evidence: Evidence::default(),
        gauge: None,
        cautions: Vec::new(),
        window: (first.at, last.at),
        limits_subgroups: None,
    };
    add_limits(material, &mut found);
    add_indices(&mut found, specified, stability);
    add_cautions(&mut found, points, &material.archived);
    add_evidence(&mut found, specified, points, &material.archived);
    add_gauge(config, what, &mut found);
    Some(found)
}

/// Adds which limits judged last.
fn add_limits(material: &Material, found: &mut Capability) {
    let mut points = material.points.iter();
    let judged = points.rfind(|point| !point.baseline && !point.late);
    if let Some(version) = judged.map(|point| point.version) {
        found.limits_version = Some(version);
        let row = material.limits.iter().find(|row| row.version == version);
        found.limits_subgroups = row.map(|row| row.limits.subgroups);
    }
}

/// The rows of the archive that a stream was made from.
pub(crate) fn wanted_keys(what: &Characteristic, stream: &StreamRow) -> Vec<(Key, Vec<String>)> {
    let own = keys(what, stream)
        .into_iter()
        .map(|(key, value)| (key, vec![value.to_string()]));
    own.chain(what.filter.iter().cloned()).collect()
}

fn ppm(outside: &Archived) -> Option<f64> {
    let share = (outside.below + outside.above) as f64 / outside.readings as f64;
    (outside.readings > 0).then_some(1e6 * share)
}

/// A stream that no limits have judged is not known to be stable.
fn stability(points: &[PointRow]) -> (Stability, String) {
    let judged: Vec<&PointRow> = points
        .iter()
        .filter(|point| !point.baseline && !point.late)
        .collect();
    let signalled = judged
        .iter()
        .filter(|point| !point.signals.is_empty())
        .count();
    match (judged.len(), signalled) {
        (0, _) => (
            Stability::Unstable,
            "not judged: every point belongs to a baseline".to_owned(),
        ),
        (judged, 0) => (
            Stability::Stable,
            format!("stable: no signal at {judged} points"),
        ),
        (judged, signalled) => (
            Stability::Unstable,
            format!("not stable: signals at {signalled} of {judged} points"),
        ),
    }
}

/// The short-term sigma of a single reading.
///
/// Mean charts give it directly. Where subgroup means are charted as single values, their own
/// short-term variation counts as well: sigma within and between, added as variances.
fn sigma_within(chart: ChartKind, points: &[PointRow], contents: &[ContentRow]) -> Option<f64> {
    let plotted: Vec<Sample> = points
        .iter()
        .filter(|point| !point.late)
        .map(|point| Sample {
            size: point.size,
            value: point.value,
            spread: point.spread,
        })
        .collect();
    let single = plotted.iter().all(|sample| sample.size <= 1.0);
    match chart {
        ChartKind::MeanRange | ChartKind::MeanS => Limits::estimate(chart, &plotted, 3.0)
            .ok()
            .map(|limits| limits.sigma),
        ChartKind::Individuals | ChartKind::ThreeWay if single => {
            let limits = Limits::estimate(ChartKind::Individuals, &plotted, 3.0).ok()?;
            Some(limits.sigma)
        }
        ChartKind::ThreeWay => within_and_between(&plotted),
        ChartKind::Individuals => {
            let whole = contents.iter().filter(|content| content.whole);
            let samples: Option<Vec<Sample>> = whole.map(|one| sample(&one.moments)).collect();
            within_and_between(&samples?)
        }
        // Units of several readings are charted by their means, whose spread is not a reading's.
        ChartKind::MedianRange => {
            let whole = contents.iter().filter(|content| content.whole);
            let readings: u64 = whole.map(|content| content.moments.count()).sum();
            let units: f64 = plotted.iter().map(|sample| sample.size).sum();
            let limits = Limits::estimate(chart, &plotted, 3.0).ok()?;
            (readings as f64 <= units).then_some(limits.sigma)
        }
        ChartKind::P | ChartKind::PPrime | ChartKind::Np => None,
        ChartKind::C | ChartKind::U | ChartKind::UPrime => None,
        ChartKind::G | ChartKind::T | ChartKind::TSquared => None,
    }
}

fn within_and_between(samples: &[Sample]) -> Option<f64> {
    let limits = Limits::estimate(ChartKind::ThreeWay, samples, 3.0).ok()?;
    Some(limits.sigma_within?.hypot(limits.sigma_between?))
}

fn sample(moments: &Moments) -> Option<Sample> {
    Some(Sample {
        size: moments.count() as f64,
        value: moments.mean()?,
        spread: moments.standard_deviation(),
    })
}

fn add_indices(found: &mut Capability, specified: &Specification, stability: Stability) {
    let limits = spc::capability::Specification {
        lower: specified.lower,
        target: specified.target,
        upper: specified.upper,
    };
    let (Some(mean), Some(sigma_overall)) = (found.mean, found.sigma_overall) else {
        found
            .cautions
            .push("too few readings for an index".to_owned());
        return;
    };
    let study = Study {
        subgroups: u32::try_from(found.subgroups).unwrap_or(u32::MAX),
        readings: found.readings,
        mean,
        sigma_within: found.sigma_within.unwrap_or(0.0),
        sigma_overall,
        // What was observed is counted in the archive and told beside the indices.
        observed_below: 0,
        observed_above: 0,
    };
    match spc::capability::capability(&limits, &study, stability, CONFIDENCE) {
        Ok(indices) => quote(found, &indices),
        Err(error) => found.cautions.push(format!("no index: {error}")),
    }
}

fn quote(found: &mut Capability, indices: &Indices) {
    let pair = indices.quoted();
    let index = |symbol, estimate: Estimate| Index {
        symbol,
        value: estimate.value,
        lower: estimate.lower,
        upper: estimate.upper,
    };
    let label = pair.label;
    found.spread_index = pair
        .spread
        .map(|spread| index(label.spread_symbol(), spread));
    found.nearest_index = Some(index(label.nearest_symbol(), pair.nearest));
    found.taguchi_index = pair
        .taguchi
        .map(|taguchi| index(label.taguchi_symbol(), taguchi.index));
    found.model = pair.model.name();
    let sides = [pair.expected_ppm_below, pair.expected_ppm_above];
    found.ppm_expected = Some(sides.into_iter().flatten().sum());
}

/// Adds what the readings look like. A distribution other than the normal takes over the expected
/// rate; the indices from mean and sigma stay beside those from its quantiles.
fn add_evidence(
    found: &mut Capability,
    specified: &Specification,
    points: &[PointRow],
    archived: &Archived,
) {
    let limits = spc::capability::Specification {
        lower: specified.lower,
        target: specified.target,
        upper: specified.upper,
    };
    let evidence = evidence::gather(&archived.units, points, &limits);
    if let (Some(ppm), Some(chosen)) = (evidence.expected_ppm(&limits), &evidence.distribution) {
        found.ppm_expected = Some(ppm);
        found.model = chosen.name;
    }
    if !archived.is_whole() {
        let kept = crate::store::readings::READINGS_KEPT_MAX;
        let text = format!("the distribution is judged on the first {kept} readings");
        found.cautions.push(text);
    }
    if let Some(figures) = &evidence.quantiles {
        let nearest = output::significant(figures.nearest_index);
        let symbol = if found.is_stable { "Cpk" } else { "Ppk" };
        let text = format!(
            "not normal: {symbol} {nearest} by quantiles of the {}",
            figures.basis
        );
        found.cautions.push(text);
    } else if evidence.rejects_normal() {
        let text = "not normal, and neither a distribution fits nor are there 1000 readings for \
                    quantiles: the index misleads";
        found.cautions.push(text.to_owned());
    }
    found.cautions.extend(evidence.warnings());
    found.evidence = evidence;
}

fn add_cautions(found: &mut Capability, points: &[PointRow], outside: &Archived) {
    let mut versions: Vec<u32> = points
        .iter()
        .filter(|point| !point.late)
        .map(|point| point.version)
        .collect();
    versions.dedup();
    if versions.len() > 1 {
        found
            .cautions
            .push("the limits were made anew within the window".to_owned());
    }
    if found.subgroups < 25 {
        let text = format!("only {} subgroups: the bounds are wide", found.subgroups);
        found.cautions.push(text);
    }
    if outside.readings != found.readings {
        found.cautions.push(format!(
            "the archive holds {} readings for the window, the chart {}",
            outside.readings, found.readings
        ));
    }
}

/// A specification in words.
pub(crate) fn specification_words(lower: Option<f64>, upper: Option<f64>) -> String {
    let text = output::significant;
    match (lower, upper) {
        (Some(lower), Some(upper)) => format!("{} to {}", text(lower), text(upper)),
        (Some(lower), None) => format!("at least {}", text(lower)),
        (None, Some(upper)) => format!("at most {}", text(upper)),
        (None, None) => String::new(),
    }
}
