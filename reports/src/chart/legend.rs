//! The marks of a chart explained in words.
//!
//! Must not know where anything stands. Invariant: every mark that occurs is explained, and none
//! that does not.

use super::range::Range;
use crate::number;
use crate::speech::Speech;
use crate::view::{Chart, Point};

/// The marks that occur in this chart, explained in one text.
pub(super) fn of(chart: &Chart, left_out: usize, range: Range, speech: &Speech) -> String {
    let mut parts = Vec::new();
    if chart.points.iter().any(|point| point.baseline) {
        parts.push("Shaded: baseline the limits were made from.".to_owned());
    }
    if chart
        .points
        .iter()
        .any(|point| !point.changeover.is_empty())
    {
        parts.push("Pennant: changeover.".to_owned());
    }
    if chart.points.iter().any(|point| point.late) {
        parts.push("Ring: late, left out of run rules.".to_owned());
    }
    if chart.points.iter().any(|point| point.excluded) {
        parts.push("Cross: left out of the limits.".to_owned());
    }
    let is_cut =
        |point: &Point| point.value.is_finite() && !(range.low..=range.high).contains(&point.value);
    let cut = chart.points.iter().filter(|point| is_cut(point)).count();
    if cut > 0 {
        parts.push(format!(
            "Arrow: beyond the picture ({cut}); see the numbers."
        ));
    }
    if chart
        .onset
        .as_ref()
        .is_some_and(|onset| onset.range.is_some())
    {
        parts.push("Bar at the foot: 90 % set of the onset.".to_owned());
    }
    if left_out > 0 {
        parts.push(format!(
            "{left_out} more runs with a signal found no room; see the numbers."
        ));
    }
    let strata = chart.strata.as_ref();
    if let Some(strata) = strata.filter(|strata| !strata.beside.is_empty()) {
        let share = match strata.one_in {
            0 | 1 => String::new(),
            one_in => format!(" (one in {one_in})"),
        };
        parts.push(format!(
            "Grey shapes: shown beside{share}, not judged by these limits."
        ));
    }
    parts.extend(far_specification(chart, range));
    let said: Vec<String> = parts.iter().map(|part| speech.say(part)).collect();
    said.join("  ")
}

fn far_specification(chart: &Chart, range: Range) -> Option<String> {
    let lines = chart
        .specification
        .as_ref()
        .filter(|_| !range.has_specification)?;
    let words = |value: f64| number::significant(value, 4);
    let span = match (lines.lower, lines.upper) {
        (Some(lower), Some(upper)) => format!("{} to {}", words(lower), words(upper)),
        (Some(lower), None) => format!("at least {}", words(lower)),
        (None, Some(upper)) => format!("at most {}", words(upper)),
        (None, None) => return None,
    };
    let text = format!("Specification {span} {}", chart.unit);
    Some(format!("{}, outside the picture.", text.trim_end()))
}
