//! The chain: what was written, when and by whom, each entry bound by its digest to the one before.
//!
//! Every row that a transaction changes passes by here, whatever statement changed it, and is
//! added to its table's sum or taken from it. Knows no table's meaning. The one invariant: after
//! every transaction `balance` holds the sums of the rows that stand in the tables, and the newest
//! entry of `chain` holds the digest of `balance`.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rusqlite::functions::{Context, FunctionFlags};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Row, params};

use super::folder::{self, Newest};
use crate::config::{Config, Layout};

/// Tables whose new rows make the content of an entry: they are written once and stay.
pub(super) const CONTENT_TABLES: [&str; 3] = ["file", "reject", "segment"];

/// Tables whose new rows no trigger shows: a batch brings tens of thousands, and their writer adds
/// their digests by [`Observed::added`].
const ADDED_BY_WRITER: [&str; 4] = ["file", "path", "point", "unit"];

/// Above this, whole numbers and floats are no longer the same to SQLite and to an IEEE double.
const EXACT_MAX: u64 = 1 << 53;

/// The sum of digests of rows. It does not depend on their order, and a row can be taken out again.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Sum {
    /// How many rows there are; negative where more were taken out.
    pub(super) rows: i64,
    lanes: [u64; 4],
}

impl Sum {
    /// Adds another sum.
    pub(super) fn join(&mut self, other: &Sum) {
        self.rows += other.rows;
        for (mine, theirs) in self.lanes.iter_mut().zip(other.lanes) {
            *mine = mine.wrapping_add(theirs);
        }
    }

    pub(super) fn add(&mut self, row: &[u8; 32]) {
        self.join(&Sum::of(1, row));
    }

    fn take(&mut self, row: &[u8; 32]) {
        let gone = Sum::of(-1, row);
        let lanes = gone.lanes.map(u64::wrapping_neg);
        self.join(&Sum { lanes, ..gone });
    }

    /// Thirty-two bytes as four numbers, as they are kept.
    pub(super) fn of(rows: i64, bytes: &[u8; 32]) -> Sum {
        let mut lanes = [0; 4];
        for (lane, part) in lanes.iter_mut().zip(bytes.as_chunks::<8>().0) {
            *lane = u64::from_le_bytes(*part);
        }
        Sum { rows, lanes }
    }

    pub(super) fn bytes(&self) -> [u8; 32] {
        let mut bytes = [0; 32];
        for (part, lane) in bytes.as_chunks_mut::<8>().0.iter_mut().zip(self.lanes) {
            *part = lane.to_le_bytes();
        }
        bytes
    }
}

/// What a transaction has changed so far.
#[derive(Debug, Default)]
struct Changes {
    tables: BTreeMap<String, Sum>,
    content: Sum,
    row: RowBytes,
}

/// Sees every row that a connection changes.
#[derive(Clone, Debug)]
pub(super) struct Observed(Arc<Mutex<Changes>>);

/// What an entry says beside the digests.
pub(super) struct Entry<'a> {
    /// When, by the clock.
    pub(super) at: i64,
    /// `batch`, or what a person or the program did.
    pub(super) kind: &'a str,
    /// Who.
    pub(super) who: &'a str,
    /// To what.
    pub(super) subject: &'a str,
    /// Why.
    pub(super) reason: &'a str,
    /// What makes points of rows, where the entry brings points.
    pub(super) setting: Option<[u8; 32]>,
}

impl<'a> Entry<'a> {
    /// An entry of the program itself.
    pub(super) fn own(at: i64, kind: &'a str, subject: &'a str) -> Entry<'a> {
        Entry {
            at,
            kind,
            who: "driftvane",
            subject,
            reason: "",
            setting: None,
        }
    }
}

impl Observed {
    /// Watches a connection from now on. The triggers live as long as it, and only in it.
    pub(super) fn of(connection: &Connection) -> rusqlite::Result<Observed> {
        let observed = Observed(Arc::default());
        let seen = observed.clone();
        let flags = FunctionFlags::SQLITE_UTF8 | FunctionFlags::SQLITE_INNOCUOUS;
        connection.create_scalar_function("row_changed", -1, flags, move |row| seen.note(row))?;
        // Without it REPLACE takes rows out that no trigger sees.
        connection.execute_batch("PRAGMA recursive_triggers = ON")?;
        for table in tables(connection)? {
            connection.execute_batch(&triggers(connection, &table)?)?;
        }
        Ok(observed)
    }

    fn changes(&self) -> MutexGuard<'_, Changes> {
        // Sums are whole even if another holder panicked: they are added in one step.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Forgets what a transaction that was not committed has changed.
    pub(super) fn begin(&self) {
        *self.changes() = Changes::default();
    }

    fn note(&self, row: &Context) -> rusqlite::Result<i64> {
        let table = row.get_raw(0).as_str().unwrap_or_default();
        let is_new = row.get_raw(1).as_i64().unwrap_or_default() > 0;
        let mut guard = self.changes();
        let changes = &mut *guard;
        changes.row.begin(table);
        for column in 2..row.len() {
            changes.row.value(row.get_raw(column));
        }
        let digest = changes.row.digest();
        if is_new && CONTENT_TABLES.contains(&table) {
            changes.content.add(&digest);
        }
        if !changes.tables.contains_key(table) {
            changes.tables.insert(table.to_owned(), Sum::default());
        }
        if let Some(sum) = changes.tables.get_mut(table) {
            if is_new {
                sum.add(&digest);
            } else {
                sum.take(&digest);
            }
        }
        Ok(0)
    }

    /// Adds the digests of new rows of a table that no trigger shows.
    pub(super) fn added(&self, table: &'static str, rows: &Sum) {
        debug_assert!(
            ADDED_BY_WRITER.contains(&table),
            "{table} would be added twice"
        );
        if rows.rows != 0 {
            let mut changes = self.changes();
            if CONTENT_TABLES.contains(&table) {
                changes.content.join(rows);
            }
            changes
                .tables
                .entry(table.to_owned())
                .or_default()
                .join(rows);
        }
    }

    /// Ends a transaction: adds its entry, where it has changed anything.
    pub(super) fn seal(&self, to: &Connection, entry: &Entry) -> rusqlite::Result<Option<Newest>> {
        let changes = std::mem::take(&mut *self.changes());
        if changes.tables.is_empty() {
            return Ok(None);
        }
        for (table, change) in &changes.tables {
            let mut sum = balance(to, table)?;
            sum.join(change);
            set_balance(to, table, &sum)?;
        }
        let files = to
            .prepare_cached("SELECT coalesce(max(id), 0) FROM file")?
            .query_row([], |row| row.get(0))?;
        append(to, entry, files, &changes.content).map(Some)
    }
}

/// Adds an entry of something that changes no table.
pub(super) fn note(to: &Connection, entry: &Entry) -> rusqlite::Result<Newest> {
    let files = to
        .prepare_cached("SELECT coalesce(max(id), 0) FROM file")?
        .query_row([], |row| row.get(0))?;
    append(to, entry, files, &Sum::default())
}

/// Adds an entry for what the tables hold now, with files up to a number.
pub(super) fn append(
    to: &Connection,
    entry: &Entry,
    files: i64,
    content: &Sum,
) -> rusqlite::Result<Newest> {
    let last = folder::newest(to)?;
    let (last, previous) = last.map_or((0, [0; 32]), |last| (last.seq, last.digest));
    let state = state(to)?;
    to.prepare_cached("INSERT INTO chain VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)")?
        .execute(params![
            last + 1,
            entry.at,
            entry.kind,
            entry.who,
            entry.subject,
            entry.reason,
            files,
            entry.setting.map_or_else(Vec::new, Vec::from),
            content.bytes(),
            state,
            [0u8; 32],
        ])?;
    let digest = to
        .prepare_cached("SELECT * FROM chain WHERE seq = ?1")?
        .query_row([last + 1], |row| entry_digest(&previous, row))?;
    to.prepare_cached("UPDATE chain SET digest = ?2 WHERE seq = ?1")?
        .execute(params![last + 1, digest])?;
    let seq = last + 1;
    Ok(Newest { seq, digest })
}

/// The digest of an entry: of the one before and of all its columns but its own digest.
pub(super) fn entry_digest(previous: &[u8], row: &Row) -> rusqlite::Result<[u8; 32]> {
    let mut bytes = RowBytes::default();
    bytes.begin("chain");
    bytes.value(ValueRef::Blob(previous));
    for column in 0..row.as_ref().column_count() - 1 {
        bytes.value(row.get_ref(column)?);
    }
    Ok(bytes.digest())
}

/// The sum that is kept for a table.
pub(super) fn balance(of: &Connection, table: &str) -> rusqlite::Result<Sum> {
    let kept: Option<(i64, [u8; 32])> = of
        .prepare_cached("SELECT rows, sum FROM balance WHERE name = ?1")?
        .query_row([table], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    Ok(kept.map_or_else(Sum::default, |(rows, bytes)| Sum::of(rows, &bytes)))
}

/// Keeps the sum of a table.
pub(super) fn set_balance(to: &Connection, table: &str, sum: &Sum) -> rusqlite::Result<()> {
    to.prepare_cached("INSERT OR REPLACE INTO balance VALUES (?1, ?2, ?3)")?
        .execute(params![table, sum.rows, sum.bytes()])?;
    Ok(())
}

/// The digest of all sums.
pub(super) fn state(of: &Connection) -> rusqlite::Result<[u8; 32]> {
    let mut query = of.prepare_cached("SELECT name, rows, sum FROM balance ORDER BY name")?;
    let mut rows = query.query([])?;
    let mut bytes = RowBytes::default();
    bytes.begin("balance");
    while let Some(row) = rows.next()? {
        for column in 0..3 {
            bytes.value(row.get_ref(column)?);
        }
    }
    Ok(bytes.digest())
}

/// The tables that are summed.
pub(super) fn tables(of: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut query = of.prepare(
        "SELECT name FROM main.sqlite_schema WHERE type = 'table'
             AND name NOT IN ('chain', 'balance') AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\'
         ORDER BY name",
    )?;
    query.query_map([], |row| row.get(0))?.collect()
}

/// The sum of the rows that a query finds in a table.
pub(super) fn sum_of(
    connection: &Connection,
    table: &str,
    query: &str,
    values: impl rusqlite::Params,
) -> rusqlite::Result<Sum> {
    let mut sum = Sum::default();
    each(connection, (table, query), values, |_, digest| {
        sum.add(digest);
        Ok(())
    })?;
    Ok(sum)
}

/// The rows that a query finds in a table, with their digests.
pub(super) fn each(
    connection: &Connection,
    (table, query): (&str, &str),
    values: impl rusqlite::Params,
    mut see: impl FnMut(&Row, &[u8; 32]) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let mut query = connection.prepare_cached(query)?;
    let columns = query.column_count();
    let mut rows = query.query(values)?;
    let mut bytes = RowBytes::default();
    while let Some(row) = rows.next()? {
        bytes.begin(table);
        for column in 0..columns {
            bytes.value(row.get_ref(column)?);
        }
        see(row, &bytes.digest())?;
    }
    Ok(())
}

/// The number of the entry that is written next.
pub(super) fn next(of: &Connection) -> rusqlite::Result<i64> {
    of.prepare_cached("SELECT coalesce(max(seq), 0) + 1 FROM chain")?
        .query_row([], |row| row.get(0))
}

/// The digest of what makes points of rows: while it stays the same, the same rows give the same.
pub(super) fn setting(config: &Config) -> [u8; 32] {
    use std::fmt::Write as _;
    let mut text = String::new();
    let mut put = |part: std::fmt::Arguments| {
        // Writing to a String can not fail.
        text.write_fmt(part).unwrap_or_default();
    };
    for feed in &config.feeds {
        let measures: Option<Vec<&str>> = match &feed.layout {
            Layout::Wide(wide) => Some(wide.iter().map(|one| one.name.as_str()).collect()),
            Layout::Long(_) => None,
        };
        let names = (&feed.name, &feed.line, feed.station);
        put(format_args!(
            "{names:?} {} {measures:?}\n",
            feed.lists_failures_only
        ));
    }
    for product in &config.products {
        put(format_args!("{:?} {}\n", product.name, product.boards));
    }
    for what in &config.characteristics {
        let rows = (&what.name, what.station, &what.subject, &what.filter);
        let units = (&what.group_by, what.subgroup, what.chart);
        put(format_args!("{rows:?} {units:?} {:?}\n", what.short_run));
    }
    *blake3::hash(text.as_bytes()).as_bytes()
}

fn triggers(connection: &Connection, table: &str) -> rusqlite::Result<String> {
    let mut query = connection.prepare("SELECT name FROM pragma_table_info(?1)")?;
    let columns: Vec<String> = query
        .query_map([table], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    let call = |weight: i32, row: &str| {
        let columns: Vec<String> = columns.iter().map(|name| format!("{row}.{name}")).collect();
        format!(
            "SELECT row_changed('{table}', {weight}, {});",
            columns.join(", ")
        )
    };
    let (gone, fresh) = (call(-1, "old"), call(1, "new"));
    let trigger = |event: &str, calls: &str| {
        format!(
            "CREATE TEMP TRIGGER IF NOT EXISTS {table}_{event} AFTER {event} ON main.{table}
             BEGIN {calls} END;\n"
        )
    };
    let inserted = if ADDED_BY_WRITER.contains(&table) {
        String::new()
    } else {
        trigger("insert", &fresh)
    };
    Ok([
        inserted,
        trigger("delete", &gone),
        trigger("update", &format!("{gone} {fresh}")),
    ]
    .concat())
}

/// A row as bytes: values with their kinds and lengths, so that no two rows read alike.
#[derive(Debug, Default)]
pub(super) struct RowBytes(Vec<u8>);

impl RowBytes {
    /// Begins a row of a table. The bytes are used again: rows are many and small.
    fn begin(&mut self, table: &str) {
        self.0.clear();
        self.part(b't', table.as_bytes());
    }

    fn value(&mut self, value: ValueRef) {
        match value {
            ValueRef::Null => self.0.push(b'0'),
            // A column of floats keeps a whole number in fewer bytes: both are the same value.
            ValueRef::Integer(number) if number.unsigned_abs() <= EXACT_MAX => {
                self.float(number as f64);
            }
            ValueRef::Integer(number) => self.number(b'i', number.to_le_bytes()),
            ValueRef::Real(number) => self.float(number),
            ValueRef::Text(text) => self.part(b's', text),
            ValueRef::Blob(bytes) => self.part(b'b', bytes),
        }
    }

    /// The digest of a row of a table.
    pub(super) fn of(&mut self, table: &str, values: &[ValueRef]) -> [u8; 32] {
        self.begin(table);
        values.iter().for_each(|value| self.value(*value));
        self.digest()
    }

    fn float(&mut self, number: f64) {
        // Adding zero makes the negative zero, which SQLite does not keep, the other one.
        self.number(b'f', (number + 0.0).to_le_bytes());
    }

    fn number(&mut self, kind: u8, bytes: [u8; 8]) {
        self.0.push(kind);
        self.0.extend_from_slice(&bytes);
    }

    fn part(&mut self, kind: u8, bytes: &[u8]) {
        self.number(kind, (bytes.len() as u64).to_le_bytes());
        self.0.extend_from_slice(bytes);
    }

    fn digest(&self) -> [u8; 32] {
        *blake3::hash(&self.0).as_bytes()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watched() -> (Connection, Observed) {
        let connection = Connection::open_in_memory().unwrap();
        connection
            .execute_batch(include_str!("schema.sql"))
            .unwrap();
        let observed = Observed::of(&connection).unwrap();
        (connection, observed)
    }

    fn ignored(connection: &Connection, name: &str, seen_at: i64) {
        connection
            .execute(
                "INSERT OR REPLACE INTO ignored VALUES ('f', ?1, 'a link', ?2)",
                params![name, seen_at],
            )
            .unwrap();
    }

    #[test]
    fn sums_follow_rows_that_come_change_and_go() {
        let (connection, observed) = watched();
        for name in ["a", "b", "c"] {
            ignored(&connection, name, 1);
        }
        ignored(&connection, "a", 2);
        let change = "UPDATE ignored SET seen_at = 7 WHERE name = 'b'";
        connection.execute(change, []).unwrap();
        let gone = "DELETE FROM ignored WHERE name = 'c'";
        connection.execute(gone, []).unwrap();
        observed
            .seal(&connection, &Entry::own(1, "test", ""))
            .unwrap();
        let found = sum_of(&connection, "ignored", "SELECT * FROM ignored", []).unwrap();
        assert_eq!(found.rows, 2);
        assert_eq!(balance(&connection, "ignored").unwrap(), found);
    }

    #[test]
    fn whole_floats_and_empty_values_are_summed_as_they_are_kept() {
        let (connection, observed) = watched();
        let stream = "INSERT INTO stream VALUES (1, 'c', '[]', 'c', 0, 0, '', NULL)";
        connection.execute(stream, []).unwrap();
        let beyond = (1i64 << 53) + 1;
        let numbers = [
            [ValueRef::Real(5.0), ValueRef::Real(-0.0), ValueRef::Null],
            [
                ValueRef::Real(1e300),
                ValueRef::Real(0.1),
                ValueRef::Integer(3),
            ],
            [
                ValueRef::Integer(1),
                ValueRef::Real(beyond as f64),
                ValueRef::Integer(-7),
            ],
        ];
        let mut bytes = RowBytes::default();
        for (at, [size, value, spread]) in [1, 2, i64::MIN].into_iter().zip(numbers) {
            let row = [
                ValueRef::Integer(1),
                ValueRef::Integer(at),
                ValueRef::Text(b"u"),
                ValueRef::Integer(0),
                size,
                value,
                spread,
                ValueRef::Integer(1),
                ValueRef::Integer(0),
                ValueRef::Text(b""),
                ValueRef::Blob(b""),
                ValueRef::Text(b""),
            ];
            let insert =
                "INSERT INTO point VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)";
            let values = row.map(rusqlite::types::ToSqlOutput::Borrowed);
            connection.execute(insert, values.each_ref()).unwrap();
            let mut sum = Sum::default();
            sum.add(&bytes.of("point", &row));
            observed.added("point", &sum);
        }
        // A row that is changed or replaced is taken out, whoever added it.
        connection
            .execute_batch("UPDATE point SET size = 6 WHERE at = 2; DELETE FROM point WHERE at = 1")
            .unwrap();
        observed
            .seal(&connection, &Entry::own(1, "test", ""))
            .unwrap();
        let found = sum_of(&connection, "point", "SELECT * FROM point", []).unwrap();
        assert_eq!(found.rows, 2);
        assert_eq!(balance(&connection, "point").unwrap(), found);
    }

    #[test]
    fn no_change_makes_no_entry_and_a_forgotten_one_leaves_nothing() {
        let (mut connection, observed) = watched();
        let entry = Entry::own(1, "test", "");
        observed.seal(&connection, &entry).unwrap();
        let transaction = connection.transaction().unwrap();
        ignored(&transaction, "a", 1);
        transaction.rollback().unwrap();
        observed.begin();
        observed.seal(&connection, &entry).unwrap();
        let entries: i64 = connection
            .query_row("SELECT count(*) FROM chain", [], |row| row.get(0))
            .unwrap();
        assert_eq!(entries, 0);
    }
}
