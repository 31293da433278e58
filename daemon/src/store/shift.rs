//! What a shift's boards, defects and files add up to.
//!
//! Knows no shift calendar: the caller gives the window. The one invariant: each board and each
//! file falls into exactly one window of windows that follow one another.

use rusqlite::{Row, params};

use super::query::{DefectFacts, FileRow, ProductChange, RejectRow, YieldFacts, count};
use super::{Reader, StoreError};

impl Reader {
    /// The first visits of boards in a window, by feed and product.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn yields(&self, from: i64, to: i64) -> Result<Vec<YieldFacts>, StoreError> {
        self.list(
            "SELECT first.feed, first.product, count(*), sum(first.calls = 0),
                 sum(first.confirmed = 0), sum(final.calls = 0), sum(final.confirmed = 0),
                 sum(first.rows), sum(first.calls), sum(first.confirmed),
                 sum(first.false_calls), sum(first.opportunities)
             FROM unit first JOIN unit final
                 ON final.feed = first.feed AND final.unit = first.unit
                 AND final.attempt = (SELECT max(attempt) FROM unit any
                     WHERE any.feed = first.feed AND any.unit = first.unit)
             WHERE first.attempt = 1 AND first.at >= ?1 AND first.at < ?2
             GROUP BY first.feed, first.product ORDER BY first.feed, first.product",
            params![from, to],
            yield_facts,
        )
    }

    /// The first and the newest event of all files; absent while there is none.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn events(&self) -> Result<Option<(i64, i64)>, StoreError> {
        let ends = self.list("SELECT min(first_at), max(last_at) FROM file", [], |row| {
            Ok(row.get::<_, Option<i64>>(0)?.zip(row.get(1)?))
        })?;
        Ok(ends.into_iter().next().flatten())
    }

    /// The newest first visit of a product's boards in a window.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn ran_before(
        &self,
        product: &str,
        (from, to): (i64, i64),
    ) -> Result<Option<i64>, StoreError> {
        let newest = self.list(
            "SELECT at FROM unit WHERE at >= ?2 AND at < ?3 AND product = ?1 AND attempt = 1
             ORDER BY at DESC LIMIT 1",
            params![product, from, to],
            |row| row.get(0),
        )?;
        Ok(newest.first().copied())
    }

    /// The feeds in which a person's review has ever been seen, by name.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn reviewed_feeds(&self) -> Result<Vec<String>, StoreError> {
        self.list(
            "SELECT DISTINCT feed FROM unit WHERE confirmed > 0 OR false_calls > 0 ORDER BY feed",
            [],
            |row| row.get(0),
        )
    }

    /// Defects on the first visits in a window, the most frequent first.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn defects(&self, from: i64, to: i64) -> Result<Vec<DefectFacts>, StoreError> {
        self.list(
            "SELECT defect.feed, component, pin, defect, review, sum(count) AS total
             FROM defect JOIN unit USING (feed, unit, attempt)
             WHERE attempt = 1 AND at >= ?1 AND at < ?2
             GROUP BY defect.feed, component, pin, defect, review
             ORDER BY total DESC, defect.feed, component, pin, defect, review",
            params![from, to],
            |row| {
                Ok(DefectFacts {
                    feed: row.get(0)?,
                    component: row.get(1)?,
                    pin: row.get(2)?,
                    defect: row.get(3)?,
                    review: row.get(4)?,
                    count: count(row, 5)?,
                })
            },
        )
    }

    /// The files of a window, in the order in which they were read.
    ///
    /// A file belongs where its last event lies. One without events (quarantined, or known
    /// before) lies as long after the last event of the file before it as it came after that file:
    /// that is right for live data and for a backlog read at once. Where no file of its feed has
    /// events, another feed's tells; where none has, it lies where it came.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn files(&self, from: i64, to: i64) -> Result<Vec<FileRow>, StoreError> {
        self.list(
            "WITH placed AS (
                 SELECT id, feed, path, verdict, rows_read, rows_used, rows_rejected,
                     rows_duplicate, code, reason, coalesce(last_at, received_at + coalesce(
                         (SELECT before.last_at - before.received_at FROM file before
                          WHERE before.feed = file.feed AND before.id < file.id
                              AND before.last_at IS NOT NULL
                          ORDER BY before.id DESC LIMIT 1),
                         (SELECT after.last_at - after.received_at FROM file after
                          WHERE after.feed = file.feed AND after.id > file.id
                              AND after.last_at IS NOT NULL
                          ORDER BY after.id LIMIT 1),
                         (SELECT other.last_at - other.received_at FROM file other
                          WHERE other.id < file.id AND other.last_at IS NOT NULL
                          ORDER BY other.id DESC LIMIT 1),
                         (SELECT other.last_at - other.received_at FROM file other
                          WHERE other.id > file.id AND other.last_at IS NOT NULL
                          ORDER BY other.id LIMIT 1), 0)) AS at, from_byte, to_byte,
                     hash
                 FROM file)
             SELECT id, feed, path, verdict, rows_read, rows_used, rows_rejected, rows_duplicate,
                 at, code, reason, from_byte, to_byte, hash
             FROM placed WHERE at >= ?1 AND at < ?2 ORDER BY id",
            params![from, to],
            file,
        )
    }

    /// The latest event of a feed before a time, and the file that brought it.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn last_file(&self, feed: &str, before: i64) -> Result<Option<(i64, String)>, StoreError> {
        let rows = self.list(
            "SELECT last_at, path FROM file WHERE feed = ?1 AND last_at < ?2
             ORDER BY last_at DESC, id DESC LIMIT 1",
            params![feed, before],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )?;
        Ok(rows.into_iter().next())
    }

    /// Why rows of a file could not be used.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn rejects(&self, file: i64) -> Result<Vec<RejectRow>, StoreError> {
        // With min() the bare columns come from the row that holds the minimum.
        self.list(
            "SELECT code, reason, min(line), count(*) FROM reject WHERE file = ?1
             GROUP BY code ORDER BY code",
            params![file],
            |row| {
                Ok(RejectRow {
                    code: row.get(0)?,
                    reason: row.get(1)?,
                    line: count(row, 2)?,
                    count: count(row, 3)?,
                })
            },
        )
    }

    /// Where the product changed from one board to the next at a feed, within a window.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn product_changes(&self, from: i64, to: i64) -> Result<Vec<ProductChange>, StoreError> {
        self.list(
            "SELECT feed, at, before, product FROM (
                 SELECT feed, at, unit, product,
                     lag(product) OVER (PARTITION BY feed ORDER BY at, unit) AS before
                 FROM unit WHERE attempt = 1 AND at >= ?1 AND at < ?2)
             WHERE before <> product ORDER BY at, feed",
            params![from, to],
            |row| {
                Ok(ProductChange {
                    feed: row.get(0)?,
                    at: row.get(1)?,
                    from: row.get(2)?,
                    to: row.get(3)?,
                })
            },
        )
    }
}

fn yield_facts(row: &Row) -> rusqlite::Result<YieldFacts> {
    Ok(YieldFacts {
        feed: row.get(0)?,
        product: row.get(1)?,
        units: count(row, 2)?,
        without_call: count(row, 3)?,
        without_confirmed: count(row, 4)?,
        last_without_call: count(row, 5)?,
        last_without_confirmed: count(row, 6)?,
        rows: count(row, 7)?,
        calls: count(row, 8)?,
        confirmed: count(row, 9)?,
        false_calls: count(row, 10)?,
        opportunities: count(row, 11)?,
    })
}

fn file(row: &Row) -> rusqlite::Result<FileRow> {
    let (code, reason): (Option<String>, Option<String>) = (row.get(9)?, row.get(10)?);
    Ok(FileRow {
        id: row.get(0)?,
        feed: row.get(1)?,
        path: row.get(2)?,
        verdict: row.get(3)?,
        rows: [
            count(row, 4)?,
            count(row, 5)?,
            count(row, 6)?,
            count(row, 7)?,
        ],
        at: row.get(8)?,
        from_byte: count(row, 11)?,
        to_byte: count(row, 12)?,
        hash: row.get(13)?,
        trouble: code.zip(reason),
    })
}
