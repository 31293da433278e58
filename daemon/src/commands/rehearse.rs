//! `driftvane rehearse`: what the configured detectors will do, before they do it.
//!
//! For each characteristic: how often it signals without cause beside the line's budget, and how
//! soon a shift or a drift is found, on made points that the engine judges. Rates of points come
//! from the record where there is one, else they are assumed. Must not know how a detector works.
//! The one invariant: the same seed, configuration and record give the same figures.

use std::collections::{BTreeMap, BTreeSet};

use clap::Args;
use serde::Serialize;
use spc::chart::ChartKind;
use spc::level::Level;
use spc::runlength::{Change, Effort};

use super::CommandError;
use crate::config::{Characteristic, Config, Detector};
use crate::engine::{
    Rehearsal, StreamName, allowed, is_between, shift_minutes, station_of, stepped,
};
use crate::store::query::{LimitsRow, PointRow};
use crate::store::{Reader, StoreError};

mod print;

pub use print::print;

/// Shifts that are rehearsed, in sigmas of the plotted value; of several measures together, in
/// sigmas of one that goes with no other.
const SHIFTS: [f64; 4] = [0.5, 1.0, 2.0, 3.0];

/// What a rate becomes, in times of what it was.
const TIMES: [f64; 3] = [1.5, 2.0, 3.0];

/// Shifts within a baseline that are rehearsed.
const EARLY: [f64; 3] = [1.0, 2.0, 3.0];

/// Microseconds before the newest event that a stream's rate is taken from: a day.
const WINDOW_US: i64 = 86_400_000_000;

/// A run length below this share of the one that was asked for is remarked on. Thresholds keep it
/// within 5 %.
const SHORT: f64 = 0.95;

const MINUTE_US: f64 = 60_000_000.0;

/// Minutes of a short record that its rate is taken from, at least.
const SPAN_MINUTES_MIN: f64 = 1.0;

/// What can be asked for.
#[derive(Args, Clone, Debug)]
pub struct Options {
    /// The drift that is rehearsed, in sigmas of the plotted value a point.
    #[arg(long, default_value_t = 0.02, value_parser = positive)]
    pub drift: f64,
    /// Points of a stream in a shift, where the record does not tell.
    #[arg(long, default_value_t = 100.0, value_parser = positive)]
    pub points: f64,
    /// Units of a sample, where the record does not tell.
    #[arg(long, default_value_t = 100.0, value_parser = positive)]
    pub inspected: f64,
    /// What is counted in a sample of so many units, where the record does not tell.
    #[arg(long, default_value_t = 4.0, value_parser = positive)]
    pub counted: f64,
    /// Made streams for each change.
    #[arg(long, default_value_t = 400, value_parser = clap::value_parser!(u32).range(20..=20_000))]
    pub runs: u32,
    /// The seed.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
}

/// One characteristic on one line.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Row {
    /// The characteristic.
    pub characteristic: String,
    /// The line; empty where its streams mix several.
    pub line: String,
    /// What is switched on.
    pub detectors: Vec<String>,
    /// Its streams; one is assumed without a record.
    pub streams: usize,
    /// Points of all of them in a shift.
    pub points_per_shift: f64,
    /// Whether streams and points come from the record.
    pub measured: bool,
    /// Of counts: the level that is rehearsed.
    pub level: Option<LevelOf>,
    /// Points from one false alert to the next that were asked for.
    pub stated_run_length: f64,
    /// What everything that is switched on has, for a known mean and sigma.
    pub run_length: Option<Figure>,
    /// False alerts of all its streams in a shift.
    pub false_alerts_per_shift: Option<f64>,
    /// Points until a change is signalled.
    pub delays: Vec<Found>,
    /// How often a shift half way through a baseline is signalled before there are limits; nothing
    /// where baselines are not watched.
    pub in_baseline: Vec<FoundEarly>,
    /// Why something is missing.
    pub note: Option<String>,
}

/// How often a shift within a baseline is found before it ends.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FoundEarly {
    /// Sigmas.
    pub size: f64,
    /// The share of made streams.
    pub share: f64,
    /// Its standard error.
    pub standard_error: f64,
}

/// How much is counted while nothing is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LevelOf {
    /// The centre of the limits: a share, a count, a rate, units or minutes between events.
    pub centre: f64,
    /// Units of a sample; nothing between events.
    pub size: Option<f64>,
    /// How much more points vary than by chance (p-prime, u-prime).
    pub sigma_z: Option<f64>,
}

/// A figure and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// The figure.
    pub value: f64,
    /// Its standard error; 0 where it is exact.
    pub standard_error: f64,
}

/// How soon one change is found.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Found {
    /// `step`, `rate` or `drift`.
    pub change: &'static str,
    /// Sigmas, times the rate, or sigmas a point.
    pub size: f64,
    /// The mean number of points.
    pub mean: Option<f64>,
    /// Its standard error; 0 where it is exact.
    pub standard_error: Option<f64>,
    /// Between events: the mean number of units, or of minutes, that those points take.
    pub between: Option<f64>,
    /// Points within which half are found.
    pub half: Option<f64>,
    /// Points within which nine of ten are found.
    pub ninety: Option<f64>,
}

/// What all characteristics of a line add up to.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    /// The line.
    pub line: String,
    /// False alerts expected in a shift.
    pub false_alerts_per_shift: f64,
    /// False alerts allowed.
    pub budget: f64,
}

/// Everything rehearsed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Rehearsed {
    /// The characteristics, in the order of the configuration, by line.
    pub characteristics: Vec<Row>,
    /// The lines.
    pub lines: Vec<Line>,
}

/// Streams of a characteristic on a line, and their points in a shift.
#[derive(Clone, Copy, Debug, Default)]
struct Load {
    streams: usize,
    points: f64,
    /// The run length that the newest limits of its streams were made for.
    run_length: Option<f64>,
    /// Of counts: their level, as a mean over streams that have limits, and how many these are.
    level: Option<(Level, f64)>,
}

/// What is simulated of a characteristic.
#[derive(Clone, Debug, Default)]
struct Figures {
    run_length: Option<Figure>,
    delays: Vec<Found>,
    in_baseline: Vec<FoundEarly>,
    note: Option<String>,
}

type Loads = BTreeMap<(usize, String), Load>;

fn positive(text: &str) -> Result<f64, String> {
    let number: f64 = text
        .parse()
        .map_err(|_| format!("{text} is not a number"))?;
    let fits = number > 0.0 && number <= 1e6;
    fits.then_some(number)
        .ok_or_else(|| "it must be above 0 and at most 1e6".to_owned())
}

/// Rehearses every characteristic.
///
/// # Errors
///
/// When the record can not be read. That there is none yet is no error.
pub fn rehearse(config: &Config, options: &Options) -> Result<Rehearsed, CommandError> {
    let measured = match Reader::open(&config.data_folder) {
        Ok(reader) => measured(config, &reader)?,
        Err(StoreError::Nothing(_)) => Loads::new(),
        Err(error) => return Err(error.into()),
    };
    let loads = with_assumed(config, options, &measured);
    // Characteristics that are watched alike have the same figures.
    let mut known: BTreeMap<String, Figures> = BTreeMap::new();
    let mut rows = Vec::new();
    for ((place, line), load) in &loads {
        let what = &config.characteristics[*place];
        let is_measured = measured.contains_key(&(*place, line.clone()));
        let stated = stated(config, &loads, (*place, line), load);
        let level = level(what, load, (options, shift_minutes(config)));
        let figures = known
            .entry(watched(what, stated, level))
            .or_insert_with(|| figures(what, (stated, level), options));
        let mut row = row(what, (line, load), (stated, is_measured), figures);
        row.level = level.map(level_of);
        rows.push(row);
    }
    let names: BTreeSet<&String> = rows.iter().map(|row| &row.line).collect();
    let sum = |line: &str| {
        let own = rows.iter().filter(|row| row.line == line);
        own.filter_map(|row| row.false_alerts_per_shift).sum()
    };
    let lines = names
        .iter()
        .map(|line| Line {
            line: (*line).clone(),
            false_alerts_per_shift: sum(line),
            budget: config.false_alerts_per_shift,
        })
        .collect();
    Ok(Rehearsed {
        characteristics: rows,
        lines,
    })
}

/// Streams and rates of the record: points of a day before the newest event.
fn measured(config: &Config, reader: &Reader) -> Result<Loads, CommandError> {
    let streams = reader.streams()?;
    let limits = reader.limits(None)?;
    let newest = streams
        .iter()
        .map(|stream| stream.newest)
        .max()
        .unwrap_or(0);
    let mut loads = Loads::new();
    for stream in &streams {
        let named = |what: &Characteristic| what.name == stream.characteristic;
        let Some(place) = config.characteristics.iter().position(named) else {
            continue;
        };
        let name = StreamName {
            characteristic: place,
            keys: stream.keys.clone(),
        };
        let line = station_of(config, &name).1.to_string();
        let rows = reader.points(stream.id, newest.saturating_sub(WINDOW_US), i64::MAX)?;
        // A record of an hour has an eighth of a shift's points, not all of them.
        let span = rows.first().map_or(0, |first| newest - first.at) as f64 / MINUTE_US;
        let shifts = span.max(SPAN_MINUTES_MIN) / shift_minutes(config);
        let load = loads.entry((place, line)).or_default();
        load.streams += 1;
        load.points += rows.len() as f64 / shifts;
        let own = limits.iter().rfind(|limits| limits.stream == stream.id);
        load.run_length = own.map(|own| own.detection.run_length).or(load.run_length);
        load.level = own.map_or(load.level, |own| joined(load.level, own, &rows));
    }
    Ok(loads)
}

/// The mean level of streams, one more of them included.
fn joined(
    so_far: Option<(Level, f64)>,
    own: &LimitsRow,
    points: &[PointRow],
) -> Option<(Level, f64)> {
    let limits = &own.limits;
    let count = points.len().max(1) as f64;
    let one = Level {
        kind: limits.kind,
        centre: limits.centre,
        size: points.iter().map(|point| point.size).sum::<f64>() / count,
        sigma_z: limits.sigma_z().unwrap_or(1.0),
    };
    let Some((all, streams)) = so_far.filter(|(all, _)| all.kind == one.kind) else {
        return Some((one, 1.0));
    };
    let mean = |all: f64, one: f64| (all * streams + one) / (streams + 1.0);
    let level = Level {
        kind: one.kind,
        centre: mean(all.centre, one.centre),
        size: mean(all.size, one.size),
        sigma_z: mean(all.sigma_z, one.sigma_z),
    };
    Some((level, streams + 1.0))
}

/// The level at which counts are rehearsed: that of the record, else the assumed one.
fn level(what: &Characteristic, load: &Load, (options, minutes): (&Options, f64)) -> Option<Level> {
    if !what.subject.is_counted() {
        return None;
    }
    let known = load.level.filter(|(level, _)| level.kind == what.chart);
    let (centre, size, sigma_z) = match known {
        Some((level, _)) => (level.centre, level.size, level.sigma_z),
        None => {
            let centre = match what.chart {
                ChartKind::C => options.counted,
                ChartKind::G => options.inspected / options.counted,
                ChartKind::T => minutes * load.streams as f64 / load.points,
                _ => options.counted / options.inspected,
            };
            (centre, options.inspected, 1.0)
        }
    };
    Some(Level {
        kind: what.chart,
        centre,
        // Shares are of whole units.
        size: size.round().max(1.0),
        sigma_z,
    })
}

fn level_of(level: Level) -> LevelOf {
    let varies = matches!(level.kind, ChartKind::PPrime | ChartKind::UPrime);
    LevelOf {
        centre: level.centre,
        size: (!is_between(level.kind)).then_some(level.size),
        sigma_z: varies.then_some(level.sigma_z),
    }
}

/// Characteristics that the record does not know yet get one stream on each line of their station.
fn with_assumed(config: &Config, options: &Options, measured: &Loads) -> Loads {
    let mut loads = measured.clone();
    for (place, what) in config.characteristics.iter().enumerate() {
        if measured.keys().any(|(known, _)| *known == place) {
            continue;
        }
        let feeds = config
            .feeds
            .iter()
            .filter(|feed| feed.station == what.station);
        for line in feeds
            .map(|feed| feed.line.clone())
            .collect::<BTreeSet<String>>()
        {
            let load = Load {
                streams: 1,
                points: options.points,
                ..Load::default()
            };
            loads.insert((place, line), load);
        }
    }
    loads
}

/// The run length of a characteristic's streams: stated, that of their limits, or from the budget.
fn stated(config: &Config, loads: &Loads, at: (usize, &str), load: &Load) -> f64 {
    let what = &config.characteristics[at.0];
    if let Some(stated) = what.run_length {
        return f64::from(stated);
    }
    if let Some(made_for) = load.run_length {
        return made_for;
    }
    let shares = |place: usize, line: &str| {
        line == at.1 && config.characteristics[place].station == what.station
    };
    let own = loads
        .iter()
        .filter(|((place, line), _)| shares(*place, line));
    let points: f64 = own.map(|(_, load)| load.points).sum();
    stepped(points / allowed(config, &(what.station, at.1.into())))
}

fn row(
    what: &Characteristic,
    (line, load): (&str, &Load),
    (stated, measured): (f64, bool),
    figures: &Figures,
) -> Row {
    let length = figures.run_length.map_or(stated, |found| found.value);
    Row {
        characteristic: what.name.clone(),
        line: line.to_owned(),
        detectors: detectors(what),
        streams: load.streams,
        points_per_shift: load.points,
        measured,
        level: None,
        stated_run_length: stated,
        run_length: figures.run_length,
        false_alerts_per_shift: Some(load.points / length),
        delays: figures.delays.clone(),
        in_baseline: figures.in_baseline.clone(),
        note: figures.note.clone(),
    }
}

/// Everything that the figures of a characteristic depend on.
fn watched(what: &Characteristic, stated: f64, level: Option<Level>) -> String {
    let chart = (
        what.chart,
        &what.subgroup,
        what.baseline,
        what.widen,
        what.exact_limits,
    );
    let detectors = (
        &what.detection,
        what.ewma_weight,
        what.limit_width,
        &what.rules,
    );
    let subject = &what.subject;
    format!("{chart:?} {detectors:?} {stated} {level:?} {subject:?}")
}

fn figures(
    what: &Characteristic,
    (stated, level): (f64, Option<Level>),
    options: &Options,
) -> Figures {
    let mut figures = Figures::default();
    let Some(mut rehearsal) = Rehearsal::new(what, stated, level) else {
        figures.note = level.map(|level| {
            let centre = level.centre;
            format!("no chart has a centre of {centre}: say --inspected and --counted")
        });
        return figures;
    };
    let runs = options.runs as usize;
    let effort = match level {
        // Counts have no short way: every point to a false signal is made.
        Some(_) => Effort {
            runs: options.runs,
            ..Effort::default()
        },
        None => Effort::default(),
    };
    let seed = options.seed;
    match rehearsal.in_control(Effort { seed, ..effort }) {
        Ok(found) => {
            let short = found.mean + 3.0 * found.standard_error < SHORT * stated;
            figures.note = short.then(|| shortened(what, stated));
            figures.run_length = Some(Figure {
                value: found.mean,
                standard_error: found.standard_error,
            });
        }
        Err(error) => figures.note = Some(error.to_string()),
    }
    for (name, size, change) in changes(level.is_some(), options.drift) {
        match rehearsal.delay(change, runs, seed) {
            Ok(found) => {
                let mean = found.map(|found| found.mean);
                figures.delays.push(Found {
                    change: name,
                    size,
                    mean,
                    standard_error: found.map(|found| found.error),
                    between: level.and_then(|level| lasting(&level, change, mean?)),
                    half: found.and_then(|found| found.half),
                    ninety: found.and_then(|found| found.ninety),
                });
            }
            Err(error) => figures.note = Some(error.to_string()),
        }
    }
    let early = EARLY.iter().filter_map(|size| {
        let found = rehearsal.early(Change::Step(*size), runs, seed)?;
        Some(FoundEarly {
            size: *size,
            share: found.share,
            standard_error: found.error,
        })
    });
    figures.in_baseline = early.collect();
    figures
}

/// The changes that are rehearsed, with their names and sizes.
fn changes(is_counted: bool, drift: f64) -> Vec<(&'static str, f64, Change)> {
    let (name, sizes) = match is_counted {
        true => ("rate", TIMES.as_slice()),
        false => ("step", SHIFTS.as_slice()),
    };
    let steps = sizes.iter().map(|size| (name, *size, Change::Step(*size)));
    steps
        .chain([("drift", drift, Change::Drift(drift))])
        .collect()
}

/// How many units, or minutes, so many events take at a rate that has changed at once: whatever
/// ends the waiting, their number times their mean (A. Wald, Annals of Mathematical Statistics
/// 15(3) 1944; from memory).
fn lasting(level: &Level, change: Change, events: f64) -> Option<f64> {
    let Change::Step(times) = change else {
        return None;
    };
    is_between(level.kind).then_some(events * level.centre / times)
}

/// Why the run length is below the one that was asked for.
fn shortened(what: &Characteristic, stated: f64) -> String {
    let why = match (what.rules.is_empty(), what.limit_width) {
        (false, Some(_)) => "the budget covers neither run rules nor a stated limit_width",
        (false, None) => "the budget does not cover run rules",
        (true, Some(_)) => "the budget does not cover a stated limit_width",
        (true, None) if what.subject.is_counted() && !what.exact_limits => {
            "counts are skewed, which exact_limits takes into account"
        }
        (true, None) => "the thresholds of this many detectors come short",
    };
    format!("less than the {stated:.0} points asked for: {why}")
}

fn detectors(what: &Characteristic) -> Vec<String> {
    let own = what.detection.iter().map(|detector| match detector {
        Detector::Limits => "limits",
        Detector::Cusum => "cusum",
        Detector::Ewma => "ewma",
    });
    let rules = what.rules.iter().map(|rule| rule.name());
    own.chain(rules).map(str::to_owned).collect()
}
