//! Reading the golden files and comparing with them.

use std::path::PathBuf;
use toml::{Table, Value};

fn path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../tests/golden")
        .join(name)
}

fn text(name: &str) -> String {
    std::fs::read_to_string(path(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// The cells of a CSV file, without its header.
pub fn rows(name: &str) -> Vec<Vec<String>> {
    let split = |line: &str| line.split(',').map(str::to_owned).collect();
    text(name).lines().skip(1).map(split).collect()
}

/// A numeric CSV file, without its header; empty cells are NaN.
pub fn numbers(name: &str) -> Vec<Vec<f64>> {
    let cell = |c: &String| {
        if c.is_empty() {
            f64::NAN
        } else {
            c.parse().unwrap()
        }
    };
    rows(name)
        .iter()
        .map(|row| row.iter().map(cell).collect())
        .collect()
}

/// One column of a numeric CSV file.
pub fn column(name: &str, index: usize) -> Vec<f64> {
    numbers(name).iter().map(|row| row[index]).collect()
}

/// A TOML file.
pub fn table(name: &str) -> Table {
    text(name).parse().unwrap()
}

/// The value at a dotted path.
pub fn at<'a>(table: &'a Table, path: &str) -> &'a Value {
    let mut keys = path.split('.');
    let first = &table[keys.next().unwrap()];
    keys.fold(first, |value, key| {
        value.get(key).unwrap_or_else(|| panic!("no {path}"))
    })
}

/// The number at a dotted path.
pub fn number(table: &Table, path: &str) -> f64 {
    as_number(at(table, path))
}

/// A float or an integer.
pub fn as_number(value: &Value) -> f64 {
    value
        .as_float()
        .or(value.as_integer().map(|i| i as f64))
        .unwrap()
}

/// The list of numbers at a dotted path.
pub fn list(table: &Table, path: &str) -> Vec<f64> {
    at(table, path)
        .as_array()
        .unwrap()
        .iter()
        .map(as_number)
        .collect()
}

/// The list of positions (from 1) at a dotted path.
pub fn positions(table: &Table, path: &str) -> Vec<usize> {
    list(table, path).into_iter().map(|x| x as usize).collect()
}

/// Asserts equality to 1e-9, relative (absolute below 1).
#[track_caller]
pub fn same(found: f64, expected: f64) {
    assert!(
        (found - expected).abs() <= 1e-9 * expected.abs().max(1.0),
        "{found} {expected}"
    );
}

/// Asserts equality to a stated absolute tolerance.
#[track_caller]
pub fn near(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} {expected} +/- {tolerance}"
    );
}
