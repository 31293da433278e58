//! How long 100,000 small files take that are there all at once, beside reading and hashing them.
//!
//! Knows the program only through its library. The invariant: both get the same files in the same
//! run, each measurement is a process of its own, and a run that does not see every file and every
//! row is an error, not a result. Files are written just before, so they come from memory.

#![expect(
    clippy::print_stdout,
    reason = "the figures are what this program is for"
)]

use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use anyhow::ensure;
use driftvane::ingest::Ingest;

mod measured;
mod own_folder;

use measured::{best, print_head, print_row};
use own_folder::in_own_folder;

/// The files.
const FILES: u64 = 100_000;

/// Rows of each: two readings of one panel.
const ROWS: u64 = 2;

/// How many times as long as reading and hashing it should take at most.
const WANTED: f64 = 6.0;

/// The most memory that it may hold, in MiB.
const PEAK_MAX: u64 = 400;

/// A plant of one feed with small files.
const CONFIG: &str = r#"
[plant]
name = "Invented plant of small files"
time_zone = "UTC"
lateness_minutes = 60

[[shift]]
name = "day"
starts = "00:00"

[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "[files]"
time = { columns = ["At"], format = "rfc3339" }
measure = [{ name = "height", column = "Height", unit = "um" }]

[feed.roles]
panel = "Panel"

[[characteristic]]
name = "height"
station = "paste"
measure = "height"
group_by = ["line"]
subgroup = "panel"
chart = "individuals"
reaction_plan = "Look at the stencil."

[store]
folder = "[data]"

[alerts]
file = "[data]/alerts.jsonl"
"#;

fn main() -> anyhow::Result<()> {
    if measured::is_child(&[("committed", committed), ("hashed", hashed)])? {
        return Ok(());
    }
    in_own_folder("flood", |folder| {
        let many = folder.join("many");
        fs::create_dir_all(&many)?;
        write(&many)?;
        compare(&many)
    })
}

/// A panel every second, each in a file of its own.
fn write(folder: &Path) -> anyhow::Result<()> {
    for number in 0..FILES {
        let at = format!(
            "2026-03-{:02}T{:02}:{:02}:{:02}Z",
            2 + number / 86_400,
            number / 3_600 % 24,
            number / 60 % 60,
            number % 60
        );
        let mut text = "At,Panel,Height\n".to_owned();
        for row in 0..ROWS {
            // Scattered, and the same in every run.
            let scattered = blake3::hash(&number.to_le_bytes());
            let height = 90 + scattered.as_bytes()[row as usize] % 20;
            writeln!(text, "{at},P{number},{height}")?;
        }
        fs::write(folder.join(format!("{number:06}.csv")), text)?;
    }
    Ok(())
}

fn compare(folder: &Path) -> anyhow::Result<()> {
    print_head(&format!("{FILES} files of {ROWS} rows"))?;
    let rows = FILES * ROWS;
    let committed = best("committed", folder, rows)?;
    print_row("driftvane, read to committed", committed);
    let hashed = best("hashed", folder, rows)?;
    print_row("read and hashed", hashed);
    let times = committed.wall_s / hashed.wall_s;
    println!(
        "read to committed takes {times:.2} times as long as reading and hashing alone; at most \
         {WANTED} are wanted"
    );
    let peak = committed.peak_kib >> 10;
    ensure!(peak < PEAK_MAX, "{peak} MiB are too many");
    Ok(())
}

/// Reads, validates, charts and commits all files, as `driftvane replay` does.
fn committed(folder: &Path, data: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    let places = [("[files]", folder), ("[data]", data)];
    let text = places
        .iter()
        .fold(CONFIG.to_owned(), |text, (name, place)| {
            text.replace(name, &place.to_string_lossy())
        });
    let config = driftvane::config::read::read(&text, folder)?;
    let threads = std::thread::available_parallelism()?.get();
    let mut ingest = Ingest::open(Arc::new(config), threads)?;
    let outcome = driftvane::run::replay(&mut ingest, &[], &mut |_, _, _| {})?;
    ensure!(
        outcome.accepted == FILES,
        "only {} files count",
        outcome.accepted
    );
    Ok((outcome.rows, Some(ingest)))
}

/// Reads and hashes all files.
fn hashed(folder: &Path, _: &Path) -> anyhow::Result<(u64, Option<Ingest>)> {
    let mut all = blake3::Hasher::new();
    let mut files = 0;
    for entry in fs::read_dir(folder)? {
        let bytes = fs::read(entry?.path())?;
        all.update(blake3::hash(&bytes).as_bytes());
        files += 1;
    }
    ensure!(files == FILES, "only {files} files, {}", all.finalize());
    Ok((files * ROWS, None))
}
