//! `driftvane rehearse`: what the configured detectors will do, before they do it.
//!
//! For each characteristic: how often it signals without cause beside the line's budget, and how
//! soon a shift or a drift is found, on made points that the engine judges. Rates of points come
//! from the record where there is one, else they are assumed. Must not know how a detector works.
//! The one invariant: the same seed, configuration and record give the same figures.

use std::collections::{BTreeMap, BTreeSet};

use clap::Args;
use serde::Serialize;
use spc::runlength::{Change, Effort};

use super::CommandError;
use crate::config::{Characteristic, Config, Detector};
use crate::engine::{Rehearsal, StreamName, allowed, shift_minutes, station_of, stepped};
use crate::output::{self, Cell, Format, Table, significant};
use crate::store::{Reader, StoreError};

/// Shifts that are rehearsed, in sigmas of the plotted value.
const SHIFTS: [f64; 4] = [0.5, 1.0, 2.0, 3.0];

/// Shifts within a baseline that are rehearsed.
const EARLY: [f64; 3] = [1.0, 2.0, 3.0];

/// Microseconds before the newest event that a stream's rate is taken from: a day.
const WINDOW_US: i64 = 86_400_000_000;

/// A run length below this share of the one that was asked for is remarked on. Thresholds keep it
/// within 5 %.
const SHORT: f64 = 0.95;

const MINUTE_US: f64 = 60_000_000.0;

/// What can be asked for.
#[derive(Args, Clone, Debug)]
pub struct Options {
    /// The drift that is rehearsed, in sigmas of the plotted value a point.
    #[arg(long, default_value_t = 0.02, value_parser = positive)]
    pub drift: f64,
    /// Points of a stream in a shift, where the record does not tell.
    #[arg(long, default_value_t = 100.0, value_parser = positive)]
    pub points: f64,
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

/// A simulated figure.
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
    /// `step` or `drift`.
    pub change: &'static str,
    /// Sigmas, or sigmas a point.
    pub size: f64,
    /// The mean number of points.
    pub mean: Option<f64>,
    /// Its standard error.
    pub standard_error: Option<f64>,
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
        let figures = known
            .entry(watched(what, stated))
            .or_insert_with(|| figures(what, stated, options));
        rows.push(row(what, (line, load), (stated, is_measured), figures));
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
        let span = rows.first().map_or(0, |first| newest - first.at) as f64 / MINUTE_US;
        let shifts = (span / shift_minutes(config)).max(1.0);
        let load = loads.entry((place, line)).or_default();
        load.streams += 1;
        load.points += rows.len() as f64 / shifts;
        let own = limits.iter().rfind(|limits| limits.stream == stream.id);
        load.run_length = own.map(|own| own.detection.run_length).or(load.run_length);
    }
    Ok(loads)
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
                run_length: None,
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
    // Counts are judged by limits of the stated length, whatever their level.
    let length = figures.run_length.map_or(stated, |found| found.value);
    Row {
        characteristic: what.name.clone(),
        line: line.to_owned(),
        detectors: detectors(what),
        streams: load.streams,
        points_per_shift: load.points,
        measured,
        stated_run_length: stated,
        run_length: figures.run_length,
        false_alerts_per_shift: Some(load.points / length),
        delays: figures.delays.clone(),
        in_baseline: figures.in_baseline.clone(),
        note: figures.note.clone(),
    }
}

/// Everything that the figures of a characteristic depend on.
fn watched(what: &Characteristic, stated: f64) -> String {
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
    format!("{chart:?} {detectors:?} {stated}")
}

fn figures(what: &Characteristic, stated: f64, options: &Options) -> Figures {
    let mut figures = Figures::default();
    let Some(mut rehearsal) = Rehearsal::new(what, stated) else {
        let text = if what.subject.is_counted() {
            "counts are not rehearsed: how they vary depends on how many there are"
        } else {
            "several measures together are not rehearsed: how they move together is not known"
        };
        figures.note = Some(text.to_owned());
        return figures;
    };
    let effort = Effort {
        seed: options.seed,
        ..Effort::default()
    };
    match rehearsal.in_control(effort) {
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
    let steps = SHIFTS.map(|size| ("step", size, Change::Step(size)));
    let drift = ("drift", options.drift, Change::Drift(options.drift));
    for (name, size, change) in steps.into_iter().chain([drift]) {
        match rehearsal.delay(change, options.runs as usize, options.seed) {
            Ok(found) => figures.delays.push(Found {
                change: name,
                size,
                mean: found.map(|found| found.mean),
                standard_error: found.map(|found| found.error),
                half: found.and_then(|found| found.half),
                ninety: found.and_then(|found| found.ninety),
            }),
            Err(error) => figures.note = Some(error.to_string()),
        }
    }
    let early = EARLY.iter().filter_map(|size| {
        let found = rehearsal.early(Change::Step(*size), options.runs as usize, options.seed)?;
        Some(FoundEarly {
            size: *size,
            share: found.share,
            standard_error: found.error,
        })
    });
    figures.in_baseline = early.collect();
    figures
}

/// Why the run length is below the one that was asked for.
fn shortened(what: &Characteristic, stated: f64) -> String {
    let why = match (what.rules.is_empty(), what.limit_width) {
        (false, Some(_)) => "the budget covers neither run rules nor a stated limit_width",
        (false, None) => "the budget does not cover run rules",
        (true, Some(_)) => "the budget does not cover a stated limit_width",
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
    output::print_rows(format, &by_characteristic(&rehearsed), &rehearsed)?;
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
    Ok(output::print(&text)?)
}

fn by_characteristic(rehearsed: &Rehearsed) -> Table {
    let mut table = Table::new(&[
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
    ]);
    let figure = |points: Option<f64>| points.map_or_else(|| "-".to_owned(), |n| n.to_string());
    for row in &rehearsed.characteristics {
        let mut cells: Vec<Cell> = vec![
            row.characteristic.as_str().into(),
            row.line.as_str().into(),
            row.detectors.join(" ").into(),
            (row.streams as u64).into(),
            row.points_per_shift.into(),
            row.run_length.map(|found| found.value).into(),
            row.false_alerts_per_shift.into(),
        ];
        for place in 0..=SHIFTS.len() {
            let found = row.delays.get(place);
            let text = |found: &Found| format!("{} ({})", figure(found.half), figure(found.ninety));
            cells.push(found.map(text).into());
        }
        let early = row
            .in_baseline
            .iter()
            .map(|found| (100.0 * found.share).round().to_string());
        cells.push(early.collect::<Vec<_>>().join(" ").into());
        cells.push(row.note.clone().into());
        table.push(cells);
    }
    table
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
        "half",
        "ninety",
        "share",
        "note",
    ]);
    for row in &rehearsed.characteristics {
        let mut push = |change: [Cell; 7]| {
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
            push([const { Cell::Empty }; 7]);
        }
        for found in &row.delays {
            push([
                found.change.into(),
                found.size.into(),
                found.mean.into(),
                found.standard_error.into(),
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
                found.share.into(),
            ]);
        }
    }
    table
}
