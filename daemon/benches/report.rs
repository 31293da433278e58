//! How long the report of a shift takes over 300 streams, beside a library that only writes its
//! view down as JSON.
//!
//! Knows the program only through its library. The invariant: every report is of the same record,
//! and one that lacks a stream, or is larger than a report may be, is an error, not a result.

#![expect(
    clippy::print_stdout,
    reason = "the figures are what this program is for"
)]

use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, ensure};
use driftvane::clock::Monotonic;
use driftvane::commands::report::build_shift_report;
use driftvane::config::Config;
use driftvane::ingest::Ingest;
use driftvane::shifts;
use driftvane::store::Reader;
use reports::speech::Language;
use reports::{Overrides, shift_report};

mod own_folder;

use own_folder::in_own_folder;

/// Streams of the record: components, each charted by itself.
const STREAMS: usize = 300;

/// Panels of the shift, and the one from which on every tenth component is printed low.
const PANELS: usize = 120;
const SHIFTED_FROM: usize = 90;

/// Pads of a component.
const PADS: usize = 4;

/// Runs of each measurement; the fastest counts.
const RUNS: usize = 5;

const CONFIG: &str = r#"
[plant]
name = "Invented works"
time_zone = "UTC"
[[shift]]
name = "day"
starts = "06:00"
[[product]]
name = "B"
boards = 1
specification = [{ measure = "height", lower = 60, upper = 180, unit = "um", source = "plan" }]
[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "paste"
time = { columns = ["At"], format = "rfc3339" }
measure = [{ name = "height", column = "Height", unit = "um" }]
[feed.roles]
product = { constant = "B" }
panel = "Panel"
component = "Component"
pin = "Pin"
[[characteristic]]
name = "height"
station = "paste"
measure = "height"
group_by = ["line", "component"]
subgroup = "panel"
chart = "three-way"
"#;

fn main() -> anyhow::Result<()> {
    in_own_folder("report", measured)
}

fn measured(folder: &Path) -> anyhow::Result<()> {
    fs::create_dir_all(folder.join("paste"))?;
    for panel in 0..PANELS {
        fs::write(folder.join(format!("paste/P{panel:04}.csv")), rows(panel)?)?;
    }
    let config: Arc<Config> = Arc::new(driftvane::config::read::read(CONFIG, folder)?);
    let mut ingest = Ingest::open(Arc::clone(&config), 2)?;
    driftvane::run::replay(&mut ingest, &[], &mut |_, _, _| {})?;
    drop(ingest);
    let reader = Reader::open(&config.data_folder)?;
    let newest = reader.events()?.context("nothing was read")?.1;
    let shift = shifts::at(&config, newest);
    let view = build_shift_report(&config, &reader, &shift)?;
    ensure!(
        view.control.streams == STREAMS as u64,
        "a stream is missing"
    );
    println!(
        "{STREAMS} streams of {PANELS} points, {} alerts, {} capability rows, best of {RUNS} runs",
        view.alerts.len(),
        view.capability.len()
    );
    let build = best(|| Ok(build_shift_report(&config, &reader, &shift)?.alerts.len()))?;
    let plain = best(|| Ok(serde_json::to_vec(&view)?.len()))?;
    print_row("view from the record", build);
    print_row("the view as JSON by serde_json, alone", plain);
    for language in Language::ALL {
        let page = best(|| {
            Ok(shift_report(&view, &Overrides::none(), language)?
                .html
                .len())
        })?;
        ensure!(page.1 <= 2_000_000, "{} bytes", page.1);
        print_row(&format!("page from the view, {}", language.code()), page);
        println!(
            "whole report ({}): {:.3} s; the page takes {:.1} times as long as the JSON",
            language.code(),
            build.0 + page.0,
            page.0 / plain.0
        );
    }
    Ok(())
}

/// A panel's results: heights that vary a little, and from some panel on lower at some components.
fn rows(panel: usize) -> anyhow::Result<String> {
    let mut text = "At,Panel,Component,Pin,Height\n".to_owned();
    let minute = panel % 60;
    let hour = 6 + panel / 60;
    for component in 0..STREAMS {
        let low = component % 10 == 0 && panel >= SHIFTED_FROM;
        let middle = if low { 108.0 } else { 120.0 };
        for pad in 0..PADS {
            let wave = ((panel * 37 + component * 17 + pad * 11) % 101) as f64 / 20.0;
            writeln!(
                text,
                "2026-03-02T{hour:02}:{minute:02}:00Z,P{panel:04},U{component},{pad},{:.2}",
                middle + wave
            )?;
        }
    }
    Ok(text)
}

/// The fastest of several runs in seconds, and the size of what came out.
fn best(mut run: impl FnMut() -> anyhow::Result<usize>) -> anyhow::Result<(f64, usize)> {
    let (mut fastest, mut size) = (f64::INFINITY, 0);
    for _ in 0..RUNS {
        let start = Monotonic::start();
        size = run()?;
        // A run shorter than the clock's step would otherwise take no time.
        fastest = fastest.min(start.ms().max(1) as f64 / 1_000.0);
    }
    Ok((fastest, size))
}

fn print_row(name: &str, (seconds, size): (f64, usize)) {
    println!("{name:<40} {seconds:>8.3} s {size:>10}");
}
