//! A record as an older program would have left it.
//!
//! Must not know what a newer program does with it. The one invariant: it holds the rows of the
//! record that it is made of, in the older schema.

use std::fs;

use crate::place::Place;
use rusqlite::Connection;

/// Makes the record one of version 1, as an older program would have left it.
pub fn make_older(place: &Place) {
    let new = place.path("driftvane-data/driftvane.sqlite");
    let old = new.with_extension("old");
    let record = Connection::open(&old).unwrap();
    record.execute_batch(include_str!("schema-1.sql")).unwrap();
    record
        .execute("ATTACH ?1 AS new", [new.to_string_lossy()])
        .unwrap();
    let tables = "SELECT name FROM main.sqlite_schema WHERE type = 'table'";
    let mut query = record.prepare(tables).unwrap();
    let tables: Vec<String> = query
        .query_map([], |row| row.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    for table in tables {
        let columns: String = record
            .query_row(
                "SELECT group_concat(name, ', ') FROM pragma_table_info(?1, 'main')",
                [&table],
                |row| row.get(0),
            )
            .unwrap();
        // Each episode was an alert of its own.
        let from = match table.as_str() {
            "alert" => {
                "(SELECT e.*, a.raised_at, a.acknowledged_at, a.acknowledged_by, a.comment
                  FROM new.episode e JOIN new.alert a ON a.id = e.alert)"
            }
            table => &format!("new.{table}"),
        };
        let copy = format!("INSERT INTO main.{table} SELECT {columns} FROM {from}");
        record.execute(&copy, []).unwrap();
    }
    record.pragma_update(None, "user_version", 1).unwrap();
    drop(query);
    drop(record);
    fs::rename(&old, &new).unwrap();
    // An older program kept no such file; the one there is of the newer record.
    fs::remove_file(place.path("driftvane-data/driftvane.head")).unwrap();
}
