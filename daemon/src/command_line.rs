//! The command line: reads arguments and configuration, calls one command, tells the exit code.
//!
//! Holds no logic of a command: each has its own file.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use crate::clock;
use crate::commands::{
    CommandError, backup, capability, chart, check, demo, feeds, gauge, pads, parse_time, propose,
    quarantine, rehearse, replay, report, streams, token, verify, watch,
};
use crate::config::{Config, read};
use crate::feeds::study::StudyFile;
use crate::log;
use crate::output::{self, Format};
use crate::serve::ServeError;
use crate::serve::access::Role;
use crate::store::{Heard, Reader, StoreError};
use anyhow::Context;
use clap::{Args, Parser, Subcommand};

mod alerts;
mod audit;
mod failure;
mod leaving;
mod limits;

use failure::{Failure, told};

/// Done.
const DONE: u8 = 0;
/// It failed.
const FAILED: u8 = 1;
/// The arguments or the configuration are wrong.
const USAGE: u8 = 2;
/// Done, but something was quarantined.
const QUARANTINED: u8 = 3;

/// What help calls the options that every command has.
const EVERYWHERE: &str = "Everywhere";

/// How long a page that is still being made is waited for when the program ends.
const FAREWELL: Duration = Duration::from_millis(500);

/// Watches the CSV results of inspection and test stations: control charts, alerts, capability
/// and shift reports. Charts and indices support a decision; they do not release product.
#[derive(Parser)]
#[command(name = "driftvane", version)]
pub struct Arguments {
    /// The configuration.
    #[arg(long, global = true, default_value = "driftvane.toml", help_heading = EVERYWHERE)]
    config: PathBuf,
    /// How results are written: table, json, csv; svg for a chart.
    #[arg(long, global = true, default_value = "table", help_heading = EVERYWHERE)]
    format: Format,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Runs an invented line at high speed and tells what was planted and what was found.
    Demo(demo::Options),
    /// Watches the feeds until it is stopped; writes a report at the end of each shift.
    Watch,
    /// Reads all that waits, then ends.
    Replay {
        /// Only what lies below these paths.
        paths: Vec<PathBuf>,
        /// Has notices of what is found leave by all channels, once `watch` runs. Without it what
        /// is read is history, and calls nobody.
        #[arg(long)]
        notify: bool,
    },
    /// Checks the configuration and shows what each feed's first file becomes.
    Check,
    /// Proposes a feed for an unknown result file, as commented TOML.
    Propose {
        /// A file as the station writes it.
        file: PathBuf,
    },
    /// Tells how often the configured detectors signal without cause, and how soon with one.
    Rehearse(rehearse::Options),
    /// Shows what came from each feed, what is never read, and which feeds are silent.
    Feeds {
        #[command(subcommand)]
        act: Option<Feeds>,
    },
    /// Lists the streams.
    Streams,
    /// Shows the control chart of a stream.
    Chart {
        /// The stream: its label, or a part of it that no other has.
        stream: String,
    },
    /// Shows capability or performance figures.
    Capability(CapabilityOptions),
    /// Lists the single pads that moved against the rest of their panels.
    Pads(PadsOptions),
    /// Splits a gauge study: how much of the variation is the measurement.
    Gauge(GaugeOptions),
    /// Lists alerts and the boards to hold, acknowledges, shelves and closes them.
    #[command(subcommand)]
    Alerts(alerts::Alerts),
    /// Lists limits, freezes them, or begins a new baseline.
    #[command(subcommand)]
    Limits(limits::Limits),
    /// Checks that the record and the archive are what was written; changes nothing.
    Verify,
    /// Copies the record and the archive into a new folder; works beside a running daemon.
    Backup {
        /// The folder; it must be empty or not there yet.
        folder: PathBuf,
    },
    /// Checks a backup and copies it into the data folder, which must be empty or not there yet.
    Restore {
        /// The folder of the backup.
        folder: PathBuf,
    },
    /// Lists files that were set aside, has them read again, or takes them off the list.
    #[command(subcommand)]
    Quarantine(Quarantine),
    /// Writes reports.
    #[command(subcommand)]
    Report(Report),
    /// Makes a token for the live page and shows it once.
    Token {
        /// Whose it is, as it will stand in the record.
        name: String,
        /// What it allows.
        #[arg(long, value_enum, default_value = "view")]
        role: Role,
        /// For how many days it holds; default: until its lines are taken out of the file.
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=3_660))]
        days: Option<u32>,
    },
}

#[derive(Subcommand)]
enum Feeds {
    /// Notes who has seen that a feed is silent.
    Acknowledge {
        /// The feed.
        feed: String,
        /// Who has seen it.
        #[arg(long)]
        by: String,
        /// What they do about it.
        #[arg(long)]
        comment: String,
    },
}

#[derive(Subcommand)]
enum Quarantine {
    /// Lists the files that wait for someone: why, and what to do.
    List,
    /// Has files read again at the next scan, after what was wrong has been put right.
    Retry {
        /// The files, such as Q-0001.
        #[arg(required = true)]
        files: Vec<String>,
        #[command(flatten)]
        who: Who,
    },
    /// Takes files off the list; they and the record of them stay.
    Discard {
        /// The files, such as Q-0001.
        #[arg(required = true)]
        files: Vec<String>,
        #[command(flatten)]
        who: Who,
    },
}

#[derive(Subcommand)]
enum Report {
    /// The report of one shift.
    Shift(ShiftOptions),
    /// The figures of a window of time, each with what leads to it, and the means to make them
    /// again.
    Audit(audit::AuditOptions),
}

#[derive(Args)]
struct ShiftOptions {
    /// A time within the shift, on the plant's clock or with an offset; default: the shift of the
    /// newest data.
    #[arg(long)]
    at: Option<String>,
}

#[derive(Args)]
struct CapabilityOptions {
    /// Only this stream.
    #[arg(long)]
    stream: Option<String>,
    /// From this time on: 2026-03-02, 2026-03-02T06:00 on the plant's clock, or RFC 3339.
    #[arg(long)]
    from: Option<String>,
    /// Up to this time.
    #[arg(long)]
    to: Option<String>,
}

#[derive(Args)]
struct PadsOptions {
    /// The stream: its label, or a part of it that no other has.
    stream: String,
    /// What divides before from after; default: the onset of the stream's newest alert.
    #[arg(long)]
    since: Option<String>,
    /// From this time on: 2026-03-02, 2026-03-02T06:00 on the plant's clock, or RFC 3339.
    #[arg(long)]
    from: Option<String>,
    /// Up to this time.
    #[arg(long)]
    to: Option<String>,
    /// The share of the list that may be false.
    #[arg(long, default_value_t = 0.05)]
    rate: f64,
    /// The list of what watches each pad while panels come (watch_pads), as of the newest panel.
    #[arg(long, conflicts_with_all = ["since", "from", "to", "rate"])]
    watched: bool,
}

#[derive(Args)]
struct GaugeOptions {
    /// The study: a CSV file with a row for each measurement.
    file: PathBuf,
    /// The column of the part.
    #[arg(long, default_value = "part")]
    part: String,
    /// The column of the operator or station; default: operator, or none.
    #[arg(long)]
    operator: Option<String>,
    /// The column of the trial.
    #[arg(long, default_value = "trial")]
    trial: String,
    /// The column of the measured value.
    #[arg(long, default_value = "value")]
    value: String,
    /// What stands between cells.
    #[arg(long, default_value = ",", value_parser = delimiter)]
    delimiter: u8,
    /// The decimal mark.
    #[arg(long, default_value = ".", value_parser = decimal)]
    decimal: u8,
    /// The lower specification limit.
    #[arg(long, allow_hyphen_values = true)]
    lower: Option<f64>,
    /// The upper specification limit.
    #[arg(long, allow_hyphen_values = true)]
    upper: Option<f64>,
    /// The interaction is pooled with the repeatability where its p-value is above this.
    #[arg(long, default_value_t = gauge::usual_level())]
    pool_above: f64,
}

/// What stands between cells, as the configuration has it.
fn delimiter(text: &str) -> Result<u8, String> {
    match text.as_bytes() {
        _ if text == "tab" => Ok(b'\t'),
        [one] if one.is_ascii_punctuation() => Ok(*one),
        _ => Err("write one ASCII character that is no letter or digit, or tab".to_owned()),
    }
}

/// The decimal mark.
fn decimal(text: &str) -> Result<u8, String> {
    match text {
        "." => Ok(b'.'),
        "," => Ok(b','),
        _ => Err("write . or ,".to_owned()),
    }
}

#[derive(Args)]
pub(crate) struct Who {
    /// Who asks.
    #[arg(long)]
    by: String,
    /// Why.
    #[arg(long)]
    reason: String,
}

impl Who {
    /// Who says why, and when.
    fn said(&self, now: i64) -> (&str, &str, i64) {
        (&self.by, &self.reason, now)
    }
}

/// Carries out the command line.
pub fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            let code = if error.use_stderr() { USAGE } else { DONE };
            if error.print().is_err() {
                return ExitCode::from(FAILED);
            }
            return ExitCode::from(code);
        }
    };
    log::start(matches!(arguments.command, Command::Demo(_)));
    match run(&arguments) {
        Ok(code) => ExitCode::from(code),
        Err(Failure::Usage(text)) => {
            output::complain(&text);
            ExitCode::from(USAGE)
        }
        Err(Failure::Other(error)) => {
            output::complain(&format!("driftvane: {}", told(&error)));
            ExitCode::from(FAILED)
        }
    }
}

fn read_config(path: &Path) -> Result<Arc<Config>, Failure> {
    let text = std::fs::read_to_string(path).map_err(|error| {
        Failure::Usage(format!(
            "driftvane: {}: {error}; name a configuration with --config",
            path.display()
        ))
    })?;
    let absolute = std::path::absolute(path)?;
    let base = absolute.parent().unwrap_or(Path::new("/"));
    match read::read(&text, base) {
        Ok(config) => Ok(Arc::new(config)),
        Err(problems) => Err(Failure::Usage(format!("{}:\n{problems}", path.display()))),
    }
}

/// Refuses a format that the command does not have, before anything is done.
fn refuse_other_formats(arguments: &Arguments) -> Result<(), Failure> {
    let format = arguments.format;
    if let Command::Watch
    | Command::Backup { .. }
    | Command::Restore { .. }
    | Command::Token { .. } = arguments.command
    {
        table_only(format)?;
    }
    if format == Format::Svg && !matches!(arguments.command, Command::Chart { .. }) {
        let text = "driftvane: only a chart has a picture; ask for table, json or csv";
        return Err(Failure::Usage(text.to_owned()));
    }
    Ok(())
}

fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let format = arguments.format;
    if let Command::Demo(options) = &arguments.command {
        table_only(format)?;
        demo::demo(options)?;
        return Ok(DONE);
    }
    refuse_other_formats(arguments)?;
    if let Command::Propose { file } = &arguments.command {
        propose::print(file, format)?;
        return Ok(DONE);
    }
    if let Command::Gauge(options) = &arguments.command {
        run_gauge(options, format)?;
        return Ok(DONE);
    }
    let config = read_config(&arguments.config)?;
    match &arguments.command {
        Command::Demo(_) | Command::Propose { .. } | Command::Gauge(_) => {}
        Command::Watch => run_watch(config, &arguments.config)?,
        Command::Replay { paths, notify } => {
            let heard = if *notify { Heard::ByAll } else { Heard::ByNone };
            return run_replay(&config, (paths, heard), format);
        }
        Command::Check => {
            let checks = check::check(&config);
            output::print(&check::render(&checks, format)?)?;
            if checks.iter().any(|check| check.is_unreadable) {
                return Ok(FAILED);
            }
            if checks.iter().any(|check| check.is_quarantined) {
                return Ok(QUARANTINED);
            }
        }
        Command::Rehearse(options) => rehearse::print(&config, options, format)?,
        Command::Feeds { act } => run_feeds(&config, act.as_ref(), format)?,
        Command::Streams => streams::print(&config, &reader(&config)?, format)?,
        Command::Chart { stream } => chart::print(&config, &reader(&config)?, stream, format)?,
        Command::Capability(options) => run_capability(&config, options, format)?,
        Command::Pads(options) => run_pads(&config, options, format)?,
        Command::Alerts(command) => alerts::run(&config, command, format)?,
        Command::Limits(command) => limits::run(&config, command, format)?,
        Command::Verify => {
            let report = verify::verify(&config, &reader(&config)?);
            verify::print(&report, format)?;
            if !report.is_clean {
                return Ok(FAILED);
            }
        }
        Command::Backup { folder } => backup::back_up(&config, folder)?,
        Command::Restore { folder } => backup::restore(&config, folder)?,
        Command::Quarantine(command) => run_quarantine(&config, command, format)?,
        Command::Report(Report::Audit(options)) => return audit::run(&config, options, format),
        Command::Report(Report::Shift(options)) => {
            report::print(&config, time(&config, options.at.as_deref())?, format)?;
        }
        Command::Token { name, role, days } => token::make(&config, name, *role, *days)?,
    }
    Ok(DONE)
}

fn reader(config: &Config) -> Result<Reader, StoreError> {
    Reader::open(&config.data_folder)
}

fn run_watch(config: Arc<Config>, config_path: &Path) -> Result<(), Failure> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .context("can not start")?;
    let watched = runtime.block_on(watch::watch(config, config_path));
    // A page that is still being made is no reason to stay.
    runtime.shutdown_timeout(FAREWELL);
    watched.map_err(|error| match error.downcast_ref() {
        Some(ServeError::Token(wrong)) => Failure::Usage(format!("driftvane: {wrong}")),
        _ => Failure::Other(error),
    })
}

fn run_replay(
    config: &Arc<Config>,
    (paths, heard): (&[PathBuf], Heard),
    format: Format,
) -> Result<u8, Failure> {
    if let Some(missing) = paths.iter().find(|path| !path.exists()) {
        let place = missing.display();
        let text = format!("driftvane: {place} does not exist; name files or folders of a feed");
        return Err(Failure::Usage(text));
    }
    let outcome = replay::replay(config, (paths, heard), &mut |done, all, outcome| {
        tracing::info!(
            done,
            all,
            rows = outcome.rows,
            rejects = outcome.rejects,
            "files"
        );
    })?;
    output::print(&replay::text(&outcome, format)?)?;
    Ok(if outcome.quarantined > 0 {
        QUARANTINED
    } else {
        DONE
    })
}

fn run_gauge(options: &GaugeOptions, format: Format) -> Result<(), CommandError> {
    if options.delimiter == options.decimal {
        let text = "the delimiter and the decimal mark are the same; name one of them otherwise";
        return Err(CommandError::Usage(text.to_owned()));
    }
    let file = StudyFile {
        path: options.file.clone(),
        part: options.part.clone(),
        operator: options.operator.clone(),
        trial: options.trial.clone(),
        value: options.value.clone(),
        delimiter: options.delimiter,
        decimal: options.decimal,
    };
    let limits = (options.lower, options.upper);
    gauge::print(&file, limits, options.pool_above, format)
}

/// A time that may be left out.
fn time(config: &Config, text: Option<&str>) -> Result<Option<i64>, CommandError> {
    text.map(|text| parse_time(config, text)).transpose()
}

fn run_pads(config: &Config, options: &PadsOptions, format: Format) -> Result<(), Failure> {
    if options.watched {
        let reader = reader(config)?;
        return Ok(pads::print_watched(
            config,
            &reader,
            &options.stream,
            format,
        )?);
    }
    let question = pads::Question {
        stream: options.stream.clone(),
        since: time(config, options.since.as_deref())?,
        from: time(config, options.from.as_deref())?,
        to: time(config, options.to.as_deref())?,
        rate: options.rate,
    };
    Ok(pads::print(config, &reader(config)?, &question, format)?)
}

fn run_capability(
    config: &Config,
    options: &CapabilityOptions,
    format: Format,
) -> Result<(), Failure> {
    let window = (
        time(config, options.from.as_deref())?,
        time(config, options.to.as_deref())?,
    );
    let stream = options.stream.as_deref();
    Ok(capability::print(
        config,
        &reader(config)?,
        stream,
        window,
        format,
    )?)
}

fn run_feeds(config: &Config, act: Option<&Feeds>, format: Format) -> Result<(), Failure> {
    let reader = reader(config)?;
    match act {
        None => Ok(feeds::print(
            config,
            &feeds::feeds(config, &reader)?,
            format,
        )?),
        Some(Feeds::Acknowledge { feed, by, comment }) => {
            feeds::see(&reader, feed, (by, comment, clock::now()))?;
            Ok(output::print(&format!("{feed}: acknowledged by {by}\n"))?)
        }
    }
}

fn run_quarantine(config: &Config, command: &Quarantine, format: Format) -> Result<(), Failure> {
    let reader = reader(config)?;
    let (files, decision, who) = match command {
        Quarantine::List => return Ok(quarantine::print(config, &reader, format)?),
        Quarantine::Retry { files, who } => (files, quarantine::Decision::Retry, who),
        Quarantine::Discard { files, who } => (files, quarantine::Decision::Discard, who),
    };
    let said = (who.by.as_str(), who.reason.as_str(), clock::now());
    Ok(quarantine::decide(
        &reader,
        (files, decision),
        said,
        format,
    )?)
}

/// Refuses a format where a command has no rows to write in it.
fn table_only(format: Format) -> Result<(), Failure> {
    match format {
        Format::Table => Ok(()),
        _ => Err(Failure::Usage(
            "driftvane: this command has no rows; leave --format out".to_owned(),
        )),
    }
}
