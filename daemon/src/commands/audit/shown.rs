//! What the page says of streams: the chain from specification to index, step by step.
//!
//! Computes nothing. The one invariant: what is not known is said in its step, not left out.

use reports::audit::view::{AuditPack, AuditStream, Finding, SignalLine, Step};

use super::figures::{detection, subject};
use super::record::Alerts;
use super::studies::{Notable, Studied};
use crate::commands::capability::{Capability, specification_words};
use crate::commands::limits::Version;
use crate::commands::report::capability_row;
use crate::commands::{chart, keys, local, local_minute, rule_words, subgroup_name};
use crate::config::{Characteristic, Config, Subject};
use crate::output::significant;
use crate::store::chart_name;

/// Points out of control of a stream that the page lists.
const SIGNALS_MAX: usize = 40;

/// Points left out of a stream's limits that the page names.
const EXCLUDED_MAX: usize = 20;

/// Versions of limits of a stream that the page tells of: the latest.
const VERSIONS_MAX: usize = 12;

/// The streams as the page shows them.
pub(super) fn streams(config: &Config, studied: Vec<Studied>, alerts: &Alerts) -> Vec<AuditStream> {
    let shown = studied.into_iter().filter_map(|one| {
        let mut all = config.characteristics.iter();
        let what = all.find(|what| what.name == one.stream.characteristic)?;
        Some(stream(config, what, one, alerts))
    });
    let mut shown: Vec<AuditStream> = shown.collect();
    // What an index is claimed for comes first.
    shown.sort_by_key(|one| one.capability.is_none());
    shown
}

fn stream(config: &Config, what: &Characteristic, one: Studied, alerts: &Alerts) -> AuditStream {
    let chain = chain(config, what, &one);
    let signalled = one
        .notable
        .iter()
        .filter(|point| !point.row.signals.is_empty());
    let signals = signalled
        .take(SIGNALS_MAX)
        .map(|point| signal(config, point, alerts.of(one.stream.id, point.at)));
    let signals: Vec<SignalLine> = signals.collect();
    AuditStream {
        title: one.title,
        points: one.counts.points,
        stability: match (one.counts.judged, one.counts.signalled) {
            (0, _) => "not judged".to_owned(),
            (_, 0) => "stable".to_owned(),
            _ => "not stable".to_owned(),
        },
        is_signalled: one.counts.signalled > 0,
        no_index: no_index(what, one.capability.is_some()),
        chain,
        capability: one.capability.map(|found| capability_row(config, found)),
        drawn: one.drawn,
        signals,
        signals_total: one.counts.signalled,
        stream: one.stream.label,
    }
}

fn no_index(what: &Characteristic, has_one: bool) -> String {
    match &what.subject {
        _ if has_one => "",
        Subject::Measure(_) if what.short_run.is_some() => {
            "none: products on one chart are taken against their own targets"
        }
        Subject::Measure(_) => "none: no specification",
        Subject::Measures(_) => "none: several measures are charted together",
        _ => "none: verdicts are counted",
    }
    .to_owned()
}

fn signal(config: &Config, point: &Notable, alert: Option<String>) -> SignalLine {
    let row = &point.row;
    let limit = |limit: Option<f64>| limit.map_or_else(|| "none".to_owned(), significant);
    let rules: Vec<String> = row
        .signals
        .iter()
        .map(|signal| format!("{} ({})", rule_words(&signal.by), signal.side))
        .collect();
    SignalLine {
        at: local(config, point.at),
        board: row.board.clone(),
        value: significant(row.value),
        limits: format!(
            "{} to {}, version {}",
            limit(row.lower),
            limit(row.upper),
            row.version
        ),
        rules: rules.join("; "),
        alert: alert.unwrap_or_default(),
    }
}

fn step(what: &str, lines: Vec<String>) -> Step {
    Step {
        what: what.to_owned(),
        lines,
    }
}

/// The chain from the characteristic to what the index rests on.
fn chain(config: &Config, what: &Characteristic, one: &Studied) -> Vec<Step> {
    let mut steps = vec![
        step("Characteristic", characteristic(what, one)),
        step("Specification", specification(one.capability.as_ref())),
        step("Window", window(config, what, one)),
        step("Left out", left_out(config, one)),
        step("Limits", limits(config, one)),
        step("Stability", stability(one)),
    ];
    if let Some(found) = &one.capability {
        steps.push(step("Model", model(found)));
        steps.push(step("Gauge", gauge(found)));
    }
    steps
}

fn characteristic(what: &Characteristic, one: &Studied) -> Vec<String> {
    let keys: Vec<String> = keys(what, &one.stream)
        .iter()
        .map(|(key, value)| format!("{} {value}", key.name()))
        .collect();
    let chart = chart_name(what.chart);
    let mut lines = vec![format!(
        "{}: {} at {}; {}",
        what.name,
        subject(what),
        what.station.name(),
        keys.join(", ")
    )];
    lines.push(format!(
        "Charted by {}, {chart}; watched with {}",
        subgroup_name(what),
        detection(what)
    ));
    lines
}

fn specification(found: Option<&Capability>) -> Vec<String> {
    let Some(found) = found else {
        return vec!["None".to_owned()];
    };
    let target = found.target.map_or_else(String::new, |target| {
        format!(", target {}", significant(target))
    });
    let source = match found.specification_source.as_str() {
        "" => "Source: not named",
        source => source,
    };
    vec![
        format!(
            "{} {}{target}",
            specification_words(found.lower, found.upper),
            found.unit
        ),
        source.to_owned(),
    ]
}

fn window(config: &Config, what: &Characteristic, one: &Studied) -> Vec<String> {
    let (counts, name) = (&one.counts, subgroup_name(what));
    let span = format!(
        "First point {}, last point {}",
        local_minute(config, counts.first),
        local_minute(config, counts.last)
    );
    let Some(found) = &one.capability else {
        return vec![format!("{} {name}", counts.points), span];
    };
    let mean = |number: Option<f64>| number.map_or_else(|| "–".to_owned(), significant);
    vec![
        format!(
            "{} independent {name} with {} readings, first attempts only",
            found.subgroups, found.readings
        ),
        span,
        format!(
            "Mean {} {}, sigma within {}, overall {}",
            mean(found.mean),
            found.unit,
            mean(found.sigma_within),
            mean(found.sigma_overall)
        ),
    ]
}

fn left_out(config: &Config, one: &Studied) -> Vec<String> {
    let mut lines = Vec::new();
    if one.counts.late > 0 {
        lines.push(format!(
            "{} points came after their time was settled: kept, but not judged and not counted",
            one.counts.late
        ));
    }
    let excluded = one
        .notable
        .iter()
        .filter_map(|point| Some((point, point.row.excluded_because.as_ref()?)));
    lines.extend(excluded.take(EXCLUDED_MAX).map(|(point, reason)| {
        format!(
            "{} {} left out of the limits: {reason}",
            local_minute(config, point.at),
            point.row.board
        )
    }));
    let more = one.counts.excluded.saturating_sub(EXCLUDED_MAX as u64);
    if more > 0 {
        lines.push(format!("{more} more; tables/exclusions.csv has all"));
    }
    if lines.is_empty() {
        lines.push("Nothing".to_owned());
    }
    lines
}

fn limits(config: &Config, one: &Studied) -> Vec<String> {
    let mut lines = Vec::new();
    let first = one.limits.len().saturating_sub(VERSIONS_MAX);
    if first > 0 {
        lines.push(format!(
            "{first} earlier versions; tables/limits.csv has all"
        ));
    }
    for (version, value, _) in &one.limits[first..] {
        lines.push(version_words(config, version, value));
        let warnings = version.findings.warnings.iter();
        lines.extend(warnings.map(|warning| format!("Its baseline warns: {warning}")));
    }
    if lines.is_empty() {
        lines.push("None yet: a baseline is being collected".to_owned());
    }
    lines
}

fn version_words(config: &Config, version: &Version, value: &chart::Version) -> String {
    let bound = |bound: Option<f64>| bound.map_or_else(|| "none".to_owned(), significant);
    let (from, to) = version.baseline();
    let restarted = version.restarted.as_ref().map_or_else(String::new, |one| {
        format!("; restarted by {}: {}", one.by, one.reason)
    });
    format!(
        "Version {} from {} subgroups ({} to {}): {} to {} around {}; set by {}: {}{restarted}",
        version.version,
        version.subgroups,
        local_minute(config, from),
        local_minute(config, to),
        bound(value.lower),
        bound(value.upper),
        significant(value.centre),
        version.author,
        version.reason
    )
}

fn stability(one: &Studied) -> Vec<String> {
    let Some(found) = &one.capability else {
        return vec![match (one.counts.judged, one.counts.signalled) {
            (0, _) => "not judged: every point belongs to a baseline".to_owned(),
            (judged, 0) => format!("stable: no signal at {judged} points"),
            (judged, out) => format!("not stable: signals at {out} of {judged} points"),
        }];
    };
    vec![found.stability.clone()]
}

fn model(found: &Capability) -> Vec<String> {
    let mut lines = vec![format!(
        "{}; bounds at 95 %",
        found.evidence.in_words(found.model)
    )];
    if let Some(chosen) = &found.evidence.distribution {
        lines.push(format!("Chosen because {}", chosen.reason));
    }
    if let Some(quantiles) = &found.evidence.quantiles {
        lines.push(format!(
            "By quantiles of the {}: {} to the nearer side",
            quantiles.basis,
            significant(quantiles.nearest_index)
        ));
    }
    lines
}

fn gauge(found: &Capability) -> Vec<String> {
    let Some(gauge) = &found.gauge else {
        return vec!["No usable study: the index is not qualified by one".to_owned()];
    };
    let until = gauge
        .valid_until
        .as_ref()
        .map_or_else(String::new, |day| format!(", valid until {day}"));
    let percent = |share: Option<f64>| {
        share.map_or_else(
            || "–".to_owned(),
            |share| format!("{} %", significant(share)),
        )
    };
    vec![format!(
        "Sigma {} {}: {} of sigma overall, {} of the tolerance; {}; studied on {}{until}",
        significant(gauge.sigma),
        found.unit,
        percent(gauge.of_variation),
        percent(gauge.of_tolerance),
        gauge.verdict,
        gauge.studied_on
    )]
}

fn counted(count: usize, one: &str, many: &str) -> String {
    match count {
        1 => format!("1 {one}"),
        count => format!("{count} {many}"),
    }
}

/// What a reader looks for first: indices, answers, data.
pub(super) fn findings(view: &AuditPack) -> Vec<Finding> {
    vec![indices(view), answers(view), data(view)]
}

fn indices(view: &AuditPack) -> Finding {
    let (with, without): (Vec<&AuditStream>, Vec<&AuditStream>) = view
        .streams
        .iter()
        .partition(|one| one.capability.is_some());
    let stable = with.iter().filter(|one| one.stability == "stable").count();
    let others = with.len() - stable;
    let mut details = Vec::new();
    if others > 0 {
        let streams = counted(others, "stream was", "streams were");
        details.push(format!(
            "{streams} not stable or not judged: Pp and Ppk stand, no capability is claimed."
        ));
    }
    if !without.is_empty() {
        let streams = counted(without.len(), "stream has", "streams have");
        details.push(format!("{streams} no index."));
    }
    let cautioned = with
        .iter()
        .filter(|one| {
            one.capability
                .as_ref()
                .is_some_and(|row| !row.cautions.is_empty())
        })
        .count();
    if cautioned > 0 {
        let indices = counted(cautioned, "index has", "indices have");
        details.push(format!("{indices} cautions."));
    }
    Finding {
        about: "Capability".to_owned(),
        verdict: format!(
            "{} with Cp and Cpk, of {} with a specification",
            counted(stable, "stable stream", "stable streams"),
            with.len()
        ),
        details,
        needs_attention: others > 0,
    }
}

fn answers(view: &AuditPack) -> Finding {
    let open = view.alerts.iter().filter(|one| !one.is_answered).count();
    let signals: u64 = view.streams.iter().map(|one| one.signals_total).sum();
    let mut details = vec![format!("{signals} points out of control in the window.")];
    if open > 0 {
        let alerts = counted(open, "alert has", "alerts have");
        details.push(format!("{alerts} no cause and action on record."));
    }
    Finding {
        about: "Out of control".to_owned(),
        verdict: match view.alerts.len() {
            0 => "No alert".to_owned(),
            all => format!(
                "{} of {} answered with cause and action",
                all - open,
                counted(all, "alert", "alerts")
            ),
        },
        details,
        needs_attention: open > 0,
    }
}

fn data(view: &AuditPack) -> Finding {
    let sum = |of: fn(&reports::audit::view::AuditFeed) -> u64| view.feeds.iter().map(of).sum();
    let (read, used): (u64, u64) = (sum(|one| one.rows_read), sum(|one| one.rows_used));
    let (rejected, aside): (u64, u64) = (sum(|one| one.rows_rejected), sum(|one| one.quarantined));
    let mut details = vec![format!("{used} of {read} rows used.")];
    if rejected > 0 {
        details.push(format!("{rejected} rows were rejected."));
    }
    if aside > 0 {
        let files = counted(
            usize::try_from(aside).unwrap_or(usize::MAX),
            "file was",
            "files were",
        );
        details.push(format!("{files} set aside."));
    }
    if view.segments > 0 {
        details.push(format!(
            "All {} segments of the archive are as they were written.",
            view.segments
        ));
    }
    if !view.let_go.is_empty() {
        details.push("Data that reach into the window were let go by age.".to_owned());
    }
    let is_whole = rejected == 0 && aside == 0 && view.let_go.is_empty();
    Finding {
        about: "Data".to_owned(),
        verdict: if is_whole { "Whole" } else { "Not whole" }.to_owned(),
        details,
        needs_attention: !is_whole,
    }
}
