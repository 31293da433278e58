//! `driftvane backup` and `driftvane restore`: a whole copy of record and archive, and back.
//!
//! Knows no SQL. The one invariant: a backup is used only after everything that `verify` checks was
//! found sound in it.

use std::path::Path;

use super::{CommandError, utc, verify};
use crate::clock;
use crate::config::Config;
use crate::output;
use crate::store::{Manifest, Reader};

/// Copies the record and its archive into a new folder.
///
/// # Errors
///
/// When something is there, the disk refuses, or a segment is not what was written.
pub fn back_up(config: &Config, to: &Path) -> Result<(), CommandError> {
    let reader = Reader::open(&config.data_folder)?;
    let manifest = reader.back_up(to, utc(clock::now()))?;
    let line = format!("{} is a backup of {}\n", to.display(), said(&manifest));
    Ok(output::print(&line)?)
}

/// Checks a backup and copies it into the data folder, where there is none yet.
///
/// # Errors
///
/// When the backup is not sound, something is there, or the disk refuses.
pub fn restore(config: &Config, from: &Path) -> Result<(), CommandError> {
    let (backup, manifest) = Reader::of_backup(from)?;
    let report = verify::verify(config, &backup);
    if let Some(check) = report.checks.iter().find(|check| !check.damage.is_empty()) {
        let damage = check.damage.first();
        let (place, what) = damage.map_or(("", ""), |one| (&*one.place, &*one.what));
        return Err(CommandError::Refused(format!(
            "{} is damaged, check '{}': {place}: {what}; use another backup, nothing was restored",
            from.display(),
            check.check,
        )));
    }
    backup.restore(&manifest, &config.data_folder, clock::now())?;
    let line = format!(
        "{} holds what was backed up: {}\n",
        config.data_folder.display(),
        said(&manifest)
    );
    Ok(output::print(&line)?)
}

fn said(manifest: &Manifest) -> String {
    let Manifest {
        made_at,
        entry,
        segments,
        bytes,
        ..
    } = manifest;
    format!("{made_at}: the record up to entry {entry}, {segments} segments, {bytes} bytes")
}
