//! DEVELOPERS.md against the repository: its code map, its paths, and the tests that it names.
//!
//! Knows no behaviour of the program. The invariant: whatever the page names exists under its full
//! path, so that nobody looks for it in vain.

use crate::source::{Source, root, source};
use crate::{none, rust};

/// Where the modules of a test's path are looked for.
const TESTS_OF: [&str; 7] = [
    "tests/system",
    "tests/faults",
    "tests/abuse",
    "tests/browser",
    "daemon/src",
    "reports/src",
    "spc/src",
];

#[test]
fn the_code_map_names_every_module_and_only_what_exists() {
    let map = source("DEVELOPERS.md").text;
    let mut found = Vec::new();
    for folder in ["spc/src", "reports/src", "daemon/src"] {
        for file in rust().iter().filter(|file| file.path.starts_with(folder)) {
            let inner = file.path.trim_start_matches(folder).trim_start_matches('/');
            let module = inner.split('/').next().unwrap_or_default();
            let module = module.trim_end_matches(".rs");
            if module != "lib" && !map.contains(&format!("`{module}")) {
                found.push(format!("{folder}/{module} is not in DEVELOPERS.md"));
            }
        }
    }
    for (folder, module) in mapped(&map) {
        if file_of(&folder, &module).is_none() {
            found.push(format!(
                "{folder}/{module} is in the map, but does not exist"
            ));
        }
    }
    for path in quoted_paths(&map).chain(quoted_paths(&source("README.md").text)) {
        if !root().join(&path).exists() {
            found.push(format!("{path} is named, but does not exist"));
        }
    }
    found.sort();
    found.dedup();
    none("bring the map up to date", &found);
}

/// The modules of the code map's tables, each with the folder of its part.
fn mapped(map: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for part in map.split("\n### `").skip(1) {
        let Some((folder, rest)) = part.split_once("/`") else {
            continue;
        };
        let section = rest.split("\n### ").next().unwrap_or_default();
        let rows = section.lines().filter(|line| line.starts_with("| `"));
        for row in rows {
            let cell = row.split('|').nth(1).unwrap_or_default();
            let modules = cell.split('`').skip(1).step_by(2);
            found.extend(modules.map(|module| (format!("{folder}/src"), module.to_owned())));
        }
    }
    assert!(
        found.len() > 60,
        "only {} modules are in the map",
        found.len()
    );
    found
}

/// The file of a module below a folder.
fn file_of(folder: &str, module: &str) -> Option<&'static Source> {
    let paths = [
        format!("{folder}/{module}.rs"),
        format!("{folder}/{module}/mod.rs"),
    ];
    rust().iter().find(|one| paths.contains(&one.path))
}

#[test]
fn every_test_that_a_table_names_exists() {
    let map = source("DEVELOPERS.md").text;
    // Test names are sentences: small letters and underscores.
    let is_test = |part: &&str| {
        let of_name = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || "_:".contains(c);
        part.contains("::") && part.chars().all(of_name)
    };
    let rows = map.lines().filter(|line| line.starts_with("| "));
    let (mut found, mut count) = (Vec::new(), 0);
    for part in rows.flat_map(|line| line.split('`')).filter(is_test) {
        count += 1;
        if !is_a_test(part) {
            found.push(part.to_owned());
        }
    }
    assert!(count > 60, "only {count} tests are named in DEVELOPERS.md");
    assert!(!is_a_test("kills::each_batch") && !is_a_test("lls::said"));
    none("name a test that exists, by its whole path", &found);
}

/// Whether a path leads to a function that is a test.
fn is_a_test(path: &str) -> bool {
    let Some((module, name)) = path.rsplit_once("::") else {
        return false;
    };
    let module = module.replace("::", "/");
    let is_there = |folder: &&str| {
        let file = file_of(folder, &module);
        file.is_some_and(|file| {
            let (before, _) = file
                .code
                .split_once(&format!("fn {name}("))
                .unwrap_or_default();
            let mark = before
                .lines()
                .rev()
                .find(|line| line.trim().starts_with("#["));
            mark.is_some_and(|mark| mark.contains("test") && is_last(before, mark))
        })
    };
    TESTS_OF.iter().any(is_there)
}

/// Whether nothing but attributes and the beginning of the function comes after a line.
fn is_last(before: &str, mark: &str) -> bool {
    let after = before.rsplit_once(mark).map_or("", |(_, after)| after);
    let words = after.split_whitespace();
    words
        .into_iter()
        .all(|word| ["async", "pub"].contains(&word))
}

/// Texts in backquotes that are paths of this repository.
fn quoted_paths(text: &str) -> impl Iterator<Item = String> + '_ {
    let tops = [
        "spc/",
        "reports/",
        "daemon/",
        "tests/",
        "config/",
        "sample-feeds/",
        ".ci/",
    ];
    let parts = text.split('`').skip(1).step_by(2);
    parts.filter_map(move |part| {
        let path = part.split([' ', ':', '*', '<', '{']).next();
        let path = path.unwrap_or_default();
        let is_ours = tops.iter().any(|top| path.starts_with(top));
        is_ours.then(|| path.to_owned())
    })
}
