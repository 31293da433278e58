//! One measurement in a process of its own: how long it took, and the most memory that it held.
//!
//! Knows nothing of what is measured. The invariant: what one run leaves behind, in memory or on
//! the disk, reaches no other.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;

use anyhow::{Context, bail, ensure};
use driftvane::clock::Monotonic;
use driftvane::ingest::Ingest;

/// Runs of each measurement; the fastest counts.
pub const RUNS: usize = 3;

/// Ticks a second in the times that the kernel gives to programs.
const TICKS_PER_S: f64 = 100.0;

/// What a child process is asked to measure starts with this.
const MEASURE: &str = "--measure";

/// What is measured on a folder of files, with a folder of its own that is not there yet: rows that
/// were read, and a record that is closed after the clock has stopped.
pub type Reader = fn(&Path, &Path) -> anyhow::Result<(u64, Option<Ingest>)>;

/// What one run came to.
#[derive(Clone, Copy)]
pub struct Measured {
    pub rows: u64,
    pub wall_s: f64,
    pub cpu_s: f64,
    pub peak_kib: u64,
}

/// Measures one of the readers where this process was started for that; tells whether it was.
pub fn is_child(readers: &[(&str, Reader)]) -> anyhow::Result<bool> {
    let arguments: Vec<String> = std::env::args().collect();
    let Some(place) = arguments.iter().position(|argument| argument == MEASURE) else {
        return Ok(false);
    };
    let [name, folder] = &arguments[place + 1..] else {
        bail!("a reader and a folder are needed")
    };
    let found = readers.iter().find(|(known, _)| known == name);
    let (_, reader) = found.with_context(|| format!("no reader is called {name}"))?;
    measure(*reader, Path::new(folder))?;
    Ok(true)
}

fn measure(reader: Reader, folder: &Path) -> anyhow::Result<()> {
    let data = folder.with_extension("data");
    if data.exists() {
        fs::remove_dir_all(&data)?;
    }
    let start = Monotonic::start();
    let (rows, still_open) = reader(folder, &data)?;
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

/// The head of a table.
pub fn print_head(name: &str) -> anyhow::Result<()> {
    let cores = std::thread::available_parallelism()?;
    println!("\n{name}, {cores} cores, best of {RUNS} runs");
    println!(
        "{:<38} {:>9} {:>12} {:>14} {:>10}",
        "", "seconds", "rows/s", "rows/s a core", "peak MiB"
    );
    Ok(())
}

pub fn print_row(name: &str, measured: Measured) {
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
pub fn best(reader: &str, folder: &Path, rows: u64) -> anyhow::Result<Measured> {
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
