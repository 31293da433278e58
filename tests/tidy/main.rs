//! The rules of the house, checked on the source itself.
//!
//! Knows no behaviour of the program. The invariant: a rule names every place that breaks it, and
//! each kind of finding is itself checked on a planted example, so that no rule passes blindly.

#![expect(
    clippy::expect_used,
    clippy::panic,
    reason = "that is how a test fails"
)]

mod map;
mod readme;
mod source;
mod statistics;

use std::sync::LazyLock;

use source::{Source, functions, has_word, mask, source, sources};

/// Columns of a line at most.
const COLUMNS_MAX: usize = 100;

/// Lines of a function at most.
const FUNCTION_LINES_MAX: usize = 70;

/// Lines of a file at most.
const FILE_LINES_MAX: usize = 600;

/// Files that may be longer, how long, and why. There are none.
const LONG_FILES: [(&str, usize, &str); 0] = [];

/// Places that break a rule, one a line.
fn none(rule: &str, found: &[String]) {
    assert!(found.is_empty(), "{rule}:\n  {}", found.join("\n  "));
}

/// Every Rust file, read once.
static RUST: LazyLock<Vec<Source>> = LazyLock::new(|| sources(&[".rs"]));

fn rust() -> &'static [Source] {
    assert!(RUST.len() > 50, "only {} Rust files were found", RUST.len());
    &RUST
}

/// The lines of masked code below a folder for which the test holds. Tests are left out: they may
/// look behind the curtain.
fn lines_where(files: &[Source], below: &str, test: impl Fn(&str) -> bool) -> Vec<String> {
    let mut found = Vec::new();
    let inside = |file: &&Source| file.path.starts_with(below) && !file.path.ends_with("/tests.rs");
    for file in files.iter().filter(inside) {
        let code = file
            .code
            .split("#[cfg(test)]\nmod tests {")
            .next()
            .unwrap_or_default();
        for (number, line) in code.lines().enumerate() {
            if test(line) {
                found.push(format!("{}:{}: {}", file.path, number + 1, line.trim()));
            }
        }
    }
    found
}

fn without(found: Vec<String>, allowed: &[&str]) -> Vec<String> {
    let allowed = |place: &String| allowed.iter().any(|path| place.starts_with(path));
    found.into_iter().filter(|place| !allowed(place)).collect()
}

#[test]
fn no_work_is_left_unfinished() {
    let unfinished = |line: &str| {
        ["todo!", "unimplemented!", "#[ignore"]
            .iter()
            .any(|mark| line.contains(mark))
    };
    assert!(unfinished(&mask("fn f() { todo!() }")) && !unfinished(&mask("// todo!")));
    let files = rust();
    let mut found = Vec::new();
    // Put together, so that this file does not find itself.
    let marks = [
        concat!("FIX", "ME"),
        concat!("TO", "DO"),
        concat!("XX", "X"),
    ];
    for file in files {
        for (number, (line, code)) in file.text.lines().zip(file.code.lines()).enumerate() {
            if unfinished(code) || marks.iter().any(|mark| has_word(line, mark)) {
                found.push(format!("{}:{}: {}", file.path, number + 1, line.trim()));
            }
        }
    }
    none("finish it, or leave it out of the program", &found);
}

#[test]
fn lines_fit_on_a_screen() {
    let mut found = Vec::new();
    for file in sources(&[".rs", ".sql", ".css", ".html", ".ci/run", "tests/run"]) {
        for (number, line) in file.text.lines().enumerate() {
            let columns = line.chars().count();
            if columns > COLUMNS_MAX {
                found.push(format!("{}:{}: {columns} columns", file.path, number + 1));
            }
        }
    }
    none(&format!("a line has at most {COLUMNS_MAX} columns"), &found);
}

#[test]
fn functions_fit_on_a_screen() {
    let long = format!("fn long(a: [u8; 2]) {{\n{}}}\n", "    a();\n".repeat(70));
    let parts = functions(&mask(&long));
    assert_eq!(
        parts.first().map(|one| (one.name.as_str(), one.lines)),
        Some(("long", 72))
    );
    let mut found = Vec::new();
    for file in rust() {
        for function in functions(&file.code) {
            if function.lines > FUNCTION_LINES_MAX {
                let (path, name) = (&file.path, &function.name);
                found.push(format!(
                    "{path}:{}: {name}, {} lines",
                    function.line, function.lines
                ));
            }
        }
    }
    none(
        &format!("a function has at most {FUNCTION_LINES_MAX} lines"),
        &found,
    );
}

#[test]
fn files_stay_short_enough_to_read() {
    let mut found = Vec::new();
    for file in rust() {
        let lines = file.text.lines().count();
        let exception = LONG_FILES.iter().find(|(path, _, _)| *path == file.path);
        let most = exception.map_or(FILE_LINES_MAX, |(_, most, _)| *most);
        if lines > most {
            found.push(format!("{}: {lines} lines, {most} allowed", file.path));
        }
        if exception.is_some() && lines <= FILE_LINES_MAX {
            found.push(format!("{}: is short now; take it off the list", file.path));
        }
    }
    none("split the file, or list it with a reason", &found);
}

#[test]
fn every_module_says_what_it_is_for() {
    let silent = |file: &&Source| !file.text.starts_with("//! ");
    let found: Vec<String> = rust()
        .iter()
        .filter(silent)
        .map(|file| file.path.clone())
        .collect();
    none(
        "begin with //! and the purpose, what it must not know, the invariant",
        &found,
    );
}

#[test]
fn only_the_store_names_the_database_and_the_archive() {
    let named = |line: &str| {
        ["polars", "polars_io", "rusqlite"]
            .iter()
            .any(|name| has_word(line, name))
    };
    assert!(named("use rusqlite::Connection;") && !named("use my_rusqlite::Connection;"));
    let found = lines_where(rust(), "", named);
    assert!(!found.is_empty(), "the store is where these are named");
    // The benchmark reads the same files with the library alone, to compare. The system tests look
    // at the record from outside, so that the store can not excuse itself.
    let allowed = [
        "daemon/src/store/",
        "daemon/benches/",
        "tests/system/older.rs:",
        "tests/system/place.rs:",
        "tests/system/verify.rs:",
    ];
    none("ask the store", &without(found, &allowed));
}

#[test]
fn only_the_live_page_names_its_router() {
    let named = |line: &str| {
        ["axum", "httparse", "tower"]
            .iter()
            .any(|name| has_word(line, name))
    };
    let found = lines_where(rust(), "", named);
    assert!(!found.is_empty(), "the live page is where these are named");
    none(
        "leave requests and responses to serve",
        &without(
            found,
            &[
                "daemon/src/serve/",
                "daemon/src/alerts/carriers/webhook.rs",
                "tests/browser/",
            ],
        ),
    );
}

#[test]
fn only_one_file_reads_the_clock() {
    let reads = |line: &str| {
        [
            "Instant::now",
            "SystemTime::now",
            "Timestamp::now",
            "Zoned::now",
        ]
        .iter()
        .any(|call| line.contains(call))
    };
    let found = lines_where(rust(), "", reads);
    assert!(!found.is_empty(), "daemon/src/clock.rs is where it is read");
    none(
        "ask crate::clock",
        &without(found, &["daemon/src/clock.rs:"]),
    );
}

#[test]
fn the_statistics_are_pure() {
    let impure = |line: &str| {
        ["serde", "tracing", "tokio", "async"]
            .iter()
            .any(|word| has_word(line, word))
            || [
                "std::fs",
                "std::io",
                "std::net",
                "std::env",
                "std::time",
                "std::process",
            ]
            .iter()
            .any(|path| line.contains(path))
    };
    none(
        "spc computes, and does nothing else",
        &lines_where(rust(), "spc/src/", impure),
    );
    let manifest = source("spc/Cargo.toml").text;
    let needs: Vec<&str> = manifest
        .split("[dependencies]")
        .nth(1)
        .and_then(|rest| rest.split('[').next())
        .unwrap_or_default()
        .lines()
        .filter(|line| !line.trim().is_empty())
        .collect();
    assert_eq!(
        needs,
        ["statrs.workspace = true", "thiserror.workspace = true"]
    );
}

#[test]
fn every_public_statistic_says_what_it_costs_and_shows_an_example() {
    let is_statistic =
        |file: &&Source| file.path.starts_with("spc/src/") && !file.path.ends_with("/tests.rs");
    let files = rust().iter().filter(is_statistic);
    let found: Vec<String> = files.flat_map(statistics::missing).collect();
    none("a public function of the statistics lacks", &found);

    let planted = "/// Halves.\n#[must_use]\npub fn half(x: f64) -> Result<f64, ()> {\n}\n";
    let planted = Source {
        path: "half.rs".to_owned(),
        text: planted.to_owned(),
        code: mask(planted),
    };
    assert_eq!(statistics::missing(&planted).len(), 3);
}

#[test]
fn the_renderer_is_pure() {
    let impure = |line: &str| {
        [
            "std::fs",
            "std::net",
            "std::env",
            "std::time",
            "std::process",
            "jiff::",
            "spc::",
        ]
        .iter()
        .any(|path| line.contains(path))
    };
    none(
        "reports turns views into pages",
        &lines_where(rust(), "reports/src/", impure),
    );
}

#[test]
fn the_engine_names_neither_feeds_nor_store() {
    let others = ["feeds", "store", "ingest", "commands", "alerts", "run"];
    let names = |line: &str| {
        others
            .iter()
            .any(|module| line.contains(&format!("crate::{module}")))
            || line.contains("std::fs")
    };
    assert!(names("use crate::store::Store;"));
    none(
        "the engine gets blocks and gives facts",
        &lines_where(rust(), "daemon/src/engine", names),
    );
}

#[test]
fn feeds_never_name_a_chart() {
    let others = ["engine", "store", "ingest", "commands", "alerts", "run"];
    let names = |line: &str| {
        others
            .iter()
            .any(|module| line.contains(&format!("crate::{module}")))
            || ["spc", "chart", "Chart", "characteristics"]
                .iter()
                .any(|word| has_word(line, word))
    };
    assert!(names("use spc::chart::Limits;"));
    none(
        "feeds give blocks",
        &lines_where(rust(), "daemon/src/feeds", names),
    );
}

#[test]
fn the_plant_knows_nothing_of_reading() {
    let names = |line: &str| line.contains("crate::") && !line.contains("crate::plant");
    none(
        "the plant only writes files",
        &lines_where(rust(), "daemon/src/plant", names),
    );
}

#[test]
fn the_result_of_a_command_has_one_way_out() {
    let writes = |line: &str| {
        line.contains("println!") && !line.contains("eprintln!")
            || line.contains("print!(") && !line.contains("eprint!(")
            || line.contains("stdout(")
    };
    assert!(writes("println!()") && writes("io::stdout().lock()") && !writes("eprintln!()"));
    let places = [
        "daemon/src/commands/output.rs:",
        "daemon/src/output.rs:",
        "daemon/src/main.rs:",
    ];
    let found: Vec<String> = ["spc/src", "reports/src", "daemon/src"]
        .iter()
        .flat_map(|below| lines_where(rust(), below, writes))
        .collect();
    none(
        "give it to the output, logs go to stderr",
        &without(found, &places),
    );
}

#[test]
fn every_finding_has_its_code_in_the_table() {
    let table = source("daemon/src/feeds/diagnostics.rs").text;
    let mut found = Vec::new();
    let made_up = |file: &Source| file.path.ends_with("/tests.rs");
    for file in rust()
        .iter()
        .filter(|file| file.path.starts_with("daemon/src") && !made_up(file))
    {
        for (start, _) in file.text.match_indices("\"F") {
            let code = file.text.get(start..start + 6).unwrap_or_default();
            let digits = code.as_bytes().get(2..5).unwrap_or_default();
            let is_code = digits.len() == 3 && digits.iter().all(u8::is_ascii_digit);
            // The last code that there can be stands for an unknown one in a test.
            if is_code && code.ends_with('"') && code != "\"F999\"" && !table.contains(code) {
                found.push(format!("{}: {code}", file.path));
            }
        }
    }
    none(
        "give the code a name and a meaning in feeds/diagnostics",
        &found,
    );
}

#[test]
fn nothing_points_to_where_packages_come_from() {
    let hosts = [
        concat!("crates", ".io"),
        concat!("docs", ".rs"),
        concat!("github", ".com"),
    ];
    let kinds = [
        ".rs", ".toml", ".md", ".sql", ".html", ".css", ".csv", ".txt", "/run",
    ];
    let mut found = Vec::new();
    for file in sources(&kinds) {
        for (number, line) in file.text.lines().enumerate() {
            if hosts.iter().any(|host| line.contains(host)) {
                found.push(format!("{}:{}: {}", file.path, number + 1, line.trim()));
            }
        }
    }
    none("name a thing, not the place it is fetched from", &found);
}

#[test]
fn every_bound_is_in_the_table_of_limits() {
    let table = source("DEVELOPERS.md").text;
    let mut found = Vec::new();
    for file in rust().iter().filter(|file| file.path.contains("/src/")) {
        for (name, value) in bounds(&file.text) {
            // Names may repeat in different modules, each with a row of its own.
            let is_row = |line: &str| {
                line.contains(&format!("`{name}`")) && line.contains(&format!("`{value}`"))
            };
            if !table.lines().any(is_row) {
                found.push(format!("{}: no row has {name} and {value}", file.path));
            }
        }
    }
    none("keep the table of limits true", &found);
}

/// Whole-number constants whose name says that they bound something, with their values.
fn bounds(text: &str) -> Vec<(&str, &str)> {
    let mut found = Vec::new();
    for line in text.lines() {
        let line = line
            .trim_start()
            .trim_start_matches("pub ")
            .trim_start_matches("(crate) ");
        let Some(rest) = line.strip_prefix("const ") else {
            continue;
        };
        let Some((name, rest)) = rest.split_once(": ") else {
            continue;
        };
        let Some((kind, value)) = rest.split_once(" = ") else {
            continue;
        };
        if name.ends_with("_MAX") && ["usize", "u64", "u32"].contains(&kind) {
            found.push((name, value.trim_end_matches(';')));
        }
    }
    found
}

#[test]
fn bounds_are_seen_as_they_are_written() {
    let text = "pub const A_MAX: usize = 2 * B;\nconst C_MAX: f64 = 1.0;\nconst D: u32 = 1;\n";
    assert_eq!(bounds(text), [("A_MAX", "2 * B")]);
}

#[test]
fn masking_keeps_code_and_drops_texts() {
    let check = |text: &str, expect: &str| assert_eq!(mask(text), expect, "{text}");
    check("a // b\nc", "a     \nc");
    check("a /* b /* c */ d */ e", "a                   e");
    check("f(\"x\\\"y\") g", "f(      ) g");
    check("r#\"a\"b\"# c", "         c");
    check("let c = '\"'; d", "let c =    ; d");
    check("fn a<'b>(c: &'b str) {}", "fn a<'b>(c: &'b str) {}");
    check("'\\'' + '\\n'", "     +     ");
    check("'\u{e9}' x", "    x");
}
