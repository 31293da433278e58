//! The stored form of what was found out about a baseline.
//!
//! Knows no chart. The one invariant: what is written reads back to the same bits, so that a stream
//! that was stopped tells its limits no second time.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use spc::baseline::screening::{Beyond, Exclusion};
use spc::baseline::{Check, Checked};

use super::form::{side, side_name};
use crate::engine::{Excluded, Findings};

#[derive(Default, Serialize, Deserialize)]
pub(super) struct FindingsForm {
    excluded: Vec<ExcludedForm>,
    left_in: usize,
    checks: Vec<CheckForm>,
    unchecked: Option<String>,
}

#[derive(Serialize, Deserialize)]
struct ExcludedForm {
    at: i64,
    unit: String,
    index: usize,
    round: u32,
    spread: bool,
    side: String,
    value: f64,
    limit: f64,
}

#[derive(Serialize, Deserialize)]
struct CheckForm {
    check: String,
    statistic: f64,
    bound: Option<f64>,
    p_value: Option<f64>,
    warns: bool,
}

impl FindingsForm {
    pub(super) fn of(findings: &Findings) -> FindingsForm {
        let excluded = |one: &Excluded| ExcludedForm {
            at: one.key.0,
            unit: one.key.1.to_string(),
            index: one.why.index,
            round: one.why.round,
            spread: one.why.beyond == Beyond::Spread,
            side: side_name(one.why.side).to_owned(),
            value: one.why.value,
            limit: one.why.limit,
        };
        let check = |one: &Checked| CheckForm {
            check: one.check.name().to_owned(),
            statistic: one.statistic,
            bound: one.bound,
            p_value: one.p_value,
            warns: one.warns,
        };
        FindingsForm {
            excluded: findings.excluded.iter().map(excluded).collect(),
            left_in: findings.left_in,
            checks: findings.checks.iter().map(check).collect(),
            unchecked: findings.unchecked.clone(),
        }
    }

    pub(super) fn findings(self) -> Option<Findings> {
        let excluded = |one: ExcludedForm| Excluded {
            key: (one.at, Arc::from(one.unit)),
            why: Exclusion {
                index: one.index,
                round: one.round,
                beyond: if one.spread {
                    Beyond::Spread
                } else {
                    Beyond::Value
                },
                side: side(&one.side),
                value: one.value,
                limit: one.limit,
            },
        };
        let check = |one: CheckForm| {
            Some(Checked {
                check: Check::from_name(&one.check)?,
                statistic: one.statistic,
                bound: one.bound,
                p_value: one.p_value,
                warns: one.warns,
            })
        };
        Some(Findings {
            excluded: self.excluded.into_iter().map(excluded).collect(),
            left_in: self.left_in,
            checks: self.checks.into_iter().map(check).collect::<Option<_>>()?,
            unchecked: self.unchecked,
        })
    }
}
