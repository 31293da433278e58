//! `driftvane limits`: the versions of limits, and what people ask of them.
//!
//! Asks, but does not set: the engine takes a request at the event time it names. The one
//! invariant: a request without a name and a reason is not kept.

use serde::Serialize;

use super::baseline::Baseline;
use super::{ALWAYS, CommandError, characteristic, find_stream, said, utc, when};
use crate::config::Config;
use crate::engine::Detection;
use crate::output::{self, Format, Table, significant};
use crate::store::query::{PointRow, StreamRow};
use crate::store::{Reader, Who, chart_name};

/// A version of limits.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Version {
    /// The stream.
    pub stream: String,
    /// The number within the stream.
    pub version: u32,
    /// The chart.
    pub chart: &'static str,
    /// The first unit of the baseline, RFC 3339 in UTC.
    pub baseline_from: String,
    /// The last unit of the baseline.
    pub baseline_to: String,
    /// Subgroups in the baseline.
    pub subgroups: u32,
    /// The centre.
    pub centre: f64,
    /// Sigma of a single value; sigma_z for p-prime and u-prime; 0 for other counts, where it
    /// follows from centre and size.
    pub sigma: f64,
    /// Limits in multiples of sigma, widened for the subgroups that made them.
    pub width: f64,
    /// What they are watched with.
    #[serde(flatten)]
    pub watch: Watch,
    /// What was found out about the baseline.
    pub findings: Baseline,
    /// Who set them.
    pub author: String,
    /// Why.
    pub reason: String,
    /// When, by the clock.
    pub set_at: String,
    #[serde(skip)]
    baseline: (i64, i64),
}

/// What a version of limits is watched with.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Watch {
    /// The mean number of points from one false alert to the next.
    pub run_length: f64,
    /// Points in a shift of the station on its line, where the run length follows from them.
    pub points_per_shift: Option<f64>,
    /// Cumulative sums.
    pub cusums: Vec<Sum>,
    /// The weighted average.
    pub ewma: Option<Average>,
}

/// A two-sided cumulative sum, in sigmas of a score.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Sum {
    /// The reference value.
    pub k: f64,
    /// The threshold.
    pub h: f64,
    /// Where both sides start from.
    pub head_start: f64,
}

/// A weighted average.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Average {
    /// The weight of the newest score.
    pub weight: f64,
    /// The limits, in multiples of the sigma of the average.
    pub width: f64,
}

impl Watch {
    /// What the record keeps of it.
    #[must_use]
    pub fn of(detection: &Detection) -> Watch {
        let sum = |one: &spc::cusum::Cusum| Sum {
            k: one.reference,
            h: one.threshold,
            head_start: one.head_start,
        };
        Watch {
            run_length: detection.run_length,
            points_per_shift: detection.points_per_shift,
            cusums: detection.cusums.iter().flatten().map(sum).collect(),
            ewma: detection.ewma.map(|ewma| Average {
                weight: ewma.weight,
                width: ewma.width,
            }),
        }
    }

    /// The thresholds of the cumulative sums, in the order of their reference values.
    #[must_use]
    pub fn thresholds(&self) -> String {
        let each: Vec<String> = self.cusums.iter().map(|one| significant(one.h)).collect();
        each.join(" ")
    }
}

/// A request that is kept.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Asked {
    /// Its number.
    pub request: i64,
    /// The stream.
    pub stream: String,
    /// `freeze` or `restart`.
    pub kind: &'static str,
    /// The event time it holds from, RFC 3339 in UTC.
    pub from: String,
}

/// The versions of limits of one stream, or of all.
///
/// # Errors
///
/// When the record can not be read, or there is no such stream.
pub fn rows(reader: &Reader, stream: Option<&str>) -> Result<Vec<Version>, CommandError> {
    let streams: Vec<StreamRow> = match stream {
        Some(wanted) => vec![find_stream(reader, wanted)?],
        None => reader.streams()?,
    };
    let mut rows = Vec::new();
    for stream in streams {
        for row in reader.limits(Some(stream.id))? {
            rows.push(Version {
                stream: stream.label.clone(),
                version: row.version,
                chart: chart_name(row.limits.kind),
                baseline_from: utc(row.from_at),
                baseline_to: utc(row.to_at),
                subgroups: row.limits.subgroups,
                centre: row.limits.centre,
                sigma: row.limits.sigma,
                width: row.limits.width,
                watch: Watch::of(&row.detection),
                findings: Baseline::of(&row.findings),
                author: row.author,
                reason: row.reason,
                set_at: utc(row.set_at),
                baseline: (row.from_at, row.to_at),
            });
        }
    }
    Ok(rows)
}

/// Prints the versions of limits.
///
/// # Errors
///
/// As [`rows`], and when standard output can not be written.
pub fn print(
    config: &Config,
    reader: &Reader,
    stream: Option<&str>,
    format: Format,
) -> Result<(), CommandError> {
    let rows = rows(reader, stream)?;
    let mut table = Table::new(&[
        "stream",
        "version",
        "chart",
        "baseline from",
        "baseline to",
        "subgroups",
        "centre",
        "sigma",
        "width",
        "run length",
        "cusum thresholds",
        "baseline",
        "set by",
        "reason",
    ]);
    for row in &rows {
        table.push(vec![
            row.stream.as_str().into(),
            row.version.into(),
            row.chart.into(),
            when(config, format, row.baseline.0).into(),
            when(config, format, row.baseline.1).into(),
            row.subgroups.into(),
            row.centre.into(),
            row.sigma.into(),
            row.width.into(),
            row.watch.run_length.into(),
            row.watch.thresholds().into(),
            row.findings.words().into(),
            row.author.as_str().into(),
            row.reason.as_str().into(),
        ]);
    }
    Ok(output::print_rows(format, &table, &rows)?)
}

/// Whether the minimum of subgroups holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Minimum {
    /// Fewer are refused.
    Holds,
    /// The person takes the responsibility for fewer; the record says so beside the reason.
    Overridden,
}

/// Asks that limits be made of the subgroups so far.
///
/// # Errors
///
/// When a name or reason is missing, there is no such stream, there are fewer subgroups than the
/// minimum, or the record refuses.
pub fn freeze(
    (config, reader): (&Config, &Reader),
    stream: &str,
    minimum: Minimum,
    (by, reason, now): (&str, &str, i64),
) -> Result<Asked, CommandError> {
    let stream = find_stream(reader, stream)?;
    if stream.monitoring {
        return Err(CommandError::Refused(format!(
            "the stream '{}' has limits already; restart it first to make new ones",
            stream.label
        )));
    }
    // A request that says too little is refused for that first.
    let (by, reason) = (said("the name", by)?, said("the reason", reason)?);
    let wanted = characteristic(config, &stream)?.baseline_minimum;
    let found = baseline_points(reader, &stream)?;
    if found >= wanted {
        return ask(reader, &stream, "freeze", None, (&by, &reason, now));
    }
    if minimum == Minimum::Holds {
        return Err(CommandError::Refused(format!(
            "the stream '{}' has {found} subgroups, fewer than its minimum of {wanted}: limits of \
             so few are uncertain; wait for more, lower baseline_minimum, or override it \
             (--override; the reason is kept with the limits)",
            stream.label
        )));
    }
    let reason = format!("{reason} (below the minimum: {found} of {wanted} subgroups)");
    ask(reader, &stream, "freeze", None, (&by, &reason, now))
}

/// Asks for a new baseline, from an event time on or from now.
///
/// # Errors
///
/// When a name or reason is missing, there is no such stream, or the record refuses.
pub fn restart(
    reader: &Reader,
    stream: &str,
    from: Option<i64>,
    by: &str,
    reason: &str,
    now: i64,
) -> Result<Asked, CommandError> {
    let stream = find_stream(reader, stream)?;
    ask(reader, &stream, "restart", from, (by, reason, now))
}

/// The subgroups of the baseline that is being collected.
fn baseline_points(reader: &Reader, stream: &StreamRow) -> Result<usize, CommandError> {
    let points = reader.points(stream.id, ALWAYS.0, ALWAYS.1)?;
    let on_time = || points.iter().filter(|point| !point.late);
    let newest = on_time().map(|point| point.version).max();
    let belongs = |point: &&PointRow| point.baseline && Some(point.version) == newest;
    Ok(on_time().filter(belongs).count())
}

fn ask(
    reader: &Reader,
    stream: &StreamRow,
    kind: &'static str,
    from: Option<i64>,
    (by, reason, now): (&str, &str, i64),
) -> Result<Asked, CommandError> {
    let (author, reason) = (said("the name", by)?, said("the reason", reason)?);
    let at = from.unwrap_or(stream.newest.saturating_add(1));
    let who = Who {
        author: &author,
        reason: &reason,
        now,
    };
    let request = reader.ask(stream.id, kind, at, who)?;
    Ok(Asked {
        request,
        stream: stream.label.clone(),
        kind,
        from: utc(at),
    })
}
