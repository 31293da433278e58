//! The durable record: a SQLite database and a Parquet archive under one data folder.
//!
//! The only place that names either. One transaction holds everything a batch of files changes,
//! and the archive segments it names are on disk before it commits.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use rusqlite::{Connection, ErrorCode, OpenFlags, Transaction, TransactionBehavior};

use crate::clock;
use crate::feeds::regular::{is_lack_of_files, is_of_the_system};
use chain::{Entry, Observed};
use folder::Newest;

pub mod alerts;
pub mod archive;
mod aside;
mod asked;
mod backup;
mod chain;
pub mod changeovers;
mod commit;
mod deliveries;
mod episodes;
mod feed_state;
mod findings_form;
mod folder;
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
mod panels;
mod placed;
mod proposals;
pub mod query;
mod readback;
pub mod readings;
mod ready;
mod recount;
mod retention;
mod room;
pub mod screen;
pub mod segment;
mod shift;
mod state_form;
pub mod strata;
pub mod trail;
mod trouble;
mod verify;
mod visits;
mod watched;

pub use aside::{AsideRow, Handled};
pub use asked::{Acknowledged, ReportRow, RequestRow, Who};
pub use backup::Manifest;
pub use commit::{AlertNews, Batch, FileFacts, PathFacts, RejectFacts, Verdict};
pub use deliveries::{Act, ChannelRow, DeliveryRow, Failure, Parcel};
pub use episodes::Heard;
pub use feed_state::{IgnoredRow, OddVisits, SilenceRow};
pub use form::{chart_name, side_name};
pub use life::{AlertAct, Service};
pub use notices::{News, Notice};
pub use proposals::{Decided, Decision, ProposalRow, What};
pub use ready::Ready;
pub use retention::Gone;
pub use room::is_full_now;
pub use trouble::TroubleRow;
pub use verify::{Check, Damage, Head};
pub use visits::{Archived, DefectKey, Recorded, UnitKey, UnitTally};

/// The version of the schema that this program writes.
const SCHEMA_VERSION: i64 = 4;

/// Bytes of a record up to which its pages are checked before it is written to.
const CHECKED_BYTES_MAX: u64 = 64 << 20;

/// Bytes of the shortest database: SQLite makes a new one of a file that has fewer.
const SHORTEST_BYTES: u64 = 512;

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
    #[error(
        "another driftvane works on {folder}: {holder}; stop it first, or use another [store] \
             folder"
    )]
    Locked {
        /// The data folder.
        folder: PathBuf,
        /// Who it is, as it wrote it down.
        holder: String,
    },
    /// The folder is shared with other computers.
    #[error(
        "{folder} is on a file system of the kind {kind}, which other computers share: locks and \
             syncs can not be relied on there; use a [store] folder on a disk of this computer"
    )]
    Remote {
        /// The data folder.
        folder: PathBuf,
        /// The kind of the file system.
        kind: String,
    },
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
    /// A backup, or the folder for one, can not be used.
    #[error("{path}: {reason}")]
    Unfit {
        /// The file or folder.
        path: PathBuf,
        /// Why, and what to do.
        reason: String,
    },
    /// The archive can not be written or read.
    #[error("the archive can not be written or read: {0}")]
    Archive(String),
    /// The folder can not be written, and reading what was written last needs that.
    #[error(
        "{0} can not be written, and it was not closed in order: what was written last is in \
             driftvane.sqlite-wal alone; make the folder writable, or read a copy of it"
    )]
    Unsettled(PathBuf),
    /// There is no record yet.
    #[error("{0} holds no record yet: run `driftvane replay` or `driftvane watch` first")]
    Nothing(PathBuf),
}

impl StoreError {
    /// Whether the machine has run out of something, such as open files: what failed is tried
    /// again, and nothing is wrong with what was to be read.
    #[must_use]
    pub fn is_of_the_system(&self) -> bool {
        matches!(self, StoreError::File { source, .. } if is_of_the_system(source))
    }

    /// Whether no more files can be opened, and nothing else is wrong.
    #[must_use]
    pub fn lacks_files(&self) -> bool {
        matches!(self, StoreError::File { source, .. } if is_lack_of_files(source))
    }

    /// Whether the disk is full, and nothing else is wrong.
    #[must_use]
    pub fn is_full(&self) -> bool {
        use std::io::ErrorKind::{QuotaExceeded, StorageFull};
        match self {
            StoreError::Database { source, .. } => {
                source.sqlite_error_code() == Some(ErrorCode::DiskFull)
            }
            StoreError::File { source, .. } => {
                matches!(source.kind(), StorageFull | QuotaExceeded)
            }
            _ => false,
        }
    }
}

/// The record, opened for writing.
pub struct Store {
    folder: PathBuf,
    connection: Connection,
    observed: Observed,
    /// Who hears of what batches bring.
    heard: Heard,
    /// How many changes had been made when the write-ahead log was last moved.
    moved_changes: u64,
    /// The newest entry of the chain that this writer knows to be durable; 0 before the first.
    durable: i64,
    /// Segments that were let go and whose files are still there, and since when.
    leaving: Vec<(i64, String)>,
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
        folder::refuse_remote(folder)?;
        let lock = folder::lock(folder, clock::now())?;
        let path = folder.join(DATABASE);
        let wrap = |source| db(folder, source);
        if fs::metadata(&path).map_or(0, |found| found.len()) < SHORTEST_BYTES {
            folder::refuse_remains(folder)?;
        }
        let mut connection = Connection::open(&path).map_err(wrap)?;
        prepare(folder, &path, &connection)?;
        refuse_broken(folder, &path, &connection)?;
        migrate::bring_up_to_date(folder, &path, &mut connection, clock::now())?;
        folder::refuse_lacking(folder, &connection)?;
        let observed = Observed::of(&connection).map_err(wrap)?;
        let now = clock::now();
        let left = archive::sweep(folder, &connection)?;
        let newest = folder::newest(&connection).map_err(wrap)?;
        Ok(Store {
            folder: folder.to_owned(),
            connection,
            observed,
            moved_changes: 0,
            durable: newest.map_or(0, |newest| newest.seq),
            heard: Heard::ByAll,
            leaving: left.into_iter().map(|path| (now, path)).collect(),
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
        if !self.connection.is_autocommit() {
            return Ok(Held(None));
        }
        let begun = self.connection.unchecked_transaction();
        begun
            .map(|begun| Held(Some(begun)))
            .map_err(|source| db(&self.folder, source))
    }

    /// The same from now on, until something is written or it looks away.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn look(&self) -> Result<(), StoreError> {
        match self.connection.is_autocommit() {
            true => self.ask("BEGIN"),
            false => Ok(()),
        }
    }

    /// Ends [`Store::look`].
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn look_away(&self) -> Result<(), StoreError> {
        match self.connection.is_autocommit() {
            true => Ok(()),
            false => self.ask("COMMIT"),
        }
    }

    fn ask(&self, sql: &str) -> Result<(), StoreError> {
        let asked = self.connection.execute_batch(sql);
        asked.map_err(|source| db(&self.folder, source))
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

    /// Notes that an entry is durable.
    fn kept(&mut self, newest: Option<Newest>) {
        if let Some(newest) = newest {
            self.durable = newest.seq;
            folder::note_newest(&self.folder, newest);
        }
    }

    /// One transaction of the writer, with its entry in the chain where it changes anything.
    fn write<T>(
        &mut self,
        entry: &Entry,
        body: impl FnOnce(&Transaction) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        self.look_away()?;
        let wrap = |source| db(&self.folder, source);
        self.observed.begin();
        let transaction =
            Transaction::new_unchecked(&self.connection, TransactionBehavior::Immediate)
                .map_err(wrap)?;
        let result = body(&transaction).map_err(wrap)?;
        let newest = self.observed.seal(&transaction, entry).map_err(wrap)?;
        transaction.commit().map_err(wrap)?;
        self.kept(newest);
        Ok(result)
    }

    /// Notes in the audit trail that the configuration was read again.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn note_reload(&mut self, subject: &str, now: i64) -> Result<(), StoreError> {
        let entry = Entry::own(now, "reloaded", subject);
        let noted = self.write(&entry, |to| chain::note(to, &entry))?;
        self.kept(Some(noted));
        Ok(())
    }

    /// Whether there was no room, on the disk or for open files, and the record says that nothing
    /// of what failed was kept. After any other failure the outcome is unknown: the program has to
    /// stop.
    #[must_use]
    pub fn is_surely_not_kept(&self, error: &StoreError) -> bool {
        // These come from this connection alone; acts of people and what becomes of notices do not.
        let query = "SELECT EXISTS (SELECT 1 FROM chain WHERE seq > ?1
            AND kind IN ('batch', 'timers', 'trouble', 'purged', 'reloaded', 'silent', 'heard',
                'ignored'))";
        let looked = |connection: &Connection| -> rusqlite::Result<bool> {
            connection.query_row(query, [self.durable], |row| row.get(0))
        };
        (error.is_full() || error.lacks_files())
            && self.connection.is_autocommit()
            && looked(&self.connection).is_ok_and(|is_kept| !is_kept)
    }

    /// Takes away what batches that failed have left of the archive.
    ///
    /// # Errors
    ///
    /// When the folder or the record can not be read.
    pub fn sweep(&self) -> Result<(), StoreError> {
        archive::sweep(&self.folder, &self.connection).map(|_| ())
    }
}

/// One state of the record, held; nothing may be committed meanwhile.
pub struct Held<'a>(
    #[expect(dead_code, reason = "dropping it lets go")] Option<rusqlite::Transaction<'a>>,
);

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

/// Refuses a record whose pages do not fit together, where looking takes no more than a moment.
fn refuse_broken(folder: &Path, path: &Path, connection: &Connection) -> Result<(), StoreError> {
    if fs::metadata(path).map_or(0, |found| found.len()) > CHECKED_BYTES_MAX {
        return Ok(());
    }
    let told: String = connection
        .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
        .map_err(|source| db(folder, source))?;
    if told == "ok" {
        return Ok(());
    }
    Err(StoreError::Damaged {
        path: path.to_owned(),
        reason: format!("SQLite says: {told}"),
    })
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
        let connection = connect(
            folder,
            "PRAGMA synchronous = FULL; PRAGMA temp_store = MEMORY;",
        )?;
        let path = folder.join(DATABASE);
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

impl Reader {
    /// Whether the record can not be written, because of its disk or folder.
    #[must_use]
    pub fn is_read_only(&self) -> bool {
        self.connection.is_readonly("main").unwrap_or(true)
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

/// Connects to a record beside a writer. Where the folder can not be written, a record that was
/// closed in order is read as it stands.
fn connect(folder: &Path, settings: &str) -> Result<Connection, StoreError> {
    let path = folder.join(DATABASE);
    if !path.exists() {
        return Err(StoreError::Nothing(folder.to_owned()));
    }
    let prepared = |connection: Connection| {
        connection.execute_batch("PRAGMA busy_timeout = 5000; PRAGMA cell_size_check = ON;")?;
        connection.execute_batch(settings)?;
        migrate::version(&connection)?;
        Ok(connection)
    };
    // A connection of the kind "read only" could not join a record that nobody has open.
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let opened = Connection::open_with_flags(&path, flags).and_then(prepared);
    let unwritable = [ErrorCode::CannotOpen, ErrorCode::ReadOnly].map(Some);
    // On a full disk there is no room for what readers share.
    let crowded = [ErrorCode::DiskFull, ErrorCode::SystemIoFailure].map(Some);
    match opened {
        Err(error) if unwritable.contains(&error.sqlite_error_code()) => {}
        Err(error) if crowded.contains(&error.sqlite_error_code()) && is_full_now(folder) => {}
        other => return other.map_err(|source| db(folder, source)),
    }
    let wal = folder.join(format!("{DATABASE}-wal"));
    if fs::metadata(wal).is_ok_and(|found| found.len() > 0) {
        return Err(StoreError::Unsettled(folder.to_owned()));
    }
    still(&path)
        .and_then(prepared)
        .map_err(|source| db(folder, source))
}

/// A connection to a record that nobody changes; it writes nothing, not even beside it.
fn still(path: &Path) -> rusqlite::Result<Connection> {
    let mut uri = "file:".to_owned();
    for byte in path.as_os_str().as_encoded_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => {
                uri.push(char::from(*byte));
            }
            _ => uri.push_str(&format!("%{byte:02X}")),
        }
    }
    uri.push_str("?immutable=1");
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_URI
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    Connection::open_with_flags(uri, flags)
}

/// SQLite has no unsigned numbers; no count here comes near the difference.
fn i64_of(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

fn file_error(path: &Path, source: std::io::Error) -> StoreError {
    StoreError::File {
        path: path.to_owned(),
        source,
    }
}

fn db(folder: &Path, source: rusqlite::Error) -> StoreError {
    let damaged = [ErrorCode::DatabaseCorrupt, ErrorCode::NotADatabase].map(Some);
    if damaged.contains(&source.sqlite_error_code()) {
        return StoreError::Damaged {
            path: folder.join(DATABASE),
            reason: format!("SQLite says: {source}"),
        };
    }
    StoreError::Database {
        folder: folder.to_owned(),
        source,
    }
}
