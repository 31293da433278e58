//! Visits of boards: what each adds up to, which file brought its rows, and where these lie.
//!
//! Knows no row's meaning. The one invariant: what is added up does not depend on the order in
//! which files came.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{OptionalExtension, Transaction, params};

use super::chain::{RowBytes, Sum};
use super::segment::segments_begin;
use super::{Store, StoreError, db, i64_of, readback};
use crate::block::{Block, FeedIndex};
use crate::config::Config;

/// A call: component (or test step), pin, defect, review.
pub type DefectKey = (Arc<str>, Arc<str>, Arc<str>, u8);

/// A visit of a board: feed, board, try.
pub type UnitKey = (Arc<str>, Arc<str>, u16);

/// What a visit adds up to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct UnitTally {
    /// The earliest event.
    pub at: i64,
    /// The product.
    pub product: Arc<str>,
    /// Rows.
    pub rows: u64,
    /// Locations that the machine called.
    pub calls: u64,
    /// Confirmed defects.
    pub confirmed: u64,
    /// False calls.
    pub false_calls: u64,
    /// Opportunities that the feed states; 0 where it does not.
    pub opportunities: u64,
    /// How often each kind of defect was called at each place.
    pub defects: BTreeMap<DefectKey, u64>,
    /// Reviews that came after their calls.
    pub reviewed: u64,
    /// The calls without a review that these took the place of.
    pub replaced: BTreeMap<DefectKey, u64>,
    /// The file that brought the rows; 0 where several did, or none.
    pub source: i64,
}

/// Where the rows of a visit that was recorded are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Recorded {
    /// The file that brought them; 0 where several did.
    pub source: i64,
    /// The first and the last entry of the chain that may hold them.
    pub entries: (i64, i64),
}

/// A segment of the archive that may hold rows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Archived {
    /// Its path below the archive.
    pub path: String,
    /// Its rows.
    pub rows: usize,
    /// Whether it was let go by age.
    pub is_gone: bool,
}

impl Store {
    /// Which of the visits of one feed, in order, have rows in the record, and where these are.
    /// New visits mostly lie where nothing is recorded: a look at the stretch between the first and
    /// the last answers for all of them.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn recorded<'a>(
        &self,
        visits: &[&'a UnitKey],
    ) -> Result<Vec<(&'a UnitKey, Recorded)>, StoreError> {
        let (Some(first), Some(last)) = (visits.first(), visits.last()) else {
            return Ok(Vec::new());
        };
        let wrap = |source| db(&self.folder, source);
        let _held = self.hold()?;
        let between: i64 = self
            .connection
            .prepare_cached(
                "SELECT count(*) FROM (SELECT 1 FROM unit
                     WHERE feed = ?1 AND unit BETWEEN ?2 AND ?3 LIMIT 1)",
            )
            .and_then(|mut query| {
                query.query_row(params![&*first.0, &*first.1, &*last.1], |row| row.get(0))
            })
            .map_err(wrap)?;
        if between == 0 {
            return Ok(Vec::new());
        }
        let mut found = Vec::new();
        for visit in visits {
            let recorded = self.recorded_one(visit).map_err(wrap)?;
            found.extend(recorded.map(|recorded| (*visit, recorded)));
        }
        Ok(found)
    }

    fn recorded_one(&self, (feed, unit, attempt): &UnitKey) -> rusqlite::Result<Option<Recorded>> {
        self.connection
            .prepare_cached(
                "SELECT source, first_entry, last_entry FROM unit
                 WHERE feed = ?1 AND unit = ?2 AND attempt = ?3 AND rows > 0",
            )?
            .query_row(params![&**feed, &**unit, attempt], |row| {
                Ok(Recorded {
                    source: row.get(0)?,
                    entries: (row.get(1)?, row.get(2)?),
                })
            })
            .optional()
    }

    /// The segments of a feed with rows of some days that some entries of the chain brought, in
    /// the order in which they came.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn segments_of(
        &self,
        config: &Config,
        feed: FeedIndex,
        days: &BTreeSet<i64>,
        (first, last): (i64, i64),
    ) -> Result<Vec<Archived>, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare_cached(
                "SELECT path, rows, entry, path IN (SELECT path FROM purged_segment) FROM segment
                 WHERE path >= ?1 AND path < ?1 || char(1114111) AND entry BETWEEN ?2 AND ?3",
            )
            .map_err(wrap)?;
        let mut found = Vec::new();
        for day in days {
            let begin = segments_begin(config, feed, *day);
            let rows = query.query_map(params![begin, first, last], |row| {
                let rows = usize::try_from(row.get::<_, i64>(1)?).unwrap_or(0);
                let archived = Archived {
                    path: row.get(0)?,
                    rows,
                    is_gone: row.get(3)?,
                };
                Ok((row.get::<_, i64>(2)?, archived))
            });
            for segment in rows.map_err(wrap)? {
                found.push(segment.map_err(wrap)?);
            }
        }
        // The beginning of a name is also that of longer ones.
        found.retain(|(_, segment)| readback::feed_of(config, &segment.path) == Some(feed));
        found.sort_by(|(a, one), (b, other)| (a, &one.path).cmp(&(b, &other.path)));
        Ok(found.into_iter().map(|(_, segment)| segment).collect())
    }

    /// Some rows of a segment that follow one another.
    ///
    /// # Errors
    ///
    /// When the segment can not be read.
    pub fn archived(
        &self,
        config: &Config,
        feed: FeedIndex,
        segment: &Archived,
        rows: (usize, usize),
    ) -> Result<Block, StoreError> {
        let path = self.folder.join("archive").join(&segment.path);
        readback::slice(config, feed, &path, rows)
    }
}

/// Adds what a batch says about visits, and gives the sum of the digests of the new rows.
pub(super) fn write_units(
    to: &Transaction,
    units: &BTreeMap<UnitKey, UnitTally>,
    entry: i64,
) -> rusqlite::Result<Sum> {
    let mut insert = to.prepare_cached(INSERT)?;
    let mut add = to.prepare_cached(ADD)?;
    let mut fresh = Sum::default();
    let mut bytes = RowBytes::default();
    for (key, tally) in units {
        let row = row(key, tally, entry);
        let values = row.map(ToSqlOutput::Borrowed);
        if insert.execute(values.each_ref())? > 0 {
            fresh.add(&bytes.of("unit", &row));
        } else {
            add.execute(values.each_ref())?;
        }
    }
    write_defects(to, units)?;
    Ok(fresh)
}

/// Adds a visit that is not known.
const INSERT: &str = "INSERT INTO unit
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14) ON CONFLICT DO NOTHING";

/// Adds to a visit that is known. Boards of which nothing was listed are opened by files that do
/// not bring their rows.
const ADD: &str = "UPDATE unit SET at = min(at, ?4), rows = rows + ?6, calls = calls + ?7,
         confirmed = confirmed + ?8, false_calls = false_calls + ?9,
         opportunities = max(opportunities, ?10), reviewed = reviewed + ?11,
         source = CASE WHEN rows = 0 THEN ?12
             WHEN ?6 = 0 OR source = ?12 THEN source ELSE 0 END,
         first_entry = CASE WHEN rows = 0 THEN ?13 ELSE first_entry END, last_entry = ?14
     WHERE feed = ?1 AND unit = ?2 AND attempt = ?3";

fn row<'a>(
    (feed, name, attempt): &'a UnitKey,
    tally: &'a UnitTally,
    entry: i64,
) -> [ValueRef<'a>; 14] {
    let count = |count: u64| ValueRef::Integer(i64_of(count));
    [
        ValueRef::Text(feed.as_bytes()),
        ValueRef::Text(name.as_bytes()),
        ValueRef::Integer(i64::from(*attempt)),
        ValueRef::Integer(tally.at),
        ValueRef::Text(tally.product.as_bytes()),
        count(tally.rows),
        count(tally.calls),
        count(tally.confirmed),
        count(tally.false_calls),
        count(tally.opportunities),
        count(tally.reviewed),
        ValueRef::Integer(tally.source),
        ValueRef::Integer(entry),
        ValueRef::Integer(entry),
    ]
}

fn write_defects(to: &Transaction, units: &BTreeMap<UnitKey, UnitTally>) -> rusqlite::Result<()> {
    let mut add = to.prepare_cached(
        "INSERT INTO defect VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
         ON CONFLICT DO UPDATE SET count = count + excluded.count",
    )?;
    let mut take = to.prepare_cached(
        "UPDATE defect SET count = count - ?8 WHERE feed = ?1 AND unit = ?2 AND attempt = ?3
             AND component = ?4 AND pin = ?5 AND defect = ?6 AND review = ?7",
    )?;
    let mut empty = to.prepare_cached(
        "DELETE FROM defect WHERE feed = ?1 AND unit = ?2 AND attempt = ?3 AND count = 0",
    )?;
    for ((feed, name, attempt), tally) in units {
        let unit = (feed.as_ref(), name.as_ref(), attempt);
        let all = [(&mut add, &tally.defects), (&mut take, &tally.replaced)];
        for (change, defects) in all {
            for ((component, pin, kind, review), count) in defects {
                change.execute(params![
                    unit.0,
                    unit.1,
                    unit.2,
                    component.as_ref(),
                    pin.as_ref(),
                    kind.as_ref(),
                    review,
                    i64_of(*count),
                ])?;
            }
        }
        if !tally.replaced.is_empty() {
            empty.execute(params![unit.0, unit.1, unit.2])?;
        }
    }
    Ok(())
}
