//! The durable record: a SQLite database and a Parquet archive under one data folder.
//!
//! The only place that names either. One transaction holds everything a batch of files changes,
//! and the archive segments it names are on disk before it commits.

use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use crate::clock;
use chain::Observed;

pub mod alerts;
pub mod archive;
mod aside;
mod asked;
mod chain;
mod commit;
mod deliveries;
mod episodes;
mod findings_form;
mod form;
mod known;
mod levels;
mod life;
pub mod live;
mod load;
mod migrate;
mod notices;
pub mod pads;
mod pages;
mod placed;
pub mod query;
mod readback;
pub mod readings;
mod ready;
mod recount;
pub mod screen;
pub mod segment;
mod shift;
pub mod strata;
mod verify;
mod visits;

pub use aside::{AsideRow, Handled};
pub use asked::{Acknowledged, ReportRow, RequestRow, Who};
pub use commit::{AlertNews, Batch, FileFacts, PathFacts, RejectFacts, Verdict};
pub use deliveries::{Act, ChannelRow, DeliveryRow, Failure, Parcel};
pub use form::{chart_name, side_name};
pub use life::{AlertAct, Service};
pub use notices::{News, Notice};
pub use ready::Ready;
pub use verify::{Check, Damage, Head};
pub use visits::{Archived, DefectKey, Recorded, UnitKey, UnitTally};

/// The version of the schema that this program writes.
const SCHEMA_VERSION: i64 = 3;

/// The database in the data folder.
const DATABASE: &str = "driftvane.sqlite";

/// Pages of the write-ahead log from which a commit moves them to the database by itself: the loop
/// does it between batches, so that a commit seldom has to.
const WAL_PAGES_MAX: i64 = 8_192;

/// What can go wrong with the store. None of these is retried: the outcome may be unknown.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// SQLite failed.
    #[error("the store in {folder} failed: {source}; stop, check disk and folder, start again")]
    Database {
        /// The data folder.
        folder: PathBuf,
        /// The cause.
        source: rusqlite::Error,
    },
    /// A file operation failed.
    #[error("{path}: {source}")]
    File {
        /// The file or folder.
        path: PathBuf,
        /// The cause.
        source: std::io::Error,
    },
    /// Another process writes here.
    #[error("another driftvane works on {0}; stop it first, or use another [store] folder")]
    Locked(PathBuf),
    /// The data come from a newer program.
    #[error(
        "{path} has schema version {found}, this program writes {SCHEMA_VERSION}: \
             use the newer program"
    )]
    Newer {
        /// The database.
        path: PathBuf,
        /// Its version.
        found: i64,
    },
    /// The data come from an older program, and only a writer may change them.
    #[error(
        "{path} has schema version {found}: run `driftvane replay` or `driftvane watch` once, \
             which copies it and brings it to version {SCHEMA_VERSION}"
    )]
    Older {
        /// The database.
        path: PathBuf,
        /// Its version.
        found: i64,
    },
    /// The database exists but is not ours, or is damaged.
    #[error("{path} can not be used: {reason}; restore it from a backup, nothing was changed")]
    Damaged {
        /// The database.
        path: PathBuf,
        /// What was seen.
        reason: String,
    },
    /// The archive could not be written.
    #[error("the archive could not be written: {0}")]
    Archive(String),
    /// There is no record yet.
    #[error("{0} holds no record yet: run `driftvane replay` or `driftvane watch` first")]
    Nothing(PathBuf),
}

/// The record, opened for writing.
pub struct Store {
    folder: PathBuf,
    connection: Connection,
    observed: Observed,
    /// How many changes had been made when the write-ahead log was last moved.
    moved_changes: u64,
    /// Held as long as the store is open; the system lets go of it when the process ends.
    _lock: File,
}

impl Store {
    /// Opens the record for writing, and makes it where there is none.
    ///
    /// # Errors
    ///
    /// When another process writes there, when the disk refuses, and when what is there is damaged
    /// or newer.
    pub fn open(folder: &Path) -> Result<Store, StoreError> {
        fs::create_dir_all(folder).map_err(|source| file_error(folder, source))?;
        let lock = lock(folder)?;
        let path = folder.join(DATABASE);
        let wrap = |source| db(folder, source);
        let mut connection = Connection::open(&path).map_err(wrap)?;
        prepare(folder, &path, &connection)?;
        migrate::bring_up_to_date(folder, &path, &mut connection, clock::now())?;
        let observed = Observed::of(&connection).map_err(wrap)?;
        archive::sweep(folder, &connection)?;
        Ok(Store {
            folder: folder.to_owned(),
            connection,
            observed,
            moved_changes: 0,
            _lock: lock,
        })
    }

    /// Looks at one state of the record until it is dropped: many small questions in a row need not
    /// take and leave the record's locks each.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn hold(&self) -> Result<Held<'_>, StoreError> {
        let begun = self.connection.unchecked_transaction();
        begun.map(Held).map_err(|source| db(&self.folder, source))
    }

    /// Moves what was committed from the write-ahead log to the database, as far as no reader is in
    /// the way: for a moment in which nothing waits. It is durable before and after.
    ///
    /// # Errors
    ///
    /// When the disk refuses.
    pub fn use_pause(&mut self) -> Result<(), StoreError> {
        let changes = self.connection.total_changes();
        if changes == self.moved_changes {
            return Ok(());
        }
        self.moved_changes = changes;
        self.connection
            .query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()))
            .map_err(|source| db(&self.folder, source))
    }

    /// The data folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }
}

/// One state of the record, held; nothing may be committed meanwhile.
pub struct Held<'a>(#[expect(dead_code, reason = "dropping it lets go")] rusqlite::Transaction<'a>);

/// Sets what the promises rest on, and reads it back.
fn prepare(folder: &Path, path: &Path, connection: &Connection) -> Result<(), StoreError> {
    let wrap = |source| db(folder, source);
    connection
        .execute_batch(
            "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON;
             PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;
             PRAGMA busy_timeout = 5000; PRAGMA temp_store = MEMORY;
             PRAGMA cache_size = -16000;",
        )
        .map_err(wrap)?;
    connection
        .pragma_update(None, "wal_autocheckpoint", WAL_PAGES_MAX)
        .map_err(wrap)?;
    let mode: String = connection
        .query_row("PRAGMA journal_mode", [], |row| row.get(0))
        .map_err(wrap)?;
    let sync: i64 = connection
        .query_row("PRAGMA synchronous", [], |row| row.get(0))
        .map_err(wrap)?;
    if mode != "wal" || sync != 2 {
        let reason = format!("journal mode {mode}, synchronous {sync}, wanted wal and 2");
        return Err(StoreError::Damaged {
            path: path.to_owned(),
            reason,
        });
    }
    Ok(())
}

/// The record, opened for reading beside a writer.
pub struct Reader {
    connection: Connection,
    folder: PathBuf,
}

impl Reader {
    /// Opens the record for reading.
    ///
    /// # Errors
    ///
    /// When there is none, or it can not be read.
    pub fn open(folder: &Path) -> Result<Reader, StoreError> {
        let path = folder.join(DATABASE);
        if !path.exists() {
            return Err(StoreError::Nothing(folder.to_owned()));
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection =
            Connection::open_with_flags(&path, flags).map_err(|source| db(folder, source))?;
        connection
            .execute_batch(
                "PRAGMA busy_timeout = 5000; PRAGMA synchronous = FULL;
                 PRAGMA temp_store = MEMORY; PRAGMA cell_size_check = ON;",
            )
            .map_err(|source| db(folder, source))?;
        match migrate::version(&connection).map_err(|source| db(folder, source))? {
            SCHEMA_VERSION => {}
            0 => return Err(empty(folder, path, &connection)),
            found if found < SCHEMA_VERSION => return Err(StoreError::Older { path, found }),
            found => return Err(StoreError::Newer { path, found }),
        }
        Ok(Reader {
            connection,
            folder: folder.to_owned(),
        })
    }
}

/// Why a record that says no version can not be read.
fn empty(folder: &Path, path: PathBuf, connection: &Connection) -> StoreError {
    let query = "SELECT count(*) FROM sqlite_schema";
    match connection.query_row(query, [], |row| row.get(0)) {
        // A writer has made the file, but not yet what belongs in it.
        Ok(0) => StoreError::Nothing(folder.to_owned()),
        Ok(_) => StoreError::Damaged {
            path,
            reason: "it does not say its version".to_owned(),
        },
        Err(source) => db(folder, source),
    }
}

fn lock(folder: &Path) -> Result<File, StoreError> {
    let path = folder.join("driftvane.lock");
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&path)
        .map_err(|source| file_error(&path, source))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(StoreError::Locked(folder.to_owned())),
        Err(TryLockError::Error(source)) => Err(file_error(&path, source)),
    }
}

fn file_error(path: &Path, source: std::io::Error) -> StoreError {
    StoreError::File {
        path: path.to_owned(),
        source,
    }
}

fn db(folder: &Path, source: rusqlite::Error) -> StoreError {
    StoreError::Database {
        folder: folder.to_owned(),
        source,
    }
}
