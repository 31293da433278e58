//! Whether the record is what was written: SQLite's own check, the chain, the archive, the counts.
//!
//! Every check goes as far as it can; what stops it is damage too. Knows no output format. The one
//! invariant: nothing is written.

use std::collections::BTreeMap;
use std::path::Path;

use rusqlite::{Connection, Row};

use super::chain::{self, Sum};
use super::migrate::{self, SCHEMA};
use super::{Reader, archive, folder, live, readback, recount};
use crate::config::Config;

/// Kinds of damage that one check tells one by one; the others are counted.
const DAMAGE_TOLD_MAX: usize = 100;

/// What to do where the record itself is damaged.
const RESTORE: &str = "stop the daemon, keep the folder as it is, look at the disk and the memory, \
                       restore the folder from a backup; files that came since are read again";

/// What to do where something differs that a person may have changed.
const ASK: &str = "find out who has changed the record and why; restore it from a backup";

/// One check and what it found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Check {
    /// What was checked.
    pub name: &'static str,
    /// What was looked at.
    pub found: String,
    /// What is damaged.
    pub damage: Vec<Damage>,
    /// Damage beyond what is told one by one.
    pub more: usize,
    /// What could not be checked, and remarks.
    pub remarks: Vec<String>,
}

/// Something that is not as it was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damage {
    /// Where.
    pub place: String,
    /// What.
    pub what: String,
    /// What to do.
    pub fix: &'static str,
}

impl Check {
    pub(super) fn new(name: &'static str) -> Check {
        Check {
            name,
            found: String::new(),
            damage: Vec::new(),
            more: 0,
            remarks: Vec::new(),
        }
    }

    pub(super) fn damage(&mut self, place: impl Into<String>, what: impl Into<String>) {
        self.tell(place.into(), what.into(), RESTORE);
    }

    fn tell(&mut self, place: String, what: String, fix: &'static str) {
        if self.damage.len() < DAMAGE_TOLD_MAX {
            self.damage.push(Damage { place, what, fix });
        } else {
            self.more += 1;
        }
    }

    /// What could not be read is damaged.
    fn through(mut self, body: impl FnOnce(&mut Check) -> rusqlite::Result<()>) -> Check {
        if let Err(error) = body(&mut self) {
            self.damage("the record", format!("can not be read: {error}"));
        }
        self
    }
}

/// The newest entry of the chain.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Head {
    /// Its number.
    pub seq: i64,
    /// Its digest.
    pub digest: Vec<u8>,
}

impl Reader {
    /// Checks everything. Works beside a writer, on the record as it is at one moment.
    #[must_use]
    pub fn verify(&self, config: &Config) -> Vec<Check> {
        // Before the record is looked at: what is named or noted later is neither left over nor
        // lacking.
        let files = archive::files(&self.folder);
        let noted = folder::noted(&self.folder);
        let snapshot = self.connection.unchecked_transaction();
        let of = &self.connection;
        let mut checks = vec![
            Check::new("database").through(|to| database(of, to)),
            Check::new("chain").through(|to| {
                if let Some(what) = folder::lacks(noted, of)? {
                    to.damage("the record", what);
                }
                entries(of, to)
            }),
            Check::new("tables").through(|to| tables(of, to)),
            Check::new("audit trail").through(|to| audit(of, to)),
            Check::new("archive").through(|to| segments(of, &self.folder, files, to)),
            Check::new("counts").through(|to| counts(of, to)),
        ];
        // Readings are only worth comparing where they are the ones that were written.
        let is_archive_whole = checks[4].damage.is_empty();
        checks.push(
            Check::new("points")
                .through(|to| recount::points(of, &self.folder, config, is_archive_whole, to)),
        );
        if let Err(error) = snapshot {
            checks[0].damage("the record", format!("can not be read: {error}"));
        }
        checks
    }

    /// The newest entry of the chain; none where nothing has been written yet.
    #[must_use]
    pub fn head(&self) -> Option<Head> {
        let query = "SELECT seq, digest FROM chain ORDER BY seq DESC LIMIT 1";
        let read = |row: &Row| {
            Ok(Head {
                seq: row.get(0)?,
                digest: row.get(1)?,
            })
        };
        self.connection.query_row(query, [], read).ok()
    }
}

fn list<T>(
    of: &Connection,
    sql: &str,
    read: impl FnMut(&Row) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    of.prepare(sql)?.query_map([], read)?.collect()
}

fn number(of: &Connection, sql: &str) -> rusqlite::Result<i64> {
    of.query_row(sql, [], |row| row.get(0))
}

fn database(of: &Connection, to: &mut Check) -> rusqlite::Result<()> {
    let pages = number(of, "PRAGMA page_count")?;
    to.found = format!("{pages} pages, SQLite's integrity check, schema and references");
    let told: Vec<String> = list(of, "PRAGMA integrity_check(100)", |row| row.get(0))?;
    for line in told.into_iter().filter(|line| line != "ok") {
        to.damage("SQLite", line);
    }
    let whole = Connection::open_in_memory()?;
    whole.execute_batch(SCHEMA)?;
    let query = "SELECT name, type, tbl_name, sql FROM sqlite_schema
        WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\'";
    type Made = BTreeMap<String, [Option<String>; 3]>;
    let read = |row: &Row| Ok((row.get(0)?, [row.get(1)?, row.get(2)?, row.get(3)?]));
    let wanted: Made = list(&whole, query, read)?.into_iter().collect();
    let found: Made = list(of, query, read)?.into_iter().collect();
    for (name, statement) in &wanted {
        if found.get(name) != Some(statement) {
            to.damage("schema", format!("{name} is not as this program makes it"));
        }
    }
    for name in found.keys().filter(|name| !wanted.contains_key(*name)) {
        to.damage("schema", format!("{name} is not of this program"));
    }
    let lost: Vec<(String, String)> = list(of, "PRAGMA foreign_key_check", |row| {
        Ok((row.get(0)?, row.get(2)?))
    })?;
    for (table, parent) in lost {
        to.damage(table, format!("a row names no row of {parent}"));
    }
    Ok(())
}

/// Each entry against the one before, and the files, rejects and segments that it brought.
fn entries(of: &Connection, to: &mut Check) -> rusqlite::Result<()> {
    let mut archived = archived_by_entry(of)?;
    let mut query = of.prepare("SELECT * FROM chain ORDER BY seq")?;
    let mut rows = query.query([])?;
    let (mut count, mut previous, mut files) = (0, vec![0; 32], 0);
    let mut state = None;
    while let Some(row) = rows.next()? {
        count += 1;
        let seq: i64 = row.get(0)?;
        let place = format!("entry {seq}, {}", described(row)?);
        if seq != count {
            to.damage(&place, format!("entry {count} is missing"));
            count = seq;
        }
        let digest: Vec<u8> = row.get(10)?;
        if chain::entry_digest(&previous, row)?[..] != digest[..] {
            let what = "it, or the entry before it, was changed after it was written";
            to.tell(place.clone(), what.to_owned(), ASK);
        }
        let through: i64 = row.get(6)?;
        let mut content = archived.remove(&seq).unwrap_or_default();
        for (table, key) in [("file", "id"), ("reject", "file")] {
            let sql = format!("SELECT * FROM {table} WHERE {key} > ?1 AND {key} <= ?2");
            content.join(&chain::sum_of(of, table, &sql, [files, through])?);
        }
        let kept: Vec<u8> = row.get(8)?;
        if content.bytes()[..] != kept[..] {
            let what = format!(
                "files {} to {through}, their rejects or their segments were changed",
                files + 1
            );
            to.damage(&place, what);
        }
        (previous, files) = (digest, through);
        state = Some(row.get::<_, Vec<u8>>(9)?);
    }
    to.found = format!("{count} entries");
    for entry in archived.into_keys() {
        to.damage(
            "segment",
            format!("a segment names entry {entry}, which is missing"),
        );
    }
    let now = chain::state(of)?;
    if state.is_some_and(|state| state[..] != now[..]) {
        to.damage("balance", "the sums are not those of the newest entry");
    }
    Ok(())
}

fn archived_by_entry(of: &Connection) -> rusqlite::Result<BTreeMap<i64, Sum>> {
    let mut found: BTreeMap<i64, Sum> = BTreeMap::new();
    let entries: Vec<i64> = list(of, "SELECT DISTINCT entry FROM segment", |row| row.get(0))?;
    for entry in entries {
        found.insert(entry, Sum::default());
    }
    chain::each(
        of,
        ("segment", "SELECT * FROM segment"),
        [],
        |row, digest| {
            let entry: i64 = row.get(3)?;
            found.entry(entry).or_default().add(digest);
            Ok(())
        },
    )?;
    Ok(found)
}

/// An entry in words.
fn described(row: &Row) -> rusqlite::Result<String> {
    let at: i64 = row.get(1)?;
    let words: [String; 3] = [row.get(2)?, row.get(3)?, row.get(4)?];
    let at =
        jiff::Timestamp::from_microsecond(at).map_or_else(|_| at.to_string(), |at| at.to_string());
    let [kind, who, subject] = words;
    Ok(format!("{kind} {subject} by {who} at {at}"))
}

/// The rows of every table against the sums that are kept.
fn tables(of: &Connection, to: &mut Check) -> rusqlite::Result<()> {
    let (mut count, mut all) = (0, 0);
    let names = chain::tables(of)?;
    for table in &names {
        let kept = chain::balance(of, table)?;
        let sql = format!("SELECT * FROM {table}");
        match chain::sum_of(of, table, &sql, []) {
            Ok(found) if found == kept => {}
            Ok(found) => to.damage(
                table,
                format!(
                    "{} rows, {} were written; what stands there was changed",
                    found.rows, kept.rows
                ),
            ),
            Err(error) => to.damage(table, format!("can not be read: {error}")),
        }
        count += 1;
        all += kept.rows;
    }
    let unknown = list(of, "SELECT name FROM balance", |row| {
        row.get::<_, String>(0)
    })?;
    for table in unknown.into_iter().filter(|name| !names.contains(name)) {
        to.damage(table, "the table is missing");
    }
    to.found = format!("{all} rows in {count} tables");
    Ok(())
}

/// What a person did, as a table has it and as the chain has it.
type Told = (i64, i64, String, String, String, String);

fn told(of: &Connection, sql: &str) -> rusqlite::Result<Vec<Told>> {
    list(of, sql, |row| {
        let words = (row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?);
        let (kind, who, subject, reason) = words;
        Ok((row.get(0)?, row.get(1)?, kind, who, subject, reason))
    })
}

/// Tables of what people did: which kinds of entries tell the same, and the rows in their order.
const ACTS: [(&str, &str, &str); 8] = [
    (
        "alert_event",
        "'acknowledged', 'commented', 'shelved', 'unshelved', 'closed'",
        "SELECT id, at, what, who, 'alert ' || alert, comment FROM alert_event
         WHERE what IN ('acknowledged', 'commented', 'shelved', 'unshelved', 'closed')
         ORDER BY id",
    ),
    (
        "silence_seen",
        "'seen'",
        "SELECT id, at, 'seen', who, 'silence ' || silence, comment FROM silence_seen ORDER BY id",
    ),
    (
        "service",
        "'out of service', 'in service'",
        "SELECT id, at, what, who, 'stream ' || stream, reason FROM service ORDER BY id",
    ),
    (
        "request",
        "'freeze', 'restart'",
        "SELECT id, asked_at, kind, author, 'stream ' || stream, reason FROM request
         WHERE id NOT IN (SELECT request FROM decision WHERE request IS NOT NULL)
         ORDER BY id",
    ),
    (
        "proposal",
        "'proposed to freeze', 'proposed to restart'",
        "SELECT id, at, 'proposed to ' || kind, author, 'stream ' || stream, reason
         FROM proposal ORDER BY id",
    ),
    (
        "decision",
        "'approved', 'rejected'",
        "SELECT id, at, what, who, 'proposal ' || proposal, reason FROM decision ORDER BY id",
    ),
    (
        "quarantine",
        "'retry', 'discard'",
        "SELECT id, at, what, who, 'file ' || file, reason FROM quarantine ORDER BY id",
    ),
    (
        "delivery_act",
        "'send again', 'give up'",
        "SELECT id, at, what, who, 'delivery ' || delivery, reason FROM delivery_act
         ORDER BY id",
    ),
];

/// What people did, as the tables have it, against the chain.
fn audit(of: &Connection, to: &mut Check) -> rusqlite::Result<()> {
    let mut all = 0;
    for (table, kinds, sql) in ACTS {
        let rows = told(of, sql)?;
        let chained = told(
            of,
            &format!(
                "SELECT seq, at, kind, who, subject, reason FROM chain
                 WHERE kind IN ({kinds}) ORDER BY seq"
            ),
        )?;
        all += chained.len();
        for (row, entry) in rows.iter().zip(&chained) {
            let facts = |told: &Told| {
                let (_, at, kind, who, subject, reason) = told.clone();
                (at, kind, who, subject, reason)
            };
            let (kept, wanted) = (facts(row), facts(entry));
            if kept != wanted {
                let what = format!("it says {kept:?}; entry {} says {wanted:?}", entry.0);
                to.tell(format!("{table} {}", row.0), what, ASK);
            }
        }
        if rows.len() != chained.len() {
            let what = format!("{} rows, the chain has {}", rows.len(), chained.len());
            to.tell(table.to_owned(), what, ASK);
        }
    }
    to.found = format!("{all} acts of people");
    Ok(())
}

/// That files which grow were read bit by bit.
fn in_pieces(files: i64, pieces: i64) -> String {
    match pieces > files {
        true => format!(" in {pieces} pieces"),
        false => String::new(),
    }
}

/// The segments that are named against the files that are there.
fn segments(
    of: &Connection,
    folder: &Path,
    files: Result<std::collections::BTreeSet<String>, super::StoreError>,
    to: &mut Check,
) -> rusqlite::Result<()> {
    let mut files = files.unwrap_or_else(|error| {
        to.damage("archive", error.to_string());
        std::collections::BTreeSet::new()
    });
    let named = archive::named(of)?;
    let mut rows = 0;
    for one in &named {
        let (relative, wanted, digest) = (&one.path, one.rows, &one.digest);
        rows += wanted;
        files.remove(relative);
        let path = folder.join("archive").join(relative);
        match migrate::digest_of(&path) {
            Err(error) => to.damage(relative, format!("can not be read: {error}")),
            Ok(found) if found[..] != digest[..] => {
                to.damage(relative, "its bytes are not those that were written");
            }
            // Only whole segments are safe to be looked into.
            Ok(_) => match readback::rows(&path) {
                Ok(found) if i64::try_from(found) == Ok(wanted) => {}
                Ok(found) => to.damage(relative, format!("{found} rows, {wanted} were written")),
                Err(error) => to.damage(relative, error),
            },
        }
    }
    to.found = format!("{} segments with {rows} rows", named.len());
    let gone = number(of, "SELECT count(*) FROM purged_segment")?;
    if gone > 0 {
        to.remarks
            .push(format!("{gone} segments were let go by age"));
    }
    let is_short = !to.damage.is_empty();
    for relative in files {
        if archive::is_gone(of, &relative)? {
            continue;
        }
        if is_short {
            to.damage(&relative, "no batch names it");
        } else {
            to.remarks.push(format!(
                "{relative}: of a batch that was not committed, or not yet; a start removes it"
            ));
        }
    }
    Ok(())
}

/// Whether everything that was read is accounted for.
fn counts(of: &Connection, to: &mut Check) -> rusqlite::Result<()> {
    let rules = [
        (
            "rows read are not rows used, rejected and counted before",
            "SELECT 'file ' || id || ', ' || path FROM file
             WHERE rows_read <> rows_used + rows_rejected + rows_duplicate",
        ),
        (
            "the rejected rows that are kept do not fit the count",
            "SELECT 'file ' || f.id || ', ' || f.path FROM file f
             LEFT JOIN (SELECT file, count(*) AS kept FROM reject GROUP BY file) r ON r.file = f.id
             WHERE coalesce(r.kept, 0) > f.rows_rejected
                 OR (f.verdict <> 'quarantined' AND f.rows_rejected > 0 AND r.kept IS NULL)",
        ),
        (
            "the same content counts more than once",
            "SELECT 'files ' || group_concat(id, ', ') FROM file
             WHERE verdict IN ('accepted', 'accepted_with_rejects')
             GROUP BY hash HAVING count(*) > 1",
        ),
        (
            "it was read further than any file of it says",
            "SELECT p.path FROM path p WHERE p.consumed > 0 AND NOT EXISTS (
                 SELECT 1 FROM (SELECT feed, path, max(to_byte) AS through FROM file
                     GROUP BY feed, path) f
                 WHERE f.feed = p.feed AND f.path = p.path AND f.through >= p.consumed)",
        ),
    ];
    for (what, sql) in rules {
        for place in list(of, sql, |row| row.get::<_, String>(0))? {
            to.damage(place, what);
        }
    }
    let sum = |sql: &str| number(of, sql);
    let used = sum("SELECT coalesce(sum(rows_used), 0) FROM file")?;
    let archived = sum("SELECT coalesce(sum(rows), 0) FROM segment")?;
    let visited = sum("SELECT coalesce(sum(rows), 0) FROM unit")?;
    let reviewed = sum("SELECT coalesce(sum(reviewed), 0) FROM unit")?;
    if archived != used + reviewed {
        to.damage(
            "archive",
            format!("{archived} rows, files have {used} that count and {reviewed} later reviews"),
        );
    }
    if visited > used {
        to.damage(
            "unit",
            format!("{visited} rows, files have {used} that count"),
        );
    }
    let read = sum("SELECT coalesce(sum(rows_read), 0) FROM file")?;
    let pieces = sum("SELECT count(*) FROM file")?;
    let files = sum(&format!("SELECT count(*) FROM ({})", live::files("1")))?;
    to.found = format!(
        "{files} files{}, {read} rows read, {used} used",
        in_pieces(files, pieces)
    );
    Ok(())
}
