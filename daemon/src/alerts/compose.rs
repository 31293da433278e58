//! Writes a notice of each event of an alert.
//!
//! Reads the record, sends nothing. The one invariant: every event gets a notice, also where what
//! it is about can no longer be read; then it says less.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::notice::{Told, notice};
use crate::commands::alerts::{Alert, Ask, alert, beside, evidence, name};
use crate::commands::chart::ChartFacts;
use crate::commands::{CommandError, characteristic, keys, moment, utc};
use crate::config::{Config, Key};
use crate::store::alerts::AlertRow;
use crate::store::query::StreamRow;
use crate::store::{News, Notice, Parcel, Reader, StoreError};
use crate::words::Severity;

/// Notices that a summary names; the others it counts.
const NAMED_MAX: usize = 20;

/// Alerts of one batch whose notices say what explains them: each takes a look through the archive,
/// and where very many are raised at once people need the first words soon.
const EXPLAINED_MAX: usize = 3;

/// What a program gets to know of an alert's notice beside what every notice says.
#[derive(Serialize)]
struct OfAlert<'a> {
    event: i64,
    alert: i64,
    id: &'a str,
    who: &'a str,
    comment: &'a str,
    stream: &'a str,
    streams: usize,
    first_board: &'a str,
    first_at: String,
    rules: &'a [String],
    side: &'a str,
    size_sigma: Option<f64>,
    boards_to_hold: Option<u64>,
    quiet: bool,
    short: &'a str,
}

/// What events of one batch are about, read once.
struct Subjects {
    record: String,
    streams: Vec<StreamRow>,
    alerts: BTreeMap<i64, AlertRow>,
    charts: BTreeMap<i64, ChartFacts>,
    /// The alerts that are explained.
    explained: BTreeSet<i64>,
}

impl Subjects {
    /// What to ask of an alert for a notice.
    fn ask(&mut self, news: &News) -> Ask {
        if !CALLS.contains(&news.what.as_str()) {
            return Ask::Facts;
        }
        if self.explained.len() < EXPLAINED_MAX {
            self.explained.insert(news.alert);
        }
        match self.explained.contains(&news.alert) {
            true => Ask::Causes,
            false => Ask::Facts,
        }
    }
}

/// Writes the notices of events, in their order.
///
/// # Errors
///
/// When the record can not be read.
pub fn compose(config: &Config, reader: &Reader, news: &[News]) -> Result<Vec<Notice>, StoreError> {
    let mut subjects = Subjects {
        record: reader.identity()?,
        streams: reader.streams()?,
        alerts: BTreeMap::new(),
        charts: BTreeMap::new(),
        explained: BTreeSet::new(),
    };
    for one in news {
        if !subjects.alerts.contains_key(&one.alert)
            && let Some(row) = reader.alert(one.alert)?
        {
            subjects.alerts.insert(one.alert, row);
        }
    }
    news.iter()
        .map(|one| {
            let ask = subjects.ask(one);
            let known = match known(config, reader, &mut subjects, (one.alert, ask)) {
                Ok(known) => known,
                Err(CommandError::Store(error)) => return Err(error),
                Err(error) => {
                    tracing::warn!(alert = one.alert, %error, "its notice says less");
                    None
                }
            };
            Ok(of_alert(config, &subjects, one, known.as_ref()))
        })
        .collect()
}

/// The alert of an event; none where it is gone.
fn known(
    config: &Config,
    reader: &Reader,
    subjects: &mut Subjects,
    (id, ask): (i64, Ask),
) -> Result<Option<Alert>, CommandError> {
    let Some(row) = subjects.alerts.get(&id) else {
        return Ok(None);
    };
    let Some(stream) = subjects
        .streams
        .iter()
        .find(|one| one.id == row.lead.stream)
    else {
        return Ok(None);
    };
    if !subjects.charts.contains_key(&stream.id) {
        // One chart at a time is enough: events of one alert follow each other.
        subjects.charts.clear();
        let facts = ChartFacts::read(reader, stream.clone())?;
        subjects.charts.insert(stream.id, facts);
    }
    let Some(facts) = subjects.charts.get(&stream.id) else {
        return Ok(None);
    };
    let streams = subjects.streams.as_slice();
    let told = |ask| alert(config, reader, (streams, facts), (row.clone(), ask));
    // Without an answer of the archive the notice leaves all the same.
    let explained = told(ask).or_else(|error| match ask {
        Ask::Facts => Err(error),
        _ => told(Ask::Facts),
    });
    explained.map(Some)
}

fn of_alert(config: &Config, subjects: &Subjects, news: &News, known: Option<&Alert>) -> Notice {
    let row = subjects.alerts.get(&news.alert);
    let stream = row.and_then(|row| {
        subjects
            .streams
            .iter()
            .find(|one| one.id == row.lead.stream)
    });
    let line = stream.map_or_else(String::new, |stream| line_of(config, stream));
    let label = stream.map_or("a stream that is gone", |stream| stream.label.as_str());
    let state = match news.what.as_str() {
        "returned" | "closed" | "verified" => "returned",
        "acknowledged" | "commented" | "shelved" => "acknowledged",
        "revised" => "revised",
        _ => "active",
    };
    let id = name(news.alert);
    let streams = match known {
        Some(alert) => alert.streams.clone(),
        None => stream.iter().map(|stream| stream.label.clone()).collect(),
    };
    let more = OfAlert {
        event: news.event,
        alert: news.alert,
        id: &id,
        who: &news.who,
        comment: &news.comment,
        stream: label,
        streams: known.map_or(1, |alert| alert.stream_count),
        first_board: row.map_or("", |row| row.lead.first_unit.as_str()),
        first_at: row.map_or_else(String::new, |row| utc(row.lead.first_at)),
        rules: row.map_or(&[], |row| row.lead.rules.as_slice()),
        side: row.map_or("", |row| row.lead.side.as_str()),
        size_sigma: row.map(|row| row.lead.size_sigma),
        boards_to_hold: known.and_then(|alert| alert.boards_to_hold),
        quiet: news.quiet,
        short: known.map_or("", |alert| alert.text.as_str()),
    };
    let told = Told {
        key: format!("{}-{}", subjects.record, news.event),
        alert: row.map(|row| row.id),
        what: &news.what,
        at: news.at,
        line: &line,
        severity: row.map_or(Severity::Medium, |row| row.severity),
        state,
        streams,
        subject: format!("{id} {}: {label}", news.what),
        text: text(config, news, label, known),
    };
    notice(told, &more)
}

/// The line of a stream; empty where the stream does not tell.
fn line_of(config: &Config, stream: &StreamRow) -> String {
    let Ok(what) = characteristic(config, stream) else {
        return String::new();
    };
    let keys = keys(what, stream);
    let line = keys.into_iter().find(|(key, _)| *key == Key::Line);
    line.map_or_else(String::new, |(_, line)| line.to_string())
}

/// What calls someone who has to know all of it.
const CALLS: [&str; 6] = [
    "raised",
    "raised again",
    "worsened",
    "escalated",
    "reminded",
    "shelving ended",
];

/// What happened and what to do, for people.
fn text(config: &Config, news: &News, label: &str, known: Option<&Alert>) -> String {
    let mut lines = vec![format!(
        "{} {} at {}{}",
        name(news.alert),
        happened(&news.what),
        moment(config, news.at),
        said(news)
    )];
    let others = known.map_or_else(String::new, beside);
    lines.push(format!("Stream: {label}{others}"));
    if let Some(alert) = known {
        lines.push(alert.what_happened.clone());
        if CALLS.contains(&news.what.as_str()) {
            lines.push(evidence(alert).join(" "));
            lines.push(alert.plan.clone());
        }
    }
    lines.retain(|line| !line.trim().is_empty());
    lines.join("\n")
}

/// What happened to an alert, as a sentence goes on.
fn happened(what: &str) -> &str {
    match what {
        "raised" => "was raised",
        "raised again" => "was raised again",
        "worsened" => "has become worse",
        "grew" => "has grown",
        "returned" => "has returned",
        "revised" => "was revised",
        "escalated" => "escalates",
        "reminded" => "still lasts",
        "acknowledged" => "was acknowledged",
        "commented" => "has a comment",
        "shelved" => "was shelved",
        "unshelved" => "is shelved no more",
        "shelving ended" => "is shelved no more, its time is over",
        "closed" => "was closed",
        "reopened" => "is open again",
        "verified" => "is verified",
        other => other,
    }
}

/// What was said with it: by a person, with their name; otherwise by the program.
fn said(news: &News) -> String {
    match (news.comment.as_str(), news.who.as_str()) {
        ("", _) => ".".to_owned(),
        (words, "driftvane") => format!(": {words}."),
        (words, who) => format!(" by {who}: {words}"),
    }
}

/// One notice in the place of many that wait for a channel.
#[must_use]
pub fn summary(record: &str, channel: &str, parcels: &[Parcel], now: i64) -> Notice {
    let mut sorted: Vec<&Notice> = parcels.iter().map(|parcel| &parcel.notice).collect();
    sorted.sort_by_key(|notice| std::cmp::Reverse(notice.severity));
    let last = parcels.last().map_or(0, |parcel| parcel.delivery);
    let key = format!("{record}-{channel}-{last}");
    let subject = format!("{} notices in one, {}", sorted.len(), counted(&sorted));
    let mut text = String::from(
        "More notices came at once than this channel sends in a minute. Each of them is in the \
         record: `driftvane alerts list`.",
    );
    for notice in sorted.iter().take(NAMED_MAX) {
        text.push_str(&format!("\n{}: {}", notice.severity.name(), notice.subject));
    }
    if sorted.len() > NAMED_MAX {
        text.push_str(&format!("\nand {} more", sorted.len() - NAMED_MAX));
    }
    let severity = sorted
        .first()
        .map_or(Severity::Medium, |notice| notice.severity);
    let first = sorted.first().map_or("", |notice| notice.line.as_str());
    let is_one_line = sorted.iter().all(|notice| notice.line == first);
    let line = if is_one_line { first } else { "" };
    let members: Vec<_> = parcels
        .iter()
        .map(|parcel| {
            let notice = &parcel.notice;
            serde_json::json!({
                "key": notice.key, "alert": notice.alert, "what": notice.kind,
                "at": utc(notice.at), "line": notice.line, "state": notice.state,
                "severity": notice.severity.name(), "streams": notice.streams,
            })
        })
        .collect();
    let told = Told {
        key,
        alert: None,
        what: "summary",
        at: now,
        line,
        severity,
        state: "summary",
        streams: Vec::new(),
        subject,
        text,
    };
    notice(told, &serde_json::json!({ "notices": members }))
}

/// How many of each severity.
fn counted(notices: &[&Notice]) -> String {
    let severities = Severity::ALL.iter().rev().filter_map(|&(name, severity)| {
        let of = notices.iter().filter(|notice| notice.severity == severity);
        let count = of.count();
        (count > 0).then(|| format!("{count} {name}"))
    });
    severities.collect::<Vec<_>>().join(", ")
}
