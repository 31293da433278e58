//! The data folder before the record in it is opened: on a disk of this computer, for one writer,
//! with everything that belongs to a record.
//!
//! Knows no table. The one invariant: where a record once was, none is made anew.

use std::fs::{self, File, TryLockError};
use std::io::{Read, Write};
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::Path;

use rusqlite::{Connection, OptionalExtension};

use super::{DATABASE, StoreError, db, file_error};
use crate::host;

/// Bytes of the lock file that are read to name who holds it.
const HOLDER_MAX: u64 = 256;

/// The file that only the writer holds, and in which it says who it is.
const LOCK: &str = "driftvane.lock";

/// The file beside the record that names its newest entry.
const HEAD: &str = "driftvane.head";

/// What the file of the newest entry says before its number.
const HEAD_WORD: &str = "entry";

/// File systems that other computers share: SQLite's locks and syncs can not be relied on there.
const REMOTE: [&str; 13] = [
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "smbfs",
    "ncpfs",
    "afs",
    "coda",
    "ceph",
    "lustre",
    "glusterfs",
    "ocfs2",
    "fuse",
];

/// The newest entry of the chain: its number and digest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Newest {
    pub(super) seq: i64,
    pub(super) digest: [u8; 32],
}

/// Refuses a folder that other computers share.
pub(super) fn refuse_remote(folder: &Path) -> Result<(), StoreError> {
    let device = fs::metadata(folder)
        .map_err(|source| file_error(folder, source))?
        .dev();
    let mounts = match fs::read_to_string("/proc/self/mountinfo") {
        Ok(mounts) => mounts,
        Err(error) => {
            tracing::warn!(%error, "it is not known whether the data folder is on a local disk");
            return Ok(());
        }
    };
    match kind_of(&mounts, device).filter(|kind| is_remote(kind)) {
        Some(kind) => Err(StoreError::Remote {
            folder: folder.to_owned(),
            kind: kind.to_owned(),
        }),
        None => Ok(()),
    }
}

/// The kind of the file system on a device, as the kernel lists mounts (proc(5)).
fn kind_of(mounts: &str, device: u64) -> Option<&str> {
    // How the kernel packs major and minor numbers for programs (makedev(3)).
    let major = ((device >> 8) & 0xfff) | ((device >> 32) & !0xfff);
    let minor = (device & 0xff) | ((device >> 12) & !0xff);
    let wanted = format!("{major}:{minor}");
    mounts.lines().find_map(|line| {
        let (place, source) = line.split_once(" - ")?;
        let is_it = place.split(' ').nth(2) == Some(wanted.as_str());
        is_it.then(|| source.split(' ').next()).flatten()
    })
}

fn is_remote(kind: &str) -> bool {
    // What a program serves, such as fuse.sshfs; fuseblk is a disk of this computer.
    REMOTE.contains(&kind) || kind.starts_with("fuse.")
}

/// Takes the folder for this process alone, or says who has it.
pub(super) fn lock(folder: &Path, now: i64) -> Result<File, StoreError> {
    let path = folder.join(LOCK);
    let mut file = File::options()
        .create(true)
        .truncate(false)
        .read(true)
        .write(true)
        .open(&path)
        .map_err(|source| file_error(&path, source))?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            return Err(StoreError::Locked {
                folder: folder.to_owned(),
                holder: holder(&file),
            });
        }
        Err(TryLockError::Error(source)) => return Err(file_error(&path, source)),
    }
    let since =
        jiff::Timestamp::from_microsecond(now).map(|at| at.strftime("%F %T UTC").to_string());
    let name = format!(
        "process {} on {}, since {}\n",
        std::process::id(),
        host::name().unwrap_or_else(|| "this computer".to_owned()),
        since.unwrap_or_default()
    );
    // Whoever comes second would like to know; a full disk is no reason to be refused.
    let named = file
        .set_len(0)
        .and_then(|()| file.write_all(name.as_bytes()));
    if let Err(error) = named {
        tracing::debug!(%error, "the lock file does not say who holds it");
    }
    Ok(file)
}

/// Who holds a lock, as they have written it down.
fn holder(file: &File) -> String {
    let mut text = String::new();
    let read = file.take(HOLDER_MAX).read_to_string(&mut text);
    match text.trim() {
        name if read.is_ok() && !name.is_empty() => name.to_owned(),
        _ => "another process".to_owned(),
    }
}

/// Refuses to make a record where one was: it is missing or empty, and what belongs to it is there.
pub(super) fn refuse_remains(folder: &Path) -> Result<(), StoreError> {
    let wal = format!("{DATABASE}-wal");
    let is_there = |name: &str| {
        let length = |path| fs::metadata(path).map_or(0, |found| found.len());
        match name {
            "archive" => fs::read_dir(folder.join(name)).is_ok_and(|mut all| all.next().is_some()),
            _ => length(folder.join(name)) > 0,
        }
    };
    match ["archive", HEAD, &wal]
        .into_iter()
        .find(|name| is_there(name))
    {
        None => Ok(()),
        Some(left) => Err(StoreError::Damaged {
            path: folder.join(DATABASE),
            reason: format!("it is missing, empty or cut, but {left} of a record lies beside it"),
        }),
    }
}

/// The newest entry of a chain.
pub(super) fn newest(of: &Connection) -> rusqlite::Result<Option<Newest>> {
    let read = |row: &rusqlite::Row| {
        Ok(Newest {
            seq: row.get(0)?,
            digest: row.get(1)?,
        })
    };
    of.prepare_cached("SELECT seq, digest FROM chain ORDER BY seq DESC LIMIT 1")?
        .query_row([], read)
        .optional()
}

/// Notes which entry is the newest, beside the record. It is not synced: what it says may be older
/// than the record after a power cut, never newer.
pub(super) fn note_newest(folder: &Path, newest: Newest) {
    let hex = blake3::Hash::from_bytes(newest.digest).to_hex();
    let line = format!("{HEAD_WORD} {:>20} {hex}\n", newest.seq);
    let path = folder.join(HEAD);
    let written = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(path)
        .and_then(|file| file.write_all_at(line.as_bytes(), 0));
    if let Err(error) = written {
        tracing::debug!(%error, "the newest entry could not be noted beside the record");
    }
}

/// The entry that was noted beside the record; nothing where none was, or only a part of it.
pub(super) fn noted(folder: &Path) -> Option<Newest> {
    let text = fs::read_to_string(folder.join(HEAD)).ok()?;
    let mut words = text.lines().next()?.split_ascii_whitespace();
    let (word, seq, hex) = (words.next()?, words.next()?, words.next()?);
    (word == HEAD_WORD).then_some(())?;
    Some(Newest {
        seq: seq.parse().ok()?,
        digest: *blake3::Hash::from_hex(hex).ok()?.as_bytes(),
    })
}

/// Why a record is not the whole of what was written: it lacks the entry that was noted beside it,
/// before the record was looked at.
pub(super) fn lacks(noted: Option<Newest>, of: &Connection) -> rusqlite::Result<Option<String>> {
    let Some(noted) = noted else {
        return Ok(None);
    };
    let found: Option<[u8; 32]> = of
        .query_row(
            "SELECT digest FROM chain WHERE seq = ?1",
            [noted.seq],
            |row| row.get(0),
        )
        .optional()?;
    if found == Some(noted.digest) {
        return Ok(None);
    }
    let last = newest(of)?.map_or(0, |newest| newest.seq);
    Ok(Some(format!(
        "entry {} was written ({HEAD} says so), but it ends at entry {last} or is another record: \
         a part of it is missing, such as {DATABASE}-wal",
        noted.seq
    )))
}

/// Refuses a record that lacks what was written to it.
pub(super) fn refuse_lacking(folder: &Path, of: &Connection) -> Result<(), StoreError> {
    match lacks(noted(folder), of).map_err(|source| db(folder, source))? {
        None => Ok(()),
        Some(reason) => Err(StoreError::Damaged {
            path: folder.join(DATABASE),
            reason,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_systems_that_others_share_are_told_by_the_kernels_list() {
        let mounts = "\
22 1 254:0 / / rw,relatime - ext4 /dev/vda rw\n\
40 22 0:45 / /mnt/share rw,relatime shared:1 - cifs //files/share rw\n\
41 22 0:46 / /mnt/nfs rw - nfs4 files:/export rw\n\
42 22 0:300 / /mnt/ssh rw - fuse.sshfs desk:/ rw\n\
43 22 8:17 / /mnt/disk rw - fuseblk /dev/sdb1 rw\n\
44 22 0:24 / /mnt/odd rw master:1 propagate_from:2 - tmpfs a - b rw\n";
        for (device, kind, remote) in [
            (0xfe00, Some("ext4"), false),
            (45, Some("cifs"), true),
            (46, Some("nfs4"), true),
            (0x10_002c, Some("fuse.sshfs"), true),
            (0x0811, Some("fuseblk"), false),
            (24, Some("tmpfs"), false),
            (99, None, false),
        ] {
            let found = kind_of(mounts, device);
            assert_eq!(found, kind, "{device:#x}");
            assert_eq!(found.is_some_and(is_remote), remote, "{device:#x}");
        }
    }

    #[test]
    fn the_folder_of_a_test_is_of_a_kind_that_is_known() {
        let mounts = fs::read_to_string("/proc/self/mountinfo").unwrap();
        let here = fs::metadata(std::env::temp_dir()).unwrap().dev();
        assert!(kind_of(&mounts, here).is_some(), "{here:#x} in {mounts}");
    }
}
