//! A whole copy of a record and its archive, and the way back.
//!
//! A copy has the layout of a data folder, and a file that is written last and names what belongs
//! to it. Knows no row. The invariants: a copy is of one moment of the record, whatever is written
//! meanwhile; what is there already is never overwritten; and nothing is used that does not fit.

use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};
use serde::{Deserialize, Serialize};

use super::archive::{self, Named};
use super::folder::{self, Newest};
use super::{DATABASE, Reader, StoreError, db, file_error, migrate, still};

/// The file of a copy that is written last.
const LIST: &str = "driftvane-backup.json";

/// Bytes copied at once.
const COPIED_BYTES: usize = 1 << 20;

/// What belongs to a copy.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// When it was made, RFC 3339 in UTC.
    pub made_at: String,
    /// The version of the record's schema.
    pub schema: i64,
    /// The newest entry of the chain.
    pub entry: i64,
    /// The BLAKE3 digest of the record's file, in hexadecimal digits.
    pub record: String,
    /// Segments of the archive.
    pub segments: u64,
    /// Bytes of all of it.
    pub bytes: u64,
}

impl Reader {
    /// Copies the record as it is at this moment, and the segments that it names, into a folder
    /// that is not there yet or empty. Works beside a writer.
    ///
    /// # Errors
    ///
    /// When something is there, the disk refuses, or a segment is not what was written.
    pub fn back_up(&self, to: &Path, made_at: String) -> Result<Manifest, StoreError> {
        make_empty(to)?;
        let path = to.join(DATABASE);
        self.copy_record(&path)?;
        sync(&path)?;
        let copy = Reader::of_still(to)?;
        let mut bytes = length(&path)?;
        let segments = copy.named()?;
        for segment in &segments {
            bytes += copy_segment(&self.folder, to, segment)?;
        }
        let newest = folder::newest(&copy.connection).map_err(|source| db(to, source))?;
        let manifest = Manifest {
            made_at,
            schema: super::SCHEMA_VERSION,
            entry: newest.map_or(0, |newest| newest.seq),
            record: hex(&path)?,
            segments: segments.len() as u64,
            bytes,
        };
        write_list(to, &manifest)?;
        Ok(manifest)
    }

    /// In one step: a reader holds up no writer, and nothing that is written meanwhile is seen.
    fn copy_record(&self, to: &Path) -> Result<(), StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut copy = Connection::open(to).map_err(wrap)?;
        let done = Backup::new(&self.connection, &mut copy)
            .and_then(|backup| backup.step(-1))
            .map_err(wrap)?;
        if done != StepResult::Done {
            return Err(StoreError::Archive(
                "the record is busy; ask for the copy again".to_owned(),
            ));
        }
        // The copy is one file, complete in itself.
        copy.query_row("PRAGMA journal_mode = DELETE", [], |_| Ok(()))
            .map_err(wrap)?;
        copy.close().map_err(|(_, source)| wrap(source))
    }

    /// Opens a copy that nobody changes; not even a file beside it is made.
    ///
    /// # Errors
    ///
    /// When there is none, it is not whole, or it is of another version.
    pub fn of_backup(of: &Path) -> Result<(Reader, Manifest), StoreError> {
        let list = of.join(LIST);
        let text = match fs::read_to_string(&list) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                let reason = format!("there is no {LIST}: it is no backup, or not a whole one");
                return Err(refused(of, reason));
            }
            Err(source) => return Err(file_error(&list, source)),
        };
        let manifest: Manifest = serde_json::from_str(&text)
            .map_err(|error| refused(&list, format!("it can not be read: {error}")))?;
        let path = of.join(DATABASE);
        if hex(&path)? != manifest.record {
            let reason = "its bytes are not those that were written".to_owned();
            return Err(refused(&path, reason));
        }
        Ok((Reader::of_still(of)?, manifest))
    }

    fn of_still(folder: &Path) -> Result<Reader, StoreError> {
        let wrap = |source| db(folder, source);
        let path = folder.join(DATABASE);
        let connection = still(&path).map_err(wrap)?;
        match migrate::version(&connection).map_err(wrap)? {
            super::SCHEMA_VERSION => {}
            found if found > super::SCHEMA_VERSION => {
                return Err(StoreError::Newer { path, found });
            }
            found => {
                let reason = format!(
                    "it has schema version {found}: copy it by hand to an empty [store] folder, \
                     whose next start brings it up to date"
                );
                return Err(refused(&path, reason));
            }
        }
        Ok(Reader {
            connection,
            folder: folder.to_owned(),
        })
    }

    fn named(&self) -> Result<Vec<Named>, StoreError> {
        archive::named(&self.connection).map_err(|source| db(&self.folder, source))
    }

    /// Copies a backup into a data folder that is not there yet or empty, and gives the number of
    /// its newest entry. The record comes last: an interrupted copy is refused by every start.
    ///
    /// # Errors
    ///
    /// When something is there, the folder is not fit for a record, or the disk refuses.
    pub fn restore(&self, manifest: &Manifest, to: &Path, now: i64) -> Result<(), StoreError> {
        make_empty(to)?;
        folder::refuse_remote(to)?;
        let _lock = folder::lock(to, now)?;
        for segment in &self.named()? {
            copy_segment(&self.folder, to, segment)?;
        }
        let path = to.join(DATABASE);
        let part = path.with_extension("part");
        let digest = copy(&self.folder.join(DATABASE), &part)?;
        if digest.to_hex().as_str() != manifest.record {
            let reason = "its bytes are not those that were checked; nothing was restored";
            return Err(refused(&self.folder.join(DATABASE), reason.to_owned()));
        }
        fs::rename(&part, &path).map_err(|source| file_error(&path, source))?;
        sync(to)?;
        let newest: Option<Newest> =
            folder::newest(&self.connection).map_err(|source| db(to, source))?;
        if let Some(newest) = newest {
            folder::note_newest(to, newest);
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE;
        Connection::open_with_flags(&path, flags)
            .and_then(|record| record.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(())))
            .map_err(|source| db(to, source))
    }
}

fn refused(path: &Path, reason: String) -> StoreError {
    StoreError::Unfit {
        path: path.to_owned(),
        reason,
    }
}

/// Makes a folder, or takes an empty one.
fn make_empty(folder: &Path) -> Result<(), StoreError> {
    let wrap = |source| file_error(folder, source);
    fs::create_dir_all(folder).map_err(wrap)?;
    match fs::read_dir(folder).map_err(wrap)?.next() {
        None => Ok(()),
        Some(_) => Err(refused(
            folder,
            "it is not empty; nothing is overwritten, name another folder".to_owned(),
        )),
    }
}

/// Copies a segment, whose bytes have to be those that the record names; gives how many they are.
fn copy_segment(from: &Path, to: &Path, segment: &Named) -> Result<u64, StoreError> {
    let place = |folder: &Path| folder.join("archive").join(&segment.path);
    let (from, to) = (place(from), place(to));
    if let Some(folder) = to.parent() {
        fs::create_dir_all(folder).map_err(|source| file_error(folder, source))?;
    }
    let found = copy(&from, &to)?;
    if found.as_bytes()[..] != segment.digest[..] {
        let reason = "its bytes are not those that were written; run `driftvane verify`".to_owned();
        return Err(refused(&from, reason));
    }
    length(&to)
}

/// Copies a file to the disk and gives the digest of what was read.
fn copy(from: &Path, to: &Path) -> Result<blake3::Hash, StoreError> {
    let mut source = File::open(from).map_err(|source| file_error(from, source))?;
    let wrap = |source| file_error(to, source);
    let mut target = File::create_new(to).map_err(wrap)?;
    let mut hasher = blake3::Hasher::new();
    let mut piece = vec![0; COPIED_BYTES];
    loop {
        let len = source
            .read(&mut piece)
            .map_err(|source| file_error(from, source))?;
        if len == 0 {
            break;
        }
        let read = piece.get(..len).unwrap_or_default();
        hasher.update(read);
        target.write_all(read).map_err(wrap)?;
    }
    target.sync_all().map_err(wrap)?;
    if let Some(folder) = to.parent() {
        sync(folder)?;
    }
    Ok(hasher.finalize())
}

fn write_list(to: &Path, manifest: &Manifest) -> Result<(), StoreError> {
    let path = to.join(LIST);
    let part = path.with_extension("part");
    let wrap = |source| file_error(&path, source);
    let text = serde_json::to_string_pretty(manifest).map_err(|error| wrap(error.into()))?;
    fs::write(&part, text + "\n").map_err(wrap)?;
    sync(&part)?;
    fs::rename(&part, &path).map_err(wrap)?;
    sync(to)
}

fn sync(path: &Path) -> Result<(), StoreError> {
    File::open(path)
        .and_then(|file| file.sync_all())
        .map_err(|source| file_error(path, source))
}

fn length(path: &PathBuf) -> Result<u64, StoreError> {
    let found = fs::metadata(path).map_err(|source| file_error(path, source))?;
    Ok(found.len())
}

fn hex(path: &Path) -> Result<String, StoreError> {
    let digest = migrate::digest_of(path).map_err(|source| file_error(path, source))?;
    Ok(blake3::Hash::from_bytes(digest).to_hex().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Store;

    #[test]
    fn a_backup_that_changes_after_it_was_checked_is_not_restored() {
        let base = std::env::temp_dir().join(format!("driftvane-{}-backup", std::process::id()));
        fs::remove_dir_all(&base).ok();
        let [data, copy, back] = ["data", "copy", "back"].map(|name| base.join(name));
        drop(Store::open(&data).unwrap());
        let made_at = "2026-03-02T00:00:00Z".to_owned();
        Reader::open(&data)
            .unwrap()
            .back_up(&copy, made_at)
            .unwrap();
        let (backup, manifest) = Reader::of_backup(&copy).unwrap();
        let record = copy.join(DATABASE);
        let mut bytes = fs::read(&record).unwrap();
        bytes.push(0);
        fs::write(&record, &bytes).unwrap();
        let refused = backup.restore(&manifest, &back, 0).unwrap_err();
        assert!(refused.to_string().contains("were checked"), "{refused}");
        assert!(!back.join(DATABASE).exists());
        bytes.pop();
        fs::write(&record, &bytes).unwrap();
        fs::remove_dir_all(&back).unwrap();
        backup.restore(&manifest, &back, 0).unwrap();
        drop(Store::open(&back).unwrap());
        fs::remove_dir_all(&base).unwrap();
    }
}
