//! `driftvane verify`: whether the record and the archive are what was written.
//!
//! Knows no SQL and no digest. The one invariant: what is damaged says what, where and what to do.

use std::fmt::Write as _;

use serde::Serialize;

use super::CommandError;
use crate::config::Config;
use crate::output::{self, Cell, Format, Table};
use crate::store::{self, Reader};

/// What all checks found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Report {
    /// Whether nothing is damaged.
    pub is_clean: bool,
    /// The newest entry of the chain. Kept elsewhere, it proves later that nothing before it was
    /// changed.
    pub entry: Option<Entry>,
    /// The checks.
    pub checks: Vec<Check>,
}

/// An entry of the chain.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Entry {
    /// Its number.
    pub number: i64,
    /// Its digest, in hexadecimal digits.
    pub digest: String,
}

/// One check.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Check {
    /// What was checked.
    pub check: &'static str,
    /// `clean`, or `damaged`.
    pub state: &'static str,
    /// What was looked at.
    pub found: String,
    /// What is damaged.
    pub damage: Vec<Damage>,
    /// Damage that is not told one by one.
    pub more_damage: usize,
    /// What could not be checked, and remarks.
    pub remarks: Vec<String>,
}

/// Something that is not as it was written.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Damage {
    /// Where.
    #[serde(rename = "where")]
    pub place: String,
    /// What.
    pub what: String,
    /// What to do.
    pub fix: &'static str,
}

/// Checks everything.
#[must_use]
pub fn verify(config: &Config, reader: &Reader) -> Report {
    let checks: Vec<Check> = reader.verify(config).into_iter().map(check).collect();
    let entry = reader.head().map(|head| Entry {
        number: head.seq,
        digest: head.digest.iter().fold(String::new(), |mut text, byte| {
            // Writing to a String can not fail.
            write!(text, "{byte:02x}").unwrap_or_default();
            text
        }),
    });
    Report {
        is_clean: checks.iter().all(|check| check.damage.is_empty()),
        entry,
        checks,
    }
}

fn check(check: store::Check) -> Check {
    let is_clean = check.damage.is_empty();
    let damage = check.damage.into_iter().map(|one| Damage {
        place: one.place,
        what: one.what,
        fix: one.fix,
    });
    Check {
        check: check.name,
        state: if is_clean { "clean" } else { "damaged" },
        found: check.found,
        damage: damage.collect(),
        more_damage: check.more,
        remarks: check.remarks,
    }
}

/// Prints what was found.
///
/// # Errors
///
/// When standard output can not be written.
pub fn print(report: &Report, format: Format) -> Result<(), CommandError> {
    let mut table = Table::new(&["check", "state", "found", "where", "what", "what to do"]);
    for check in &report.checks {
        let head = || -> Vec<Cell> {
            vec![
                check.check.into(),
                check.state.into(),
                check.found.as_str().into(),
            ]
        };
        let mut rows: Vec<[Cell; 3]> = Vec::new();
        for one in &check.damage {
            rows.push([
                one.place.as_str().into(),
                one.what.as_str().into(),
                one.fix.into(),
            ]);
        }
        if check.more_damage > 0 {
            let more = format!("{} more", check.more_damage);
            rows.push([Cell::Empty, more.into(), Cell::Empty]);
        }
        for remark in &check.remarks {
            rows.push([Cell::Empty, remark.as_str().into(), Cell::Empty]);
        }
        if rows.is_empty() {
            rows.push([Cell::Empty, Cell::Empty, Cell::Empty]);
        }
        for row in rows {
            table.push(head().into_iter().chain(row).collect());
        }
    }
    output::print_rows(format, &table, report)?;
    if let (Format::Table, Some(entry)) = (format, &report.entry) {
        let (number, digest) = (entry.number, &entry.digest);
        output::print(&format!("newest entry of the chain: {number} {digest}\n"))?;
    }
    Ok(())
}
