//! What a place keeps: its record as text, its alert file, and copies of both to go back to.
//!
//! Must not know how a fault came about. The one invariant: two records that say the same were
//! made of the same files, whatever happened in between.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use driftvane::plant::Delivery;
use serde_json::Value;

use crate::place::{Place, number, small_config, small_plant};
use crate::tools::tool;

/// Everything that the record says, but for numbers that the program gives and times on the clock.
const TABLES: [(&str, &str); 9] = [
    (
        "file",
        "SELECT feed, path, hash, from_byte, to_byte, verdict, rows_read, rows_used,
             rows_rejected, rows_duplicate, code FROM file ORDER BY id",
    ),
    (
        "path",
        "SELECT feed, path, length, consumed, hash FROM path ORDER BY 1, 2",
    ),
    ("reject", "SELECT * FROM reject ORDER BY 1, 2, 3, 4"),
    ("unit", UNITS),
    ("defect", DEFECTS),
    (
        "point",
        "SELECT label, at, unit, kind, size, value, spread, version, baseline, signals, content,
             setup FROM point JOIN stream ON stream.id = stream ORDER BY 1, 2, 3, 4",
    ),
    (
        "limits",
        "SELECT label, version, from_at, to_at, numbers, author, reason FROM limits
             JOIN stream ON stream.id = stream ORDER BY 1, 2",
    ),
    (
        "episode",
        "SELECT label, first_at, first_unit, last_at, signals, rules, side, size_sigma, size_value,
             revised FROM episode JOIN stream ON stream.id = stream ORDER BY 1, 2, 3",
    ),
    (
        "news",
        "SELECT label, episode.first_at, episode.first_unit, what, who, alert_event.comment
             FROM alert_event JOIN alert ON alert.id = alert_event.alert
             JOIN episode ON episode.id = lead JOIN stream ON stream.id = stream
             ORDER BY 1, 2, 3, alert_event.id",
    ),
];

/// What a record says of visits and calls: the same whatever the batches were.
const UNITS: &str = "SELECT feed, unit, attempt, at, product, rows, calls, confirmed, false_calls,
    opportunities FROM unit ORDER BY 1, 2, 3";
const DEFECTS: &str = "SELECT * FROM defect ORDER BY 1, 2, 3, 4, 5, 6, 7";

/// The numbers of news that have left for the alert file, by the record.
const SENT: &str = "SELECT json_extract(body, '$.event') FROM notice
    JOIN delivery ON notice.id = notice
    WHERE delivery.state = 'sent' AND json_extract(body, '$.event') IS NOT NULL ORDER BY 1";

/// What a record says, table by table.
pub type Said = BTreeMap<&'static str, Vec<String>>;

/// What the record of a place says.
pub fn said(place: &Place) -> Said {
    let table = |(name, query): &(&'static str, &str)| (*name, place.table(query));
    TABLES.iter().map(table).collect()
}

/// Asserts that two records say the same, and names the table where they do not.
pub fn assert_same(what: &str, expected: &Said, found: &Said) {
    for (table, rows) in expected {
        let other = &found[table];
        let differs = rows.iter().zip(other).find(|(one, other)| one != other);
        assert!(
            rows == other,
            "{what}: {table} has {} rows instead of {}: {differs:?}",
            other.len(),
            rows.len()
        );
    }
}

/// Asserts that the record is sound, its rows add up, and every news that has left stands in the
/// alert file: each once, or once more where a fault came before it was noted.
pub fn assert_whole(place: &Place) {
    place.assert_sound();
    place.assert_rows_add_up();
    let lines = news(place);
    for event in sent(place) {
        let count = lines.iter().filter(|line| **line == event).count();
        assert!(count >= 1, "the news {event} was told to nobody: {lines:?}");
    }
}

/// The numbers of the news that have left, by the record.
pub fn sent(place: &Place) -> Vec<String> {
    place.table(SENT)
}

/// The numbers of the news in the alert file, as the record writes them.
pub fn news(place: &Place) -> Vec<String> {
    let text = fs::read_to_string(place.path("alerts.jsonl")).unwrap_or_default();
    // The last line may be cut; it is written again, whole. News of the system have no number.
    let lines = text
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok());
    lines
        .filter(|line| line["system"].is_null())
        .map(|line| format!("[Integer({})]", number(&line, "event")))
        .collect()
}

/// Asks for the one file that was set aside because it could not be read.
pub fn ask_again(place: &Place) {
    let file = place.number("SELECT id FROM file WHERE code = 'F015'");
    let file = format!("Q-{file:04}");
    let why = ["--by", "R. Okafor", "--reason", "the cause was mended"];
    place.ok(&[&["quarantine", "retry", &file][..], &why[..]].concat());
}

/// Whether a place has a record that can be read.
pub fn has_record(place: &Place) -> bool {
    let answer = place.run(&["streams"]);
    let is_none = answer.code == Some(1) && answer.err.contains("holds no record yet");
    assert!(answer.code == Some(0) || is_none, "{}", answer.err);
    !is_none
}

/// The data folder and the alert file of a place as they were, to go back to.
pub struct Before {
    copy: PathBuf,
}

impl Before {
    /// Keeps what is there now.
    pub fn keep(place: &Place, name: &str) -> Before {
        let copy = place.path(name);
        fs::create_dir_all(&copy).unwrap();
        for part in PARTS {
            if place.path(part).exists() {
                copy_all(&place.path(part), &copy.join(part));
            }
        }
        Before { copy }
    }

    /// Goes back to it.
    pub fn restore(&self, place: &Place) {
        for part in PARTS {
            let (now, then) = (place.path(part), self.copy.join(part));
            if now.is_dir() {
                fs::remove_dir_all(&now).unwrap();
            } else if now.exists() {
                fs::remove_file(&now).unwrap();
            }
            if then.exists() {
                copy_all(&then, &now);
            }
        }
    }
}

/// What a place writes.
const PARTS: [&str; 2] = ["driftvane-data", "alerts.jsonl"];

fn copy_all(from: &Path, to: &Path) {
    let (from, to) = (from.to_string_lossy(), to.to_string_lossy());
    tool("cp", &["-a", &from, &to]);
}

/// The plant's deliveries, by a seed.
pub fn deliveries(seed: u64) -> Vec<Delivery> {
    small_plant().deliveries(seed).collect()
}

/// Baselines so short that a few files lead to limits and alerts.
pub fn quick_config() -> String {
    small_config(60).replace("settle_ms = 200", "settle_ms = 20")
}

/// The same deliveries, read in one go and undisturbed.
pub fn undisturbed(config: &str, deliveries: &[Delivery]) -> Place {
    let place = Place::new(config);
    for delivery in deliveries {
        place.deliver(delivery);
    }
    place.replay();
    place
}
