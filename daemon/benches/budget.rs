//! How many false alerts a line in control has, beside the budget that was stated for it.
//!
//! An invented printer line on which every deposit of a large panel has five measures with charts
//! of their own: 15,560 streams. Everything is normal and nothing ever changes, so that each alert
//! is a false one. Knows the program only through its library. The invariant: the same seed gives
//! the same counts, and a run in which a stream has no limits is an error, not a result.

#![expect(
    clippy::print_stdout,
    reason = "the figures are what this program is for"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, anyhow, ensure};
use driftvane::block::{Block, Column, Lines, Values};
use driftvane::config::{Config, read};
use driftvane::engine::{
    AlertFacts, Effects, Engine, Kin, LimitsVersion, Sorted, Trace, grouped, stream_label,
};
use driftvane::words::{Call, Review, Role};
use spc::simulation::Normals;

/// Boards of a panel, components of a board and deposits of a board.
const POSITIONS: usize = 8;
const COMPONENTS: usize = 128;
const DEPOSITS: usize = 389;

/// Deposits of a panel, a row each.
const ROWS: usize = POSITIONS * DEPOSITS;

/// Measures of a deposit, with their level and sigma. Volume follows height and area.
const MEASURES: [(&str, f64, f64); 5] = [
    ("height", 120.0, 6.0),
    ("area", 100.0, 4.0),
    ("volume", 100.0, 7.0),
    ("offset-x", 0.0, 12.0),
    ("offset-y", 0.0, 12.0),
];
const VOLUME: usize = 2;

/// What height and area make of volume, in sigmas.
const HEIGHT_IN_VOLUME: f64 = 0.7;
const AREA_IN_VOLUME: f64 = 0.5;

const STREAMS: usize = ROWS * MEASURES.len();

/// Shifts after a baseline, and panels of a shift of eight hours.
const SHIFTS: usize = 10;
const PANELS: usize = 60;
const MINUTE_US: i64 = 60_000_000;
const PANEL_US: i64 = 8 * 60 * MINUTE_US / PANELS as i64;

/// Panels that the engine gets at once. How many changes nothing but the time that it takes.
const AT_ONCE: usize = 10;

/// 1 June 2026, 06:00 UTC, in microseconds.
const BEGIN_US: i64 = 1_780_293_600_000_000;

/// What is asked.
#[derive(Clone, Copy)]
struct Case {
    /// False alerts that the line may have in a shift.
    allowed: f64,
    /// Which part of a measure's variance all deposits of a panel share.
    shared: f64,
    /// Panels of a baseline.
    baseline: usize,
    /// How many plants that differ by their seed.
    plants: u64,
}

const CASES: [Case; 6] = [
    Case::of(20.0, 0.0, 50, 2),
    Case::of(20.0, 0.2, 50, 2),
    Case::of(1.0, 0.2, 50, 10),
    Case::of(20.0, 0.2, 25, 2),
    Case::of(1.0, 0.2, 25, 4),
    Case::of(20.0, 0.2, 100, 2),
];

impl Case {
    const fn of(allowed: f64, shared: f64, baseline: usize, plants: u64) -> Case {
        Case {
            allowed,
            shared,
            baseline,
            plants,
        }
    }
}

/// What one plant came to.
struct Outcome {
    seed: u64,
    /// The run length that the budget led to.
    run_length: f64,
    /// False episodes of streams while their baselines were taken.
    in_baseline: usize,
    /// False episodes of streams that began in each shift.
    episodes: [usize; SHIFTS],
    /// How many of them limits alone signalled.
    by_limits: usize,
    /// Streams that had an episode, in a baseline or after it.
    streams: usize,
    /// Alerts that began in each shift: episodes of one cause are one.
    alerts: [usize; SHIFTS],
}

/// What the engine has asked to be kept, as far as it is counted here.
#[derive(Default)]
struct Kept {
    alerts: BTreeMap<(usize, i64), AlertFacts>,
    limited: BTreeSet<usize>,
    run_lengths: BTreeSet<u64>,
}

fn main() -> anyhow::Result<()> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/results");
    fs::create_dir_all(&folder)?;
    println!("{STREAMS} streams in control, {SHIFTS} shifts of {PANELS} panels");
    let mut table = "allowed_a_shift,shared,baseline,seed,panels_a_shift,shifts,in_control_length,\
                     in_baseline,episodes_a_shift,beyond_limits_alone,alerts_a_shift\n"
        .to_owned();
    for case in CASES {
        let outcomes = plants(case)?;
        let (allowed, shared, baseline) = (case.allowed, case.shared, case.baseline);
        for one in &outcomes {
            let mean = |counts: &[usize; SHIFTS]| summary(std::iter::once(counts)).0;
            writeln!(
                table,
                "{allowed},{shared},{baseline},{},{PANELS},{SHIFTS},{},{},{:.1},{:.1},{:.1}",
                one.seed,
                one.run_length,
                one.in_baseline,
                mean(&one.episodes),
                one.by_limits as f64 / SHIFTS as f64,
                mean(&one.alerts),
            )?;
        }
        print_case(case, &outcomes);
        fs::write(folder.join("budget.csv"), &table)?;
    }
    Ok(())
}

/// Prints what all plants of a case came to.
fn print_case(case: Case, outcomes: &[Outcome]) {
    let Case {
        allowed,
        shared,
        baseline,
        ..
    } = case;
    let plants = outcomes.len();
    let length = outcomes.first().map_or(f64::NAN, |one| one.run_length);
    let solved = (STREAMS * PANELS) as f64 / length;
    println!(
        "\n{allowed} false alerts a shift, {shared} of the variance shared, baselines of \
         {baseline}, {plants} plants: a run length of {length}, which is {solved:.3} a shift"
    );
    let print = |what: &str, (mean, error): (f64, f64)| {
        println!(
            "{what:<22} {mean:>8.3} a shift, standard error {error:.3}; {:.3} of the budget, {:.3}",
            mean / allowed,
            error / allowed,
        );
    };
    let episodes = outcomes.iter().map(|one| &one.episodes);
    print("streams out of control", summary(episodes));
    print(
        "alerts of one cause",
        summary(outcomes.iter().map(|one| &one.alerts)),
    );
    let shift = |shift: usize| -> usize { outcomes.iter().map(|one| one.episodes[shift]).sum() };
    let by_shift = (0..SHIFTS).map(|place| format!("{:.1}", shift(place) as f64 / plants as f64));
    println!(
        "streams, shift by shift: {}",
        by_shift.collect::<Vec<_>>().join(" ")
    );
    let streams: usize = outcomes.iter().map(|one| one.streams).sum();
    println!(
        "streams that were ever out of control: {:.1} a plant",
        streams as f64 / plants as f64
    );
    let limits: usize = outcomes.iter().map(|one| one.by_limits).sum();
    println!(
        "beyond limits alone: {:.2} a shift",
        limits as f64 / (plants * SHIFTS) as f64
    );
    let early: usize = outcomes.iter().map(|one| one.in_baseline).sum();
    println!(
        "while baselines were taken: {:.1} a plant",
        early as f64 / plants as f64
    );
}

/// The mean of all shifts and its standard error, shifts taken as independent.
fn summary<'a>(plants: impl Iterator<Item = &'a [usize; SHIFTS]>) -> (f64, f64) {
    let all: Vec<f64> = plants.flatten().map(|count| *count as f64).collect();
    let count = all.len() as f64;
    let mean = all.iter().sum::<f64>() / count;
    let squares: f64 = all.iter().map(|one| (one - mean).powi(2)).sum();
    (mean, (squares / (count - 1.0) / count).sqrt())
}

/// The plants of a case, as many at once as there are cores.
fn plants(case: Case) -> anyhow::Result<Vec<Outcome>> {
    let cores = std::thread::available_parallelism()?.get();
    let seeds: Vec<u64> = (1..=case.plants).collect();
    let mut outcomes = Vec::new();
    for some in seeds.chunks(cores) {
        let done: Vec<anyhow::Result<Outcome>> = std::thread::scope(|scope| {
            let start = |seed: &u64| {
                let seed = *seed;
                scope.spawn(move || plant(case, seed))
            };
            let running: Vec<_> = some.iter().map(start).collect();
            let ended = running.into_iter().map(std::thread::ScopedJoinHandle::join);
            ended
                .map(|one| one.unwrap_or_else(|_| Err(anyhow!("a plant broke off"))))
                .collect()
        });
        for outcome in done {
            let one = outcome?;
            let (episodes, alerts) = (&one.episodes, &one.alerts);
            println!("seed {}: streams {episodes:?}, alerts {alerts:?}", one.seed);
            outcomes.push(one);
        }
    }
    Ok(outcomes)
}

/// Lets one plant run through baseline and shifts.
fn plant(case: Case, seed: u64) -> anyhow::Result<Outcome> {
    let text = config_text(case)?;
    let config = Arc::new(read::read(&text, Path::new("/invented"))?);
    let mut engine = Engine::new(Arc::clone(&config));
    let mut draw = Normals::new(seed);
    let mut kept = Kept::default();
    let panels = case.baseline + SHIFTS * PANELS;
    for first in (0..panels).step_by(AT_ONCE) {
        let block = block(first..panels.min(first + AT_ONCE), case.shared, &mut draw);
        engine.take(Sorted::of(&config, &block));
        engine.settle_each(&mut |effects| kept.take(effects));
    }
    ensure!(
        engine.streams().len() == STREAMS && kept.limited.len() == STREAMS,
        "{} streams have limits instead of {STREAMS}",
        kept.limited.len()
    );
    ensure!(kept.run_lengths.len() == 1, "streams differ in run length");
    let length = kept.run_lengths.first().context("no run length")?;
    Ok(kept.counted(
        &engine,
        &config,
        case.baseline,
        (seed, f64::from_bits(*length)),
    ))
}

impl Kept {
    fn take(&mut self, effects: Effects) {
        for (stream, first_at, _) in effects.withdrawn {
            self.alerts.remove(&(stream, first_at));
        }
        for alert in effects.alerts {
            self.alerts.insert((alert.stream, alert.first_at), alert);
        }
        for (stream, LimitsVersion { detection, .. }) in effects.limits {
            self.limited.insert(stream);
            self.run_lengths.insert(detection.run_length.to_bits());
        }
    }

    /// Counts what began in each shift, before and after what has one cause is one.
    fn counted(
        &self,
        engine: &Engine,
        config: &Config,
        baseline: usize,
        (seed, run_length): (u64, f64),
    ) -> Outcome {
        let traces: Vec<Trace> = self
            .alerts
            .values()
            .zip(0..)
            .map(|(alert, episode)| {
                let name = engine.streams()[alert.stream].name();
                let what = &config.characteristics[name.characteristic];
                Trace {
                    episode,
                    first_at: alert.first_at,
                    first_unit: Arc::clone(&alert.first_unit),
                    stream: Arc::from(stream_label(what, &name.keys)),
                    returned_at: alert.returned_at,
                    kin: Arc::new(Kin::of(config, name)),
                }
            })
            .collect();
        let begun: Vec<i64> = traces.iter().map(|one| one.first_at).collect();
        let groups = grouped(Vec::new(), traces, config.alerts.near_us);
        let first = groups.iter().filter_map(|group| group.members.first());
        let founded: Vec<i64> = first.map(|one| one.first_at).collect();
        Outcome {
            seed,
            run_length,
            in_baseline: begun
                .iter()
                .filter(|at| shift_of(**at, baseline).is_none())
                .count(),
            episodes: by_shift(&begun, baseline),
            by_limits: self.by_limits(baseline),
            streams: self
                .alerts
                .keys()
                .map(|key| key.0)
                .collect::<BTreeSet<_>>()
                .len(),
            alerts: by_shift(&founded, baseline),
        }
    }
}

impl Kept {
    /// Episodes after the baseline that no detector of lasting shifts had a part in.
    fn by_limits(&self, baseline: usize) -> usize {
        let alone = |alert: &&AlertFacts| {
            alert.rules == "beyond_limits" && shift_of(alert.first_at, baseline).is_some()
        };
        self.alerts.values().filter(alone).count()
    }
}

fn by_shift(begun: &[i64], baseline: usize) -> [usize; SHIFTS] {
    let mut counts = [0; SHIFTS];
    for shift in begun.iter().filter_map(|at| shift_of(*at, baseline)) {
        counts[shift] += 1;
    }
    counts
}

/// The shift of a time; nothing while baselines are taken.
fn shift_of(at: i64, baseline: usize) -> Option<usize> {
    let panel = ((at - BEGIN_US) / PANEL_US) as usize;
    panel.checked_sub(baseline).map(|after| after / PANELS)
}

/// Panels in control, a row a deposit.
fn block(panels: Range<usize>, shared: f64, draw: &mut Normals) -> Block {
    let rows = panels.len() * ROWS;
    let mut values = vec![Vec::with_capacity(rows); MEASURES.len()];
    for _ in panels.clone() {
        panel(shared, draw, &mut values);
    }
    let of_row = |code: fn(usize) -> usize, words: Vec<String>| Column::PerRow {
        codes: (0..rows).map(|row| code(row) as u32).collect(),
        words: words.into_iter().map(Arc::from).collect(),
    };
    let named = |letter: &str, count: usize| -> Vec<String> {
        (1..=count)
            .map(|number| format!("{letter}{number}"))
            .collect()
    };
    let mut keys = [const { Column::Absent }; Role::COUNT];
    keys[Role::Panel.index()] = of_row(
        |row| row / ROWS,
        panels.clone().map(|panel| format!("P{panel:05}")).collect(),
    );
    keys[Role::Position.index()] = of_row(|row| row % ROWS / DEPOSITS, named("", POSITIONS));
    keys[Role::Component.index()] =
        of_row(|row| row % DEPOSITS % COMPONENTS, named("C", COMPONENTS));
    keys[Role::Pin.index()] = of_row(
        |row| row % DEPOSITS / COMPONENTS,
        named("", DEPOSITS.div_ceil(COMPONENTS)),
    );
    let at = panels.map(|panel| BEGIN_US + panel as i64 * PANEL_US);
    Block {
        feed: 0,
        rows,
        at: at.flat_map(|at| std::iter::repeat_n(at, ROWS)).collect(),
        keys,
        attempt: vec![1; rows],
        call: vec![Call::Absent; rows],
        review: vec![Review::Pending; rows],
        opportunities: vec![0; rows],
        values: Values::Wide(values),
        lines: Lines::default(),
    }
}

/// The readings of a panel. Of each measure's variance a part is common to all of its deposits.
fn panel(shared: f64, draw: &mut Normals, values: &mut [Vec<f64>]) {
    let (of_panel, own) = (shared.sqrt(), (1.0 - shared).sqrt());
    let rest = (1.0 - HEIGHT_IN_VOLUME.powi(2) - AREA_IN_VOLUME.powi(2)).sqrt();
    let common: [f64; MEASURES.len()] = std::array::from_fn(|_| of_panel * draw.draw());
    for _ in 0..ROWS {
        let mut z = common.map(|common| common + own * draw.draw());
        z[VOLUME] = HEIGHT_IN_VOLUME * z[0] + AREA_IN_VOLUME * z[1] + rest * z[VOLUME];
        for ((column, z), (_, level, sigma)) in values.iter_mut().zip(z).zip(MEASURES) {
            column.push(level + sigma * z);
        }
    }
}

/// An invented printer line with a chart for each measure of each deposit.
fn config_text(case: Case) -> anyhow::Result<String> {
    let allowed = case.allowed;
    let mut text = format!(
        r#"
[plant]
name = "Invented works"
time_zone = "UTC"
lateness_minutes = 0
[[shift]]
name = "early"
starts = "06:00"
[[shift]]
name = "late"
starts = "14:00"
[[shift]]
name = "night"
starts = "22:00"
[alerts]
false_alerts_per_shift = {allowed}
linked_measures = [["height", "area", "volume"]]
[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "paste"
[feed.time]
columns = ["Time"]
format = "rfc3339"
[feed.roles]
panel = "Panel"
position = "Place"
component = "Part"
pin = "Pin"
"#
    );
    for (name, _, _) in MEASURES {
        write!(
            text,
            "[[feed.measure]]\nname = \"{name}\"\ncolumn = \"{name}\"\nunit = \"um\"\n"
        )?;
    }
    for (name, _, _) in MEASURES {
        write!(
            text,
            r#"
[[characteristic]]
name = "{name}"
station = "paste"
measure = "{name}"
group_by = ["line", "position", "component", "pin"]
subgroup = "panel"
chart = "individuals"
baseline = {}
"#,
            case.baseline
        )?;
    }
    Ok(text)
}
