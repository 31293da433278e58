//! `driftvane replay`: reads all that waits, then ends.

use std::path::PathBuf;
use std::sync::Arc;

use crate::alerts::{Courier, Reach};
use crate::config::Config;
use crate::ingest::{Ingest, Outcome};
use crate::output::Format;
use crate::run;
use crate::store::Heard;

/// Reads all that waits, or of it what lies below some paths.
///
/// # Errors
///
/// When the record fails, or the system gives no thread.
pub fn replay(
    config: &Arc<Config>,
    (only, heard): (&[PathBuf], Heard),
    progress: &mut dyn FnMut(usize, usize, &Outcome),
) -> anyhow::Result<Outcome> {
    let only: Vec<PathBuf> = only
        .iter()
        .map(|path| std::path::absolute(path).unwrap_or_else(|_| path.clone()))
        .collect();
    let mut ingest = Ingest::open(Arc::clone(config), threads())?;
    ingest.store().heard(heard);
    // Files only, whoever hears of it: what is for other channels waits for the daemon.
    let courier = Courier::start(config, Reach::Files)?;
    let outcome = run::replay(&mut ingest, &only, progress);
    courier.finish();
    Ok(outcome?)
}

/// Threads that parse a large file.
#[must_use]
pub fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

/// What became of everything, as it is printed.
///
/// # Errors
///
/// When the format does not fit.
pub fn text(outcome: &Outcome, format: Format) -> anyhow::Result<String> {
    let Outcome {
        accepted,
        duplicate,
        quarantined,
        rows,
        rejects,
        again,
        vanished,
        ..
    } = outcome;
    match format {
        Format::Table => Ok(format!(
            "files: {accepted} accepted, {duplicate} duplicate, {quarantined} quarantined, \
             {again} to be read again, {vanished} gone\nrows: {rows} used, {rejects} rejected\n"
        )),
        Format::Json => Ok(format!(
            "{}\n",
            serde_json::json!({
                "accepted": accepted, "duplicate": duplicate, "quarantined": quarantined,
                "again": again, "vanished": vanished, "rows": rows, "rejects": rejects,
            })
        )),
        Format::Csv | Format::Svg => anyhow::bail!("replay prints table or json"),
    }
}
