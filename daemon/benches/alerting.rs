//! How soon a file that shows something becomes an alert in the record, with 3 lines and with 30,
//! and beside a channel that hangs; next to what a bare commit of SQLite costs in the same run.
//!
//! Knows the program only through its library, and watches its record as any reader may. The
//! invariants: the loop, the threads of channels and the settings are those of `watch`; a time
//! begins when the file is closed and ends when another connection sees the alert; a file without
//! its alert is an error, not a result.

#![expect(
    clippy::print_stdout,
    reason = "the figures are what this program is for"
)]

use std::fmt::Write as _;
use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use anyhow::{anyhow, ensure};
use driftvane::alerts::{Courier, Reach};
use driftvane::clock::Monotonic;
use driftvane::ingest::Ingest;
use driftvane::run::{self, Wish};
use rusqlite::{Connection, OpenFlags};
use spc::simulation::Normals;
use tokio::sync::mpsc;

mod own_folder;

use own_folder::in_own_folder;

/// Panels of each stream before the one that shows something; 25 of them make its limits.
const BEFORE: usize = 27;

/// Rows of a panel.
const ROWS: usize = 64;

/// How long an alert may take before the run is given up.
const PATIENCE_MS: u64 = 20_000;

/// What is measured.
#[derive(Clone, Copy)]
struct Case {
    name: &'static str,
    lines: usize,
    alerts: usize,
    /// How long a file has to rest before it is read; none where it is put in place whole.
    settle_ms: u32,
    hangs: bool,
}

const CASES: [Case; 4] = [
    Case {
        name: "3 lines, put in place whole",
        lines: 3,
        alerts: 100,
        settle_ms: 0,
        hangs: false,
    },
    Case {
        name: "3 lines, beside a channel that hangs",
        lines: 3,
        alerts: 100,
        settle_ms: 0,
        hangs: true,
    },
    Case {
        name: "30 lines, put in place whole",
        lines: 30,
        alerts: 100,
        settle_ms: 0,
        hangs: false,
    },
    Case {
        name: "3 lines, with the usual rest of 500 ms",
        lines: 3,
        alerts: 24,
        settle_ms: 500,
        hangs: false,
    },
];

/// Times, in order.
struct Times(Vec<f64>);

impl Times {
    fn of(mut ms: Vec<f64>) -> Times {
        ms.sort_by(f64::total_cmp);
        Times(ms)
    }

    /// The nearest rank of a share.
    fn rank(&self, percent: usize) -> f64 {
        let place = (self.0.len() * percent).div_ceil(100).max(1) - 1;
        self.0.get(place).copied().unwrap_or(f64::NAN)
    }
}

fn main() -> anyhow::Result<()> {
    in_own_folder("alerting", all)
}

fn all(folder: &Path) -> anyhow::Result<()> {
    let bare = bare_commits(&folder.join("bare"))?;
    println!("\nfrom a file's close to its alert in the record, milliseconds");
    println!(
        "{:<40} {:>7} {:>9} {:>9} {:>12}",
        "", "alerts", "p50", "p99", "bare commits"
    );
    print_row("a bare commit of one row, synced", &bare, &bare);
    let mut medians = Vec::new();
    for (place, case) in CASES.into_iter().enumerate() {
        let times = measured(case, &folder.join(place.to_string()))?;
        print_row(case.name, &times, &bare);
        medians.push((times.rank(50), times.rank(99)));
    }
    if let [alone, beside, ..] = medians.as_slice() {
        println!(
            "beside a channel that hangs: {:.2} times as long (p50), {:.2} times (p99)",
            beside.0 / alone.0,
            beside.1 / alone.1
        );
    }
    Ok(())
}

fn print_row(name: &str, times: &Times, bare: &Times) {
    let (p50, p99) = (times.rank(50), times.rank(99));
    println!(
        "{name:<40} {:>7} {p50:>9.2} {p99:>9.2} {:>12.1}",
        times.0.len(),
        p50 / bare.rank(50)
    );
}

/// One row a transaction, with the same settings as the record: what no alert can be sooner than.
fn bare_commits(folder: &Path) -> anyhow::Result<Times> {
    fs::create_dir_all(folder)?;
    let connection = Connection::open(folder.join("bare.sqlite"))?;
    connection.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; CREATE TABLE row (text TEXT);",
    )?;
    let text = "a row as long as that of an alert, more or less, with its texts and numbers";
    let mut times = Vec::new();
    for _ in 0..200 {
        let clock = Monotonic::start();
        connection.execute("INSERT INTO row VALUES (?1)", [text])?;
        times.push(clock.us() as f64 / 1e3);
    }
    Ok(Times::of(times))
}

/// A place with its files: lines with as many products as there are alerts to come.
struct Plant {
    folder: PathBuf,
    case: Case,
}

impl Plant {
    fn products(&self) -> usize {
        self.case.alerts.div_ceil(self.case.lines)
    }

    fn config(&self, hub: u16) -> String {
        let mut text = String::from(
            "[plant]\nname = \"Invented plant of a measurement\"\ntime_zone = \"UTC\"\n\
             [[shift]]\nname = \"all day\"\nstarts = \"00:00\"\n",
        );
        for line in 0..self.case.lines {
            text += &format!(
                "[[feed]]\nname = \"paste-{line}\"\nline = \"L{line}\"\nstation = \"paste\"\n\
                 folder = \"in/{line}\"\nsettle_ms = {}\n\
                 time = {{ columns = [\"At\"], format = \"rfc3339\" }}\n\
                 measure = [{{ name = \"height\", column = \"Height\", unit = \"um\" }}]\n\
                 [feed.roles]\nproduct = \"Product\"\npanel = \"Panel\"\ncomponent = \"Pad\"\n",
                self.case.settle_ms
            );
        }
        text += "[[characteristic]]\nname = \"height\"\nstation = \"paste\"\nmeasure = \"height\"\n\
             group_by = [\"line\", \"product\"]\nsubgroup = \"panel\"\nchart = \"three-way\"\n\
             reaction_plan = \"Wipe the stencil.\"\n";
        if self.case.hangs {
            text += &format!(
                "[[alerts.channel]]\nname = \"hub\"\nkind = \"webhook\"\n\
                 url = \"http://127.0.0.1:{hub}/\"\n"
            );
        }
        text
    }

    /// Writes a panel whole, and closes it; each height is moved by so much.
    fn write(&self, line: usize, product: usize, panel: usize, moved: f64) -> anyhow::Result<()> {
        let at = 1_772_445_600 + 60 * (product * (BEFORE + 60) + panel);
        let time = jiff::Timestamp::from_second(i64::try_from(at)?)?;
        let mut text = String::from("At,Product,Panel,Pad,Height\n");
        let seed = (line * 1_000 + product) * 1_000 + panel;
        let mut chance = Normals::new(u64::try_from(seed)?);
        let common = 100.0 + moved + 2.0 * chance.draw();
        for row in 0..ROWS {
            let height = common + 3.0 * chance.draw();
            writeln!(
                text,
                "{time},P{product},P{product}-{panel},U{row},{height:.2}"
            )?;
        }
        let folder = self.folder.join("in").join(line.to_string());
        let path = folder.join(format!("P{product}-{panel}.csv"));
        if self.case.settle_ms > 0 {
            fs::write(path, text)?;
        } else {
            let part = path.with_extension("part");
            fs::write(&part, text)?;
            fs::rename(part, path)?;
        }
        Ok(())
    }
}

/// Reads what makes limits, then lets the loop watch while one panel after another shows something.
fn measured(case: Case, folder: &Path) -> anyhow::Result<Times> {
    let plant = Plant {
        folder: folder.to_owned(),
        case,
    };
    // It takes every connection and never answers.
    let hub = TcpListener::bind("127.0.0.1:0")?;
    let text = plant.config(hub.local_addr()?.port());
    for line in 0..case.lines {
        fs::create_dir_all(folder.join("in").join(line.to_string()))?;
        for product in 0..plant.products() {
            for panel in 0..BEFORE {
                plant.write(line, product, panel, 0.0)?;
            }
        }
    }
    let config = driftvane::config::read::read(&text, folder)?;
    let config = Arc::new(config);
    let threads = std::thread::available_parallelism()?.get();
    let mut ingest = Ingest::open(Arc::clone(&config), threads)?;
    run::replay(&mut ingest, &[], &mut |_, _, _| {})?;
    let courier = Courier::start(&config, Reach::All)?;
    let (stop, mut stopped) = mpsc::channel::<Wish>(1);
    let watching = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()?;
        let wish = async || stopped.recv().await.unwrap_or(Wish::Stop);
        let watched = run::watch(ingest, wish, async |_: &mut Ingest| false, |_| {});
        anyhow::Ok(runtime.block_on(watched)?)
    });
    let record = config.data_folder.join("driftvane.sqlite");
    let times = watched(&plant, &record);
    stop.blocking_send(Wish::Stop)?;
    let ended = watching.join().map_err(|_| anyhow!("the loop broke off"))?;
    ended?;
    courier.finish();
    times
}

fn watched(plant: &Plant, record: &Path) -> anyhow::Result<Times> {
    let record = Connection::open_with_flags(record, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
    let mut alerts = record.prepare(
        "SELECT count(*) FROM alert a JOIN episode e ON e.id = a.lead
             JOIN stream s ON s.id = e.stream WHERE s.label = ?1",
    )?;
    let mut count =
        |label: &str| -> rusqlite::Result<i64> { alerts.query_row([label], |row| row.get(0)) };
    let lines = plant.case.lines;
    let mut times = Vec::new();
    for round in 0..plant.case.alerts {
        let (line, product) = (round % lines, round / lines);
        let label = format!("height/L{line}/P{product}");
        // A false alert of before would hide the one to come.
        if count(&label)? > 0 {
            continue;
        }
        let panel = BEFORE + line;
        for other in (0..lines).filter(|other| *other != line) {
            plant.write(other, product, panel, 0.0)?;
        }
        plant.write(line, product, panel, 40.0)?;
        let clock = Monotonic::start();
        while count(&label)? == 0 {
            ensure!(clock.ms() < PATIENCE_MS, "no alert on {label}");
            std::thread::sleep(Duration::from_micros(500));
        }
        times.push(clock.us() as f64 / 1e3);
    }
    ensure!(
        times.len() * 10 >= plant.case.alerts * 9,
        "only {} of {} alerts could be measured: the others were false ones",
        times.len(),
        plant.case.alerts
    );
    Ok(Times::of(times))
}
