//! A shift's yields, defects, completeness and changes, as a report shows them.
//!
//! Knows no page. The one invariant: a figure whose basis the feed does not give stays empty and
//! says why.

mod changes;
mod yields;

use std::collections::{BTreeMap, BTreeSet};

use reports::view::{Completeness, FeedCompleteness, RejectReason, TopDefect};

use super::{CommandError, file_name, local_minute};
use crate::config::{Config, Feed};
use crate::feeds::diagnostics::meaning;
use crate::output::number_of;
use crate::store::query::FileRow;
use crate::store::{IgnoredRow, Reader, SilenceRow};

pub use changes::changes;
pub use yields::yields;

/// The most frequent defects that are shown.
const TOP_DEFECTS: usize = 10;

fn feed<'a>(config: &'a Config, name: &str) -> Option<&'a Feed> {
    config.feeds.iter().find(|feed| feed.name == name)
}

/// A station as people call it: its line and kind.
fn place(config: &Config, name: &str) -> String {
    feed(config, name).map_or_else(
        || name.to_owned(),
        |feed| format!("{} {}", feed.line, feed.station.name()),
    )
}

/// Whether a feed tells good boards from others. Without that, no call means nothing.
fn gives_verdict(feed: &Feed) -> bool {
    feed.call.is_some() || feed.review.is_some() || feed.lists_failures_only
}

/// What a reader of the yields must know.
pub fn cautions(config: &Config) -> Vec<String> {
    let silent = config.feeds.iter().filter(|feed| !gives_verdict(feed));
    silent
        .map(|feed| format!("Feed {} gives no verdict, so it has no yield.", feed.name))
        .collect()
}

/// The most frequent defects, and how many there are in all: confirmed ones where a person reviews,
/// calls elsewhere.
pub fn top_defects(
    config: &Config,
    reader: &Reader,
    (from, to): (i64, i64),
) -> Result<(Vec<TopDefect>, u64), CommandError> {
    let reviewed = reader.reviewed_feeds()?;
    let mut defects = reader.defects(from, to)?;
    let is_confirmed = crate::words::Review::Confirmed as u8;
    defects.retain(|one| !reviewed.contains(&one.feed) || one.review == is_confirmed);
    let total: u64 = defects.iter().map(|one| one.count).sum();
    let shown = defects.into_iter().take(TOP_DEFECTS).map(|one| TopDefect {
        station: place(config, &one.feed),
        component: if one.pin.is_empty() {
            one.component
        } else {
            format!("{} pin {}", one.component, one.pin)
        },
        defect: if one.defect.is_empty() {
            "called without a name".to_owned()
        } else {
            one.defect
        },
        count: one.count,
        share: one.count as f64 / total as f64,
    });
    Ok((shown.collect(), total))
}

/// What each feed delivered.
pub fn completeness(
    config: &Config,
    reader: &Reader,
    (from, to): (i64, i64),
) -> Result<Completeness, CommandError> {
    let files = reader.files(from, to)?;
    let silences = reader.silences(from, to)?;
    let ignored = reader.ignored(from, to)?;
    let mut feeds = Vec::new();
    for feed in &config.feeds {
        let mut row = delivered(config, feed, &files);
        let last = reader.last_file(&feed.name, to)?;
        if let Some((at, path)) = &last {
            row.last_file = format!("{}, {}", file_name(path), local_minute(config, *at));
        }
        row.silent_since = silent_since(config, feed, last.map(|(at, _)| at), (from, to));
        row.notes = silence_notes(config, feed, &silences);
        row.notes
            .extend(row_notes(config, reader, feed, (from, to))?);
        row.notes.extend(ignored_note(feed, &ignored));
        feeds.push(row);
    }
    Ok(Completeness {
        feeds,
        rejects: rejects(reader, &files)?,
    })
}

/// How many files there are in a window.
pub fn file_count(reader: &Reader, (from, to): (i64, i64)) -> Result<usize, CommandError> {
    let looks = reader.files(from, to)?;
    let feeds: BTreeSet<&str> = looks.iter().map(|look| look.feed.as_str()).collect();
    let of = |feed: &&str| whole_files(looks.iter().filter(|look| look.feed == **feed)).len();
    Ok(feeds.iter().map(of).sum())
}

fn delivered(config: &Config, feed: &Feed, files: &[FileRow]) -> FeedCompleteness {
    let mut row = FeedCompleteness {
        feed: feed.name.clone(),
        station: place(config, &feed.name),
        ..FeedCompleteness::default()
    };
    let own = || files.iter().filter(|file| file.feed == feed.name);
    for worst in whole_files(own()) {
        let verdict = match worst {
            Worst::Accepted => &mut row.files_accepted,
            Worst::WithRejects => &mut row.files_with_rejects,
            Worst::Duplicate => &mut row.files_duplicate,
            Worst::Quarantined => &mut row.files_quarantined,
        };
        *verdict += 1;
    }
    for file in own() {
        row.rows_read += file.rows[0];
        row.rows_used += file.rows[1];
        row.rows_rejected += file.rows[2];
        row.rows_duplicate += file.rows[3];
    }
    row
}

/// What became of a file, the worst last.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Worst {
    Duplicate,
    Accepted,
    WithRejects,
    Quarantined,
}

/// The files behind what was read: one that grows is one file, however often it was looked at.
fn whole_files<'a>(looks: impl Iterator<Item = &'a FileRow>) -> Vec<Worst> {
    let mut grown: BTreeMap<&str, Worst> = BTreeMap::new();
    let mut whole = Vec::new();
    for look in looks {
        let verdict = match look.verdict.as_str() {
            "accepted" => Worst::Accepted,
            "accepted_with_rejects" => Worst::WithRejects,
            "duplicate" => Worst::Duplicate,
            _ => Worst::Quarantined,
        };
        let known = grown.get_mut(look.path.as_str());
        match known {
            Some(worst) if look.from_byte > 0 => *worst = verdict.max(*worst),
            // Another content under the same name.
            Some(before) => whole.push(std::mem::replace(before, verdict)),
            None => {
                grown.insert(&look.path, verdict);
            }
        }
    }
    whole.extend(grown.into_values());
    whole
}

/// When a feed was silent.
fn silence_notes(config: &Config, feed: &Feed, silences: &[SilenceRow]) -> Vec<String> {
    let own = silences.iter().filter(|silence| silence.feed == feed.name);
    let note = |silence: &SilenceRow| {
        let end = silence.returned_at.map_or_else(
            || "and still is".to_owned(),
            |at| format!("until {}", local_minute(config, at)),
        );
        let since = local_minute(config, silence.since);
        format!("it was silent from {since} {end}.")
    };
    own.map(note).collect()
}

/// Boards that have fewer or more rows than their product states.
pub(crate) fn row_notes(
    config: &Config,
    reader: &Reader,
    feed: &Feed,
    window: (i64, i64),
) -> Result<Vec<String>, CommandError> {
    let mut notes = Vec::new();
    for product in &config.products {
        let stated = product.rows.iter().find(|(of, _)| *of == feed.station);
        let Some((_, rows)) = stated.filter(|_| !feed.lists_failures_only) else {
            continue;
        };
        let found = reader.odd_visits((&feed.name, &product.name), *rows, window)?;
        if let Some((unit, has)) = &found.example {
            let odd = |count: u64, how: &str| {
                let have = if count == 1 { "has" } else { "have" };
                let boards = number_of(count, "board");
                (count > 0).then(|| format!("{boards} {have} {how} rows than the {rows} stated"))
            };
            let both = [odd(found.fewer, "fewer"), odd(found.more, "more")];
            let both: Vec<String> = both.into_iter().flatten().collect();
            notes.push(format!(
                "of {}, {}, such as {unit} with {has}.",
                product.name,
                both.join(" and ")
            ));
        }
    }
    Ok(notes)
}

/// What lies in a feed's folder and is never read.
fn ignored_note(feed: &Feed, ignored: &[IgnoredRow]) -> Option<String> {
    let mut own = ignored.iter().filter(|row| row.feed == feed.name);
    let first = own.next()?;
    let (entries, are) = match own.count() {
        0 => ("one entry".to_owned(), "is"),
        more => (format!("{} entries", more + 1), "are"),
    };
    Some(format!(
        "{entries} of its folder {are} never read, such as {:?}: {}.",
        first.name, first.what
    ))
}

/// Since when a feed has been silent at the end of a window; empty while it is not.
fn silent_since(config: &Config, feed: &Feed, last: Option<i64>, (from, to): (i64, i64)) -> String {
    let Some(silent_after) = feed.silent_after_s else {
        return String::new();
    };
    let allowed = i64::try_from(silent_after)
        .unwrap_or(i64::MAX)
        .saturating_mul(1_000_000);
    let is_silent = to.saturating_sub(last.unwrap_or(from)) > allowed;
    match (is_silent, last) {
        (false, _) => String::new(),
        (true, Some(at)) => local_minute(config, at),
        (true, None) => format!("before {}", local_minute(config, from)),
    }
}

fn rejects(reader: &Reader, files: &[FileRow]) -> Result<Vec<RejectReason>, CommandError> {
    let mut reasons: BTreeMap<String, RejectReason> = BTreeMap::new();
    let mut add = |code: &str, reason: &str, count: u64, example: String| {
        let fresh = || RejectReason {
            reason: format!("{} ({code})", meaning(code).unwrap_or("refused")),
            count: 0,
            example,
            detail: reason.to_owned(),
        };
        reasons.entry(code.to_owned()).or_insert_with(fresh).count += count;
    };
    for file in files {
        let name = file_name(&file.path);
        if let Some((code, reason)) = &file.trouble {
            add(code, reason, 1, name.clone());
        }
        if file.rows[2] > 0 {
            for reject in reader.rejects(file.id)? {
                let example = format!("{name}:{}", reject.line);
                add(&reject.code, &reject.reason, reject.count, example);
            }
        }
    }
    let mut reasons: Vec<RejectReason> = reasons.into_values().collect();
    reasons.sort_by_key(|reason| std::cmp::Reverse(reason.count));
    Ok(reasons)
}
