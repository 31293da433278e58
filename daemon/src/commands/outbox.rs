//! `driftvane alerts channels`, `outbox` and `test`: how notices leave, and what people decide
//! about those that do not.
//!
//! Sends nothing itself but a test. The one invariant: a decision without a name and a reason is
//! not kept, and no notice is deleted.

use std::sync::Arc;

use serde::Serialize;

use super::{CommandError, decide_each, local_minute, moment, utc, when};
use crate::alerts::{Load, Told, carrier, notice};
use crate::config::Config;
use crate::output::{self, Format, Table};
use crate::store::{Act, ChannelRow, DeliveryRow, Notice, Reader};
use crate::words::Severity;

/// What waits that is listed.
const LISTED_MAX: usize = 1_000;

/// How a channel stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ChannelState {
    /// Its name.
    pub channel: String,
    /// What kind it is.
    pub kind: String,
    /// How it stands, in words.
    pub state: String,
    /// Whether someone should look.
    pub needs_attention: bool,
    /// Notices that wait.
    pub waiting: u64,
    /// Those of them that were tried and not taken.
    pub refused: u64,
    /// The time of the oldest of them, RFC 3339 in UTC.
    pub oldest_at: Option<String>,
    /// When it last took something, RFC 3339 in UTC.
    pub sent_at: Option<String>,
    /// Attempts that failed since one that did not.
    pub failures: u32,
    /// When the first of them was, RFC 3339 in UTC.
    pub failing_since: Option<String>,
    /// Nothing is tried before, RFC 3339 in UTC.
    pub next_at: Option<String>,
    /// What failed, or what the channel complained about.
    pub problem: String,
    /// What to do about it.
    pub fix: String,
    #[serde(skip)]
    row: ChannelRow,
}

impl ChannelState {
    /// When it last took something, on the plant's clock; empty where it never did.
    #[must_use]
    pub(crate) fn last_sent(&self, config: &Config) -> String {
        let at = self.row.sent_at;
        at.map_or_else(String::new, |at| local_minute(config, at))
    }
}

/// How every channel stands: those of the configuration, and those for which something waits.
///
/// # Errors
///
/// When the record can not be read.
pub fn channels(config: &Config, reader: &Reader) -> Result<Vec<ChannelState>, CommandError> {
    let is_configured = |name: &str| config.channels.iter().any(|one| one.name == name);
    let rows = reader.channels()?.into_iter();
    let rows = rows.filter(|row| row.waiting > 0 || is_configured(&row.name));
    Ok(rows
        .map(|row| state(config, row.clone(), is_configured(&row.name)))
        .collect())
}

fn state(config: &Config, row: ChannelRow, is_configured: bool) -> ChannelState {
    let (mut problem, mut fix) = (row.problem.clone(), row.fix.clone());
    let state = match row.failing_since {
        _ if !is_configured => {
            problem = "the configuration no longer has this channel".to_owned();
            fix = "put it back, or give up what waits: driftvane alerts outbox list".to_owned();
            "gone".to_owned()
        }
        Some(since) => format!("failing since {}", moment(config, since)),
        None if !problem.is_empty() => "sends, with a complaint".to_owned(),
        None if row.waiting > 0 => "notices wait".to_owned(),
        None => "nothing waits".to_owned(),
    };
    ChannelState {
        channel: row.name.clone(),
        kind: row.kind.clone(),
        needs_attention: !problem.is_empty(),
        state,
        waiting: row.waiting,
        refused: row.refused,
        oldest_at: row.oldest_at.map(utc),
        sent_at: row.sent_at.map(utc),
        failures: row.failures,
        failing_since: row.failing_since.map(utc),
        next_at: (row.next_at > 0).then(|| utc(row.next_at)),
        problem,
        fix,
        row,
    }
}

/// The channels by which nothing leaves, and have not since before a time, a line each.
///
/// # Errors
///
/// When the record can not be read.
pub(crate) fn failing(
    config: &Config,
    reader: &Reader,
    before: i64,
) -> Result<Vec<String>, CommandError> {
    let channels = channels(config, reader)?.into_iter();
    let failing = channels.filter(|one| one.row.failing_since.is_some_and(|at| at < before));
    let line = |one: ChannelState| {
        let ChannelState { channel, state, .. } = one;
        format!("channel {channel}: {state}; “driftvane alerts channels” says why")
    };
    Ok(failing.map(line).collect())
}

/// Prints how every channel stands.
///
/// # Errors
///
/// As [`channels`], and when standard output can not be written.
pub fn print_channels(
    config: &Config,
    reader: &Reader,
    format: Format,
) -> Result<(), CommandError> {
    let rows = channels(config, reader)?;
    let mut table = Table::new(&[
        "channel",
        "kind",
        "state",
        "waiting",
        "refused",
        "oldest",
        "last sent",
        "next attempt",
        "problem",
        "what to do",
    ]);
    for one in &rows {
        let time = |at: Option<i64>| at.map(|at| when(config, format, at));
        let next = Some(one.row.next_at).filter(|at| *at > 0);
        table.push(vec![
            one.channel.as_str().into(),
            one.kind.as_str().into(),
            one.state.as_str().into(),
            one.waiting.into(),
            one.refused.into(),
            time(one.row.oldest_at).into(),
            time(one.row.sent_at).into(),
            time(next).into(),
            one.problem.as_str().into(),
            one.fix.as_str().into(),
        ]);
    }
    Ok(output::print_rows(format, &table, &rows)?)
}

/// A notice that waits for a channel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Waiting {
    /// The name of what waits.
    pub id: String,
    /// The channel.
    pub channel: String,
    /// The notice's key.
    pub key: String,
    /// What it is about.
    pub subject: String,
    /// How much it matters.
    pub severity: &'static str,
    /// The line.
    pub line: String,
    /// When it was written, RFC 3339 in UTC.
    pub at: String,
    /// Attempts so far.
    pub attempts: u32,
    /// Not tried before, RFC 3339 in UTC.
    pub next_at: Option<String>,
    /// What failed last.
    pub problem: String,
    /// What to do about it.
    pub fix: String,
    #[serde(skip)]
    written_at: i64,
}

fn name(delivery: i64) -> String {
    format!("D-{delivery:04}")
}

/// What waits, the oldest first.
///
/// # Errors
///
/// When the record can not be read.
pub fn rows(reader: &Reader) -> Result<Vec<Waiting>, CommandError> {
    let row = |row: DeliveryRow| Waiting {
        id: name(row.delivery),
        channel: row.channel,
        key: row.notice.key,
        subject: row.notice.subject,
        severity: row.notice.severity.name(),
        line: row.notice.line,
        at: utc(row.notice.at),
        attempts: row.attempts,
        next_at: (row.next_at > 0).then(|| utc(row.next_at)),
        problem: row.problem,
        fix: row.fix,
        written_at: row.notice.at,
    };
    Ok(reader.waiting(LISTED_MAX)?.into_iter().map(row).collect())
}

/// Prints what waits.
///
/// # Errors
///
/// As [`rows`], and when standard output can not be written.
pub fn print(config: &Config, reader: &Reader, format: Format) -> Result<(), CommandError> {
    let rows = rows(reader)?;
    let mut table = Table::new(&[
        "id",
        "channel",
        "written",
        "severity",
        "subject",
        "attempts",
        "problem",
        "what to do",
    ]);
    for row in &rows {
        table.push(vec![
            row.id.as_str().into(),
            row.channel.as_str().into(),
            when(config, format, row.written_at).into(),
            row.severity.into(),
            row.subject.as_str().into(),
            u64::from(row.attempts).into(),
            row.problem.as_str().into(),
            row.fix.as_str().into(),
        ]);
    }
    Ok(output::print_rows(format, &table, &rows)?)
}

/// Keeps what a person decides about notices that wait, and prints a line on each.
///
/// # Errors
///
/// When a name or reason is missing, something does not wait, or the record refuses. What stands
/// before it is decided.
pub fn decide(
    reader: &Reader,
    (deliveries, act): (&[String], Act),
    said: (&str, &str, i64),
    format: Format,
) -> Result<(), CommandError> {
    decide_each(
        (deliveries, 'D'),
        said,
        ("alerts outbox list", format),
        |delivery, who| {
            let outcome = match act {
                Act::SendAgain => "is next, as soon as the daemon runs and the channel may send",
                Act::GiveUp => "is given up",
            };
            Ok(reader
                .act_on_delivery(delivery, act, who)?
                .then_some(outcome))
        },
    )
}

/// Sends a test by a channel and prints what it said.
///
/// # Errors
///
/// When there is no such channel, or it does not take the test.
pub fn test(config: &Arc<Config>, name: &str, now: i64) -> Result<(), CommandError> {
    let Some(channel) = config.channels.iter().find(|one| one.name == name) else {
        let all: Vec<&str> = config
            .channels
            .iter()
            .map(|one| one.name.as_str())
            .collect();
        return Err(CommandError::Usage(format!(
            "there is no channel '{name}'; the configuration has {}",
            all.join(", ")
        )));
    };
    let notice = test_notice(config, name, now);
    let taken = carrier(config, channel).carry(&Load::of(&[&notice]));
    let kind = channel.way.kind();
    match taken {
        Ok(receipt) => {
            output::print(&format!(
                "{name} ({kind}) took the test: {}\n",
                receipt.said
            ))?;
            match receipt.complaint {
                Some((problem, fix)) => Err(CommandError::Refused(format!(
                    "{name} ({kind}) complained: {problem}; {fix}"
                ))),
                None => Ok(()),
            }
        }
        Err(fault) => Err(CommandError::Refused(format!(
            "{name} ({kind}) did not take the test: {}; {}",
            fault.problem, fault.fix
        ))),
    }
}

fn test_notice(config: &Config, channel: &str, now: i64) -> Notice {
    let text = format!(
        "This is a test by `driftvane alerts test {channel}`. Nothing is out of control because \
         of it.\nPlant: {}",
        config.plant
    );
    let told = Told {
        key: format!("test-{channel}-{now}"),
        alert: None,
        what: "test",
        at: now,
        line: "",
        severity: Severity::Low,
        state: "test",
        streams: Vec::new(),
        subject: format!("Test of the channel {channel}"),
        text,
    };
    notice(told, &serde_json::json!({}))
}
