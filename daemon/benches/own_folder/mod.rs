//! A folder for one run of a benchmark.
//!
//! Knows nothing of what is measured. The one invariant: nothing is left of it, whatever came of
//! the run.

use std::fs;
use std::path::Path;

/// Works in a folder that is gone afterwards.
pub fn in_own_folder(
    name: &str,
    work: impl FnOnce(&Path) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let name = format!("driftvane-{name}-{}", std::process::id());
    let folder = std::env::temp_dir().join(name);
    fs::create_dir_all(&folder)?;
    let done = work(&folder);
    fs::remove_dir_all(&folder)?;
    done
}
