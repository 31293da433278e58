//! `driftvane demo`: an invented line at high speed, what was planted in it and what was found.
//!
//! The files go to the real watcher, which knows nothing of the plant. The plant's own words are
//! only read to compare, after the watcher has ended.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use anyhow::Context;
use indicatif::{ProgressBar, ProgressStyle};

use super::{alerts, local_minute, report};
use crate::config::{Config, Subject, read};
use crate::ingest::Ingest;
use crate::output;
use crate::plant::{Delivery, Plant, Planted};
use crate::run;
use crate::shifts;
use crate::store::query::StreamRow;
use crate::store::{Heard, Reader};

/// What the demo can be told.
#[derive(clap::Args, Debug)]
pub struct Options {
    /// The seed of the invented plant.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// The folder to work in; it must be new. Default: one below the system's temporary folder.
    #[arg(long)]
    pub folder: Option<PathBuf>,
    /// How long the line runs, in seconds.
    #[arg(long, default_value_t = 15)]
    pub seconds: u64,
}

/// The configuration of the invented plant.
const CONFIGURATION: &str = include_str!("../../../sample-feeds/driftvane.toml");

/// The gauge study that it names, below its folder.
const STUDY: (&str, &str) = (
    "gauge/height.csv",
    include_str!("../../../sample-feeds/gauge/height.csv"),
);

/// How long the watcher is given to read what was written last.
const LAST_LOOK: Duration = Duration::from_millis(800);

/// Runs the demo.
///
/// # Errors
///
/// When its folder can not be made or written, or the record fails.
pub fn demo(options: &Options) -> anyhow::Result<()> {
    let plant = Plant::embedded()?;
    let folder = new_folder(options)?;
    let config_path = folder.join("driftvane.toml");
    fs::write(&config_path, CONFIGURATION)
        .with_context(|| format!("can not write {}", config_path.display()))?;
    write_study(&folder)?;
    let config = read::read(CONFIGURATION, &folder)
        .map(Arc::new)
        .map_err(|problems| anyhow::anyhow!("the demo's configuration: {problems}"))?;
    for feed in &config.feeds {
        fs::create_dir_all(&feed.folder)
            .with_context(|| format!("can not make {}", feed.folder.display()))?;
    }
    output::print(&format!(
        "{}: {} panels, about {} deposits each, watched in {}\n",
        plant.name(),
        plant.panels(),
        plant.deposits_per_panel(),
        folder.display()
    ))?;
    run_line(&config, &plant, &folder, options)?;
    super::replay::replay(&config, (&[], Heard::ByNone), &mut |_, _, _| {})?;
    tell(&config, &plant, &config_path)
}

fn write_study(folder: &Path) -> anyhow::Result<()> {
    let path = folder.join(STUDY.0);
    let parent = path.parent().unwrap_or(folder);
    fs::create_dir_all(parent)
        .and_then(|()| fs::write(&path, STUDY.1))
        .with_context(|| format!("can not write {}", path.display()))
}

fn new_folder(options: &Options) -> anyhow::Result<PathBuf> {
    let folder = options.folder.clone().unwrap_or_else(|| {
        std::env::temp_dir().join(format!("driftvane-demo-{}", std::process::id()))
    });
    let folder = std::path::absolute(folder)?;
    anyhow::ensure!(
        !folder.exists(),
        "{} exists already; name a new folder with --folder",
        folder.display()
    );
    fs::create_dir_all(&folder).with_context(|| format!("can not make {}", folder.display()))?;
    Ok(folder)
}

/// Lets the line write and the watcher watch at the same time.
fn run_line(
    config: &Arc<Config>,
    plant: &Plant,
    folder: &Path,
    options: &Options,
) -> anyhow::Result<()> {
    let deliveries: Vec<Delivery> = plant.deliveries(options.seed).collect();
    let bar = ProgressBar::new(deliveries.len() as u64).with_style(ProgressStyle::with_template(
        "{bar:40} {percent:>3} % of the line's files written; {msg}",
    )?);
    let rows = Arc::new(AtomicU64::new(0));
    let ingest = Ingest::open(Arc::clone(config), super::replay::threads())?;
    let (ended, end) = tokio::sync::oneshot::channel::<()>();
    let writer = {
        let (bar, rows, folder) = (bar.clone(), Arc::clone(&rows), folder.to_owned());
        let pause = Duration::from_secs(options.seconds)
            .checked_div(u32::try_from(deliveries.len()).unwrap_or(u32::MAX))
            .unwrap_or_default();
        std::thread::spawn(move || -> std::io::Result<()> {
            for delivery in &deliveries {
                deliver(&folder, delivery)?;
                bar.inc(1);
                bar.set_message(format!("{} rows read", rows.load(Ordering::Relaxed)));
                std::thread::sleep(pause);
            }
            std::thread::sleep(LAST_LOOK);
            // A watcher that is gone already has ended with an error of its own, told below.
            if ended.send(()).is_err() {
                tracing::debug!("the watcher ended before the line");
            }
            Ok(())
        })
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .context("can not start")?;
    let mut end = std::pin::pin!(end);
    let stop = async || {
        // A writer that failed drops its end, which ends the watch as well.
        if end.as_mut().await.is_err() {
            tracing::debug!("the line ended early");
        }
        run::Wish::Stop
    };
    let no_reload = async |_: &mut Ingest| false;
    let watched = runtime.block_on(run::watch(ingest, stop, no_reload, |outcome| {
        rows.fetch_add(outcome.rows, Ordering::Relaxed);
    }));
    bar.finish_and_clear();
    watched?;
    match writer.join() {
        Ok(written) => written.context("the line could not write its files"),
        Err(_) => anyhow::bail!("the line broke down"),
    }
}

fn deliver(folder: &Path, delivery: &Delivery) -> std::io::Result<()> {
    let path = folder.join(delivery.station).join(&delivery.file_name);
    let mut file = if delivery.append {
        File::options().create(true).append(true).open(path)?
    } else {
        File::create(path)?
    };
    file.write_all(&delivery.content)
}

/// An alert and where it belongs.
struct Found {
    alert: alerts::Alert,
    stream: StreamRow,
    first_at: i64,
    cause: Option<usize>,
}

/// Compares what was found with what was planted.
fn tell(config: &Config, plant: &Plant, config_path: &Path) -> anyhow::Result<()> {
    let reader = Reader::open(&config.data_folder)?;
    let streams = reader.streams()?;
    let planted = plant.planted();
    let mut found = Vec::new();
    for alert in alerts::rows(config, &reader, &[])? {
        let Some(stream) = streams
            .iter()
            .find(|stream| alert.streams.first() == Some(&stream.label))
        else {
            continue;
        };
        let first_at = alert.first_at();
        let is_of = |fault: &Planted| {
            alert.row.members.iter().any(|one| {
                let stream = streams.iter().find(|stream| stream.id == one.stream);
                stream.is_some_and(|stream| explains(config, fault, stream, one.first_at))
            })
        };
        let cause = planted.iter().position(is_of);
        found.push(Found {
            alert,
            stream: stream.clone(),
            first_at,
            cause,
        });
    }
    found.sort_by_key(|one| one.first_at);
    let mut text = String::new();
    for (place, fault) in planted.iter().enumerate() {
        tell_fault(
            config,
            &mut text,
            fault,
            found.iter().filter(|one| one.cause == Some(place)),
        )?;
    }
    tell_others(config, &reader, &mut text, &streams, &planted, &found)?;
    tell_reports(config, &mut text, &streams, config_path)?;
    output::print(&text)?;
    Ok(())
}

/// Whether a fault can be behind an alert: it moves what the stream charts, and it was there.
fn explains(config: &Config, fault: &Planted, stream: &StreamRow, first_at: i64) -> bool {
    let is_over = |last: jiff::Timestamp| first_at > last.as_microsecond();
    touches(config, fault, stream)
        && first_at >= fault.from_at.as_microsecond()
        && !fault.last_at.is_some_and(is_over)
}

/// Whether a fault moves what a stream charts.
fn touches(config: &Config, fault: &Planted, stream: &StreamRow) -> bool {
    let what = config
        .characteristics
        .iter()
        .find(|one| one.name == stream.characteristic);
    let Some(what) = what.filter(|what| what.station.name() == fault.station) else {
        return false;
    };
    let charted: Vec<&str> = match &what.subject {
        Subject::Measure(name) => vec![name],
        Subject::Measures(names) => names.iter().map(String::as_str).collect(),
        Subject::Calls => vec!["calls"],
        Subject::Confirmed => vec!["confirmed"],
        Subject::FalseCalls => vec!["false_calls"],
    };
    let moves = |measure: &String| charted.contains(&measure.as_str());
    let is_of = |(key, value): &(&str, String)| {
        let place = what.group_by.iter().position(|one| one.name() == *key);
        place.is_none_or(|place| stream.keys.get(place).is_some_and(|own| **own == **value))
    };
    fault.measures.iter().any(moves) && fault.strata.iter().all(is_of)
}

fn tell_fault<'a>(
    config: &Config,
    text: &mut String,
    fault: &Planted,
    found: impl Iterator<Item = &'a Found>,
) -> std::fmt::Result {
    let at = local_minute(config, fault.from_at.as_microsecond());
    writeln!(
        text,
        "\nplanted: {} ({}), from {} at {at}",
        fault.what, fault.key, fault.from_panel
    )?;
    let mut any = false;
    for one in found {
        any = true;
        writeln!(
            text,
            "  found: {} {}{} at {}, likely a {} since {}, up to {:+.1} sigma",
            one.alert.id,
            one.stream.label,
            alerts::beside(&one.alert),
            local_minute(config, one.first_at),
            one.alert.onset.shape.unwrap_or("change"),
            one.alert.onset.board,
            one.alert.size_sigma,
        )?;
    }
    if !any {
        writeln!(text, "  not found")?;
    }
    Ok(())
}

/// Alerts that no planted fault explains, beside what chance allows.
fn tell_others(
    config: &Config,
    reader: &Reader,
    text: &mut String,
    streams: &[StreamRow],
    planted: &[Planted],
    found: &[Found],
) -> anyhow::Result<()> {
    let mut lengths = Vec::new();
    let mut points = 0;
    let limits = reader.limits(None)?;
    for stream in streams {
        let start = planted
            .iter()
            .filter(|fault| touches(config, fault, stream))
            .map(|fault| fault.from_at.as_microsecond())
            .min();
        let judged = reader
            .point_counts(stream.id, i64::MIN, start.unwrap_or(i64::MAX))?
            .judged;
        points += judged;
        let newest = limits.iter().rfind(|limits| limits.stream == stream.id);
        lengths.extend(newest.map(|limits| (judged as f64, limits.detection.run_length)));
    }
    let allowed = spc::budget::expected_false_alerts(&lengths)?;
    let others: Vec<&Found> = found.iter().filter(|one| one.cause.is_none()).collect();
    writeln!(
        text,
        "\nuntouched by what was planted: {points} points were judged; the budget of {} a shift \
         allows {allowed:.1} false alerts in as many, raised: {}",
        config.false_alerts_per_shift,
        others.len()
    )?;
    for one in others {
        writeln!(
            text,
            "  {} {} at {}",
            one.alert.id,
            one.stream.label,
            local_minute(config, one.first_at),
        )?;
    }
    Ok(())
}

fn tell_reports(
    config: &Config,
    text: &mut String,
    streams: &[StreamRow],
    config_path: &Path,
) -> anyhow::Result<()> {
    let Some(newest) = streams.iter().map(|stream| stream.newest).max() else {
        return Ok(());
    };
    let last = shifts::at(config, newest);
    for shift in [shifts::at(config, last.start - 1), last] {
        let path = report::write(config, &shift)?;
        writeln!(
            text,
            "\nreport of the {} shift of {}: {}",
            shift.name,
            shift.date,
            path.display()
        )?;
    }
    writeln!(
        text,
        "\nlook further: driftvane --config {} streams | chart STREAM | alerts list | capability",
        config_path.display()
    )?;
    Ok(())
}
