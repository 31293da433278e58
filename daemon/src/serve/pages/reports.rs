//! The shift reports that were written, and the audit packs: lists, and the files themselves.
//!
//! A request names a number of the record, or a name that is looked for among those that are there:
//! no text of it becomes a path. The one invariant: what is handed out lies in the folder of
//! reports, or is named by the record.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path as FilePath, PathBuf};
use std::sync::Arc;
use std::time::UNIX_EPOCH;

use axum::Extension;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use serde::Serialize;

use super::{Page, looked, missing, refusal, shown};
use crate::commands::{CommandError, audit, local_minute};
use crate::config::Config;
use crate::serve::access::Visitor;
use crate::serve::download::{Kind, file};
use crate::shifts;
use crate::store::Reader;

/// Reports that are listed, each revision counted.
const REPORTS_MAX: usize = 300;

/// Packs that are listed.
const PACKS_MAX: usize = 100;

/// Entries of the folder of reports that are looked at.
const ENTRIES_MAX: usize = 50_000;

/// The files of a pack that the page hands out.
const FILES: [(&str, Kind, &str); 3] = [
    ("audit.html", Kind::Report, "the pack"),
    ("figures.xlsx", Kind::Workbook, "workbook"),
    ("figures.json", Kind::Figures, "all figures"),
];

#[derive(Serialize)]
struct List {
    shifts: Vec<Shift>,
    reports_all: usize,
    reports_shown: usize,
    packs: Vec<Pack>,
    packs_all: usize,
    products: Vec<String>,
}

/// The reports of a shift.
#[derive(Serialize)]
struct Shift {
    start: i64,
    name: String,
    from: String,
    /// The newest first.
    revisions: Vec<u32>,
}

#[derive(Serialize)]
struct Pack {
    name: String,
    /// The name as a part of an address.
    address: String,
    made: String,
    files: [(&'static str, &'static str); 3],
}

/// Lists them.
pub(in crate::serve) async fn list(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    looked(page, move |page, reader| {
        let view = listed(&page.config, reader)?;
        Ok(shown(page, &visitor, ("reports.html", "reports"), &view))
    })
    .await
}

fn listed(config: &Config, reader: &Reader) -> Result<List, CommandError> {
    let (rows, reports_all) = reader.reports(REPORTS_MAX)?;
    let mut shifts: BTreeMap<i64, Vec<u32>> = BTreeMap::new();
    for (start, revision) in &rows {
        shifts.entry(*start).or_default().push(*revision);
    }
    let shift = |(start, revisions)| Shift {
        start,
        name: shifts::at(config, start).name,
        from: local_minute(config, start),
        revisions,
    };
    let packs = packs(&config.report_folder);
    let product = |one: &crate::config::Product| one.name.clone();
    Ok(List {
        shifts: shifts.into_iter().rev().map(shift).collect(),
        reports_all,
        reports_shown: rows.len(),
        packs_all: packs.len(),
        packs: packs
            .into_iter()
            .take(PACKS_MAX)
            .map(|found| pack(config, found))
            .collect(),
        products: config.products.iter().map(product).collect(),
    })
}

/// The packs in a folder with the time at which they got their names, the newest first. What is a
/// link, or has a name that no pack gets, is none.
fn packs(folder: &FilePath) -> Vec<(i64, String)> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    let entries = entries.take(ENTRIES_MAX).filter_map(Result::ok);
    let mut found: Vec<(i64, String)> = entries
        .filter_map(|entry| {
            let name = entry.file_name().into_string().ok()?;
            // What an entry is itself: a link to a folder is none.
            let is = entry.metadata().ok()?;
            let made = is.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
            let made = i64::try_from(made.as_micros()).ok()?;
            (audit::is_pack(&name) && is.is_dir()).then_some((made, name))
        })
        .collect();
    found.sort_by(|a, b| b.cmp(a));
    found
}

fn pack(config: &Config, (made, name): (i64, String)) -> Pack {
    Pack {
        address: form_urlencoded::byte_serialize(name.as_bytes()).collect(),
        made: local_minute(config, made),
        files: FILES.map(|(file, _, words)| (file, words)),
        name,
    }
}

/// Hands out a revision of a shift's report.
pub(in crate::serve) async fn shift(
    State(page): State<Arc<Page>>,
    Path((start, revision)): Path<(String, String)>,
) -> Response {
    looked(page, move |page, reader| {
        let numbers = start.parse::<i64>().ok().zip(revision.parse::<u32>().ok());
        let known = match numbers {
            Some((start, revision)) => reader.report(start, revision)?,
            None => None,
        };
        let Some(path) = known.map(PathBuf::from) else {
            return Ok(missing("There is no such report."));
        };
        let path = whereabouts(&page.config.report_folder, path);
        Ok(handed_out(&path, Kind::Report, "report.html"))
    })
    .await
}

/// Where a report lies: where it was written or, once the plant's folders were moved, by the same
/// name in the folder of reports.
fn whereabouts(folder: &FilePath, written: PathBuf) -> PathBuf {
    let is_there = written.symlink_metadata().is_ok();
    match written.file_name() {
        Some(name) if !is_there => folder.join(name),
        _ => written,
    }
}

/// Hands out a file of a pack.
pub(in crate::serve) async fn of_pack(
    State(page): State<Arc<Page>>,
    Path((name, wanted)): Path<(String, String)>,
) -> Response {
    looked(page, move |page, _| {
        let folder = &page.config.report_folder;
        let known = packs(folder).into_iter().find(|(_, one)| *one == name);
        let file = FILES.into_iter().find(|(one, ..)| *one == wanted);
        let (Some((_, pack)), Some((name, kind, _))) = (known, file) else {
            return Ok(missing("There is no such pack, or it has no such file."));
        };
        Ok(handed_out(&folder.join(pack).join(name), kind, name))
    })
    .await
}

fn handed_out(path: &FilePath, kind: Kind, name: &str) -> Response {
    file(path, kind, name).unwrap_or_else(|error| {
        tracing::warn!(path = %path.display(), %error, "the page can not hand out a file");
        refusal(
            StatusCode::NOT_FOUND,
            "This file is not where it was written any more; the log says which it is.",
        )
    })
}
