//! Reading what is charted: a measure, verdicts, or several measures together.
//!
//! Knows what the station's feeds give, no chart but the one that takes several measures. The
//! invariant: such a chart has two measures or more, each of them once, and nothing that needs
//! single readings, a side or a subgroup of several units.

use spc::chart::ChartKind;
use spc::t_squared::MEASURES_MAX;

use super::characteristic::Scope;
use super::feed::VERDICTS;
use super::table::{Item, Table, Unique};
use crate::config::{Detector, Subgroup, Subject};
use crate::words::Role;

/// What is charted: `measure`, or `measures` instead.
pub(super) fn read_charted(table: &Table<'_>, scope: &Scope<'_>) -> Option<Subject> {
    let Some(several) = table.get("measures") else {
        let one = table.need("measure", "\"height\"");
        return one.and_then(|item| read_subject(&item, scope));
    };
    if table.get("measure").is_some() {
        several.fault("stands beside measure", "remove one of the two");
        return None;
    }
    read_measures(&several, scope).map(Subject::Measures)
}

/// Whether some feed has a measure; where no feed is known, any name will do.
fn is_known(name: &str, scope: &Scope<'_>) -> bool {
    scope.offers.is_empty() || scope.offers.iter().any(|offer| offer.measures(name))
}

fn read_subject(item: &Item<'_>, scope: &Scope<'_>) -> Option<Subject> {
    let name = item.text()?;
    let offers = &scope.offers;
    let needed = match name.as_str() {
        "calls" => Role::Call,
        "confirmed" | "false_calls" => Role::Review,
        _ => {
            if !is_known(&name, scope) {
                report_measure(item, &name, scope, &VERDICTS);
            }
            return Some(Subject::Measure(name));
        }
    };
    // Where only failures are listed, every row is a call.
    let listed = needed == Role::Call && offers.iter().any(|offer| offer.lists_failures_only);
    if !listed && !scope.gives(needed) && !offers.is_empty() {
        let message = format!(
            "no feed of a station {:?} gives {}",
            scope.station_name(),
            needed.name()
        );
        item.fault(
            message,
            format!("add {} to the roles of the feed", needed.name()),
        );
    }
    Some(match name.as_str() {
        "calls" => Subject::Calls,
        "confirmed" => Subject::Confirmed,
        _ => Subject::FalseCalls,
    })
}

/// Reports a measure that no feed has; `verdicts` may be named as well.
fn report_measure(item: &Item<'_>, name: &str, scope: &Scope<'_>, verdicts: &[&str]) {
    let measures = scope.offers.iter().flat_map(|offer| &offer.measures);
    let mut names: Vec<&str> = measures.map(|(name, _)| name.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    names.extend(verdicts);
    item.unknown(name, names.into_iter());
}

fn read_measures(several: &Item<'_>, scope: &Scope<'_>) -> Option<Vec<String>> {
    let items = several.items()?;
    if !(2..=MEASURES_MAX).contains(&items.len()) {
        let message = format!("charts 2 to {MEASURES_MAX} measures together");
        let fix = "write [\"offset-x\", \"offset-y\"], or measure for a single one";
        several.fault(message, fix);
        return None;
    }
    let mut unique = Unique::new("the measure");
    let mut names = Vec::new();
    for item in &items {
        let name = item.text()?;
        unique.add(&name, item);
        if VERDICTS.contains(&name.as_str()) {
            item.fault("counts verdicts", "name a measure, or chart it by itself");
        } else if !is_known(&name, scope) {
            report_measure(item, &name, scope, &[]);
        }
        names.push(name);
    }
    Some(names)
}

/// Reports a chart that does not take as many measures as are named.
pub(super) fn check_chart(item: &Item<'_>, chart: ChartKind, subject: &Subject) {
    match (chart, subject) {
        (ChartKind::TSquared, Subject::Measures(_)) => {}
        (ChartKind::TSquared, _) => item.fault(
            "charts several measures together, and one is named",
            "write measures = [\"offset-x\", \"offset-y\"] instead of measure, or another chart",
        ),
        (_, Subject::Measures(_)) => item.fault(
            "charts one measure, and measures names several",
            "write t-squared, or measure instead of measures",
        ),
        _ => {}
    }
}

/// Reports what a chart of several measures can not have.
pub(super) fn check_options(
    table: &Table<'_>,
    chart: Option<ChartKind>,
    (subgroup, detectors): (Option<Subgroup>, &[Detector]),
) {
    if chart != Some(ChartKind::TSquared) {
        return;
    }
    let refuse = |key, message: &str| {
        if let Some(item) = table.get(key) {
            item.fault(message, "remove it, or chart each measure by itself");
        }
    };
    refuse(
        "rules",
        "needs points on two sides of a centre, and t-squared has one side",
    );
    if detectors != [Detector::Limits] {
        let message = "needs points on two sides of a centre, and t-squared has limits alone";
        refuse("detection", message);
    }
    refuse(
        "short_run",
        "takes the target of one measure, and several are charted together",
    );
    refuse(
        "specification",
        "limits one measure, and several are charted together",
    );
    let by_unit = matches!(subgroup, None | Some(Subgroup::Panel | Subgroup::Board));
    if !by_unit && let Some(item) = table.get("subgroup") {
        item.fault(
            "does not fit t-squared, which takes the means of one unit as a point",
            "write \"panel\" or \"board\"",
        );
    }
}
