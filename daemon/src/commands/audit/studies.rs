//! The figures of every stream, in groups that fit into memory, on several threads.
//!
//! Reads the archive once a group, not once a stream. The one invariant: what comes out does not
//! depend on how streams are grouped or which thread works on them.

use std::collections::BTreeSet;

use reports::audit::Drawn;

use super::scope::Scope;
use crate::commands::capability::{Capability, Material, studied, wanted};
use crate::commands::chart::{self, ChartFacts};
use crate::commands::histogram::histogram;
use crate::commands::limits::{self, Version};
use crate::commands::replay::threads;
use crate::commands::{ALWAYS, CommandError, changeovers, characteristic};
use crate::config::{Characteristic, Config};
use crate::pipeline;
use crate::store::Reader;
use crate::store::changeovers::Changeover;
use crate::store::query::{PointRow, StreamRow};
use crate::store::readings::Wanted;

/// Bytes that the points and readings of a group of streams take, roughly.
const GROUP_BYTES_MAX: usize = 64 << 20;

/// A point with what was measured, and a reading, in bytes, roughly.
const POINT_BYTES: usize = 400;
const READING_BYTES: usize = 16;

/// Bytes of all drawings of a page.
const DRAWN_BYTES_MAX: usize = 32 << 20;

/// What was found out about a stream.
pub(super) struct Studied {
    pub(super) stream: StreamRow,
    pub(super) title: String,
    /// Its figures; absent where it has no specification.
    pub(super) capability: Option<Capability>,
    /// Its versions of limits that judged a point of the window or were made of one.
    pub(super) limits: Vec<(Version, chart::Version, Option<chart::Version>)>,
    /// What its points in the window add up to.
    pub(super) counts: Counts,
    /// Points with a signal, that came late, or that do not enter the limits.
    pub(super) notable: Vec<Notable>,
    /// Days of points, on the plant's calendar.
    pub(super) days: Vec<Day>,
    pub(super) drawn: Option<Drawn>,
}

/// What points add up to.
#[derive(Clone, Copy, Default)]
pub(super) struct Counts {
    pub(super) points: u64,
    pub(super) judged: u64,
    pub(super) signalled: u64,
    pub(super) late: u64,
    pub(super) excluded: u64,
    pub(super) first: i64,
    pub(super) last: i64,
}

/// A point that has to be told by itself.
pub(super) struct Notable {
    pub(super) at: i64,
    pub(super) row: chart::Point,
}

/// The points of a day.
pub(super) struct Day {
    pub(super) day: String,
    pub(super) counts: Counts,
    pub(super) mean: f64,
    pub(super) lowest: f64,
    pub(super) highest: f64,
    pub(super) digest: String,
}

/// A stream with all that its figures are made of.
struct Job {
    stream: StreamRow,
    material: Material,
    versions: Vec<Version>,
    changeovers: Vec<Changeover>,
    place: usize,
}

/// The figures of every stream of the scope, in its order.
pub(super) fn studies(
    (config, reader): (&Config, &Reader),
    scope: &Scope,
    leave_out: &BTreeSet<String>,
) -> Result<Vec<Studied>, CommandError> {
    let requests = reader.requests(ALWAYS.0, ALWAYS.1)?;
    let mut found = Vec::new();
    let mut waiting = Vec::new();
    let mut bytes = 0;
    for (place, stream) in scope.streams.iter().enumerate() {
        let what = characteristic(config, stream)?;
        let (from, to) = scope.window;
        let points = reader.points(stream.id, from, to)?;
        let contents = match wanted(config, what, stream, scope.window) {
            Some(_) => reader.contents(stream.id, from, to)?,
            None => Vec::new(),
        };
        let limits = reader.limits(Some(stream.id))?;
        let changeovers = changeovers::read(reader, (what, stream.id), &points)?;
        let versions = limits::versions(reader, (stream, &limits), &requests)?;
        let readings: u64 = contents.iter().map(|one| one.moments.count()).sum();
        bytes += points.len() * POINT_BYTES + readings as usize * READING_BYTES;
        let material = Material {
            points,
            contents,
            limits,
            ..Material::default()
        };
        waiting.push(Job {
            stream: stream.clone(),
            material,
            versions,
            changeovers,
            place,
        });
        if bytes >= GROUP_BYTES_MAX {
            let group = std::mem::take(&mut waiting);
            study_group((config, reader), scope, (group, leave_out), &mut found)?;
            bytes = 0;
        }
    }
    study_group((config, reader), scope, (waiting, leave_out), &mut found)?;
    Ok(found)
}

/// Adds the readings of a group, and works its streams out.
fn study_group(
    (config, reader): (&Config, &Reader),
    scope: &Scope,
    (mut group, leave_out): (Vec<Job>, &BTreeSet<String>),
    found: &mut Vec<Studied>,
) -> Result<(), CommandError> {
    let mut asked: Vec<(usize, Wanted)> = Vec::new();
    for (place, job) in group.iter().enumerate() {
        let what = characteristic(config, &job.stream)?;
        let wanted = wanted(config, what, &job.stream, scope.window);
        asked.extend(wanted.map(|(_, wanted)| (place, wanted)));
    }
    let (places, asked): (Vec<usize>, Vec<Wanted>) = asked.into_iter().unzip();
    let archived = reader.archived_each(&asked, leave_out)?;
    drop(asked);
    for (place, archived) in places.into_iter().zip(archived) {
        group[place].material.archived = archived;
    }
    let mut drawn: usize = found.iter().map(drawn_bytes).sum();
    let mut jobs = group.into_iter();
    pipeline::in_order(
        threads(),
        &mut || Ok(jobs.next()),
        &|job| study(config, scope.window, job),
        &mut |one: Result<Studied, CommandError>| {
            let mut one = one?;
            if drawn + drawn_bytes(&one) > DRAWN_BYTES_MAX {
                one.drawn = None;
            }
            drawn += drawn_bytes(&one);
            found.push(one);
            Ok(())
        },
    )
}

fn drawn_bytes(one: &Studied) -> usize {
    one.drawn.as_ref().map_or(0, Drawn::size)
}

fn study(config: &Config, window: (i64, i64), job: Job) -> Result<Studied, CommandError> {
    let (stream, material) = (job.stream, job.material);
    let what = characteristic(config, &stream)?;
    let specified = wanted(config, what, &stream, window);
    let capability =
        specified.and_then(|(limits, _)| studied(config, (what, &stream), limits, &material));
    let histogram = capability.as_ref().and_then(histogram);
    let facts = ChartFacts {
        stream,
        points: material.points,
        limits: material.limits,
    };
    let mut view = chart::view(config, &facts, 0..facts.points.len())?;
    changeovers::mark(what, &job.changeovers, &facts.points, &mut view);
    let name = format!("stream-{}", job.place + 1);
    let drawn = reports::audit::drawn(&view, histogram.as_ref(), &name);
    Ok(Studied {
        title: chart::title(what, &facts.stream),
        capability,
        limits: used(what, &facts, job.versions),
        counts: counts(&facts, &facts.points),
        notable: notable(what, &facts),
        days: days(config, &facts),
        drawn: Some(drawn),
        stream: facts.stream,
    })
}

/// The versions of limits that points of the window have to do with, with their bounds.
fn used(
    what: &Characteristic,
    facts: &ChartFacts,
    versions: Vec<Version>,
) -> Vec<(Version, chart::Version, Option<chart::Version>)> {
    let seen: BTreeSet<u32> = facts.points.iter().map(|point| point.version).collect();
    let judge = chart::Judge::of(what);
    let both = facts.limits.iter().zip(versions);
    both.filter(|(row, _)| seen.contains(&row.version))
        .map(|(row, version)| {
            let value = chart::value_limits(facts, row, &judge);
            (version, value, chart::spread_limits(facts, row))
        })
        .collect()
}

fn counts(facts: &ChartFacts, points: &[PointRow]) -> Counts {
    let mut sum = Counts::default();
    for point in points {
        sum.points += 1;
        sum.judged += u64::from(!point.late && !point.baseline);
        sum.signalled += u64::from(!point.signals.is_empty());
        sum.late += u64::from(point.late);
        sum.excluded += u64::from(facts.excluded(point).is_some());
    }
    sum.first = points.first().map_or(0, |point| point.at);
    sum.last = points.last().map_or(0, |point| point.at);
    sum
}

fn notable(what: &Characteristic, facts: &ChartFacts) -> Vec<Notable> {
    let is_notable = |point: &PointRow| {
        point.late || !point.signals.is_empty() || facts.excluded(point).is_some()
    };
    let judge = chart::Judge::of(what);
    let all = (1..).zip(&facts.points);
    all.filter(|(_, point)| is_notable(point))
        .map(|(seq, point)| Notable {
            at: point.at,
            row: chart::point((what, &judge), facts, (seq, point)),
        })
        .collect()
}

/// The points day by day, each day with the digest of all that its points are.
fn days(config: &Config, facts: &ChartFacts) -> Vec<Day> {
    let mut found = Vec::new();
    let mut rest = facts.points.as_slice();
    while let Some(first) = rest.first() {
        let (day, end) = day_of(config, first.at);
        let length = rest.partition_point(|point| point.at < end).max(1);
        let (own, others) = rest.split_at(length);
        rest = others;
        let values = || own.iter().map(|point| point.value);
        found.push(Day {
            day,
            counts: counts(facts, own),
            mean: values().sum::<f64>() / own.len() as f64,
            lowest: values().fold(f64::INFINITY, f64::min),
            highest: values().fold(f64::NEG_INFINITY, f64::max),
            digest: digest(own),
        });
    }
    found
}

/// The day of a time on the plant's calendar, and when it ends.
fn day_of(config: &Config, at: i64) -> (String, i64) {
    let zoned = jiff::Timestamp::from_microsecond(at)
        .unwrap_or(jiff::Timestamp::UNIX_EPOCH)
        .to_zoned_datetime(config.zone.clone());
    let end = zoned
        .tomorrow()
        .and_then(|next| next.start_of_day())
        .map_or(i64::MAX, |next| next.timestamp().as_microsecond());
    (zoned.date().to_string(), end)
}

/// Every length is written before its text, so that no two lists of points read alike.
fn digest(points: &[PointRow]) -> String {
    let mut sum = blake3::Hasher::new();
    let mut text = |words: &str| {
        sum.update(&(words.len() as u64).to_le_bytes());
        sum.update(words.as_bytes());
    };
    for point in points {
        text(&point.unit);
        for (rule, side) in &point.signals {
            text(rule);
            text(side);
        }
        text(&format!(
            "{} {} {} {:?} {:?} {:?} {}",
            point.at,
            point.late,
            point.baseline,
            point.size,
            point.value,
            point.spread,
            point.version
        ));
    }
    sum.finalize().to_hex().to_string()
}
