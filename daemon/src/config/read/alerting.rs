//! Reads what becomes of signals: which have one cause, and how alerts are handled.
//!
//! Knows no channel. The invariant: a measure is in one set of linked measures at most.

use super::table::{Item, Table, Unique};
use crate::config::Alerting;

/// Measures of a print that one cause moves together: volume is height times area, and a print
/// that lies askew is off in both directions.
const LINKED: [&[&str]; 2] = [&["height", "area", "volume"], &["offset-x", "offset-y"]];

/// Minutes after one another within which signals at one place have one cause.
const NEAR_MINUTES: u32 = 30;

/// Causes to close an alert with, where the plant has no list of its own.
const CAUSES: [&str; 8] = [
    "paste",
    "stencil",
    "printer",
    "material",
    "placement or reflow",
    "gauge or program",
    "false alert",
    "not found",
];

/// Reads them; where the table is absent, everything is as it usually is.
pub(super) fn read(table: Option<&Table<'_>>) -> Option<Alerting> {
    let linked = table.and_then(|table| table.get("linked_measures"));
    let whole = |key, range, usual| table.map_or(usual, |table| table.whole_or(key, range, usual));
    let minutes = |count: u32| i64::from(count) * 60_000_000;
    let causes = match table.and_then(|table| table.get("causes")) {
        Some(item) => read_causes(&item),
        None => Some(CAUSES.map(str::to_owned).to_vec()),
    };
    let usual = || {
        let set = |set: &&[&str]| set.iter().map(|&name| name.to_owned()).collect();
        Some(LINKED.iter().map(set).collect())
    };
    Some(Alerting {
        linked: linked.map_or_else(usual, |item| read_linked(&item))?,
        near_us: minutes(whole("one_cause_minutes", 0..=720, NEAR_MINUTES)),
        changeover_us: minutes(whole("changeover_minutes", 0..=720, 0)),
        shelve_hours_max: whole("shelve_hours_max", 1..=720, 24),
        escalate_us: minutes(whole("escalate_after_minutes", 0..=10_080, 60)),
        remind_us: minutes(60 * whole("remind_after_hours", 0..=720, 8)),
        causes: causes?,
        verify_points: whole("verify_points", 1..=1_000, 5),
    })
}

fn read_causes(item: &Item<'_>) -> Option<Vec<String>> {
    let causes = item.texts()?;
    if causes.is_empty() {
        let fix = "name the causes that alerts are closed with, or remove it";
        item.fault("is empty: no alert could be closed", fix);
    }
    Some(causes)
}

fn read_linked(item: &Item<'_>) -> Option<Vec<Vec<String>>> {
    let mut unique = Unique::new("the linked measure");
    let mut sets = Vec::new();
    for set in item.items()? {
        let mut names = Vec::new();
        for name in set.items()? {
            let text = name.text()?;
            unique.add(&text, &name);
            names.push(text);
        }
        if names.len() < 2 {
            let fix = "name two or more measures, as in [[\"height\", \"area\"]]";
            set.fault("links nothing", fix);
        }
        sets.push(names);
    }
    Some(sets)
}
