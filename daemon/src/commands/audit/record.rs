//! What was done where a process was out of control: alerts with their acts, causes and actions.
//!
//! Judges nothing. The one invariant: an alert of the window is told whether or not anyone answered
//! it.

use std::collections::{BTreeMap, BTreeSet};

use reports::audit::view::{AuditAlert, AuditPack};
use reports::view::ParetoBar;

use super::as_of::AsOf;
use super::bounded::Rows;
use super::scope::Scope;
use crate::commands::alerts::{self, Alert, Ask};
use crate::commands::chart::ChartFacts;
use crate::commands::{CommandError, local, utc};
use crate::config::Config;
use crate::store::Reader;
use crate::store::alerts::AlertRow;

/// Streams of an alert that the page names.
const NAMED_MAX: usize = 6;

/// The alerts of a pack.
pub(super) struct Alerts {
    /// In the order of their first signals.
    alerts: Vec<Alert>,
    /// When episodes of streams began and had their last signal, and whose they are.
    episodes: BTreeMap<i64, Vec<(i64, i64, String)>>,
}

impl Alerts {
    /// The alert that a signal of a stream belongs to.
    pub(super) fn of(&self, stream: i64, at: i64) -> Option<String> {
        let mut own = self.episodes.get(&stream)?.iter();
        let found = own.find(|(first, last, _)| (*first..=*last).contains(&at));
        found.map(|(_, _, alert)| alert.clone())
    }
}

/// The alerts that were raised or active in the window, on streams of the scope.
pub(super) fn alerts(
    config: &Config,
    reader: &Reader,
    (scope, as_of): (&Scope, &AsOf),
) -> Result<Alerts, CommandError> {
    let (from, to) = scope.window;
    let is_wanted = |row: &AlertRow| {
        let in_window = row.first_at < to && row.returned_at.is_none_or(|at| at >= from);
        let mut own = row.members.iter().chain([&row.lead]);
        in_window && own.any(|one| scope.has(one.stream))
    };
    let mut rows: Vec<AlertRow> = as_of.alerts()?.into_iter().filter(is_wanted).collect();
    let mut episodes: BTreeMap<i64, Vec<(i64, i64, String)>> = BTreeMap::new();
    for row in &rows {
        for one in &row.members {
            let span = (one.first_at, one.last_at, alerts::name(row.id));
            episodes.entry(one.stream).or_default().push(span);
        }
    }
    // The points of a stream are read once for all alerts that it speaks for.
    rows.sort_by_key(|row| (row.lead.stream, row.first_at, row.id));
    let mut found = Vec::with_capacity(rows.len());
    let mut facts: Option<ChartFacts> = None;
    for row in rows {
        if facts.as_ref().map(|facts| facts.stream.id) != Some(row.lead.stream) {
            let mut all = as_of.streams().iter();
            let stream = all.find(|stream| stream.id == row.lead.stream).cloned();
            facts = match stream {
                Some(stream) => Some(ChartFacts::read(reader, stream)?),
                None => None,
            };
        }
        if let Some(facts) = &facts {
            let asked = (row, Ask::Facts);
            let all = as_of.streams();
            let mut alert = alerts::alert(config, reader, (all, facts), asked)?;
            as_of.cut(&mut alert);
            found.push(alert);
        }
    }
    found.sort_by_key(|alert| (alert.row.first_at, alert.row.id));
    Ok(Alerts {
        alerts: found,
        episodes,
    })
}

/// The tables of alerts and of what befell them; what the page shows of them goes into the view.
pub(super) fn sheets(view: &mut AuditPack, config: &Config, alerts: Alerts) -> Vec<Rows> {
    let mut rows = Rows::new(
        "alerts",
        1,
        &[
            "alert",
            "state",
            "severity",
            "stream that says most",
            "streams",
            "first signal",
            "board",
            "last signal",
            "quiet again",
            "side",
            "sigmas from the centre",
            "value there",
            "rules",
            "what happened",
            "began at board",
            "boards to hold",
            "acknowledged by",
            "cause",
            "action",
            "closed by",
            "closed at",
            "verified at",
            "suppressed because",
        ],
    );
    let mut acts = Rows::new(
        "acts",
        2,
        &["alert", "number", "time", "what", "who", "words"],
    );
    let mut causes: BTreeMap<String, u64> = BTreeMap::new();
    for alert in &alerts.alerts {
        rows.push(row(alert));
        for (number, event) in (1u64..).zip(&alert.history) {
            acts.push(vec![
                alert.id.as_str().into(),
                number.into(),
                event.at.as_str().into(),
                event.what.as_str().into(),
                event.who.as_str().into(),
                event.comment.as_str().into(),
            ]);
        }
        if let Some(closed) = &alert.closed {
            *causes.entry(closed.cause.clone()).or_default() += 1;
        }
        view.alerts.push(shown(config, alert));
    }
    let bar = |(label, count): (String, u64)| ParetoBar { label, count };
    view.causes = causes.into_iter().map(bar).collect();
    view.causes
        .sort_by_key(|bar| (std::cmp::Reverse(bar.count), bar.label.clone()));
    vec![rows, acts]
}

fn row(alert: &Alert) -> Vec<reports::tables::Cell> {
    let closed = alert.closed.as_ref();
    vec![
        alert.id.as_str().into(),
        alert.state.as_str().into(),
        alert.severity.into(),
        alert.streams.first().map(String::as_str).into(),
        (alert.stream_count as u64).into(),
        utc(alert.first_at()).into(),
        alert.row.lead.first_unit.as_str().into(),
        alert.last_signal_at.as_str().into(),
        alert.returned_at.as_deref().into(),
        alert.direction.as_str().into(),
        alert.size_sigma.into(),
        alert.size_value.into(),
        alert.rules.join(" ").into(),
        alert.what_happened.as_str().into(),
        alert.onset.board.as_str().into(),
        alert.boards_to_hold.into(),
        alert.acknowledged_by.as_deref().into(),
        closed.map(|one| one.cause.as_str()).into(),
        closed.map(|one| one.action.as_str()).into(),
        closed.map(|one| one.by.as_str()).into(),
        closed.map(|one| one.at.as_str()).into(),
        closed.and_then(|one| one.verified_at.as_deref()).into(),
        alert.suppressed.as_deref().into(),
    ]
}

fn shown(config: &Config, alert: &Alert) -> AuditAlert {
    let line = |event: &alerts::Event| {
        let words = if event.comment.is_empty() {
            String::new()
        } else {
            format!(": {}", event.comment)
        };
        let at = local(config, event.time);
        format!("{at} {} by {}{words}", event.what, event.who)
    };
    let closed = alert.closed.as_ref();
    let verified = alert.row.closed.as_ref().and_then(|one| one.verified_at);
    let named: BTreeSet<&String> = alert.streams.iter().skip(1).collect();
    let first = alert.streams.first().cloned();
    let others = named.into_iter().take(NAMED_MAX - 1).cloned();
    let streams: Vec<String> = first.into_iter().chain(others).collect();
    AuditAlert {
        id: alert.id.clone(),
        streams_more: alert.stream_count.saturating_sub(streams.len()) as u64,
        streams,
        state: alert.state.clone(),
        what_happened: alert.what_happened.clone(),
        boards_to_hold: alert.boards_to_hold,
        cause: closed.map_or_else(String::new, |one| one.cause.clone()),
        action: closed.map_or_else(String::new, |one| one.action.clone()),
        verified: verified.map_or_else(String::new, |at| local(config, at)),
        is_answered: closed.is_some() || alert.row.revised || alert.suppressed.is_some(),
        history: alert.history.iter().map(line).collect(),
    }
}
