//! Whether the disk of a data folder has room.
//!
//! Knows no record. The one invariant: what is tried leaves nothing.

use std::fs::{self, File};
use std::io::ErrorKind;
use std::path::Path;

use super::Store;

/// Bytes that have to fit on the disk before reading goes on after it was full.
const PROBE_BYTES: usize = 8 << 20;

/// The file by which that is tried.
const PROBE: &str = "driftvane.probe";

impl Store {
    /// Whether there is room again: as much as a batch is likely to need can be written.
    #[must_use]
    pub fn has_room(&self) -> bool {
        probe(&self.folder).is_ok()
    }
}

/// Tries whether there is room.
fn probe(folder: &Path) -> std::io::Result<()> {
    let path = folder.join(PROBE);
    let written = fs::write(&path, vec![0u8; PROBE_BYTES])
        .and_then(|()| File::open(&path))
        .and_then(|file| file.sync_all());
    let removed = fs::remove_file(&path);
    written.and(removed)
}

/// Whether the disk of a data folder is full, whatever was refused there: SQLite does not always
/// say so.
#[must_use]
pub fn is_full_now(folder: &Path) -> bool {
    let full = [ErrorKind::StorageFull, ErrorKind::QuotaExceeded];
    probe(folder).is_err_and(|error| full.contains(&error.kind()))
}
