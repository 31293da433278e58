//! The tables of streams: what they are, their indices, models, checks, limits and points.
//!
//! Computes nothing. The one invariant: a number stands in its table as it was computed, with all
//! its digits.

use reports::tables::Cell;

use super::bounded::Rows;
use super::record::Alerts;
use super::studies::{Counts, Studied};
use crate::commands::capability::{Capability, Index};
use crate::commands::{keys, subgroup_name, unit, utc};
use crate::config::{Characteristic, Config, Detector, Subject};
use crate::store::chart_name;

/// The tables of streams.
pub(super) fn sheets(config: &Config, studied: &[Studied], alerts: &Alerts) -> Vec<Rows> {
    vec![
        streams(config, studied),
        indices(studied),
        models(studied),
        checks(studied),
        limits(studied),
        left_out(studied),
        signals(studied, alerts),
        days(studied),
    ]
}

fn yes(is: bool) -> Cell {
    if is { "yes" } else { "no" }.into()
}

fn characteristic<'a>(config: &'a Config, one: &Studied) -> Option<&'a Characteristic> {
    let mut all = config.characteristics.iter();
    all.find(|what| what.name == one.stream.characteristic)
}

/// What is charted, in words.
pub(super) fn subject(what: &Characteristic) -> String {
    match &what.subject {
        Subject::Measure(name) => name.clone(),
        Subject::Measures(names) => names.join(", "),
        Subject::Calls => "machine calls".to_owned(),
        Subject::Confirmed => "confirmed defects".to_owned(),
        Subject::FalseCalls => "false calls".to_owned(),
    }
}

/// What makes signals, in words.
pub(super) fn detection(what: &Characteristic) -> String {
    let detector = |one: &Detector| match one {
        Detector::Limits => "limits",
        Detector::Cusum => "cumulative sums",
        Detector::Ewma => "weighted average",
    };
    let own = what.detection.iter().map(detector);
    let rules = what.rules.iter().map(|rule| rule.name());
    own.chain(rules).collect::<Vec<_>>().join(", ")
}

fn streams(config: &Config, studied: &[Studied]) -> Rows {
    let mut rows = Rows::new(
        "streams",
        1,
        &[
            "stream",
            "characteristic",
            "station",
            "what is charted",
            "keys",
            "subgroup",
            "chart",
            "unit",
            "detection",
            "points",
            "judged",
            "with a signal",
            "late",
            "left out of limits",
            "first point",
            "last point",
            "reaction plan",
        ],
    );
    for one in studied {
        let Some(what) = characteristic(config, one) else {
            continue;
        };
        let keys: Vec<String> = keys(what, &one.stream)
            .iter()
            .map(|(key, value)| format!("{} {value}", key.name()))
            .collect();
        rows.push(vec![
            one.stream.label.as_str().into(),
            what.name.as_str().into(),
            what.station.name().into(),
            subject(what).into(),
            keys.join(", ").into(),
            subgroup_name(what).into(),
            chart_name(what.chart).into(),
            unit(config, what, &one.stream).into(),
            detection(what).into(),
            one.counts.points.into(),
            one.counts.judged.into(),
            one.counts.signalled.into(),
            one.counts.late.into(),
            one.counts.excluded.into(),
            utc(one.counts.first).into(),
            utc(one.counts.last).into(),
            what.reaction_plan.as_str().into(),
        ]);
    }
    rows
}

/// The columns of what indices rest on.
const INDEX_COLUMNS: [&str; 39] = [
    "stream",
    "unit",
    "lower limit",
    "target",
    "upper limit",
    "source of the specification",
    "first point",
    "last point",
    "panels",
    "readings",
    "readings in the archive",
    "mean",
    "sigma within",
    "sigma overall",
    "stable",
    "stability",
    "limits version",
    "panels behind the limits",
    "spread index",
    "its value",
    "spread at least",
    "spread at most",
    "index of the nearer side",
    "nearer side",
    "nearer side at least",
    "nearer side at most",
    "index to the target",
    "target value",
    "target at least",
    "target at most",
    "model",
    "time model",
    "normality p",
    "quantiles from",
    "nearer side by quantiles",
    "ppm counted",
    "ppm expected",
    "gauge, % of sigma overall",
    "cautions",
];

fn indices(studied: &[Studied]) -> Rows {
    let mut rows = Rows::new("indices", 1, &INDEX_COLUMNS);
    for found in studied.iter().filter_map(|one| one.capability.as_ref()) {
        let mut row: Vec<Cell> = vec![
            found.stream.as_str().into(),
            found.unit.as_str().into(),
            found.lower.into(),
            found.target.into(),
            found.upper.into(),
            found.specification_source.as_str().into(),
            found.from.as_str().into(),
            found.to.as_str().into(),
            found.subgroups.into(),
            found.readings.into(),
            found.archived_readings.into(),
            found.mean.into(),
            found.sigma_within.into(),
            found.sigma_overall.into(),
            yes(found.is_stable),
            found.stability.as_str().into(),
            found.limits_version.into(),
            found.limits_subgroups.into(),
        ];
        for index in [
            &found.spread_index,
            &found.nearest_index,
            &found.taguchi_index,
        ] {
            row.extend(estimate(index.as_ref()));
        }
        row.extend(basis(found));
        rows.push(row);
    }
    rows
}

fn estimate(index: Option<&Index>) -> [Cell; 4] {
    [
        index.map(|one| one.symbol).into(),
        index.map(|one| one.value).into(),
        index.map(|one| one.lower).into(),
        index.map(|one| one.upper).into(),
    ]
}

fn basis(found: &Capability) -> [Cell; 9] {
    let (evidence, gauge) = (&found.evidence, found.gauge.as_ref());
    let quantiles = evidence.quantiles.as_ref();
    [
        found.model.into(),
        evidence.time_symbol().into(),
        evidence.normality_p().into(),
        quantiles.map(|one| one.basis.as_str()).into(),
        evidence.quantile_index().into(),
        found.ppm_observed.into(),
        found.ppm_expected.into(),
        gauge.and_then(|one| one.of_variation).into(),
        found.cautions.join("; ").into(),
    ]
}

fn models(studied: &[Studied]) -> Rows {
    let mut rows = Rows::new(
        "models",
        2,
        &[
            "stream",
            "distribution",
            "chosen",
            "why the chosen one",
            "first parameter",
            "its value",
            "second parameter",
            "second value",
            "bound",
            "log likelihood",
            "Anderson-Darling",
            "p",
            "why not fitted",
            "readings judged",
        ],
    );
    for found in studied.iter().filter_map(|one| one.capability.as_ref()) {
        let Some(chosen) = &found.evidence.distribution else {
            continue;
        };
        for one in &chosen.candidates {
            let is_chosen = one.name == chosen.name;
            let (first, second) = (one.parameters.first(), one.parameters.get(1));
            rows.push(vec![
                found.stream.as_str().into(),
                one.name.into(),
                yes(is_chosen),
                is_chosen.then_some(chosen.reason).into(),
                first.map(|part| part.0).into(),
                first.map(|part| part.1).into(),
                second.map(|part| part.0).into(),
                second.map(|part| part.1).into(),
                one.bound.into(),
                one.log_likelihood.into(),
                one.anderson_darling.into(),
                one.p_value.into(),
                one.problem.into(),
                (found.evidence.judged as u64).into(),
            ]);
        }
    }
    rows
}

fn checks(studied: &[Studied]) -> Rows {
    let mut rows = Rows::new(
        "checks",
        2,
        &[
            "stream",
            "check",
            "statistic",
            "value",
            "bound",
            "p",
            "warns",
        ],
    );
    for found in studied.iter().filter_map(|one| one.capability.as_ref()) {
        for one in &found.evidence.checks {
            rows.push(vec![
                found.stream.as_str().into(),
                one.check.into(),
                one.statistic.into(),
                one.value.into(),
                one.bound.into(),
                one.p_value.into(),
                yes(one.warns),
            ]);
        }
    }
    rows
}

fn limits(studied: &[Studied]) -> Rows {
    let mut rows = Rows::new(
        "limits",
        2,
        &[
            "stream",
            "version",
            "chart",
            "baseline from",
            "baseline to",
            "subgroups",
            "centre",
            "lower",
            "upper",
            "spread centre",
            "spread lower",
            "spread upper",
            "sigma of a reading",
            "width in sigma",
            "points between false alerts",
            "sum thresholds",
            "set by",
            "reason",
            "set at",
            "restarted by",
            "restart reason",
            "what the baseline warns of",
        ],
    );
    for one in studied {
        for (version, value, spread) in &one.limits {
            let spread = spread.as_ref();
            let restarted = version.restarted.as_ref();
            rows.push(vec![
                version.stream.as_str().into(),
                version.version.into(),
                version.chart.into(),
                version.baseline_from.as_str().into(),
                version.baseline_to.as_str().into(),
                version.subgroups.into(),
                value.centre.into(),
                value.lower.into(),
                value.upper.into(),
                spread.map(|limits| limits.centre).into(),
                spread.and_then(|limits| limits.lower).into(),
                spread.and_then(|limits| limits.upper).into(),
                version.sigma.into(),
                version.width.into(),
                version.watch.run_length.into(),
                version.watch.thresholds().into(),
                version.author.as_str().into(),
                version.reason.as_str().into(),
                version.set_at.as_str().into(),
                restarted.map(|one| one.by.as_str()).into(),
                restarted.map(|one| one.reason.as_str()).into(),
                version.findings.warnings.join("; ").into(),
            ]);
        }
    }
    rows
}

fn left_out(studied: &[Studied]) -> Rows {
    let columns = ["stream", "time", "board", "left out of", "reason", "value"];
    let mut rows = Rows::new("exclusions", 4, &columns);
    for one in studied {
        for point in one.notable.iter().map(|notable| &notable.row) {
            let mut push = |what: &str, reason: &str| {
                rows.push(vec![
                    one.stream.label.as_str().into(),
                    point.at.as_str().into(),
                    point.board.as_str().into(),
                    what.into(),
                    reason.into(),
                    point.value.into(),
                ]);
            };
            if point.late {
                push("rules and indices", "came after its time was settled");
            }
            if let Some(reason) = &point.excluded_because {
                push("limits", reason);
            }
        }
    }
    rows
}

fn signals(studied: &[Studied], alerts: &Alerts) -> Rows {
    let mut rows = Rows::new(
        "signals",
        5,
        &[
            "stream", "time", "board", "rule", "side", "value", "spread", "size", "lower", "upper",
            "version", "alert",
        ],
    );
    for one in studied {
        for notable in &one.notable {
            let point = &notable.row;
            let alert = alerts.of(one.stream.id, notable.at);
            for signal in &point.signals {
                rows.push(vec![
                    one.stream.label.as_str().into(),
                    point.at.as_str().into(),
                    point.board.as_str().into(),
                    signal.by.as_str().into(),
                    signal.side.as_str().into(),
                    point.value.into(),
                    point.spread.into(),
                    point.n.into(),
                    point.lower.into(),
                    point.upper.into(),
                    point.version.into(),
                    alert.clone().into(),
                ]);
            }
        }
    }
    rows
}

fn days(studied: &[Studied]) -> Rows {
    let mut rows = Rows::new(
        "days",
        2,
        &[
            "stream",
            "day",
            "points",
            "judged",
            "with a signal",
            "late",
            "left out of limits",
            "mean",
            "lowest",
            "highest",
            "BLAKE3 of the points",
        ],
    );
    for one in studied {
        for day in &one.days {
            let Counts {
                points,
                judged,
                signalled,
                late,
                excluded,
                ..
            } = day.counts;
            rows.push(vec![
                one.stream.label.as_str().into(),
                day.day.as_str().into(),
                points.into(),
                judged.into(),
                signalled.into(),
                late.into(),
                excluded.into(),
                day.mean.into(),
                day.lowest.into(),
                day.highest.into(),
                day.digest.as_str().into(),
            ]);
        }
    }
    rows
}
