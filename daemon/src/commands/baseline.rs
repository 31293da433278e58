//! What limits rest on, for people and programs.
//!
//! Judges nothing: it words what the engine has found. The one invariant: whatever was left out,
//! stayed in or warned is said, here or nowhere.

use serde::Serialize;
use spc::baseline::Checked;
use spc::baseline::screening::Beyond;

use super::utc;
use crate::engine::{Excluded, Findings};
use crate::output::{self, significant};
use crate::store::side_name;

/// What was found out about a baseline.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Baseline {
    /// Points that do not enter the limits.
    pub excluded: Vec<Point>,
    /// Points beyond the limits that stay in, for they are more than may be left out.
    pub left_in: usize,
    /// The checks of the points that make the limits.
    pub checks: Vec<Check>,
    /// Why there are no checks, where that is so.
    pub unchecked: Option<String>,
    /// All that warns, in sentences.
    pub warnings: Vec<String>,
}

/// A point that does not enter the limits.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Point {
    /// The event time, RFC 3339 in UTC.
    pub at: String,
    /// The unit.
    pub board: String,
    /// Its subgroup in the baseline, from 1.
    pub subgroup: usize,
    /// The round of the screening, from 1.
    pub round: u32,
    /// `value` or `spread`.
    pub chart: &'static str,
    /// The side.
    pub side: &'static str,
    /// The value or spread.
    pub value: f64,
    /// The limit that it passed.
    pub limit: f64,
    /// The reason, in words.
    pub reason: String,
}

/// A check and its figures.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Check {
    /// Its name.
    pub check: &'static str,
    /// What the statistic is.
    pub measures: &'static str,
    /// The statistic.
    pub statistic: f64,
    /// The value beyond which it warns, where there is a fixed one.
    pub bound: Option<f64>,
    /// The chance of such a statistic from a stable stream, where it is known.
    pub p_value: Option<f64>,
    /// Whether it warns.
    pub warns: bool,
}

impl Baseline {
    /// What the record keeps of it.
    #[must_use]
    pub fn of(findings: &Findings) -> Baseline {
        let check = |one: &Checked| Check {
            check: one.check.name(),
            measures: one.check.statistic(),
            statistic: one.statistic,
            bound: one.bound,
            p_value: one.p_value,
            warns: one.warns,
        };
        Baseline {
            excluded: findings.excluded.iter().map(point).collect(),
            left_in: findings.left_in,
            checks: findings.checks.iter().map(check).collect(),
            unchecked: findings.unchecked.clone(),
            warnings: warnings(findings),
        }
    }

    /// All that is worth a look: what was left out, and what warns.
    #[must_use]
    pub fn words(&self) -> String {
        let left_out = self.excluded.iter().map(|point| {
            format!(
                "{} left out: {} {}, limit {}",
                point.board,
                point.chart,
                significant(point.value),
                significant(point.limit)
            )
        });
        let warnings = self.warnings.iter().cloned();
        left_out.chain(warnings).collect::<Vec<_>>().join("; ")
    }

    /// How much there is to look at, in a few words; empty where nothing is.
    #[must_use]
    pub fn mark(&self) -> String {
        let mut parts = Vec::new();
        match self.warnings.len() {
            0 => {}
            1 => parts.push("1 warning".to_owned()),
            more => parts.push(format!("{more} warnings")),
        }
        if !self.excluded.is_empty() {
            parts.push(format!("{} left out", self.excluded.len()));
        }
        parts.join(", ")
    }
}

/// Why a point does not enter the limits, with its figures.
#[must_use]
pub fn reason(one: &Excluded) -> String {
    let (value, limit) = (significant(one.why.value), significant(one.why.limit));
    format!("{}: {value}, limit {limit}", one.reason())
}

fn point(one: &Excluded) -> Point {
    Point {
        at: utc(one.key.0),
        board: one.key.1.to_string(),
        subgroup: one.why.index + 1,
        round: one.why.round,
        chart: match one.why.beyond {
            Beyond::Value => "value",
            Beyond::Spread => "spread",
        },
        side: side_name(one.why.side),
        value: one.why.value,
        limit: one.why.limit,
        reason: reason(one),
    }
}

fn warnings(findings: &Findings) -> Vec<String> {
    let mut found = Vec::new();
    if findings.left_in > 0 {
        found.push(format!(
            "{} points lie beyond the limits, more than may be left out: all of them stay in",
            findings.left_in
        ));
    }
    let warning = findings.checks.iter().filter(|one| one.warns).map(|one| {
        let chance = match (one.p_value, one.bound) {
            (Some(p_value), _) => format!(", p {}", output::significant_to(p_value, 2)),
            (None, Some(bound)) => format!(", bound {}", significant(bound)),
            (None, None) => String::new(),
        };
        let (words, statistic) = (one.check.warning(), significant(one.statistic));
        format!("{words} ({} {statistic}{chance})", one.check.statistic())
    });
    found.extend(warning);
    let unchecked = findings.unchecked.iter();
    found.extend(unchecked.map(|why| format!("the baseline is not checked: {why}")));
    found
}
