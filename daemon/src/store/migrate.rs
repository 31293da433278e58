//! The version of the record: made anew, brought up to date, or refused.
//!
//! Knows the schema, not what rows mean beyond it. The one invariant: an older record is changed
//! in one transaction, and only after a whole copy of it is on the disk.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use rusqlite::{Connection, Transaction, TransactionBehavior, params};

use super::chain::{self, Entry, Sum};
use super::{SCHEMA_VERSION, StoreError, db, file_error};

/// The schema of this version.
pub(super) const SCHEMA: &str = include_str!("schema.sql");

/// Makes the record's schema the one of this program.
pub(super) fn bring_up_to_date(
    folder: &Path,
    path: &Path,
    connection: &mut Connection,
    now: i64,
) -> Result<(), StoreError> {
    let wrap = |source| db(folder, source);
    let tables: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(wrap)?;
    match (version(connection).map_err(wrap)?, tables) {
        (0, 0) => {
            super::folder::refuse_remains(folder)?;
            connection
                .execute_batch(&format!(
                    "BEGIN; {SCHEMA} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;"
                ))
                .map_err(wrap)
        }
        (SCHEMA_VERSION, _) => Ok(()),
        (older @ 1..SCHEMA_VERSION, _) => {
            let copy = copy(folder, connection, older)?;
            tracing::info!(
                copy = %copy.display(), "the record is brought to version {SCHEMA_VERSION}"
            );
            if older == 1 {
                from_1(folder, path, connection, now)?;
            }
            if older <= 2 {
                by_steps((folder, path), connection, now, (3, TO_3))?;
            }
            by_steps((folder, path), connection, now, (4, TO_4))?;
            // What was noted beside the record may not be of this chain.
            if let Some(newest) = super::folder::newest(connection).map_err(wrap)? {
                super::folder::note_newest(folder, newest);
            }
            Ok(())
        }
        (0, _) => Err(StoreError::Damaged {
            path: path.to_owned(),
            reason: "it is not a record of this program".to_owned(),
        }),
        (found, _) => Err(StoreError::Newer {
            path: path.to_owned(),
            found,
        }),
    }
}

/// The version that a record says it has.
pub(super) fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA user_version", [], |row| row.get(0))
}

/// A whole copy beside the record, on the disk under its name only when it is complete.
fn copy(folder: &Path, connection: &Connection, version: i64) -> Result<PathBuf, StoreError> {
    let copy = folder.join(format!("driftvane-version-{version}.sqlite"));
    let part = copy.with_extension("part");
    if part.exists() {
        fs::remove_file(&part).map_err(|source| file_error(&part, source))?;
    }
    connection
        .execute("VACUUM INTO ?1", [part.to_string_lossy()])
        .map_err(|source| db(folder, source))?;
    let sync = |path: &Path| {
        File::open(path)
            .and_then(|file| file.sync_all())
            .map_err(|source| file_error(path, source))
    };
    sync(&part)?;
    fs::rename(&part, &copy).map_err(|source| file_error(&copy, source))?;
    sync(folder)?;
    Ok(copy)
}

/// What version 2 adds: a list of tables, as the schema has them.
const ADDED_IN_2: [&str; 4] = ["segment", "chain", "balance", "quarantine"];

/// Version 2 has the chain, digests of segments, and what people did about quarantined files.
fn from_1(
    folder: &Path,
    path: &Path,
    connection: &mut Connection,
    now: i64,
) -> Result<(), StoreError> {
    let wrap = |source| db(folder, source);
    let to = Transaction::new(connection, TransactionBehavior::Immediate).map_err(wrap)?;
    let segments: Vec<(String, i64)> = to
        .prepare("SELECT path, rows FROM segment")
        .and_then(|mut query| {
            query
                .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect()
        })
        .map_err(wrap)?;
    to.execute_batch("DROP TABLE segment").map_err(wrap)?;
    for table in ADDED_IN_2 {
        to.execute_batch(&made(table)).map_err(wrap)?;
    }
    let actions = actions(&to).map_err(wrap)?;
    let entry = i64::try_from(actions.len()).unwrap_or(i64::MAX - 1) + 1;
    for (relative, rows) in segments {
        let digest = digest_of(&folder.join("archive").join(&relative)).map_err(|error| {
            StoreError::Damaged {
                path: path.to_owned(),
                reason: format!("the archive's {relative}, which it names: {error}"),
            }
        })?;
        to.execute(
            "INSERT INTO segment VALUES (?1, ?2, ?3, ?4)",
            params![relative, rows, digest, entry],
        )
        .map_err(wrap)?;
    }
    first_entries(&to, &actions, now).map_err(wrap)?;
    to.pragma_update(None, "user_version", 2).map_err(wrap)?;
    to.commit().map_err(wrap)
}

/// A change that leads to a version, and the tables that it makes anew.
type Step = (
    &'static [&'static str],
    fn(&Transaction) -> rusqlite::Result<()>,
);

/// What version 3 has that version 2 had not.
const TO_3: &[Step] = &[
    (&["unit"], visits_say_where_from),
    (&["notice", "channel", "delivery", "delivery_act"], |to| {
        to.execute_batch(&OF_CHANNELS.map(made).concat())
    }),
    (&["episode", "alert", "alert_event"], alerts_gather_episodes),
    (&["service"], |to| to.execute_batch(&made("service"))),
    (&["trouble"], |to| to.execute_batch(&made("trouble"))),
    (&["purge", "purged_segment"], |to| {
        to.execute_batch(&["purge", "purged_segment"].map(made).concat())
    }),
    (&["silence", "ignored"], |to| {
        to.execute_batch(&["silence", "ignored"].map(made).concat())
    }),
];

/// What version 4 has that version 3 had not.
const TO_4: &[Step] = &[
    (&["proposal", "decision"], |to| {
        to.execute_batch(&["proposal", "decision"].map(made).concat())
    }),
    (&["delivery_left"], |to| {
        to.execute_batch(&made("delivery_left"))
    }),
    (&["trouble"], troubles_are_told_by_their_kind),
    (&["silence_seen"], |to| {
        to.execute_batch(&made("silence_seen"))
    }),
    (&["report_figures"], |to| {
        to.execute_batch(&made("report_figures"))
    }),
    (&[], |to| {
        to.execute_batch(
            "CREATE INDEX IF NOT EXISTS chain_reloaded ON chain (at) WHERE kind = 'reloaded'",
        )
    }),
    (&OF_PADS, |to| to.execute_batch(&OF_PADS.map(made).concat())),
];

/// What is kept of single pads.
const OF_PADS: [&str; 4] = ["episode_since", "pad_state", "pad_list", "pad_listed"];

/// What leaves for channels, and how each of them stands.
const OF_CHANNELS: [&str; 4] = ["notice", "channel", "delivery", "delivery_act"];

/// Leads to a version from the one before it.
fn by_steps(
    (folder, path): (&Path, &Path),
    connection: &mut Connection,
    now: i64,
    (version, steps): (i64, &[Step]),
) -> Result<(), StoreError> {
    let wrap = |source| db(folder, source);
    let to = Transaction::new(connection, TransactionBehavior::Immediate).map_err(wrap)?;
    to.execute_batch("PRAGMA defer_foreign_keys = ON")
        .map_err(wrap)?;
    for (tables, step) in steps {
        for table in *tables {
            // What is summed anew may not hide that something was changed before.
            if sum(&to, table).map_err(wrap)? != chain::balance(&to, table).map_err(wrap)? {
                return Err(StoreError::Damaged {
                    path: path.to_owned(),
                    reason: format!("the rows of {table} are not those that were written"),
                });
            }
        }
        step(&to).map_err(wrap)?;
        // A statement that is kept knows the columns of before.
        to.flush_prepared_statement_cache();
        for table in *tables {
            let sum = sum(&to, table).map_err(wrap)?;
            chain::set_balance(&to, table, &sum).map_err(wrap)?;
        }
    }
    let files = files(&to).map_err(wrap)?;
    let before = format!("from version {}", version - 1);
    let entry = Entry::own(now, "migrated", &before);
    chain::append(&to, &entry, files, &Sum::default()).map_err(wrap)?;
    to.pragma_update(None, "user_version", version)
        .map_err(wrap)?;
    to.commit().map_err(wrap)
}

/// The sum of a table's rows; that of a table that is not there is empty.
fn sum(of: &Connection, table: &str) -> rusqlite::Result<Sum> {
    if chain::tables(of)?.iter().any(|known| known == table) {
        chain::sum_of(of, table, &format!("SELECT * FROM {table}"), [])
    } else {
        Ok(Sum::default())
    }
}

/// Which file and which entries of the chain brought the rows of earlier visits is not known: any
/// may have.
fn visits_say_where_from(to: &Transaction) -> rusqlite::Result<()> {
    to.execute_batch(&format!(
        "DROP INDEX unit_by_time;
         ALTER TABLE unit RENAME TO unit_before;
         {}
         INSERT INTO unit SELECT feed, unit, attempt, at, product, rows, calls, confirmed,
             false_calls, opportunities, 0, 0, 0, (SELECT coalesce(max(seq), 0) FROM chain)
         FROM unit_before;
         DROP TABLE unit_before;",
        made("unit")
    ))
}

/// Each alert was of one stream: it becomes an episode, and an alert that gathers only it.
fn alerts_gather_episodes(to: &Transaction) -> rusqlite::Result<()> {
    to.execute_batch(&format!(
        "CREATE TEMP TABLE old_alert AS SELECT * FROM alert;
         CREATE TEMP TABLE old_event AS SELECT * FROM alert_event;
         DROP TABLE alert_event;
         DROP TABLE alert;
         {} {} {}
         INSERT INTO episode SELECT id, stream, first_at, first_unit, last_at, signals, rules, side,
             size_sigma, size_value, returned_at, revised, NULL FROM old_alert;
         INSERT INTO alert (id, lead, first_at, returned_at, severity, raised_at, revised,
             told_sigma, told_members, acknowledged_at, acknowledged_by, comment)
             SELECT id, id, first_at, returned_at, 1, raised_at, revised, abs(size_sigma), 1,
             acknowledged_at, acknowledged_by, comment FROM old_alert;
         UPDATE episode SET alert = id;
         INSERT INTO alert_event (id, alert, at, what, who, comment, told)
             SELECT id, alert, at, what, who, comment, told FROM old_event;
         DROP TABLE old_alert;
         DROP TABLE old_event;",
        made("episode"),
        made("alert"),
        made("alert_event"),
    ))
}

/// There is at most one of a kind at a time, whatever it is about.
fn troubles_are_told_by_their_kind(to: &Transaction) -> rusqlite::Result<()> {
    to.execute_batch(&format!(
        "ALTER TABLE trouble RENAME TO trouble_before;
         {}
         INSERT INTO trouble SELECT id, kind, words, raised_at, returned_at FROM trouble_before;
         DROP TABLE trouble_before;",
        made("trouble")
    ))
}

/// The newest file.
fn files(of: &Connection) -> rusqlite::Result<i64> {
    let query = "SELECT coalesce(max(id), 0) FROM file";
    of.query_row(query, [], |row| row.get(0))
}

/// What a person did: when, what, who, to what, why.
type Action = (i64, String, String, String, String);

/// What people did before there was a chain, in the order in which each kind was kept.
fn actions(of: &Connection) -> rusqlite::Result<Vec<Action>> {
    let mut query = of.prepare(
        "SELECT at, what, who, 'alert ' || alert, comment FROM (
             SELECT * FROM alert_event WHERE what = 'acknowledged' ORDER BY id)
         UNION ALL
         SELECT asked_at, kind, author, 'stream ' || stream, reason FROM (
             SELECT * FROM request ORDER BY id)",
    )?;
    query
        .query_map([], |row| {
            let words = (row.get(2)?, row.get(3)?, row.get(4)?);
            Ok((row.get(0)?, row.get(1)?, words.0, words.1, words.2))
        })?
        .collect()
}

/// Begins the chain with what is there.
fn first_entries(to: &Connection, actions: &[Action], now: i64) -> rusqlite::Result<()> {
    let mut content = Sum::default();
    for table in chain::tables(to)? {
        let sum = chain::sum_of(to, &table, &format!("SELECT * FROM {table}"), [])?;
        chain::set_balance(to, &table, &sum)?;
        if chain::CONTENT_TABLES.contains(&table.as_str()) {
            content.join(&sum);
        }
    }
    for (at, kind, who, subject, reason) in actions {
        let entry = Entry {
            at: *at,
            kind,
            who,
            subject,
            reason,
            setting: None,
        };
        chain::append(to, &entry, 0, &Sum::default())?;
    }
    let entry = Entry::own(now, "migrated", "from version 1");
    chain::append(to, &entry, files(to)?, &content)?;
    Ok(())
}

/// The statements that make a table and its indices, as the schema has them.
fn made(table: &str) -> String {
    let makes = [format!("CREATE TABLE {table} ("), format!(" ON {table} (")];
    let of_table = |statement: &&str| makes.iter().any(|start| statement.contains(start));
    let without_comment = |statement: &str| {
        let at = statement.find("CREATE ").unwrap_or_default();
        statement[at..].to_owned()
    };
    SCHEMA
        .split_inclusive(";\n")
        .filter(of_table)
        .map(without_comment)
        .collect()
}

/// The digest of a file.
pub(super) fn digest_of(path: &Path) -> std::io::Result<[u8; 32]> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(path)?)?;
    Ok(*hasher.finalize().as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a database consists of, in the order of names.
    fn everything(of: &Connection) -> Vec<String> {
        let mut query = of
            .prepare("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name")
            .unwrap();
        let rows = query.query_map([], |row| row.get(0)).unwrap();
        rows.collect::<rusqlite::Result<_>>().unwrap()
    }

    #[test]
    fn what_a_version_adds_can_be_made_of_the_schema_alone() {
        let whole = Connection::open_in_memory().unwrap();
        whole.execute_batch(SCHEMA).unwrap();
        let all = everything(&whole);
        let steps = TO_3.iter().chain(TO_4);
        let added = steps.flat_map(|(tables, _)| tables.iter());
        for table in ADDED_IN_2.iter().chain(added) {
            let statements = made(table);
            assert!(statements.contains(&format!("CREATE TABLE {table} (")));
            for sql in statements.split_inclusive(";\n") {
                let sql = sql.trim_end().trim_end_matches(';');
                assert!(all.iter().any(|made| made == sql), "{table}: {sql}");
            }
        }
    }

    /// What the schema of an older version becomes.
    fn brought_up(schema: &str, version: i64) -> Vec<String> {
        let mut older = Connection::open_in_memory().unwrap();
        older.execute_batch(schema).unwrap();
        let nowhere = (Path::new(""), Path::new(""));
        for (to, steps) in [(3, TO_3), (4, TO_4)] {
            if to > version {
                by_steps(nowhere, &mut older, 0, (to, steps)).unwrap();
            }
        }
        assert_eq!(super::version(&older).unwrap(), SCHEMA_VERSION);
        everything(&older)
    }

    #[test]
    fn an_older_record_becomes_what_a_new_one_is() {
        let new = Connection::open_in_memory().unwrap();
        new.execute_batch(SCHEMA).unwrap();
        let new = everything(&new);
        for (schema, version) in [
            (include_str!("../../../tests/system/schema-2.sql"), 2),
            (include_str!("../../../tests/system/schema-3.sql"), 3),
        ] {
            assert_eq!(brought_up(schema, version), new, "from version {version}");
        }
    }
}
