//! One file a subcommand.
//!
//! A command that asks the record has a function that gives typed rows and one that prints them.
//! What several commands say alike (times, rules, streams by name) is here; what one says is not.
//! The one invariant: a command writes nothing but what its name says.

use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use serde::Serialize;

use crate::config::{Characteristic, Config, Key};
use crate::engine::{BEYOND_LIMITS, CUSUM, EWMA, PADS, SPREAD_BEYOND_LIMITS, STARTING, named_keys};
use crate::output::{self, Format, Table};
use crate::store::query::StreamRow;
use crate::store::{StoreError, Who};

pub mod alerts;
pub mod audit;
pub mod backup;
pub mod baseline;
pub mod capability;
pub mod causes;
pub(crate) mod changeovers;
pub mod chart;
pub mod check;
pub mod demo;
pub mod evidence;
pub mod feeds;
pub mod gauge;
mod gauge_share;
pub(crate) mod histogram;
pub mod limits;
mod names;
pub mod outbox;
pub(crate) mod pad_maps;
pub mod pads;
pub mod proposals;
pub mod propose;
pub mod quarantine;
pub mod rehearse;
pub mod replay;
pub mod report;
mod report_history;
mod report_templates;
pub(crate) mod shift_facts;
pub(crate) mod strata;
pub mod streams;
pub mod token;
pub mod verify;
pub mod watch;

pub(crate) use names::{find_stream, number};

/// The whole of time.
pub(crate) const ALWAYS: (i64, i64) = (i64::MIN, i64::MAX);

/// Why a command could not be carried out.
#[derive(Debug, thiserror::Error)]
pub enum CommandError {
    /// The record.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Standard output.
    #[error("the result can not be written: {0}")]
    Output(#[from] std::io::Error),
    /// No stream, or several, by that name.
    #[error("{0}")]
    Stream(String),
    /// The command as it was given.
    #[error("{0}")]
    Usage(String),
    /// The state of things stands against it.
    #[error("{0}")]
    Refused(String),
    /// A report file.
    #[error("{path}: {source}; check the folder and its disk, then ask again")]
    Report {
        /// The file or folder.
        path: std::path::PathBuf,
        /// The cause.
        source: std::io::Error,
    },
    /// A report template of the program itself.
    #[error(transparent)]
    Template(#[from] reports::RenderError),
}

impl CommandError {
    /// Whether the command was given wrongly, which has an exit code of its own.
    #[must_use]
    pub fn is_usage(&self) -> bool {
        matches!(self, CommandError::Usage(_) | CommandError::Stream(_))
    }

    /// Whether the same may go well later: a disk or a folder stands against it.
    #[must_use]
    pub fn may_pass(&self) -> bool {
        match self {
            CommandError::Store(error) => !matches!(error, StoreError::Nothing(_)),
            CommandError::Report { .. } => true,
            _ => false,
        }
    }
}

/// The characteristic of a stream.
///
/// # Errors
///
/// When the configuration no longer has it.
pub(crate) fn characteristic<'a>(
    config: &'a Config,
    stream: &StreamRow,
) -> Result<&'a Characteristic, CommandError> {
    let found = config
        .characteristics
        .iter()
        .find(|what| what.name == stream.characteristic);
    found.ok_or_else(|| {
        CommandError::Refused(format!(
            "the stream '{}' is of the characteristic '{}', which the configuration does not \
             have; put it back",
            stream.label, stream.characteristic
        ))
    })
}

/// The keys of a stream with their names.
pub(crate) fn keys(what: &Characteristic, stream: &StreamRow) -> Vec<(Key, Arc<str>)> {
    named_keys(what, &stream.keys)
}

/// The unit of the values that are plotted; empty for a share or a count; minutes between events.
pub(crate) fn unit(config: &Config, what: &Characteristic, stream: &StreamRow) -> String {
    use crate::config::{Layout, Subject};
    let Subject::Measure(name) = &what.subject else {
        let is_time = what.chart == spc::chart::ChartKind::T;
        return if is_time { "min" } else { "" }.to_owned();
    };
    let standardised = Some(spc::short_run::Scale::Standardised);
    if what.short_run.as_ref().map(|one| one.scale()) == standardised {
        return String::new();
    }
    let feeds = config
        .feeds
        .iter()
        .filter(|feed| feed.station == what.station);
    let measured = feeds
        .filter_map(|feed| match &feed.layout {
            Layout::Wide(measures) => measures.iter().find(|measure| measure.name == *name),
            Layout::Long(_) => None,
        })
        .map(|measure| measure.unit.clone())
        .next();
    let specified = || capability::specification(config, what, stream).map(|one| one.unit.clone());
    measured.or_else(specified).unwrap_or_default()
}

/// What a subgroup is, in the plural.
pub(crate) fn subgroup_name(what: &Characteristic) -> &'static str {
    use crate::config::Subgroup;
    match what.subgroup {
        Subgroup::Panel => "panels",
        Subgroup::Board => "boards",
        Subgroup::Consecutive(1) => "boards",
        Subgroup::Consecutive(_) => "groups of boards",
        Subgroup::Minutes(_) => "stretches of time",
    }
}

/// A rule in words.
pub(crate) fn rule_words(name: &str) -> String {
    match name {
        BEYOND_LIMITS => "beyond the control limits".to_owned(),
        SPREAD_BEYOND_LIMITS => "spread within the subgroup beyond its limits".to_owned(),
        CUSUM => "a lasting shift, by cumulative sums".to_owned(),
        STARTING => "a lasting shift within the baseline, by self-starting sums".to_owned(),
        EWMA => "a lasting shift, by a weighted average".to_owned(),
        PADS => "single pads moved against the rest of their panels".to_owned(),
        _ => spc::rules::Rule::from_name(name)
            .map_or_else(|| name.to_owned(), |rule| rule.in_words().to_owned()),
    }
}

/// The name of a file without its folder.
pub(crate) fn file_name(path: &str) -> String {
    let name = Path::new(path).file_name();
    name.map_or_else(
        || path.to_owned(),
        |name| name.to_string_lossy().into_owned(),
    )
}

/// A time on the plant's clock.
pub(crate) fn local(config: &Config, at: i64) -> String {
    written(config, at, "%Y-%m-%d %H:%M:%S")
}

/// A time in a row of a result: on the plant's clock for people, in UTC for programs.
pub(crate) fn when(config: &Config, format: Format, at: i64) -> String {
    match format {
        Format::Csv | Format::Json => utc(at),
        Format::Table | Format::Svg => local(config, at),
    }
}

/// A time on the plant's clock, to the minute and with its zone: for a message, which is read where
/// nothing else names the zone.
pub(crate) fn moment(config: &Config, at: i64) -> String {
    written(config, at, "%Y-%m-%d %H:%M %Z")
}

/// A time on the plant's clock, to the minute.
pub(crate) fn local_minute(config: &Config, at: i64) -> String {
    written(config, at, "%Y-%m-%d %H:%M")
}

fn written(config: &Config, at: i64, how: &str) -> String {
    Timestamp::from_microsecond(at).map_or_else(
        |_| String::new(),
        |time| {
            time.to_zoned_datetime(config.zone.clone())
                .strftime(how)
                .to_string()
        },
    )
}

/// A time for other programs: RFC 3339 in UTC.
pub(crate) fn utc(at: i64) -> String {
    Timestamp::from_microsecond(at).map_or_else(|_| String::new(), |time| time.to_string())
}

/// A time that a person wrote: RFC 3339, or a date with or without a time on the plant's clock.
///
/// # Errors
///
/// When it is none of these.
pub fn parse_time(config: &Config, text: &str) -> Result<i64, CommandError> {
    if let Ok(time) = text.parse::<Timestamp>() {
        return Ok(time.as_microsecond());
    }
    let civil = text
        .parse::<DateTime>()
        .or_else(|_| text.parse::<Date>().map(DateTime::from));
    civil
        .and_then(|civil| config.zone.to_timestamp(civil))
        .map(|time| time.as_microsecond())
        .map_err(|_| {
            CommandError::Usage(format!(
                "'{text}' is not a time; write 2026-03-02, 2026-03-02T06:00 (the plant's clock) \
                 or 2026-03-02T05:00:00Z"
            ))
        })
}

/// Keeps what a person decides about several things that are named by numbers, and prints what
/// becomes of each. `decide` gives nothing where there is no such thing; `list` names the command
/// that has them. What stands before one that is unknown is decided, and told.
fn decide_each(
    (names, letter): (&[String], char),
    (by, reason, now): (&str, &str, i64),
    (list, format): (&str, Format),
    mut decide: impl FnMut(i64, Who) -> Result<Option<&'static str>, CommandError>,
) -> Result<(), CommandError> {
    let (author, reason) = (said("the name", by)?, said("the reason", reason)?);
    let who = Who {
        author: &author,
        reason: &reason,
        now,
    };
    let mut rows = Vec::new();
    let mut decide_one = |name: &String| {
        let decided = match number(name, letter) {
            Some(number) => decide(number, who)?.map(|outcome| (number, outcome)),
            None => None,
        };
        let Some((number, outcome)) = decided else {
            return Err(CommandError::Usage(format!(
                "nothing called '{name}' waits; `driftvane {list}` has what does"
            )));
        };
        let id = format!("{letter}-{number:04}");
        rows.push(Outcome { id, outcome });
        Ok(())
    };
    let decided = names.iter().try_for_each(&mut decide_one);
    if format == Format::Table {
        let line = |row: &Outcome| format!("{} {}\n", row.id, row.outcome);
        output::print(&rows.iter().map(line).collect::<String>())?;
    } else {
        let mut table = Table::new(&["id", "outcome"]);
        for row in &rows {
            table.push(vec![row.id.as_str().into(), row.outcome.into()]);
        }
        output::print_rows(format, &table, &rows)?;
    }
    decided
}

/// What becomes of something that a person decided about.
#[derive(Serialize)]
struct Outcome {
    id: String,
    outcome: &'static str,
}

/// A name or a reason that a person must give.
pub(crate) fn said(what: &str, text: &str) -> Result<String, CommandError> {
    let text = text.trim();
    if text.is_empty() {
        return Err(CommandError::Usage(format!(
            "{what} is empty; say it, the record keeps it"
        )));
    }
    Ok(text.to_owned())
}

#[cfg(test)]
mod tests;
