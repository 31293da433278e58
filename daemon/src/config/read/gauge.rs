//! Reads the gauge studies that capability figures stand beside.
//!
//! Knows no study: the file is opened when a figure is asked for. The invariant: a measure of a
//! station has one study at most, and some feed gives it.

use std::path::Path;

use jiff::civil::Date;

use super::feed::{Offer, STATIONS, read_mark};
use super::resolve;
use super::table::{Item, Table, Unique};
use crate::config::Gauge;
use crate::feeds::study::StudyFile;

/// Reads all studies.
pub(super) fn read_all(top: &Table<'_>, base: &Path, offers: &[Offer]) -> Vec<Gauge> {
    let mut names = Unique::new("a gauge study of");
    let tables = top.tables("gauge");
    tables
        .iter()
        .filter_map(|table| read_one(table, base, offers, &mut names))
        .collect()
}

fn read_one(table: &Table<'_>, base: &Path, offers: &[Offer], names: &mut Unique) -> Option<Gauge> {
    let station = table.need("station", "\"paste\"");
    let station = station.and_then(|item| item.choice(&STATIONS));
    let measure_item = table.need("measure", "\"height\"");
    let measure = measure_item.as_ref().and_then(Item::text);
    if let (Some(item), Some(measure)) = (&measure_item, &measure) {
        let here = station.map_or("any station", |station| station.name());
        names.add(&format!("{measure} at {here}"), item);
        let mut at = offers.iter().filter(|offer| offer.is_at(station));
        if !at.any(|offer| offer.measures(measure)) {
            let message = format!("no feed of {here} measures {measure:?}");
            item.fault(message, "name a measure of such a feed");
        }
    }
    let file = read_file(table, base);
    let studied_on = table.need("studied_on", "\"2026-02-20\"");
    let studied_on = studied_on.as_ref().and_then(read_date);
    let until_item = table.get("valid_until");
    let valid_until = until_item.as_ref().and_then(read_date);
    if let (Some(item), Some(from), Some(until)) = (&until_item, studied_on, valid_until)
        && until < from
    {
        item.fault("lies before studied_on", "correct one of the dates");
    }
    table.finish();
    Some(Gauge {
        station: station?,
        measure: measure?,
        file: file?,
        studied_on: studied_on?,
        valid_until,
    })
}

fn read_file(table: &Table<'_>, base: &Path) -> Option<StudyFile> {
    let path = table.text("file", "\"gauge/height.csv\"");
    let usual = StudyFile::new(Path::new("").to_owned());
    let column = |key| table.text_if(key);
    let (part, operator) = (column("part"), column("operator"));
    let (trial, value) = (column("trial"), column("value"));
    let delimiter = table.get("delimiter");
    let delimiter = delimiter.as_ref().map_or(Some(usual.delimiter), read_mark);
    let decimal = table.get("decimal").map_or(Some(usual.decimal), |item| {
        item.choice(&[(".", b'.'), (",", b',')])
    });
    if let (Some(delimiter), Some(decimal)) = (delimiter, decimal)
        && delimiter == decimal
    {
        let fix = "set delimiter to what stands between cells, such as \";\"";
        table.fault("decimal and delimiter are the same", fix);
    }
    Some(StudyFile {
        path: resolve(base, &path?),
        part: part.unwrap_or(usual.part),
        operator,
        trial: trial.unwrap_or(usual.trial),
        value: value.unwrap_or(usual.value),
        delimiter: delimiter?,
        decimal: decimal?,
    })
}

fn read_date(item: &Item<'_>) -> Option<Date> {
    let text = item.text()?;
    let date = text.parse().ok();
    if date.is_none() {
        item.fault(format!("{text:?} is no date"), "write it as \"2026-02-20\"");
    }
    date
}
