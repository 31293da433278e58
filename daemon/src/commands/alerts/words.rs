//! What an alert says: in a sentence, and in a text that fits a short message.
//!
//! Knows no page and no SQL. The one invariant: a text says nothing that the alert's facts do not.

use spc::chart::ChartKind;

use super::Alert;
use super::onset::{before_first, by_first, is_first};
use crate::commands::chart::{ChartFacts, leading};
use crate::commands::{moment, rule_words, subgroup_name, unit};
use crate::config::{Characteristic, Config};
use crate::engine::{PADS, STARTING, is_detector};
use crate::output::{number_of, signed, significant, with_minus};
use crate::store::alerts::EpisodeRow;

/// Characters of the text for short messages.
pub const TEXT_MAX: usize = 400;

/// What happened, in a sentence.
pub(super) fn sentence(
    config: &Config,
    what: &Characteristic,
    facts: &ChartFacts,
    row: &EpisodeRow,
) -> String {
    let side = match row.side.as_str() {
        "upper" => " on the upper side",
        "lower" => " on the lower side",
        _ => "",
    };
    let rule = row
        .rules
        .first()
        .map_or_else(String::new, |rule| rule_words(rule));
    let unit = unit(config, what, &facts.stream);
    let blank = if unit.is_empty() { "" } else { " " };
    let more = match row.signals {
        0 | 1 => String::new(),
        signals => format!("; {signals} signals until {}", moment(config, row.last_at)),
    };
    let sigma = signed(row.size_sigma, 1);
    let begin = format!(
        "{}: {rule}{side}, first at {} ({}){more}",
        what.name,
        moment(config, row.first_at),
        row.first_unit
    );
    if what.chart == ChartKind::TSquared {
        let first = facts.points.iter().find(|point| is_first(row, point));
        let most = first.and_then(|point| leading(what, point));
        let most = most.map_or_else(String::new, |name| format!("; {name} contributes most"));
        return format!(
            "{begin}{most}; farthest T-squared {}, as rare as {:.1} sigma of one measure.",
            significant(row.size_value),
            row.size_sigma,
        );
    }
    if by_first(row, STARTING) {
        return format!(
            "{begin}; there were no limits yet: it rests on the {} {} of the baseline before it, \
             against which the shift is about {sigma} sigma.",
            before_first(facts, row).len(),
            subgroup_name(what),
        );
    }
    if by_first(row, PADS) {
        return format!(
            "{begin}; the pad farthest out has moved by about {sigma} sigma of its own."
        );
    }
    if row.rules.iter().all(|rule| is_detector(rule)) {
        return format!(
            "{begin}; no single point is beyond the limits, the shift is about {sigma} sigma."
        );
    }
    format!(
        "{begin}; farthest value {}{blank}{unit}, {sigma} sigma from the centre.",
        with_minus(&significant(row.size_value)),
    )
}

/// Everything that has to be known at once, in at most [`TEXT_MAX`] characters: what, where, how
/// far, since when, how sure, what explains it, what to hold and what to do. What does not fit is
/// left out from the end.
#[must_use]
pub fn text(config: &Config, alert: &Alert) -> String {
    let mut parts = vec![format!("{} {}", alert.id, alert.severity), moved(alert)];
    parts.extend(since(config, alert));
    parts.extend(evidence(alert));
    let step = alert
        .plan
        .lines()
        .map(str::trim)
        .find(|step| !step.is_empty());
    parts.extend(step.map(|step| format!("Next: {step}")));
    shortened(&parts)
}

/// What explains an alert, where that points, how rare it would be without a cause, and what to
/// hold; a sentence each.
#[must_use]
pub fn evidence(alert: &Alert) -> Vec<String> {
    let mut parts = Vec::new();
    let moved = alert.explained.first();
    parts.extend(moved.map(|first| format!("Moved: {first}.")));
    if alert.origin == "gauge" || alert.origin == "process" {
        parts.push(format!("Points to the {}.", alert.origin));
    }
    if let Some(points) = alert.points_between_false_alerts {
        parts.push(format!(
            "Without a cause, one point in {points:.0} signals."
        ));
    }
    if let Some(boards) = alert.boards_to_hold {
        parts.push(format!("Hold {}.", number_of(boards, "board")));
    }
    parts
}

fn shortened(parts: &[String]) -> String {
    let mut text = String::new();
    for part in parts {
        let blank = usize::from(!text.is_empty());
        let left = TEXT_MAX.saturating_sub(text.chars().count() + blank);
        if left < 2 {
            break;
        }
        if blank > 0 {
            text.push(' ');
        }
        if part.chars().count() <= left {
            text.push_str(part);
        } else {
            text.extend(part.chars().take(left - 1));
            text.push('…');
            break;
        }
    }
    text
}

/// How many more streams an alert is about than the one that says most, in words; nothing where
/// there is one.
#[must_use]
pub fn beside(alert: &Alert) -> String {
    match alert.stream_count {
        0 | 1 => String::new(),
        streams => format!(" and {}", number_of(streams as u64 - 1, "more stream")),
    }
}

/// What moved, where and by how much.
fn moved(alert: &Alert) -> String {
    let stream = alert.streams.first().map_or("", String::as_str);
    let others = beside(alert);
    let size = match alert.size {
        Some(size) => {
            let blank = if alert.unit.is_empty() { "" } else { " " };
            format!(" {}{blank}{},", short(size), alert.unit)
        }
        None => String::new(),
    };
    format!(
        "{stream}{others}:{size} {} sigma.",
        signed(alert.size_sigma, 1)
    )
}

/// A change with its sign and three digits that count.
fn short(size: f64) -> String {
    let whole = size.abs().max(1e-9).log10().floor();
    let decimals = (2.0 - whole).clamp(0.0, 9.0) as usize;
    signed(size, decimals)
}

/// Since which board and when, on the plant's clock.
fn since(config: &Config, alert: &Alert) -> Option<String> {
    let at = alert.onset.at.parse::<jiff::Timestamp>().ok()?;
    let at = moment(config, at.as_microsecond());
    let range = match (&alert.onset.low, &alert.onset.high) {
        (Some(low), Some(high)) if low != high => format!(" (90 %: {low} to {high})"),
        _ => String::new(),
    };
    Some(format!("Since {} {at}{range}.", alert.onset.board))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_that_is_too_long_is_cut_at_its_end_and_says_so() {
        let parts = vec![
            "A-0001 medium".to_owned(),
            "é".repeat(500),
            "never".to_owned(),
        ];
        let text = shortened(&parts);
        assert_eq!(text.chars().count(), TEXT_MAX);
        assert!(text.starts_with("A-0001 medium é") && text.ends_with('…'));
        assert_eq!(
            [short(-27.145), short(0.012_34)],
            ["\u{2212}27.1", "+0.0123"]
        );
        assert_eq!(shortened(&["one".to_owned(), "two".to_owned()]), "one two");
    }
}
