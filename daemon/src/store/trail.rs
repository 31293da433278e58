//! What the record says of itself: segments, entries of the chain, what people changed, what was
//! let go.
//!
//! Knows no page. The one invariant: nothing here writes.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::ErrorKind;

use rusqlite::params;

use super::archive::may_hold;
use super::query::{ReadingFilter, count};
use super::{Head, Reader, StoreError, chain, db, file_error};
use crate::config::Config;

/// A segment of the archive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SegmentTrail {
    /// The path below the archive.
    pub path: String,
    /// Rows.
    pub rows: u64,
    /// The BLAKE3 digest of its bytes.
    pub digest: Vec<u8>,
}

/// What is the matter with a segment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Flaw {
    /// It is not there.
    Missing,
    /// It is not what was written.
    Changed,
}

/// An entry of the chain that tells of a change.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryTrail {
    /// Its number.
    pub seq: i64,
    /// When, by the clock.
    pub at: i64,
    /// What was done.
    pub kind: String,
    /// By whom.
    pub who: String,
    /// To what.
    pub subject: String,
    /// Why.
    pub reason: String,
}

/// What there was when an entry of the chain was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Moment {
    /// When, by the clock.
    pub at: i64,
    /// The newest event that each feed had brought.
    pub newest: BTreeMap<String, i64>,
}

/// Something that was let go by age.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LetGo {
    /// `readings` or `points`.
    pub class: String,
    /// What lay before this event time.
    pub before: i64,
    /// How many.
    pub count: u64,
    /// When, by the clock.
    pub at: i64,
}

/// A stream that was taken out of service, or back into it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ServiceTrail {
    /// The stream.
    pub stream: i64,
    /// `out of service` or `in service`.
    pub what: String,
    /// When, by the clock.
    pub at: i64,
    /// Who.
    pub who: String,
    /// Why.
    pub reason: String,
}

impl Reader {
    /// Lets everything that is asked from now on be of one moment.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn at_one_moment(self) -> Result<Reader, StoreError> {
        self.connection
            .execute_batch("BEGIN")
            .map_err(|source| db(&self.folder, source))?;
        Ok(self)
    }

    /// What there was when an entry of the chain was written; nothing where there is no such entry.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn moment(&self, seq: i64) -> Result<Option<Moment>, StoreError> {
        let query = "SELECT at, files FROM chain WHERE seq = ?1";
        let found: Vec<(i64, i64)> =
            self.list(query, [seq], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let Some((at, files)) = found.into_iter().next() else {
            return Ok(None);
        };
        let newest = self.list(
            "SELECT feed, max(last_at) FROM file
             WHERE id <= ?1 AND last_at IS NOT NULL
                 AND verdict IN ('accepted', 'accepted_with_rejects')
             GROUP BY feed",
            [files],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )?;
        Ok(Some(Moment {
            at,
            newest: newest.into_iter().collect(),
        }))
    }

    /// An entry of the chain by its number.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn entry(&self, seq: i64) -> Result<Option<Head>, StoreError> {
        let query = "SELECT seq, digest FROM chain WHERE seq = ?1";
        let found = self.list(query, [seq], |row| {
            Ok(Head {
                seq: row.get(0)?,
                digest: row.get(1)?,
            })
        })?;
        Ok(found.into_iter().next())
    }

    /// The segments that can hold what any of the filters wants, those that were let go left out.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn segment_trail(
        &self,
        filters: &[&ReadingFilter],
    ) -> Result<Vec<SegmentTrail>, StoreError> {
        let all = self.list(
            "SELECT path, rows, digest FROM segment
             WHERE path NOT IN (SELECT path FROM purged_segment) ORDER BY path",
            [],
            |row| {
                Ok(SegmentTrail {
                    path: row.get(0)?,
                    rows: count(row, 1)?,
                    digest: row.get(2)?,
                })
            },
        )?;
        let is_wanted = |one: &SegmentTrail| filters.iter().any(|by| may_hold(&one.path, by));
        Ok(all.into_iter().filter(is_wanted).collect())
    }

    /// Compares a segment with what was written.
    ///
    /// # Errors
    ///
    /// When it is there and can not be read.
    pub fn flaw(&self, segment: &SegmentTrail) -> Result<Option<Flaw>, StoreError> {
        let path = self.folder.join("archive").join(&segment.path);
        let file = match File::open(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Some(Flaw::Missing)),
            Err(source) => return Err(file_error(&path, source)),
        };
        let mut digest = blake3::Hasher::new();
        digest
            .update_reader(file)
            .map_err(|source| file_error(&path, source))?;
        let is_same = digest.finalize().as_bytes().as_slice() == segment.digest;
        Ok((!is_same).then_some(Flaw::Changed))
    }

    /// The digest of what makes points of rows, for a configuration.
    #[must_use]
    pub fn setting(config: &Config) -> [u8; 32] {
        chain::setting(config)
    }

    /// The entries, up to one, that tell that the configuration was read again within a window of
    /// the clock.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn reloads(
        &self,
        (from, to): (i64, i64),
        up_to: i64,
    ) -> Result<Vec<EntryTrail>, StoreError> {
        self.list(
            "SELECT seq, at, kind, who, subject, reason FROM chain
             WHERE kind = 'reloaded' AND at >= ?1 AND at < ?2 AND seq <= ?3 ORDER BY seq",
            params![from, to, up_to],
            |row| {
                Ok(EntryTrail {
                    seq: row.get(0)?,
                    at: row.get(1)?,
                    kind: row.get(2)?,
                    who: row.get(3)?,
                    subject: row.get(4)?,
                    reason: row.get(5)?,
                })
            },
        )
    }

    /// The entries that brought the first rows under another setting than the entry of a batch
    /// before, with the digest of the setting as their reason; only of batches with files in a
    /// window.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn setting_changes(
        &self,
        (from, to): (i64, i64),
        up_to: i64,
    ) -> Result<Vec<EntryTrail>, StoreError> {
        self.list(
            "WITH brought AS (
                 SELECT seq, at, files, setting,
                     lag(setting) OVER (ORDER BY seq) AS before,
                     lag(files, 1, 0) OVER (ORDER BY seq) AS files_before
                 FROM chain WHERE kind = 'batch' AND seq <= ?3)
             SELECT seq, at, lower(hex(setting)) FROM brought
             WHERE before IS NOT NULL AND before <> setting AND EXISTS (
                 SELECT 1 FROM file WHERE id > files_before AND id <= files
                     AND first_at < ?2 AND last_at >= ?1)
             ORDER BY seq",
            params![from, to, up_to],
            |row| {
                Ok(EntryTrail {
                    seq: row.get(0)?,
                    at: row.get(1)?,
                    kind: "batch".to_owned(),
                    who: String::new(),
                    subject: String::new(),
                    reason: row.get(2)?,
                })
            },
        )
    }

    /// What was let go by age that could reach into a window.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn let_go_since(&self, from: i64) -> Result<Vec<LetGo>, StoreError> {
        self.list(
            "SELECT class, before, count, at FROM purge WHERE before > ?1 ORDER BY id",
            [from],
            |row| {
                Ok(LetGo {
                    class: row.get(0)?,
                    before: row.get(1)?,
                    count: count(row, 2)?,
                    at: row.get(3)?,
                })
            },
        )
    }

    /// What people did about the service of streams within a window of the clock.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn service_trail(&self, (from, to): (i64, i64)) -> Result<Vec<ServiceTrail>, StoreError> {
        self.list(
            "SELECT stream, what, at, who, reason FROM service
             WHERE at >= ?1 AND at < ?2 ORDER BY id",
            params![from, to],
            |row| {
                Ok(ServiceTrail {
                    stream: row.get(0)?,
                    what: row.get(1)?,
                    at: row.get(2)?,
                    who: row.get(3)?,
                    reason: row.get(4)?,
                })
            },
        )
    }
}
