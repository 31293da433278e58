//! How many alerts there were, and how they were spread over time.
//!
//! Knows only when alerts began. The one invariant: nobody was called for what is left out.

use std::collections::BTreeMap;

use super::{Figure, HOUR_US, MINUTE_US, target};
use crate::store::alerts::AlertRow;
use crate::words::Severity;

const SLOT_US: i64 = 10 * MINUTE_US;

/// Streams with an alert from which on the share of ten of them says something.
const STREAMS_MIN: usize = 200;

/// How many there were, and how they were spread over time.
pub(super) fn rates(alerts: &[&AlertRow], (from, to): (i64, i64)) -> Vec<Figure> {
    let heard: Vec<&&AlertRow> = alerts
        .iter()
        .filter(|row| row.suppressed.is_none())
        .collect();
    let hours = (to - from) as f64 / HOUR_US as f64;
    let hourly = heard.len() as f64 / hours;
    let mut times: Vec<i64> = heard.iter().map(|row| row.first_at).collect();
    times.sort_unstable();
    let busy = |length: i64, max: u64| {
        let mut slots: BTreeMap<i64, u64> = BTreeMap::new();
        for at in &times {
            *slots.entry((at - from) / length).or_default() += 1;
        }
        let all = (to - from + length - 1) / length;
        let busy = slots.values().filter(|count| **count > max).count();
        (all > 0).then(|| busy as f64 / all as f64)
    };
    let (floods, flooded) = floods(&times, to);
    let share = |part: f64, whole: f64| (whole > 0.0).then(|| part / whole);
    let high = heard.iter().filter(|row| row.severity == Severity::High);
    vec![
        Figure::new("raised", Some(alerts.len() as f64), "alerts"),
        Figure::new("raised an hour", Some(hourly), "alerts").against(target::HOURLY),
        Figure::new("raised in ten minutes", Some(hourly / 6.0), "alerts")
            .against(target::IN_TEN_MINUTES),
        Figure::new("raised a day", Some(hourly * 24.0), "alerts").against(target::DAILY),
        Figure::new(
            "most in any ten minutes",
            Some(most(&times) as f64),
            "alerts",
        )
        .against(target::MOST as f64),
        Figure::new(
            "ten-minute slots with more than 10",
            busy(SLOT_US, target::MOST as u64),
            "share",
        )
        .against(target::SHARE),
        Figure::new(
            "hours with more than 30",
            busy(HOUR_US, target::BUSY_HOUR),
            "share",
        )
        .against(target::SHARE),
        Figure::new("floods", Some(floods as f64), "floods"),
        Figure::new(
            "time in floods",
            share(flooded as f64, (to - from) as f64),
            "share",
        )
        .against(target::SHARE),
        Figure::new("of the ten streams with most", noisiest(&heard), "share").against(target::TEN),
        Figure::new(
            "of high severity",
            share(high.count() as f64, heard.len() as f64),
            "share",
        )
        .against(target::HIGH),
    ]
}

/// The share of the ten streams with most alerts. With few streams ten of them are most; only where
/// there are many do they tell that a few make the noise.
fn noisiest(heard: &[&&AlertRow]) -> Option<f64> {
    let mut streams: BTreeMap<i64, u64> = BTreeMap::new();
    for row in heard {
        *streams.entry(row.lead.stream).or_default() += 1;
    }
    let mut counts: Vec<u64> = streams.into_values().collect();
    counts.sort_unstable_by(|a, b| b.cmp(a));
    let ten: u64 = counts.iter().take(10).sum();
    (counts.len() > STREAMS_MIN).then(|| ten as f64 / heard.len() as f64)
}

/// The most alerts in any ten minutes, whenever these begin; their times are sorted.
fn most(times: &[i64]) -> usize {
    let since = |(place, at): (usize, &i64)| place + 1 - within_slot(times, *at);
    times.iter().enumerate().map(since).max().unwrap_or(0)
}

/// The place of the first alert of the ten minutes that end at a time.
fn within_slot(times: &[i64], at: i64) -> usize {
    times.partition_point(|other| *other <= at - SLOT_US)
}

/// How many floods there were up to a time, and how long they lasted together. One begins with the
/// first of so many alerts within ten minutes, and ends when few are left in the last ten minutes.
fn floods(times: &[i64], to: i64) -> (u64, i64) {
    let (mut floods, mut lasted) = (0, 0);
    let mut open: Option<(i64, i64)> = None;
    for (place, &at) in times.iter().enumerate() {
        if let Some((since, end)) = open.filter(|(_, end)| at >= *end) {
            lasted += end - since;
            open = None;
        }
        let first = within_slot(times, at);
        // Until then as many alerts are less than ten minutes old as a flood goes on with.
        let end = |since: i64| {
            let place = (place + 1).checked_sub(target::FLOOD_ENDS);
            place.map_or(since, |place| times[place] + SLOT_US)
        };
        match open {
            Some((since, _)) => open = Some((since, end(since))),
            None if place + 1 - first >= target::MOST => {
                floods += 1;
                open = Some((times[first], end(times[first])));
            }
            None => {}
        }
    }
    let last = open.map_or(0, |(since, end)| end.min(to) - since);
    (floods, lasted + last)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Alerts at these minutes.
    fn at_minutes(minutes: &[i64]) -> Vec<i64> {
        minutes.iter().map(|minute| minute * MINUTE_US).collect()
    }

    #[test]
    fn a_flood_begins_with_ten_in_any_ten_minutes_and_ends_below_five() {
        let floods = |minutes: &[i64]| {
            let (count, lasted) = floods(&at_minutes(minutes), 100 * MINUTE_US);
            (count, lasted / MINUTE_US)
        };
        assert_eq!(floods(&[1, 2, 3, 4, 5, 6, 7, 8, 9]), (0, 0));
        // Nine before and nine after a full ten minutes, with ten in the ten minutes between.
        let across = [5, 6, 7, 8, 9, 10, 11, 12, 13, 14];
        assert_eq!(most(&at_minutes(&across)), 10);
        // The fifth from the end, at 10, is ten minutes old at 20.
        assert_eq!(floods(&across), (1, 15));
        // One every two minutes keeps five in the last ten minutes.
        let longer = [5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 16, 18, 20, 22];
        assert_eq!(floods(&longer), (1, 19));
        // Ten minutes and a minute later they are two.
        let apart: Vec<i64> = across.iter().chain(&across).copied().collect();
        let apart: Vec<i64> = (0..).zip(apart).map(|(n, at)| at + 30 * (n / 10)).collect();
        assert_eq!(floods(&apart), (2, 30));
        // One that goes on at the end lasts until then.
        let end: Vec<i64> = across.iter().map(|at| at + 85).collect();
        assert_eq!(floods(&end), (1, 10));
        assert_eq!(most(&at_minutes(&[0, 9, 10])), 2);
        assert_eq!(most(&[]), 0);
    }
}
