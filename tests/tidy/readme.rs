//! What the README shows is what the program does.
//!
//! Knows the README's first example in CSV and in TOML. The invariant: the example is read from
//! the README itself, so that the two can not drift apart.

use std::path::Path;
use std::sync::Arc;

use driftvane::commands::check::{check, render};
use driftvane::config::read::read;
use driftvane::output::Format;

use crate::source::source;

/// The first block of that kind.
fn block<'a>(text: &'a str, kind: &str) -> &'a str {
    let start = text
        .split_once(&format!("```{kind}\n"))
        .expect("the README has such a block")
        .1;
    start.split_once("```").expect("the block has an end").0
}

#[test]
fn the_new_layout_of_the_readme_is_read_without_a_finding() {
    let readme = source("README.md").text;
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("readme");
    std::fs::create_dir_all(folder.join("results")).expect("a folder for the test");
    let file = folder.join("results/P0001.csv");
    std::fs::write(file, block(&readme, "csv")).expect("the example can be written");
    let config = read(block(&readme, "toml"), &folder).expect("the example is a configuration");
    let checks = check(&Arc::new(config));
    assert_eq!(checks.len(), 1);
    let seen = render(&checks, Format::Table).expect("a table");
    assert_eq!(checks[0].problem, None, "{seen}");
    assert!(checks[0].rejected.is_empty(), "{seen}");
    assert_eq!((checks[0].rows, checks[0].readings.len()), (3, 3), "{seen}");
    let first = &checks[0].readings[0];
    assert_eq!(first.at, "2026-03-04 06:12:07");
    assert!(
        first
            .keys
            .contains(&("product".to_owned(), "LN-200".to_owned())),
        "{seen}"
    );
    assert!(
        readme.contains("`height = 101.2 um`") && seen.contains("height = 101.2 um"),
        "{seen}"
    );
}
