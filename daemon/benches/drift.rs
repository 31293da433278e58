//! How soon the demo's drift is alerted, and whether its onset lies in the set that the alert
//! states, over 50 seeds; beside the delay that `rehearse` predicts.
//!
//! Knows the program only through its library. The invariants: files, configuration and replay are
//! those of the demo; what was planted is only read to compare; a seed that tells nothing is
//! counted apart and never left out silently.

#![expect(
    clippy::print_stdout,
    reason = "the figures are what this program is for"
)]

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, ensure};
use driftvane::commands::alerts::Onset;
use driftvane::commands::chart::ChartFacts;
use driftvane::commands::rehearse::{self, Found};
use driftvane::commands::replay;
use driftvane::config::{Config, read};
use driftvane::plant::{Delivery, Plant, Planted};
use driftvane::store::alerts::{AlertRow, EpisodeRow};
use driftvane::store::query::{PointRow, StreamRow};
use driftvane::store::{Heard, Reader};
use spc::quality::{Proportion, first_pass_yield};

mod own_folder;

use own_folder::in_own_folder;

/// Seeds of each case, from 1.
const SEEDS: u64 = 50;

/// Made streams behind a prediction.
const REHEARSED: u32 = 4_000;

/// The characteristic whose stream drifts, and that stream.
const CHARACTERISTIC: &str = "paste-height";
const STREAM: &str = "paste-height/L1/demo-controller/fine/back";

/// The configuration of the invented plant, the gauge study it names, and its settings.
const CONFIG: &str = include_str!("../../sample-feeds/driftvane.toml");
const STUDY: &str = include_str!("../../sample-feeds/gauge/height.csv");
const PLANT: &str = include_str!("../../sample-feeds/plant.toml");

/// When the drift begins.
#[derive(Clone, Copy)]
struct Case {
    name: &'static str,
    /// Its first panel and how many there are; those of the demo where nothing is said.
    moved: Option<(i64, i64)>,
}

/// The baseline of 33 panels of the back stroke ends with panel 66.
const CASES: [Case; 2] = [
    Case {
        name: "demo",
        moved: None,
    },
    Case {
        name: "later",
        moved: Some((168, 260)),
    },
];

/// What one seed came to.
struct Seen {
    seed: u64,
    /// Sigma of the plotted value by the first limits.
    sigma: f64,
    /// Points judged before the drift.
    quiet: usize,
    end: End,
}

enum End {
    Alerted(Alerted),
    /// The stream had signalled before the drift.
    Before,
    Never,
}

/// The first signal after the drift began.
struct Alerted {
    /// Points since the drift began, this one included.
    delay: usize,
    /// By what.
    rule: String,
    /// The set of the alert, that is of its stream that says most; and that of the stream.
    stated: Set,
    own: Set,
}

/// Units between which an onset is said to lie.
struct Set {
    stream: String,
    ends: Option<(String, String)>,
    covers: bool,
}

fn main() -> anyhow::Result<()> {
    in_own_folder("drift", all)
}

fn all(folder: &Path) -> anyhow::Result<()> {
    let mut table = "case,seed,sigma_um,points_judged_before,outcome,delay,rule,lead,low,high,\
                     covered,own_low,own_high,own_covered\n"
        .to_owned();
    let mut sums = "case,figure,value,standard_error,low,high\n".to_owned();
    for case in CASES {
        let plant = Plant::from_toml(&settings(case)?)?;
        let mut all = Vec::new();
        let mut predicted = None;
        for seed in 1..=SEEDS {
            let own = folder.join(format!("{}-{seed}", case.name));
            let config = replayed(&plant, seed, &own)?;
            let one = seen(&config, &plant, seed)?;
            let row = row(case, &one)?;
            print!("{row}");
            table.push_str(&row);
            all.push(one);
            if seed == SEEDS {
                predicted = Some(predict(&config, slope()? / mean_sigma(&all))?);
            }
            fs::remove_dir_all(&own)?;
        }
        let predicted = predicted.context("a drift is rehearsed")?;
        sums.push_str(&summary(case, &all, &predicted)?);
    }
    print!("{sums}");
    keep("drift-seeds.csv", &table)?;
    keep("drift.csv", &sums)
}

fn keep(name: &str, text: &str) -> anyhow::Result<()> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("benches/results");
    fs::create_dir_all(&folder)?;
    fs::write(folder.join(name), text).with_context(|| format!("can not write {name}"))
}

/// The plant's settings with its drift where the case has it.
fn settings(case: Case) -> anyhow::Result<String> {
    let Some((first, panels)) = case.moved else {
        return Ok(PLANT.to_owned());
    };
    let mut settings: toml::Table = toml::from_str(PLANT)?;
    let general = settings.get_mut("plant").and_then(|one| one.as_table_mut());
    let general = general.context("the settings have a plant")?;
    general.insert("panels".to_owned(), panels.into());
    let drifts = settings.get_mut("paste_drift");
    let drift = drifts.and_then(|all| all.get_mut(0)?.as_table_mut());
    let drift = drift.context("the settings have a drift")?;
    drift.insert("from_panel".to_owned(), first.into());
    Ok(toml::to_string(&settings)?)
}

/// How much the plotted value changes with every point, in um.
fn slope() -> anyhow::Result<f64> {
    let settings: toml::Table = toml::from_str(PLANT)?;
    let drift = settings.get("paste_drift").and_then(|all| all.get(0));
    let slope = drift.and_then(|one| one.get("height_um_per_print")?.as_float());
    slope.map(f64::abs).context("the settings have a drift")
}

/// A seed's files, replayed into a record.
fn replayed(plant: &Plant, seed: u64, folder: &Path) -> anyhow::Result<Arc<Config>> {
    fs::create_dir_all(folder.join("gauge"))?;
    fs::write(folder.join("gauge/height.csv"), STUDY)?;
    let config = Arc::new(read::read(CONFIG, folder)?);
    for feed in &config.feeds {
        fs::create_dir_all(&feed.folder)?;
    }
    for delivery in plant.deliveries(seed) {
        deliver(folder, &delivery)?;
    }
    let outcome = replay::replay(&config, (&[], Heard::ByNone), &mut |_, _, _| {})?;
    ensure!(
        outcome.quarantined == 0 && outcome.rejects == 0,
        "seed {seed}: {} files were set aside, {} rows rejected",
        outcome.quarantined,
        outcome.rejects
    );
    Ok(config)
}

fn deliver(folder: &Path, delivery: &Delivery) -> std::io::Result<()> {
    let path = folder.join(delivery.station).join(&delivery.file_name);
    let mut file = File::options().create(true).append(true).open(path)?;
    file.write_all(&delivery.content)
}

/// What the record says of the drift.
fn seen(config: &Config, plant: &Plant, seed: u64) -> anyhow::Result<Seen> {
    let reader = Reader::open(&config.data_folder)?;
    let streams = reader.streams()?;
    let stream = streams.iter().find(|one| one.label == STREAM);
    let stream = stream.with_context(|| format!("there is no {STREAM}"))?;
    let facts = ChartFacts::read(&reader, stream.clone())?;
    let planted = plant.planted();
    let drift = planted.first().context("a drift is planted")?;
    let from = drift.from_at.as_microsecond();
    let limits = facts.limits.first().context("there are limits")?;
    let before = |point: &&_| is_judged_before(point, from);
    Ok(Seen {
        seed,
        sigma: limits.limits.sigma,
        quiet: facts.points.iter().filter(before).count(),
        end: end(config, &reader, (&streams, &facts), drift)?,
    })
}

fn is_judged_before(point: &PointRow, from: i64) -> bool {
    !point.baseline && point.at < from
}

fn end(
    config: &Config,
    reader: &Reader,
    (streams, facts): (&[StreamRow], &ChartFacts),
    drift: &Planted,
) -> anyhow::Result<End> {
    let from = drift.from_at.as_microsecond();
    let alerts = reader.alerts()?;
    let mut own: Vec<(&AlertRow, &EpisodeRow)> = alerts
        .iter()
        .flat_map(|alert| alert.members.iter().map(move |one| (alert, one)))
        .filter(|(_, one)| one.stream == facts.stream.id)
        .collect();
    own.sort_by_key(|(_, one)| one.first_at);
    let Some((alert, episode)) = own.first() else {
        return Ok(End::Never);
    };
    if episode.first_at < from {
        return Ok(End::Before);
    }
    let within = |at: i64| (from..=episode.first_at).contains(&at);
    let delay = facts.points.iter().filter(|point| within(point.at)).count();
    let lead = streams.iter().find(|one| one.id == alert.lead.stream);
    let lead = ChartFacts::read(reader, lead.context("the lead is known")?.clone())?;
    Ok(End::Alerted(Alerted {
        delay,
        rule: episode.rules.first().cloned().unwrap_or_default(),
        stated: set(config, reader, (&lead, &alert.lead), drift)?,
        own: set(config, reader, (facts, episode), drift)?,
    }))
}

/// The set that is stated, as `alerts` does. Numbers of panels are of one length, so their order is
/// that of their texts.
fn set(
    config: &Config,
    reader: &Reader,
    (facts, episode): (&ChartFacts, &EpisodeRow),
    drift: &Planted,
) -> anyhow::Result<Set> {
    let onset = Onset::of(config, reader, facts, episode)?;
    let ends = onset.low.zip(onset.high);
    let covers = |(low, high): &(String, String)| (low..=high).contains(&&drift.from_panel);
    Ok(Set {
        stream: facts.stream.label.clone(),
        covers: ends.as_ref().is_some_and(covers),
        ends,
    })
}

/// What `rehearse --drift` says of the record's characteristic.
fn predict(config: &Config, drift: f64) -> anyhow::Result<Found> {
    let mut config = config.clone();
    config
        .characteristics
        .retain(|what| what.name == CHARACTERISTIC);
    let options = rehearse::Options {
        drift,
        points: 100.0,
        inspected: 100.0,
        counted: 4.0,
        runs: REHEARSED,
        seed: 1,
    };
    let rehearsed = rehearse::rehearse(&config, &options)?;
    let mut rows = rehearsed.characteristics.iter();
    let row = rows.next().context("a characteristic is rehearsed")?;
    ensure!(row.measured, "the record tells the rate");
    println!(
        "rehearsed at {drift:.4} sigma a point, run length {:.0}",
        row.stated_run_length
    );
    let found = row.delays.iter().find(|one| one.change == "drift");
    found.copied().context("a drift is rehearsed")
}

fn mean_sigma(all: &[Seen]) -> f64 {
    all.iter().map(|one| one.sigma).sum::<f64>() / all.len() as f64
}

fn row(case: Case, one: &Seen) -> anyhow::Result<String> {
    let mut text = format!("{},{},{:.4},{},", case.name, one.seed, one.sigma, one.quiet);
    match &one.end {
        End::Before => text.push_str("before,,,,,,,,,"),
        End::Never => text.push_str("never,,,,,,,,,"),
        End::Alerted(found) => {
            let lead = &found.stated.stream;
            write!(text, "alerted,{},{},{lead}", found.delay, found.rule)?;
            for set in [&found.stated, &found.own] {
                let (low, high) = set.ends.clone().unwrap_or_default();
                write!(text, ",{low},{high},{}", set.covers)?;
            }
        }
    }
    text.push('\n');
    Ok(text)
}

fn summary(case: Case, all: &[Seen], predicted: &Found) -> anyhow::Result<String> {
    let alerted: Vec<&Alerted> = all
        .iter()
        .filter_map(|one| match &one.end {
            End::Alerted(found) => Some(found),
            _ => None,
        })
        .collect();
    let count = alerted.len() as f64;
    let delays = || alerted.iter().map(|found| found.delay as f64);
    let mean = delays().sum::<f64>() / count;
    let squares: f64 = delays().map(|delay| (delay - mean).powi(2)).sum();
    let error = (squares / (count - 1.0) / count).sqrt();
    let said = predicted.mean.context("the drift is found")?;
    let said_error = predicted.standard_error.unwrap_or(0.0);
    let ratio = mean / said;
    let ratio_error = ratio * (error / mean).hypot(said_error / said);
    let name = case.name;
    let mut text = String::new();
    let mut figure = |what: &str, value: f64, error: f64| {
        writeln!(text, "{name},{what},{value:.4},{error:.4},,")
    };
    figure("drift_sigma_a_point", predicted.size, 0.0)?;
    figure("mean_delay", mean, error)?;
    figure("rehearsed_delay", said, said_error)?;
    figure("ratio", ratio, ratio_error)?;
    let before = all.iter().filter(|one| matches!(one.end, End::Before));
    let never = all.iter().filter(|one| matches!(one.end, End::Never));
    for (what, found) in [
        ("seeds", all.len()),
        ("alerted_before", before.count()),
        ("never_alerted", never.count()),
    ] {
        writeln!(text, "{name},{what},{found},,,")?;
    }
    for (what, covered) in [
        (
            "onset_in_set",
            alerted.iter().filter(|one| one.stated.covers).count(),
        ),
        (
            "onset_in_own_set",
            alerted.iter().filter(|one| one.own.covers).count(),
        ),
    ] {
        let share = first_pass_yield(covered as u64, alerted.len() as u64, 0.95);
        let Proportion {
            value,
            lower,
            upper,
        } = share.context("some are alerted")?;
        writeln!(text, "{name},{what},{value:.4},,{lower:.4},{upper:.4}")?;
    }
    Ok(text)
}
