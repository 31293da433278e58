//! How fast files become committed rows, beside a data-frame library that merely parses them.
//!
//! Knows the program only through its library. The invariant: both readers get the same files in
//! the same run, each measurement is a process of its own, and a reader that does not see every
//! row is an error, not a result. Files are written just before, so they come from memory.

#![expect(
    clippy::print_stdout,
    reason = "the figures are what this program is for"
)]

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use anyhow::{Context, bail, ensure};
use driftvane::clock::Monotonic;
use driftvane::ingest::Ingest;
use driftvane::plant::Plant;
use polars::prelude::{DataType, Schema, SchemaRef};
use polars_io::SerReader;
use polars_io::csv::read::CsvReadOptions;

/// The seed of the plant.
const SEED: u64 = 1;

/// Runs of each measurement; the fastest counts.
const RUNS: usize = 3;

/// Ticks a second in the times that the kernel gives to programs.
const TICKS_PER_S: f64 = 100.0;

/// What a child process is asked to measure starts with this.
const MEASURE: &str = "--measure";

/// The configuration of the invented plant.
const CONFIG: &str = include_str!("../../sample-feeds/driftvane.toml");

/// What one run came to.
#[derive(Clone, Copy)]
struct Measured {
    rows: u64,
    wall_s: f64,
    cpu_s: f64,
    peak_kib: u64,
}

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().collect();
    match arguments.iter().position(|argument| argument == MEASURE) {
        Some(place) => child(&arguments[place + 1..]),
        None => all(),
    }
}

/// Makes the files of each case and measures both readers.
fn all() -> anyhow::Result<()> {
    let folder = std::env::temp_dir().join(format!("driftvane-bench-{}", std::process::id()));
    fs::create_dir_all(folder.join("many"))?;
    fs::create_dir_all(folder.join("one"))?;
    // A planted drift would go on for as many panels as are asked for, until each is a defect.
    let plant = Plant::embedded()?.undisturbed();
    let done = many_files(&plant, &folder.join("many"))
        .and_then(|rows| case("400 files of 640 rows", &folder.join("many"), rows))
        .and_then(|()| one_file(&plant, &folder.join("one")))
        .and_then(|rows| case("one file of 5 million rows", &folder.join("one"), rows));
    fs::remove_dir_all(&folder)?;
    done
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
    let cores = std::thread::available_parallelism()?;
    println!("\n{name}, {cores} cores, best of {RUNS} runs");
    println!(
        "{:<38} {:>9} {:>12} {:>14} {:>10}",
        "", "seconds", "rows/s", "rows/s a core", "peak MiB"
    );
    let committed = best("committed", folder, rows)?;
    print_row("driftvane, read to committed", committed);
    let parsed = best("parsed", folder, rows)?;
    print_row("polars, parsed to memory and dropped", parsed);
    println!(
        "read to committed takes {:.2} times as long as parsing alone",
        committed.wall_s / parsed.wall_s
    );
    Ok(())
}

fn print_row(name: &str, measured: Measured) {
    let Measured {
        rows,
        wall_s,
        cpu_s,
        peak_kib,
    } = measured;
    // Rows are far below 2^53.
    let rows = rows as f64;
    println!(
        "{name:<38} {wall_s:>9.3} {:>12.0} {:>14.0} {:>10}",
        rows / wall_s,
        rows / cpu_s,
        peak_kib / 1024
    );
}

/// The fastest run; the largest memory.
fn best(reader: &str, folder: &Path, rows: u64) -> anyhow::Result<Measured> {
    let mut best: Option<Measured> = None;
    for _ in 0..RUNS {
        let run = in_child(reader, folder)?;
        ensure!(
            run.rows == rows,
            "{reader}: {} rows instead of {rows}",
            run.rows
        );
        let peak_kib = best.map_or(0, |best| best.peak_kib).max(run.peak_kib);
        let faster = best.filter(|best| best.wall_s <= run.wall_s).unwrap_or(run);
        best = Some(Measured { peak_kib, ..faster });
    }
    best.context("no run")
}

/// Starts this program again, so that each run has its own memory and caches.
fn in_child(reader: &str, folder: &Path) -> anyhow::Result<Measured> {
    let output = Command::new(std::env::current_exe()?)
        .args([MEASURE, reader])
        .arg(folder)
        .output()?;
    let text = String::from_utf8_lossy(&output.stdout);
    if !output.status.success() {
        bail!(
            "{reader} failed: {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
    let mut parts = text.split_whitespace();
    let mut next = || parts.next().context("a figure is missing");
    Ok(Measured {
        rows: next()?.parse()?,
        wall_s: next()?.parse()?,
        cpu_s: next()?.parse()?,
        peak_kib: next()?.parse()?,
    })
}

fn child(arguments: &[String]) -> anyhow::Result<()> {
    let [reader, folder] = arguments else {
        bail!("a reader and a folder are needed")
    };
    let folder = Path::new(folder);
    let data = folder.with_extension("data");
    if data.exists() {
        fs::remove_dir_all(&data)?;
    }
    let start = Monotonic::start();
    let (rows, still_open) = match reader.as_str() {
        "committed" => {
            let (rows, ingest) = committed(folder, &data)?;
            (rows, Some(ingest))
        }
        "parsed" => (parsed(folder)?, None),
        other => bail!("no reader is called {other}"),
    };
    // A run shorter than the clock's step would otherwise be infinitely fast.
    let wall_s = start.ms().max(1) as f64 / 1_000.0;
    // Everything is durable by now; what closing the record costs is no part of a commit.
    drop(still_open);
    println!(
        "{rows} {wall_s} {} {}",
        cpu_s()?.max(1.0 / TICKS_PER_S),
        peak_kib()?
    );
    Ok(())
}

/// Decodes, parses, validates, groups, charts and commits to the record and the archive.
fn committed(folder: &Path, data: &Path) -> anyhow::Result<(u64, Ingest)> {
    let text = paste_only(folder, data)?;
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
    Ok((outcome.rows, ingest))
}

/// The plant's configuration with nothing but paste inspection.
fn paste_only(folder: &Path, data: &Path) -> anyhow::Result<String> {
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
fn parsed(folder: &Path) -> anyhow::Result<u64> {
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
    Ok(rows)
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

/// The time that all threads of this process have computed.
fn cpu_s() -> anyhow::Result<f64> {
    let text = fs::read_to_string("/proc/self/stat")?;
    // The second field is the program's name in brackets, which may hold blanks.
    let (_, rest) = text
        .rsplit_once(')')
        .context("no name in /proc/self/stat")?;
    let fields: Vec<&str> = rest.split_whitespace().collect();
    let ticks = |place: usize| -> anyhow::Result<f64> {
        Ok(fields
            .get(place)
            .context("/proc/self/stat is short")?
            .parse()?)
    };
    Ok((ticks(11)? + ticks(12)?) / TICKS_PER_S)
}

/// The most memory that this process has ever held.
fn peak_kib() -> anyhow::Result<u64> {
    let text = fs::read_to_string("/proc/self/status")?;
    let fields: BTreeMap<&str, &str> = text
        .lines()
        .filter_map(|line| line.split_once(':'))
        .collect();
    let peak = fields
        .get("VmHWM")
        .context("no VmHWM in /proc/self/status")?;
    Ok(peak.trim().trim_end_matches("kB").trim().parse()?)
}
