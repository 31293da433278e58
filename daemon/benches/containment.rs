//! How long the list of the boards to hold takes, on a year of data, by command and by page, beside
//! merely reading the same points.
//!
//! Knows the program only through its library and its command line. The invariant: all look at the
//! same record in the same run, each measurement is a process of its own, and a list that lacks a
//! panel is an error, not a result. The record is written just before, so it comes from memory.

#![expect(
    clippy::print_stdout,
    reason = "the figures are what this program is for"
)]

use std::fmt::Write as _;
use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use anyhow::{Context, ensure};
use driftvane::config::{Config, Serve};
use driftvane::ingest::Ingest;
use driftvane::serve::access::Access;
use driftvane::serve::{Page, app, open, serve};
use driftvane::store::Reader;
use rusqlite::Connection;
use spc::simulation::Normals;

mod measured;
mod own_folder;

use measured::{best, print_head, print_row};
use own_folder::in_own_folder;

/// Streams: components of an invented panel, each charted by itself.
const STREAMS: u64 = 100;

/// Days of the year, and panels in a day: one an hour, round the clock.
const DAYS: u64 = 365;
const PANELS: u64 = 24;

/// The panel from which on every component is printed low: the sixth day, for the rest of the year.
const LOW_FROM: u64 = 5 * PANELS;

/// Panels to hold.
const HELD: u64 = DAYS * PANELS - LOW_FROM;

/// 1 January 2025 in microseconds.
const BEGIN_US: u64 = 1_735_689_600_000_000;
const HOUR_US: u64 = 3_600_000_000;

const CONFIG: &str = r#"
[plant]
name = "Invented works"
time_zone = "Europe/Vienna"
[[shift]]
name = "all"
starts = "06:00"
[[product]]
name = "sample"
boards = 4
[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "files"
time = { columns = ["At"], format = "unix-ms" }
measure = [{ name = "height", column = "Height", unit = "um" }]
[feed.roles]
product = { constant = "sample" }
panel = "Panel"
position = "Board"
component = "Component"
[[characteristic]]
name = "height"
station = "paste"
measure = "height"
group_by = ["line", "product", "component"]
subgroup = "panel"
chart = "individuals"
baseline = 50
"#;

fn main() -> anyhow::Result<()> {
    if measured::is_child(&[("command", command), ("page", page), ("bare", bare)])? {
        return Ok(());
    }
    in_own_folder("held", |folder| {
        fs::create_dir_all(folder.join("files"))?;
        year(folder)?;
        measure(folder)
    })
}

fn measure(folder: &Path) -> anyhow::Result<()> {
    print_head(&format!(
        "{HELD} panels to hold of {STREAMS} streams over a year"
    ))?;
    let command = best("command", folder, HELD)?;
    print_row("driftvane alerts boards, as CSV", command);
    let page = best("page", folder, HELD)?;
    print_row("the page's list, as CSV", page);
    let bare = best("bare", folder, HELD * STREAMS)?;
    print_row("sqlite, the same points read, dropped", bare);
    println!(
        "the command takes {:.1} times as long as reading its points, the page {:.1} times",
        command.wall_s / bare.wall_s,
        page.wall_s / bare.wall_s
    );
    Ok(())
}

/// Panels of a list, which has one a line under its head.
fn panels(list: &str) -> anyhow::Result<u64> {
    let boards = list.lines().skip(1).filter(|line| line.ends_with(",4"));
    Ok(boards.count().try_into()?)
}

/// Asks the program itself.
fn command(folder: &Path, _: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    let output = Command::new(env!("CARGO_BIN_EXE_driftvane"))
        .args(["alerts", "boards", &format!("A-{:04}", alert(folder)?)])
        .args(["--format", "csv", "--config"])
        .arg(folder.join("driftvane.toml"))
        .output()?;
    ensure!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    Ok((panels(std::str::from_utf8(&output.stdout)?)?, None))
}

/// Asks the page, on a socket.
fn page(folder: &Path, _: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    let settings = Serve {
        listen: ([127, 0, 0, 1], 0).into(),
        tokens: None,
        allowed_hosts: Vec::new(),
    };
    let (_sender, changed) = tokio::sync::watch::channel(0);
    let page = Page::new(
        Arc::new(config(folder)?),
        &settings,
        Arc::new(Access::open()),
        (changed, Arc::default()),
    )?;
    let runtime = tokio::runtime::Runtime::new()?;
    let listener = Arc::new(runtime.block_on(open(settings.listen))?);
    let address = listener.local_addr()?;
    runtime.spawn(serve(listener, app(Arc::new(page))));
    let mut stream = TcpStream::connect(address)?;
    let path = format!("/alerts/{}/boards.csv", alert(folder)?);
    write!(stream, "GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n")?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer)?;
    let (_, list) = answer.split_once("\r\n\r\n").context("no answer")?;
    Ok((panels(list)?, None))
}

/// Reads when and where of the same points, and drops it.
fn bare(folder: &Path, _: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    let record = Connection::open(config(folder)?.data_folder.join("driftvane.sqlite"))?;
    let mut query = record.prepare("SELECT at, unit FROM point WHERE at >= ?1")?;
    let mut rows = query.query([i64::try_from(BEGIN_US + LOW_FROM * HOUR_US)?])?;
    let mut points = 0;
    while let Some(row) = rows.next()? {
        std::hint::black_box((row.get_ref(0)?, row.get_ref(1)?));
        points += 1;
    }
    Ok((points, None))
}

fn config(folder: &Path) -> anyhow::Result<Config> {
    Ok(driftvane::config::read::read(CONFIG, folder)?)
}

/// Writes a year of files, a day each, and reads them into a record.
fn year(folder: &Path) -> anyhow::Result<()> {
    let mut draw = Normals::new(7);
    for day in 0..DAYS {
        let mut text = "At,Panel,Board,Component,Height\n".to_owned();
        for panel in day * PANELS..(day + 1) * PANELS {
            let at = (BEGIN_US + panel * HOUR_US) / 1_000;
            let middle = if panel < LOW_FROM { 120.0 } else { 100.0 };
            for component in 0..STREAMS {
                let (board, height) = (component % 4, middle + draw.draw());
                writeln!(text, "{at},P{panel:05},{board},U{component},{height:.2}")?;
            }
        }
        fs::write(folder.join(format!("files/day-{day:03}.csv")), text)?;
    }
    fs::write(folder.join("driftvane.toml"), CONFIG)?;
    let threads = std::thread::available_parallelism()?.get();
    let mut ingest = Ingest::open(Arc::new(config(folder)?), threads)?;
    let outcome = driftvane::run::replay(&mut ingest, &[], &mut |_, _, _| {})?;
    ensure!(
        outcome.rows == STREAMS * DAYS * PANELS,
        "{} rows were read",
        outcome.rows
    );
    Ok(())
}

/// The alert of the fault, which is still active. It has all streams but the few that had gone out
/// of control by chance just before.
fn alert(folder: &Path) -> anyhow::Result<i64> {
    let alerts = Reader::open(&config(folder)?.data_folder)?.alerts()?;
    let most = alerts.iter().max_by_key(|alert| alert.members.len());
    let most = most.context("there is no alert")?;
    ensure!(
        most.members.len() as u64 > STREAMS * 9 / 10 && most.returned_at.is_none(),
        "the largest alert has {} streams",
        most.members.len()
    );
    Ok(most.id)
}
