//! What people and the line changed during a shift.
//!
//! Knows no page. The one invariant: changes of one kind, by one author, for one reason, are one
//! line, and every single one of them stands below it.

use reports::view::{ChangeItem, ChangeLine};

use super::{feed, place};
use crate::commands::baseline::Baseline;
use crate::commands::{CommandError, local_minute};
use crate::config::Config;
use crate::store::Reader;
use crate::store::query::StreamRow;

/// Characters of a digest that tell one configuration from another.
const DIGEST_CHARS: usize = 12;

/// A change before it is gathered with others like it.
struct Change {
    at: i64,
    /// What it is one of, where there are several: "Limits set for {} streams".
    many: Many,
    /// What it says by itself.
    one: String,
    by: String,
    reason: String,
}

/// Changes that are told in one line.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Many {
    LimitsSet,
    FreezeAsked,
    BaselineAsked,
    Product {
        line: String,
        to: String,
        from: String,
    },
    Configuration,
}

impl Many {
    fn in_words(&self, count: usize) -> String {
        match self {
            Many::LimitsSet => format!("Limits set for {count} streams"),
            Many::FreezeAsked => format!("Limits of {count} streams asked for"),
            Many::BaselineAsked => format!("New baselines of {count} streams asked for"),
            Many::Product { line, to, from } => format!("{line}: product {to} after {from}"),
            Many::Configuration => format!("Configuration read again {count} times"),
        }
    }
}

/// What people and the line changed, a line for all that belongs together.
pub fn changes(
    config: &Config,
    reader: &Reader,
    streams: &[StreamRow],
    window: (i64, i64),
) -> Result<Vec<ChangeLine>, CommandError> {
    let mut all = of_limits(reader, streams, window)?;
    all.extend(of_products(config, reader, window)?);
    for reload in reader.reloads(window, i64::MAX)? {
        let digest = reload.subject.rsplit(' ').next().unwrap_or_default();
        let digest: String = digest.chars().take(DIGEST_CHARS).collect();
        all.push(Change {
            at: reload.at,
            many: Many::Configuration,
            one: format!("Configuration read again: {digest}"),
            by: String::new(),
            reason: String::new(),
        });
    }
    all.sort_by_key(|change| change.at);
    Ok(gathered(config, all))
}

fn of_limits(
    reader: &Reader,
    streams: &[StreamRow],
    (from, to): (i64, i64),
) -> Result<Vec<Change>, CommandError> {
    let label = |id: i64| {
        let stream = streams.iter().find(|stream| stream.id == id);
        stream.map_or("", |stream| stream.label.as_str())
    };
    let mut all = Vec::new();
    for row in reader.limits(None)? {
        if (from..to).contains(&row.to_at) {
            let findings = Baseline::of(&row.findings).words();
            let subgroups = row.limits.subgroups;
            let colon = if findings.is_empty() { "" } else { ": " };
            all.push(Change {
                at: row.to_at,
                many: Many::LimitsSet,
                one: format!(
                    "Limits of {} set as version {} from {subgroups} subgroups{colon}{findings}",
                    label(row.stream),
                    row.version,
                ),
                by: row.author,
                reason: row.reason,
            });
        }
    }
    for row in reader.requests(from, to)? {
        let (many, asked) = match row.kind.as_str() {
            "freeze" => (Many::FreezeAsked, "Limits of"),
            _ => (Many::BaselineAsked, "A new baseline of"),
        };
        all.push(Change {
            at: row.at,
            many,
            one: format!("{asked} {} asked for", label(row.stream)),
            by: row.author,
            reason: row.reason,
        });
    }
    Ok(all)
}

fn of_products(
    config: &Config,
    reader: &Reader,
    (from, to): (i64, i64),
) -> Result<Vec<Change>, CommandError> {
    let change = |row: crate::store::query::ProductChange| Change {
        at: row.at,
        one: format!(
            "{}: product {} after {}",
            place(config, &row.feed),
            row.to,
            row.from
        ),
        many: Many::Product {
            line: feed(config, &row.feed).map_or(row.feed, |feed| feed.line.clone()),
            to: row.to,
            from: row.from,
        },
        by: String::new(),
        reason: "seen in the data".to_owned(),
    };
    let found = reader.product_changes(from, to)?;
    Ok(found.into_iter().map(change).collect())
}

/// Changes that belong together in one line, in the order of the first of them.
fn gathered(config: &Config, all: Vec<Change>) -> Vec<ChangeLine> {
    let mut groups: Vec<Vec<Change>> = Vec::new();
    for change in all {
        let belongs = |group: &&mut Vec<Change>| {
            let first = &group[0];
            (&first.many, &first.by, &first.reason) == (&change.many, &change.by, &change.reason)
        };
        match groups.iter_mut().find(belongs) {
            Some(group) => group.push(change),
            None => groups.push(vec![change]),
        }
    }
    groups
        .into_iter()
        .map(|group| line(config, group))
        .collect()
}

fn line(config: &Config, group: Vec<Change>) -> ChangeLine {
    let first = &group[0];
    let last = group[group.len() - 1].at;
    let (from, to) = (local_minute(config, first.at), local_minute(config, last));
    let mut line = ChangeLine {
        at: from.clone(),
        until: if from == to { String::new() } else { to },
        what: first.one.clone(),
        by: first.by.clone(),
        reason: first.reason.clone(),
        items: Vec::new(),
    };
    if group.len() > 1 {
        line.what = first.many.in_words(group.len());
        let item = |one: Change| ChangeItem {
            at: local_minute(config, one.at),
            what: one.one,
        };
        line.items = group.into_iter().map(item).collect();
    }
    line
}
