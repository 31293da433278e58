//! How many points a station makes on a line, minute by minute of event time.
//!
//! The budget of false alerts is stated for a line and a shift, so a stream's run length follows
//! from how often it and its neighbours are judged. Must not know limits or signals. The one
//! invariant: the counts are a function of the units that count, whatever their order of arrival.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::config::{Characteristic, Config, Key, Subgroup};
use crate::words::Station;

use super::stream::StreamName;

/// Minutes before the end of a baseline that its rate is taken from at most: a day.
const WINDOW_MINUTES_MAX: i64 = 24 * 60;

const MINUTE_US: i64 = 60_000_000;

/// A station on a line. The line is empty for streams that mix several.
pub type StationOnLine = (Station, Arc<str>);

/// The station and line of a stream.
pub fn station_of(config: &Config, name: &StreamName) -> StationOnLine {
    let what = &config.characteristics[name.characteristic];
    let key = what.group_by.iter().position(|key| *key == Key::Line);
    let named = key.and_then(|key| name.keys.get(key)).cloned();
    let mut lines = config
        .feeds
        .iter()
        .filter(|feed| feed.station == what.station)
        .map(|feed| feed.line.as_str());
    let first = lines.next().unwrap_or_default();
    let only = || lines.all(|line| line == first).then(|| Arc::from(first));
    (what.station, named.or_else(only).unwrap_or_default())
}

/// Units that make one point.
pub fn units_a_point(what: &Characteristic) -> usize {
    match what.subgroup {
        Subgroup::Consecutive(units) => units.max(1),
        Subgroup::Panel | Subgroup::Board | Subgroup::Minutes(_) => 1,
    }
}

/// The counts of every station and line.
#[derive(Debug)]
pub struct Rates {
    /// Minutes before the newest that are counted.
    kept: i64,
    stations: BTreeMap<StationOnLine, Counts>,
}

/// The counts of one station on one line.
#[derive(Debug, Default)]
struct Counts {
    /// Units by minute, apart for each number of units that makes a point.
    minutes: BTreeMap<usize, BTreeMap<i64, u64>>,
    /// The minute of the newest event.
    newest: Option<i64>,
    /// Minutes before this one are no longer counted.
    first_kept: Option<i64>,
    /// The first and the last minute that has changed since it was last asked.
    changed: Option<(i64, i64)>,
}

/// Minutes before the newest event in which units are counted: those that a baseline which can
/// still change needs, and a day more for streams that lag behind others.
fn kept_minutes(lateness_us: i64) -> i64 {
    lateness_us.div_euclid(MINUTE_US) + 2 * WINDOW_MINUTES_MAX
}

/// The first time at which units still count beside a newest event.
pub fn counted_since(newest: i64, lateness_us: i64) -> i64 {
    let minute = newest.div_euclid(MINUTE_US) - kept_minutes(lateness_us);
    minute.saturating_mul(MINUTE_US)
}

impl Rates {
    /// Counts of nothing so far.
    pub fn new(lateness_us: i64) -> Rates {
        Rates {
            kept: kept_minutes(lateness_us),
            stations: BTreeMap::new(),
        }
    }

    /// Counts units at a time.
    pub fn add(&mut self, station: &StationOnLine, units_a_point: usize, at: i64, units: u64) {
        let minute = at.div_euclid(MINUTE_US);
        let counts = self.stations.entry(station.clone()).or_default();
        let minutes = counts.minutes.entry(units_a_point).or_default();
        *minutes.entry(minute).or_insert(0) += units;
        counts.touch(minute);
    }

    /// Takes back a unit that was counted: it stands at another time, or no more.
    pub fn remove(&mut self, station: &StationOnLine, units_a_point: usize, at: i64) {
        let minute = at.div_euclid(MINUTE_US);
        let counts = self.stations.entry(station.clone()).or_default();
        let minutes = counts.minutes.entry(units_a_point).or_default();
        if let Some(count) = minutes.get_mut(&minute) {
            *count = count.saturating_sub(1);
            if *count == 0 {
                minutes.remove(&minute);
            }
        }
        counts.touch(minute);
    }

    /// Says that a stream of a station has had an event at a time, whether that counts or not.
    pub fn seen(&mut self, station: &StationOnLine, at: i64) {
        let counts = self.stations.entry(station.clone()).or_default();
        let minute = at.div_euclid(MINUTE_US);
        counts.newest = Some(counts.newest.map_or(minute, |newest| newest.max(minute)));
    }

    /// Which minutes have changed since the last call.
    pub fn changed(&mut self) -> BTreeMap<StationOnLine, (i64, i64)> {
        let stations = self.stations.iter_mut();
        let changed = stations
            .filter_map(|(station, counts)| Some((station.clone(), counts.changed.take()?)));
        changed.collect()
    }

    /// The first minute of a station that will still be counted when what is too long ago has been
    /// forgotten.
    pub fn first_to_keep(&self, station: &StationOnLine) -> Option<i64> {
        let newest = self.stations.get(station)?.newest?;
        Some(newest.saturating_sub(self.kept))
    }

    /// Forgets what is too long ago. Only when all has been judged that still rests on it: how much
    /// comes at once must not matter.
    pub fn forget(&mut self) {
        for counts in self.stations.values_mut() {
            let Some(newest) = counts.newest else {
                continue;
            };
            let first = newest.saturating_sub(self.kept);
            counts.first_kept = counts.first_kept.max(Some(first));
            for minutes in counts.minutes.values_mut() {
                if minutes
                    .first_key_value()
                    .is_some_and(|(minute, _)| *minute < first)
                {
                    *minutes = minutes.split_off(&first);
                }
            }
        }
    }

    /// Points a minute in the complete minutes between two times. Nothing where there is none,
    /// or they are no longer counted: what an unfinished minute will hold is not known yet.
    pub fn per_complete_minute(&self, station: &StationOnLine, from: i64, to: i64) -> Option<f64> {
        let is_complete = to.div_euclid(MINUTE_US) - from.div_euclid(MINUTE_US) >= 2;
        is_complete.then(|| self.per_minute(station, from, to))?
    }

    /// Points a minute while a baseline was taken: those of its complete minutes, or of all its
    /// minutes where none is complete. Nothing where these minutes are no longer counted.
    pub fn per_minute(&self, station: &StationOnLine, from: i64, to: i64) -> Option<f64> {
        let counts = self.stations.get(station)?;
        let last = to.div_euclid(MINUTE_US);
        let first = from.div_euclid(MINUTE_US).max(last - WINDOW_MINUTES_MAX);
        if counts.first_kept.is_some_and(|kept| first < kept) {
            return None;
        }
        let (first, end) = if last - first >= 2 {
            (first + 1, last)
        } else {
            (first, last + 1)
        };
        let points = |(units, minutes): (&usize, &BTreeMap<i64, u64>)| {
            let total: u64 = minutes.range(first..end).map(|(_, count)| count).sum();
            total as f64 / *units as f64
        };
        let points: f64 = counts.minutes.iter().map(points).sum();
        Some(points / (end - first) as f64)
    }
}

impl Counts {
    fn touch(&mut self, minute: i64) {
        self.changed = Some(self.changed.map_or((minute, minute), |(first, last)| {
            (first.min(minute), last.max(minute))
        }));
    }
}

/// Whether what rests on a time needs minutes before one that will be the first.
pub fn needs_before(first_to_keep: i64, at: i64) -> bool {
    at.div_euclid(MINUTE_US) - WINDOW_MINUTES_MAX < first_to_keep
}

/// Whether a baseline lies in or around minutes that have changed.
pub fn overlaps((first, last): (i64, i64), from: i64, to: i64) -> bool {
    from.div_euclid(MINUTE_US) <= last && to.div_euclid(MINUTE_US) >= first
}

#[cfg(test)]
mod tests {
    use super::*;

    fn here() -> StationOnLine {
        (Station::Paste, Arc::from("L1"))
    }

    #[test]
    fn complete_minutes_between_first_and_last_point_make_the_rate() {
        let mut rates = Rates::new(0);
        for second in 0..600 {
            rates.add(&here(), 1, second * 1_000_000, 1);
            rates.add(&here(), 5, second * 1_000_000, 1);
        }
        let minute = |minutes: f64| (minutes * 6e7) as i64;
        let found = rates.per_minute(&here(), minute(1.5), minute(7.2));
        assert!((found.unwrap() - 72.0).abs() < 1e-12);
        let short = rates.per_minute(&here(), minute(8.9), minute(9.9));
        assert!((short.unwrap() - 72.0).abs() < 1e-12);
        let whole = rates.per_complete_minute(&here(), minute(1.5), minute(7.2));
        assert_eq!(whole, found);
        let none = rates.per_complete_minute(&here(), minute(8.1), minute(9.9));
        assert_eq!(none, None);
        let elsewhere = (Station::Paste, Arc::from("L2"));
        assert_eq!(rates.per_minute(&elsewhere, 0, 1), None);
    }

    #[test]
    fn a_unit_that_moves_is_counted_where_it_ends_up() {
        let mut rates = Rates::new(0);
        rates.add(&here(), 1, 30 * MINUTE_US, 1);
        rates.remove(&here(), 1, 30 * MINUTE_US);
        rates.add(&here(), 1, 20 * MINUTE_US, 1);
        let count = |minute: i64| rates.per_minute(&here(), minute * MINUTE_US, minute * MINUTE_US);
        assert_eq!(count(30), Some(0.0));
        assert_eq!(count(20), Some(1.0));
        assert_eq!(rates.changed().get(&here()), Some(&(20, 30)));
        assert!(rates.changed().is_empty());
    }

    #[test]
    fn what_is_too_long_ago_is_forgotten_and_not_mistaken_for_nothing() {
        let mut rates = Rates::new(0);
        rates.add(&here(), 1, 0, 7);
        rates.add(&here(), 1, 9 * MINUTE_US, 7);
        let newest = (2 * WINDOW_MINUTES_MAX + 5) * MINUTE_US;
        rates.add(&here(), 1, newest, 1);
        rates.seen(&here(), newest);
        assert!(rates.per_minute(&here(), 0, 9 * MINUTE_US).is_some());
        rates.forget();
        assert_eq!(rates.per_minute(&here(), 0, 9 * MINUTE_US), None);
        let counted = rates.stations[&here()].minutes[&1].len();
        assert_eq!(counted, 2);
    }
}
