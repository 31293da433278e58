//! What was changed in the window, and how alerts did meanwhile.
//!
//! Judges nothing. The one invariant: a change is told with who made it and why, as the record has
//! it.

use reports::audit::view::{AuditChange, AuditPack};

use super::as_of::AsOf;
use super::bounded::Rows;
use super::scope::Scope;
use crate::commands::alerts::health::{self, Health};
use crate::commands::report::{health_lines, health_remarks};
use crate::commands::{CommandError, local, utc};
use crate::config::Config;
use crate::store::{ProposalRow, Reader, What};

/// A change with its time.
struct Change {
    at: i64,
    what: String,
    by: String,
    approved_by: String,
    reason: String,
}

/// The tables of changes and of the health of alerts.
pub(super) fn sheets(
    view: &mut AuditPack,
    (config, reader): (&Config, &Reader),
    (scope, as_of): (&Scope, &AsOf),
    entry: i64,
) -> Result<Vec<Rows>, CommandError> {
    let mut changes = of_limits(reader, scope)?;
    changes.extend(of_service(reader, scope)?);
    changes.extend(of_configuration(reader, scope, entry)?);
    changes.sort_by(|a, b| (a.at, &a.what).cmp(&(b.at, &b.what)));
    let columns = ["time", "what", "by", "approved by", "reason"];
    let mut rows = Rows::new("changes", 3, &columns);
    for one in changes {
        rows.push(vec![
            utc(one.at).into(),
            one.what.as_str().into(),
            one.by.as_str().into(),
            one.approved_by.as_str().into(),
            one.reason.as_str().into(),
        ]);
        view.changes.push(AuditChange {
            at: local(config, one.at),
            what: one.what,
            by: one.by,
            approved_by: one.approved_by,
            reason: one.reason,
        });
    }
    let stood = (&*as_of.alerts()?, as_of.clock());
    let health = health::health_of((config, reader), stood, scope.window)?;
    view.health = health_lines(&health);
    view.health_remarks = health_remarks(&health);
    Ok(vec![rows, figures(&health), remarks(&health)])
}

/// Limits by the event time from which they hold; what was proposed and not approved by the clock.
fn of_limits(reader: &Reader, scope: &Scope) -> Result<Vec<Change>, CommandError> {
    let (from, to) = scope.window;
    let proposals = reader.proposals()?;
    let mut found = Vec::new();
    for stream in &scope.streams {
        for row in reader.limits(Some(stream.id))? {
            if (from..to).contains(&row.to_at) {
                let (by, approved_by) = who(&proposals, stream.id, &row.author);
                found.push(Change {
                    at: row.to_at,
                    what: format!(
                        "limits of {} set as version {} from {} subgroups",
                        stream.label, row.version, row.limits.subgroups
                    ),
                    by,
                    approved_by,
                    reason: row.reason,
                });
            }
        }
    }
    for row in reader.requests(from, to)? {
        let Some(stream) = scope.streams.iter().find(|one| one.id == row.stream) else {
            continue;
        };
        let (by, approved_by) = who(&proposals, stream.id, &row.author);
        found.push(Change {
            at: row.at,
            what: format!("{} of {} asked for", asked(&row.kind), stream.label),
            by,
            approved_by,
            reason: row.reason,
        });
    }
    for row in &proposals {
        let stream = scope.streams.iter().find(|one| one.id == row.stream);
        if let (Some(stream), true) = (stream, (from..to).contains(&row.at)) {
            found.extend(not_approved(&stream.label, row));
        }
    }
    Ok(found)
}

fn asked(kind: &str) -> &'static str {
    match kind {
        "freeze" => "limits",
        _ => "a new baseline",
    }
}

/// Who changed a stream's limits, and who approved it: the record keeps both in one text.
fn who(proposals: &[ProposalRow], stream: i64, author: &str) -> (String, String) {
    let both = |row: &ProposalRow| {
        let decision = row.decision.as_ref()?;
        let text = format!("{}, approved by {}", row.author, decision.who);
        let is_it = row.stream == stream && decision.what == What::Approved && text == author;
        is_it.then(|| (row.author.clone(), decision.who.clone()))
    };
    let found = proposals.iter().find_map(both);
    found.unwrap_or_else(|| (author.to_owned(), String::new()))
}

/// A proposal that was rejected or waits.
fn not_approved(label: &str, row: &ProposalRow) -> Option<Change> {
    let became = match &row.decision {
        None => "waits for approval".to_owned(),
        Some(made) if made.what == What::Rejected => {
            format!("rejected by {}: {}", made.who, made.reason)
        }
        Some(_) => return None,
    };
    Some(Change {
        at: row.at,
        what: format!("{} of {label} proposed; {became}", asked(&row.kind)),
        by: row.author.clone(),
        approved_by: String::new(),
        reason: row.reason.clone(),
    })
}

/// Streams out of service and back, by the clock.
fn of_service(reader: &Reader, scope: &Scope) -> Result<Vec<Change>, CommandError> {
    let rows = reader.service_trail(scope.window)?.into_iter();
    let own = rows.filter_map(|row| {
        let stream = scope.streams.iter().find(|one| one.id == row.stream)?;
        Some(Change {
            at: row.at,
            what: format!("{} {}", stream.label, row.what),
            by: row.who,
            approved_by: String::new(),
            reason: row.reason,
        })
    });
    Ok(own.collect())
}

/// Configurations that were read again, by the clock, and rows that came under another one.
fn of_configuration(
    reader: &Reader,
    scope: &Scope,
    entry: i64,
) -> Result<Vec<Change>, CommandError> {
    let reloads = reader.reloads(scope.window, entry)?.into_iter();
    let mut found: Vec<Change> = reloads
        .map(|row| Change {
            at: row.at,
            what: format!("the configuration was read again: {}", row.subject),
            by: row.who,
            approved_by: String::new(),
            reason: row.reason,
        })
        .collect();
    let settings = reader.setting_changes(scope.window, entry)?.into_iter();
    found.extend(settings.map(|row| Change {
        at: row.at,
        what: format!(
            "rows came under another setting of feeds, products or characteristics, from entry {} \
             on: {}",
            row.seq, row.reason
        ),
        by: String::new(),
        approved_by: String::new(),
        reason: String::new(),
    }));
    Ok(found)
}

fn figures(health: &Health) -> Rows {
    let columns = ["figure", "value", "unit", "wanted at most", "met"];
    let mut rows = Rows::new("alert health", 1, &columns);
    for one in &health.figures {
        let met = one.is_met.map(|met| if met { "yes" } else { "no" });
        rows.push(vec![
            one.figure.into(),
            one.value.into(),
            one.unit.into(),
            one.target.into(),
            met.into(),
        ]);
    }
    rows
}

fn remarks(health: &Health) -> Rows {
    let mut rows = Rows::new("remarks", 2, &["stream", "what", "why"]);
    for one in &health.streams {
        rows.push(vec![
            one.stream.as_str().into(),
            one.what.into(),
            one.why.as_str().into(),
        ]);
    }
    rows
}
