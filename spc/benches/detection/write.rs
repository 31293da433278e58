//! Writing results of the slower suite.
//!
//! Purpose: one way from rows of text to a committed file. Must not know statistics. The one
//! invariant: a file is written whole or the program stops.

use std::path::PathBuf;

/// Writes a file below the folder of the crate, and says so.
pub fn file(name: &str, text: &str) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(name);
    let folder = path.parent().map_or(Ok(()), std::fs::create_dir_all);
    match folder.and_then(|()| std::fs::write(&path, text)) {
        Ok(()) => println!("wrote {}", path.display()),
        Err(why) => panic!("cannot write {}: {why}", path.display()),
    }
}

/// A CSV file of results: what it is, then a header, then rows.
pub fn results(name: &str, header: &str, rows: &[String]) {
    for row in rows {
        println!("{row}");
    }
    let text = format!("{header}\n{}\n", rows.join("\n"));
    file(&format!("benches/results/{name}.csv"), &text);
}
