//! How long an audit pack over a year takes, beside merely reading the same points.
//!
//! Knows the program only through its library. The invariant: both look at the same record in the
//! same run, each measurement is a process of its own, and one that does not see every point is an
//! error, not a result. The record is read just before, so it comes from memory.

#![expect(
    clippy::print_stdout,
    reason = "the figures are what this program is for"
)]

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, ensure};
use driftvane::commands::audit::{Request, make};
use driftvane::config::Config;
use driftvane::ingest::Ingest;
use driftvane::store::Reader;
use rusqlite::Connection;
use spc::simulation::Normals;

mod measured;

use measured::{best, print_head, print_row};

/// Characteristics: test steps of an invented tester, each with a specification.
const CHARACTERISTICS: usize = 100;

/// Days of the year, and boards in a day: one an hour, round the clock.
const DAYS: i64 = 365;
const BOARDS: i64 = 24;

/// Points of the year.
const POINTS: u64 = CHARACTERISTICS as u64 * (DAYS * BOARDS) as u64;

/// 1 January 2025 in microseconds.
const BEGIN_US: i64 = 1_735_689_600_000_000;
const HOUR_US: i64 = 3_600_000_000;

fn main() -> anyhow::Result<()> {
    if measured::is_child(&[("pack", pack), ("bare", bare)])? {
        return Ok(());
    }
    all()
}

/// Makes the record of a year, unless a folder is named that has one, and measures both.
fn all() -> anyhow::Result<()> {
    let kept = std::env::var_os("DRIFTVANE_BENCH_FOLDER");
    let name = format!("driftvane-bench-audit-{}", std::process::id());
    let folder = kept
        .as_ref()
        .map_or_else(|| std::env::temp_dir().join(name), Into::into);
    if !folder.join("driftvane.toml").exists() {
        fs::create_dir_all(folder.join("files"))?;
        year(&folder)?;
    }
    let done = measure(&folder);
    if kept.is_none() {
        fs::remove_dir_all(&folder)?;
    }
    done
}

fn measure(folder: &Path) -> anyhow::Result<()> {
    print_head(&format!(
        "a year of points of {CHARACTERISTICS} characteristics"
    ))?;
    let pack = best("pack", folder, POINTS)?;
    print_row("audit pack, asked to written", pack);
    let bare = best("bare", folder, POINTS)?;
    print_row("sqlite, read and dropped", bare);
    println!(
        "a pack takes {:.1} times as long as reading its points",
        pack.wall_s / bare.wall_s
    );
    Ok(())
}

/// Makes a pack of the year, and gives how many points its table of days has.
fn pack(folder: &Path, reports: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    let config = Config {
        report_folder: reports.to_owned(),
        ..config(folder)?
    };
    let reader = Reader::open(&config.data_folder)?.at_one_moment()?;
    let request = Request {
        from: BEGIN_US,
        to: BEGIN_US + DAYS * BOARDS * HOUR_US,
        product: None,
    };
    let pack = make(&config, &reader, &request)?;
    let table = fs::read_to_string(pack.join("tables/days.csv"))?;
    let mut points = 0;
    for line in table.lines().skip(1) {
        let cell = line.split(',').nth(2).context("a row of days is short")?;
        points += cell.parse::<u64>()?;
    }
    Ok((points, None))
}

/// Reads every column of the points, and drops it.
fn bare(folder: &Path, _: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    let record = Connection::open(config(folder)?.data_folder.join("driftvane.sqlite"))?;
    let mut query = record.prepare("SELECT * FROM point")?;
    let columns = query.column_count();
    let mut rows = query.query([])?;
    let mut points = 0;
    while let Some(row) = rows.next()? {
        for column in 0..columns {
            std::hint::black_box(row.get_ref(column)?);
        }
        points += 1;
    }
    Ok((points, None))
}

fn config(folder: &Path) -> anyhow::Result<Config> {
    let text = fs::read_to_string(folder.join("driftvane.toml"))?;
    Ok(driftvane::config::read::read(&text, folder)?)
}

/// Writes a year of files, a day each, and reads them into a record.
fn year(folder: &Path) -> anyhow::Result<()> {
    let mut draw = Normals::new(7);
    for day in 0..DAYS {
        let mut text = "At,Serial,Step,Value\n".to_owned();
        for board in 0..BOARDS {
            let hour = day * BOARDS + board;
            let at = (BEGIN_US + hour * HOUR_US) / 1_000;
            for step in 0..CHARACTERISTICS {
                let value = 100.0 + step as f64 + draw.draw();
                writeln!(text, "{at},B{hour:05},step {step:03},{value:.3}")?;
            }
        }
        fs::write(folder.join(format!("files/day-{day:03}.csv")), text)?;
    }
    let config_text = config_text()?;
    let config = driftvane::config::read::read(&config_text, folder)?;
    let threads = std::thread::available_parallelism()?.get();
    let mut ingest = Ingest::open(Arc::new(config), threads)?;
    let outcome = driftvane::run::replay(&mut ingest, &[], &mut |_, _, _| {})?;
    ensure!(
        outcome.rows == POINTS,
        "{} rows instead of {POINTS}",
        outcome.rows
    );
    drop(ingest);
    fs::write(folder.join("driftvane.toml"), config_text)?;
    Ok(())
}

/// An invented tester with a characteristic for each of its steps.
fn config_text() -> anyhow::Result<String> {
    let mut text = r#"
[plant]
name = "Invented works"
time_zone = "Europe/Vienna"
[[shift]]
name = "all"
starts = "06:00"
[[product]]
name = "sample"
boards = 1
[[feed]]
name = "function"
line = "L1"
station = "function"
folder = "files"
layout = "long"
time = { columns = ["At"], format = "unix-ms" }
[feed.roles]
product = { constant = "sample" }
board = "Serial"
[feed.steps]
name = "Step"
value = "Value"
"#
    .to_owned();
    for step in 0..CHARACTERISTICS {
        let (lower, upper) = (95 + step, 105 + step);
        write!(
            text,
            r#"
[[characteristic]]
name = "step {step:03}"
station = "function"
measure = "step {step:03}"
group_by = ["line", "product"]
subgroup = "board"
chart = "individuals"
baseline = 50
specification = {{ lower = {lower}, upper = {upper}, unit = "mV", source = "invented" }}
"#
        )?;
    }
    Ok(text)
}
