//! How fast files become committed rows, beside a data-frame library that merely parses them.
//!
//! Knows the program only through its library. The invariant: both readers get the same files in
//! the same run, each measurement is a process of its own, and a reader that does not see every
//! row is an error, not a result. Files are written just before, so they come from memory.

#![expect(
    clippy::print_stdout,
    reason = "the figures are what this program is for"
)]

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, ensure};
use driftvane::ingest::Ingest;
use driftvane::plant::Plant;
use polars::prelude::{DataType, Schema, SchemaRef};
use polars_io::SerReader;
use polars_io::csv::read::CsvReadOptions;

mod measured;
mod own_folder;

use measured::{best, print_head, print_row};
use own_folder::in_own_folder;

/// The seed of the plant.
const SEED: u64 = 1;

/// The configuration of the invented plant.
const CONFIG: &str = include_str!("../../sample-feeds/driftvane.toml");

fn main() -> anyhow::Result<()> {
    let readers: [(&str, measured::Reader); 3] = [
        ("committed", committed),
        ("watched", watched),
        ("parsed", parsed),
    ];
    if measured::is_child(&readers)? {
        return Ok(());
    }
    all()
}

/// Makes the files of each case and measures both readers.
fn all() -> anyhow::Result<()> {
    // A planted drift would go on for as many panels as are asked for, until each is a defect.
    let plant = Plant::embedded()?.undisturbed();
    in_own_folder("bench", |folder| {
        let [many, one] = ["many", "one"].map(|name| folder.join(name));
        fs::create_dir_all(&many)?;
        fs::create_dir_all(&one)?;
        let rows = many_files(&plant, &many)?;
        case("400 files of 640 rows", &many, rows)?;
        let rows = one_file(&plant, &one)?;
        case("one file of 5 million rows", &one, rows)
    })
}

fn many_files(plant: &Plant, folder: &Path) -> anyhow::Result<u64> {
    for file in plant.paste_files(SEED, 400, 640)? {
        fs::write(folder.join(&file.file_name), &file.content)?;
    }
    Ok(400 * 640)
}

fn one_file(plant: &Plant, folder: &Path) -> anyhow::Result<u64> {
    // The feed takes the panel from a column; the name only has to fit its pattern.
    let mut out = BufWriter::new(File::create(folder.join("P000001_all.csv"))?);
    plant.paste_file(SEED, 5_000, 1_000, &mut out)?;
    out.flush()?;
    Ok(5_000 * 1_000)
}

fn case(name: &str, folder: &Path, rows: u64) -> anyhow::Result<()> {
    print_head(name)?;
    let committed = best("committed", folder, rows)?;
    print_row("driftvane, read to committed", committed);
    let parsed = best("parsed", folder, rows)?;
    print_row("polars, parsed to memory and dropped", parsed);
    let watched = best("watched", folder, rows)?;
    print_row("driftvane, every pad watched as well", watched);
    println!(
        "read to committed takes {:.2} times as long as parsing alone; with every pad watched in \
         every measure, {:.2} times as long as without",
        committed.wall_s / parsed.wall_s,
        watched.wall_s / committed.wall_s
    );
    Ok(())
}

/// Decodes, parses, validates, groups, charts and commits to the record and the archive.
fn committed(folder: &Path, data: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    read(folder, data, false)
}

/// The same, and watches each pad in each measure that is charted.
fn watched(folder: &Path, data: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    read(folder, data, true)
}

fn read(folder: &Path, data: &Path, watch_pads: bool) -> anyhow::Result<(u64, Option<Ingest>)> {
    let text = paste_only(folder, data, watch_pads)?;
    let config = driftvane::config::read::read(&text, folder)?;
    let threads = std::thread::available_parallelism()?.get();
    let mut ingest = Ingest::open(Arc::new(config), threads)?;
    let outcome = driftvane::run::replay(&mut ingest, &[], &mut |_, _, _| {})?;
    ensure!(
        outcome.quarantined == 0 && outcome.rejects == 0,
        "{} files were set aside, {} rows rejected",
        outcome.quarantined,
        outcome.rejects
    );
    Ok((outcome.rows, Some(ingest)))
}

/// The plant's configuration with nothing but paste inspection.
fn paste_only(folder: &Path, data: &Path, watch_pads: bool) -> anyhow::Result<String> {
    let mut config: toml::Table = toml::from_str(CONFIG)?;
    for list in ["feed", "characteristic"] {
        let tables = config.get_mut(list).and_then(toml::Value::as_array_mut);
        tables
            .context("the configuration has feeds and characteristics")?
            .retain(|one| one.get("station").and_then(toml::Value::as_str) == Some("paste"));
    }
    let text = |path: PathBuf| toml::Value::String(path.to_string_lossy().into_owned());
    let feeds = config.get_mut("feed").and_then(toml::Value::as_array_mut);
    for feed in feeds
        .into_iter()
        .flatten()
        .filter_map(toml::Value::as_table_mut)
    {
        feed.insert("folder".to_owned(), text(folder.to_owned()));
    }
    let charted = config.get_mut("characteristic");
    let charted = charted.and_then(toml::Value::as_array_mut);
    for what in charted.into_iter().flatten() {
        let is_measured = what.get("measure").is_some();
        let what = what.as_table_mut().context("a characteristic is a table")?;
        if is_measured {
            what.insert("watch_pads".to_owned(), watch_pads.into());
        }
    }
    for (section, key, place) in [
        ("store", "folder", data.to_owned()),
        ("alerts", "file", data.join("alerts.jsonl")),
    ] {
        let table: toml::Table = [(key.to_owned(), text(place))].into_iter().collect();
        config.insert(section.to_owned(), toml::Value::Table(table));
    }
    Ok(toml::to_string(&config)?)
}

/// Parses every file with the library's own choice of threads. Nothing is kept.
fn parsed(folder: &Path, _: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    let mut paths = Vec::new();
    for entry in fs::read_dir(folder)? {
        paths.push(entry?.path());
    }
    paths.sort();
    let schema = schema();
    let mut rows = 0;
    for path in paths {
        let frame = CsvReadOptions::default()
            .with_has_header(true)
            .with_schema(Some(Arc::clone(&schema)))
            .try_into_reader_with_file_path(Some(path))?
            .finish()?;
        rows += frame.height() as u64;
    }
    Ok((rows, None))
}

/// The columns of the paste station, so that the library need not guess.
fn schema() -> SchemaRef {
    let text = ["Inspected at", "Panel"];
    let names = [
        "Position",
        "Component",
        "Pin",
        "Stroke",
        "Recipe",
        "Stencil",
    ];
    let numbers = [
        "Height um",
        "Area pct",
        "Volume pct",
        "Offset x um",
        "Offset y um",
    ];
    let whole = ["Position", "Pin"];
    let mut schema = Schema::default();
    for name in text.iter().chain(&names).chain(&numbers).chain(&["Result"]) {
        let kind = if numbers.contains(name) {
            DataType::Float64
        } else if whole.contains(name) {
            DataType::Int64
        } else {
            DataType::String
        };
        schema.insert((*name).into(), kind);
    }
    Arc::new(schema)
}
