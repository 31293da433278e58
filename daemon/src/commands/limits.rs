//! `driftvane limits`: the versions of limits, and what people ask of them.
//!
//! Asks, but does not set: the engine takes a request at the event time it names. The one
//! invariant: a request without a name and a reason is not kept.

use serde::Serialize;
use spc::chart::ChartKind;

use super::baseline::Baseline;
use super::chart::median_size;
use super::proposals::{self, Proposal};
use super::{ALWAYS, CommandError, characteristic, find_stream, local, said, utc, when};
use crate::config::Config;
use crate::engine::Detection;
use crate::output::{self, Format, Table, significant};
use crate::store::query::{LimitsRow, StreamRow};
use crate::store::{Reader, RequestRow, Who, chart_name};

/// The columns of a list.
const COLUMNS: [&str; 15] = [
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
    "restarted",
];

/// Those that people read beneath the row.
const LINES: [&str; 7] = [
    "stream",
    "baseline to",
    "cusum thresholds",
    "baseline",
    "set by",
    "reason",
    "restarted",
];

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
    /// Sigma of a single reading; of counts and of what lies between events, that of a plotted
    /// point of the median size in the baseline. Absent for t-squared, which is a distance itself.
    pub sigma: Option<f64>,
    /// How much more than by chance the baseline varied (p-prime, u-prime).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sigma_z: Option<f64>,
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
    /// Who asked for the baseline, where a restart began it.
    pub restarted: Option<Restart>,
    /// Changes of the stream's limits that wait for someone to decide.
    pub pending: Vec<Proposal>,
    #[serde(skip)]
    baseline: (i64, i64),
}

/// A restart that a person asked for.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Restart {
    /// The event time it holds from, RFC 3339 in UTC.
    pub from: String,
    /// Who.
    pub by: String,
    /// Why.
    pub reason: String,
    #[serde(skip)]
    at: i64,
}

impl Restart {
    fn of(row: RequestRow) -> Restart {
        Restart {
            from: utc(row.at),
            by: row.author,
            reason: row.reason,
            at: row.at,
        }
    }

    fn words(&self) -> String {
        format!("restarted by {}: {}", self.by, self.reason)
    }
}

/// A baseline that is being collected.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Collecting {
    /// Its number within the stream.
    pub version: u32,
    /// Subgroups so far.
    pub subgroups: u64,
    /// Subgroups of which limits are made.
    pub wanted: usize,
    /// Who asked for it, where a restart began it.
    pub restarted: Option<Restart>,
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

impl Version {
    /// The first and the last unit of the baseline, by event time.
    pub(crate) fn baseline(&self) -> (i64, i64) {
        self.baseline
    }
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
    pub kind: String,
    /// The event time it holds from, RFC 3339 in UTC.
    pub from: String,
    #[serde(skip)]
    at: i64,
}

/// What became of a request, in a line.
///
/// # Errors
///
/// When the record can not be read.
pub fn told(
    config: &Config,
    reader: &Reader,
    asked: &Asked,
    outcome: &str,
) -> Result<String, CommandError> {
    let from = reader.holds_from(asked.request)?.unwrap_or(asked.at);
    let why = if from > asked.at {
        "; what lies before is settled (lateness_minutes) and stays as it was judged"
    } else {
        ""
    };
    let (kind, stream, from) = (&asked.kind, &asked.stream, local(config, from));
    Ok(format!(
        "{kind} {stream}, for points from {from} on: {outcome}{why}\n"
    ))
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
    let requests = reader.requests(ALWAYS.0, ALWAYS.1)?;
    let pending = proposals::pending(reader)?;
    let mut rows = Vec::new();
    for stream in streams {
        let limits = reader.limits(Some(stream.id))?;
        let own = versions(reader, (&stream, &limits), &requests)?;
        rows.extend(own.into_iter().map(|version| Version {
            pending: of_stream(&pending, stream.id),
            ..version
        }));
    }
    Ok(rows)
}

/// The versions of a stream's limits, with who asked for their baselines among all requests; what
/// waits for approval is left to the caller.
pub(crate) fn versions(
    reader: &Reader,
    (stream, limits): (&StreamRow, &[LimitsRow]),
    requests: &[RequestRow],
) -> Result<Vec<Version>, CommandError> {
    let mut before = i64::MIN;
    let mut rows = Vec::new();
    for row in limits {
        let span = (before, row.from_at);
        before = row.to_at;
        rows.push(Version {
            stream: stream.label.clone(),
            version: row.version,
            chart: chart_name(row.limits.kind),
            baseline_from: utc(row.from_at),
            baseline_to: utc(row.to_at),
            subgroups: row.limits.subgroups,
            centre: row.limits.centre,
            sigma: sigma(reader, row)?,
            sigma_z: row.limits.sigma_z(),
            width: row.limits.width,
            watch: Watch::of(&row.detection),
            findings: Baseline::of(&row.findings),
            author: row.author.clone(),
            reason: row.reason.clone(),
            set_at: utc(row.set_at),
            restarted: begun_by(requests, stream.id, span),
            pending: Vec::new(),
            baseline: (row.from_at, row.to_at),
        });
    }
    Ok(rows)
}

fn of_stream(pending: &[Proposal], stream: i64) -> Vec<Proposal> {
    let own = pending.iter().filter(|one| one.stream_number == stream);
    own.cloned().collect()
}

/// Sigma as [`Version::sigma`] says.
pub(crate) fn sigma(reader: &Reader, row: &LimitsRow) -> Result<Option<f64>, CommandError> {
    let by_law = matches!(
        row.limits.kind,
        ChartKind::P
            | ChartKind::PPrime
            | ChartKind::Np
            | ChartKind::C
            | ChartKind::U
            | ChartKind::UPrime
            | ChartKind::G
            | ChartKind::T
    );
    if !by_law {
        return Ok(Some(row.limits.sigma).filter(|_| row.limits.joint.is_none()));
    }
    let points = reader.points(row.stream, row.from_at, row.to_at.saturating_add(1))?;
    let own = points.iter().filter(|point| point.baseline && !point.late);
    // Points that the plant let go have no size any more.
    let sigma = median_size(own).map(|size| row.limits.sigma_at(size));
    Ok(sigma.filter(|sigma| sigma.is_finite()))
}

/// The last restart of a stream after one time and up to another.
fn begun_by(requests: &[RequestRow], stream: i64, (after, to): (i64, i64)) -> Option<Restart> {
    let own = |row: &&RequestRow| row.stream == stream && row.kind == "restart";
    let mut rows = requests.iter().rev().filter(own);
    let found = rows.find(|row| row.at > after && row.at <= to);
    found.cloned().map(Restart::of)
}

/// The baseline that a stream is collecting, or begins with its next point; nothing while limits
/// hold.
///
/// # Errors
///
/// When the record can not be read, or the configuration does not fit it.
pub fn collecting(
    (config, reader): (&Config, &Reader),
    stream: &StreamRow,
    requests: &[RequestRow],
) -> Result<Option<Collecting>, CommandError> {
    if stream.monitoring {
        return Ok(None);
    }
    let limits = reader.limits(Some(stream.id))?;
    let after = limits.last().map_or(i64::MIN, |row| row.to_at);
    let restarted = begun_by(requests, stream.id, (after, i64::MAX));
    let is_asked = restarted
        .as_ref()
        .is_some_and(|restart| restart.at > stream.newest);
    let (version, subgroups) = if is_asked {
        (limits.last().map_or(1, |row| row.version + 1), 0)
    } else {
        reader.collected(stream.id)?
    };
    Ok(Some(Collecting {
        version,
        subgroups,
        wanted: characteristic(config, stream)?.baseline,
        restarted,
    }))
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
    let mut table = Table::with_lines(&COLUMNS, &LINES);
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
            row.restarted.as_ref().map(Restart::words).into(),
        ]);
    }
    output::print_rows(format, &table, &rows)?;
    if format != Format::Table {
        return Ok(());
    }
    Ok(output::print(&under_way((config, reader), stream)?)?)
}

/// The baselines that are being collected and the changes that wait for approval, in lines.
fn under_way(
    (config, reader): (&Config, &Reader),
    stream: Option<&str>,
) -> Result<String, CommandError> {
    let streams = match stream {
        Some(wanted) => vec![find_stream(reader, wanted)?],
        None => reader.streams()?,
    };
    let requests = reader.requests(ALWAYS.0, ALWAYS.1)?;
    let pending = proposals::pending(reader)?;
    let mut lines = String::new();
    for stream in streams {
        for one in of_stream(&pending, stream.id) {
            lines += &format!("{} waits for approval: {}\n", one.id, one.words(config));
        }
        let Some(found) = collecting((config, reader), &stream, &requests)? else {
            continue;
        };
        let restarted = found.restarted.map_or_else(String::new, |restart| {
            format!(", {} (from {})", restart.words(), local(config, restart.at))
        });
        lines += &format!(
            "{}: baseline {}, {} of {} subgroups so far{restarted}\n",
            stream.label, found.version, found.subgroups, found.wanted
        );
    }
    Ok(lines)
}

/// Whether the minimum of subgroups holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Minimum {
    /// Fewer are refused.
    Holds,
    /// The person takes the responsibility for fewer; the record says so beside the reason.
    Overridden,
}

/// What became of a wish to change limits.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// It is asked for.
    Asked(Asked),
    /// Someone else has to approve it.
    Proposed(Box<Proposal>),
}

/// Asks that limits be made of the subgroups so far, or proposes it.
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
) -> Result<Change, CommandError> {
    let stream = find_stream(reader, stream)?;
    let requests = reader.requests(ALWAYS.0, ALWAYS.1)?;
    let Some(collecting) = collecting((config, reader), &stream, &requests)? else {
        return Err(CommandError::Refused(format!(
            "the stream '{}' has limits already; restart it first to make new ones",
            stream.label
        )));
    };
    // A request that says too little is refused for that first.
    let (by, reason) = (said("the name", by)?, said("the reason", reason)?);
    let wanted = characteristic(config, &stream)?.baseline_minimum;
    let found = collecting.subgroups;
    let place = (config, reader);
    if found >= wanted as u64 {
        return change(place, &stream, ("freeze", None), (&by, &reason, now));
    }
    if found == 0 {
        return Err(CommandError::Refused(format!(
            "the stream '{}' has no subgroup of its baseline yet; wait until some have come",
            stream.label
        )));
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
    change(place, &stream, ("freeze", None), (&by, &reason, now))
}

/// Asks for a new baseline, from an event time on or from now, or proposes it.
///
/// # Errors
///
/// When a name or reason is missing, there is no such stream, or the record refuses.
pub fn restart(
    (config, reader): (&Config, &Reader),
    stream: &str,
    from: Option<i64>,
    said: (&str, &str, i64),
) -> Result<Change, CommandError> {
    let stream = find_stream(reader, stream)?;
    change((config, reader), &stream, ("restart", from), said)
}

fn change(
    (config, reader): (&Config, &Reader),
    stream: &StreamRow,
    (kind, from): (&'static str, Option<i64>),
    (by, reason, now): (&str, &str, i64),
) -> Result<Change, CommandError> {
    let (author, reason) = (said("the name", by)?, said("the reason", reason)?);
    let who = Who {
        author: &author,
        reason: &reason,
        now,
    };
    if config.limits_need_approval {
        let proposal = proposals::propose(reader, stream, (kind, from), who)?;
        return Ok(Change::Proposed(Box::new(proposal)));
    }
    let at = from.unwrap_or(stream.newest.saturating_add(1));
    let request = reader.ask(stream.id, kind, at, who)?;
    Ok(Change::Asked(Asked {
        request,
        stream: stream.label.clone(),
        kind: kind.to_owned(),
        from: utc(at),
        at,
    }))
}

/// What is asked for since a proposal was approved.
///
/// # Errors
///
/// When the record can not be read.
pub fn approved(
    reader: &Reader,
    proposal: &Proposal,
    request: Option<i64>,
) -> Result<Asked, CommandError> {
    let request = request.unwrap_or_default();
    let at = reader.holds_from(request)?.unwrap_or_default();
    Ok(Asked {
        request,
        stream: proposal.stream.clone(),
        kind: proposal.kind.clone(),
        from: utc(at),
        at,
    })
}
