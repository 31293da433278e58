//! What lies in a feed's folder, and which files have come to rest.
//!
//! Knows no content of files. The invariant: the folder is the truth; only regular files are
//! listed, links are never followed, and the same folder always gives the same list.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs;
use std::io;
use std::num::NonZero;
use std::path::{Path, PathBuf};
use std::thread;

use super::names;
use crate::config::Feed;
use crate::pipeline;

/// A file of a feed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Where it is.
    pub path: PathBuf,
    /// Its name.
    pub file_name: String,
    /// Its length in bytes.
    pub len: u64,
    /// When it was last written, in nanoseconds since 1970.
    pub modified_ns: i64,
    /// Its number on the file system.
    pub inode: u64,
}

/// What a scan found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Scan {
    /// The feed's files by name.
    pub found: Vec<Found>,
    /// How many entries were left out: other names, links, folders, devices.
    pub ignored: u64,
    /// Those of them that look like the feed's files, by name; the first ones.
    pub odd: Vec<Odd>,
}

/// So many files are worth more than one thread, which looks at so many at one go.
const MANY: usize = 4_096;
const LOOKED_AT_ONCE: usize = 512;

/// How many odd entries of a folder are told apart.
const ODD_MAX: usize = 1_000;

/// Something with the name of a file of the feed that is never read.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Odd {
    /// Its name.
    pub name: String,
    /// What it is.
    pub what: &'static str,
}

/// Why a folder could not be listed.
#[derive(Debug, thiserror::Error)]
#[error(
    "feed \"{feed}\": cannot list {folder}: {source}. Check that the folder is there, mounted \
     and readable by this program's user"
)]
pub struct ScanError {
    /// The feed.
    pub feed: String,
    /// The folder.
    pub folder: PathBuf,
    /// What the system says.
    pub source: io::Error,
}

/// Lists the files of a feed.
///
/// # Errors
/// Where the folder cannot be listed. A file that vanishes meanwhile is no error.
pub fn scan(feed: &Feed) -> Result<Scan, ScanError> {
    let failed = |source| ScanError {
        feed: feed.name.clone(),
        folder: feed.folder.clone(),
        source,
    };
    let mut scan = Scan::default();
    let mut named = Vec::new();
    for entry in fs::read_dir(&feed.folder).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        match looks_like_one(feed, &entry.file_name()) {
            Ok(true) => named.push(entry),
            Ok(false) => scan.ignored += 1,
            Err(odd) => scan.leave_out(odd),
        }
    }
    let threads = match named.len() {
        ..MANY => 1,
        _ => thread::available_parallelism().map_or(1, NonZero::get),
    };
    let mut parts = named.chunks(LOOKED_AT_ONCE);
    pipeline::in_order(
        threads,
        &mut || Ok(parts.next()),
        &|some: &[fs::DirEntry]| some.iter().map(look).collect::<Vec<_>>(),
        &mut |looks| looks.into_iter().try_for_each(|look| scan.add(look)),
    )
    .map_err(failed)?;
    scan.found.sort_by(|a, b| a.file_name.cmp(&b.file_name));
    scan.odd.sort();
    scan.odd.truncate(ODD_MAX);
    Ok(scan)
}

impl Scan {
    fn add(&mut self, look: io::Result<Result<Found, Odd>>) -> io::Result<()> {
        match look {
            Ok(Ok(file)) => self.found.push(file),
            Ok(Err(odd)) => self.leave_out(odd),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
        Ok(())
    }

    fn leave_out(&mut self, odd: Odd) {
        self.ignored += 1;
        self.odd.push(odd);
    }
}

/// Whether a name is that of a file of the feed, or what is odd about one that looks like it.
fn looks_like_one(feed: &Feed, name: &OsStr) -> Result<bool, Odd> {
    let shown = name.to_string_lossy();
    if !names::matches(&feed.pattern, &shown) {
        return Ok(false);
    }
    let what = if name.to_str().is_none() {
        "a name that is not UTF-8"
    } else if shown.starts_with('.') && !feed.pattern.starts_with('.') {
        "a temporary name, with a dot before it"
    } else {
        return Ok(true);
    };
    let name = shown.into_owned();
    Err(Odd { name, what })
}

/// What lies under a name of the feed.
fn look(entry: &fs::DirEntry) -> io::Result<Result<Found, Odd>> {
    let meta = entry.metadata()?;
    Ok(of_kind(entry.path(), &meta).ok_or_else(|| Odd {
        name: entry.file_name().to_string_lossy().into_owned(),
        what: kind(entry),
    }))
}

/// What an entry is that is no regular file.
fn kind(entry: &fs::DirEntry) -> &'static str {
    match entry.file_type() {
        Ok(kind) if kind.is_symlink() => "a link; links are not followed",
        Ok(kind) if kind.is_dir() => "a folder",
        Ok(_) | Err(_) => "a pipe, a socket or a device",
    }
}

/// A file as it lies there now; `None` where it is no regular file.
///
/// # Errors
/// Where the system cannot say.
pub fn found(path: &Path) -> io::Result<Option<Found>> {
    let meta = fs::symlink_metadata(path)?;
    Ok(of_kind(path.to_owned(), &meta))
}

/// What lies at a path, where it is a regular file.
fn of_kind(path: PathBuf, meta: &fs::Metadata) -> Option<Found> {
    let name = path.file_name().and_then(|name| name.to_str());
    let (true, Some(name)) = (meta.is_file(), name) else {
        return None;
    };
    Some(Found {
        file_name: name.to_owned(),
        len: meta.len(),
        modified_ns: modified_ns(meta),
        inode: inode(meta),
        path,
    })
}

/// When a file was last written, in nanoseconds since 1970.
pub(super) fn modified_ns(meta: &fs::Metadata) -> i64 {
    let Ok(modified) = meta.modified() else {
        return 0;
    };
    match modified.duration_since(std::time::UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_nanos()).unwrap_or(i64::MAX),
        Err(before) => i64::try_from(before.duration().as_nanos()).map_or(i64::MIN, |ns| -ns),
    }
}

pub(super) fn inode(meta: &fs::Metadata) -> u64 {
    std::os::unix::fs::MetadataExt::ino(meta)
}

/// Tells files at rest from those still being written.
#[derive(Debug, Default)]
pub struct Settler {
    seen: BTreeMap<PathBuf, Seen>,
}

#[derive(Debug)]
struct Seen {
    file: Found,
    since_ms: u64,
}

impl Settler {
    /// One that has seen nothing.
    #[must_use]
    pub fn new() -> Settler {
        Settler::default()
    }

    /// The files of this scan that have kept size and time of writing for `settle_ms`, by the
    /// caller's monotonic clock. They and files that are gone are forgotten.
    pub fn settled(&mut self, files: Vec<Found>, settle_ms: u64, now_ms: u64) -> Vec<Found> {
        let mut seen = BTreeMap::new();
        let mut settled = Vec::new();
        for file in files {
            let since_ms = match self.seen.remove(&file.path) {
                Some(known) if known.file == file => known.since_ms,
                _ => now_ms,
            };
            if now_ms.saturating_sub(since_ms) >= settle_ms {
                settled.push(file);
            } else {
                seen.insert(file.path.clone(), Seen { file, since_ms });
            }
        }
        self.seen = seen;
        settled
    }

    /// Whether files were seen that had not come to rest: they have to be looked at again.
    #[must_use]
    pub fn is_waiting(&self) -> bool {
        !self.seen.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(name: &str, len: u64) -> Found {
        Found {
            path: PathBuf::from(name),
            file_name: name.into(),
            len,
            modified_ns: 0,
            inode: 1,
        }
    }

    #[test]
    fn a_file_settles_once_it_has_not_changed_for_long_enough() {
        let mut settler = Settler::new();
        assert!(settler.settled(vec![file("a", 1)], 100, 0).is_empty());
        assert!(settler.is_waiting());
        assert!(settler.settled(vec![file("a", 1)], 100, 99).is_empty());
        assert!(
            settler.settled(vec![file("a", 2)], 100, 100).is_empty(),
            "it grew"
        );
        assert_eq!(
            settler.settled(vec![file("a", 2)], 100, 200),
            [file("a", 2)]
        );
        assert!(!settler.is_waiting(), "it was handed over");
        assert!(settler.settled(vec![file("a", 3)], 100, 250).is_empty());
        // However late the next look comes, the file still waits for it.
        assert!(settler.is_waiting());
        assert!(settler.settled(vec![], 100, 300).is_empty());
        assert!(
            settler.settled(vec![file("a", 2)], 100, 301).is_empty(),
            "it was gone"
        );
        assert_eq!(settler.settled(vec![file("b", 1)], 0, 301), [file("b", 1)]);
    }

    #[test]
    fn only_regular_files_of_the_pattern_are_listed() {
        let folder = std::env::temp_dir().join(format!("driftvane-{}-scan", std::process::id()));
        fs::create_dir_all(folder.join("folder.csv")).unwrap();
        for name in ["b.csv", "a.csv", "a.csv.part", ".c.csv"] {
            fs::write(folder.join(name), name).unwrap();
        }
        std::os::unix::fs::symlink(folder.join("a.csv"), folder.join("link.csv")).unwrap();
        let feed = crate::feeds::tests::feed_in(&folder);
        let scan = scan(&feed).unwrap();
        let names: Vec<&str> = scan
            .found
            .iter()
            .map(|found| found.file_name.as_str())
            .collect();
        assert_eq!(names, ["a.csv", "b.csv"]);
        assert_eq!((scan.found[0].len, scan.ignored), (5, 4));
        let odd: Vec<(&str, &str)> = scan
            .odd
            .iter()
            .map(|odd| (odd.name.as_str(), odd.what))
            .filter(|(name, _)| *name != "link.csv")
            .collect();
        let temporary = "a temporary name, with a dot before it";
        assert_eq!(odd, [(".c.csv", temporary), ("folder.csv", "a folder")]);
        fs::remove_dir_all(&folder).unwrap();
        let error = super::scan(&feed).unwrap_err().to_string();
        assert!(error.contains("mounted"), "{error}");
    }
}
