//! Strata beside a chart: which of its points are of which stroke, family, position or fixture, and
//! the points of those that are no part of it.
//!
//! Streams that are alike but for one key are told by their points, parts of a stream's own units
//! by the archive. Knows no SQL and no page. The one invariant: a point is never drawn as one of a
//! stratum that it is not of; where its unit has parts in several, these stand beside it.

use std::collections::{BTreeMap, BTreeSet};

use reports::view;

use super::capability::wanted_keys;
use super::chart::ChartFacts;
use super::{CommandError, characteristic, local};
use crate::config::{Characteristic, Config, Feed, Key, Subgroup, Subject};
use crate::store::Reader;
use crate::store::query::{ReadingFilter, StreamRow};
use crate::store::strata::{StrataFilter, Stratum};
use crate::words::Role;

/// Strata that a feed may carry beside the keys of a stream.
pub(super) const STRATA: [Role; 4] = [Role::Stroke, Role::Position, Role::Family, Role::Fixture];

/// Points that stand beside those of a chart; of more, one in so many.
const BESIDE_MAX: usize = 200;

/// One unit's figure at one level of a key.
pub(super) struct Seen {
    pub(super) at: i64,
    pub(super) unit: String,
    pub(super) value: f64,
}

/// The figures of each level of a key.
pub(super) type Levels = BTreeMap<String, Vec<Seen>>;

/// Whether a stream is alike another but for the key at a place.
pub(super) fn is_sibling(other: &StreamRow, stream: &StreamRow, place: usize) -> bool {
    let same_keys = other.keys.len() == stream.keys.len()
        && (0..other.keys.len()).all(|at| at == place || other.keys[at] == stream.keys[at]);
    other.characteristic == stream.characteristic && same_keys
}

/// Whether streams that differ by a key are strata of one process; another line or product is
/// another process.
pub(super) fn tells_strata(key: Key) -> bool {
    !matches!(key, Key::Line | Key::Role(Role::Product))
}

/// Whether a feed carries a stratum.
pub(super) fn carries(config: &Config, feed: &Feed, role: Role) -> bool {
    let is_derived = role == Role::Family && !config.products.is_empty();
    is_derived || feed.roles.iter().any(|(own, _)| *own == role)
}

/// The points of all streams that are alike but for the key at a place, its own among them, in
/// windows of event time that end before their second.
pub(super) fn of_siblings(
    reader: &Reader,
    streams: &[StreamRow],
    (stream, place): (&StreamRow, usize),
    windows: &[(i64, i64)],
) -> Result<Levels, CommandError> {
    let mut levels = Levels::new();
    let siblings = streams.iter();
    for other in siblings.filter(|other| is_sibling(other, stream, place)) {
        let level = levels.entry(other.keys[place].to_string()).or_default();
        for (from, to) in windows {
            let points = reader.points(other.id, *from, *to)?;
            let on_time = points.into_iter().filter(|point| !point.late);
            level.extend(on_time.map(|point| Seen {
                at: point.at,
                unit: point.unit,
                value: point.value,
            }));
        }
    }
    Ok(levels)
}

/// Each unit's mean at each value of one stratum.
pub(super) fn by_level<'a>(own: impl IntoIterator<Item = &'a Stratum>, place: usize) -> Levels {
    let mut sums: BTreeMap<(&str, &str), (i64, f64, f64)> = BTreeMap::new();
    for stratum in own {
        let Some(Some((mean, count))) = stratum.means.first() else {
            continue;
        };
        let key = (stratum.keys[place].as_str(), stratum.unit.as_str());
        let (at, sum, weight) = sums.entry(key).or_insert((i64::MAX, 0.0, 0.0));
        *at = stratum.at.min(*at);
        *sum += mean * *count as f64;
        *weight += *count as f64;
    }
    let mut levels = Levels::new();
    for ((value, unit), (at, sum, weight)) in sums {
        levels.entry(value.to_owned()).or_default().push(Seen {
            at,
            unit: unit.to_owned(),
            value: sum / weight,
        });
    }
    levels
}

/// The keys by which the points of a stream's chart can be told apart.
pub(crate) fn keys_of(
    config: &Config,
    streams: &[StreamRow],
    stream: &StreamRow,
) -> Result<Vec<Key>, CommandError> {
    let what = characteristic(config, stream)?;
    let has_siblings = |place: usize| {
        let mut others = streams.iter().filter(|other| other.id != stream.id);
        others.any(|other| is_sibling(other, stream, place))
    };
    let between = what.group_by.iter().enumerate();
    let between = between.filter(|(place, key)| tells_strata(**key) && has_siblings(*place));
    let mut found: Vec<Key> = between.map(|(_, key)| *key).collect();
    if let (Subject::Measure(_), Subgroup::Panel | Subgroup::Board) =
        (&what.subject, &what.subgroup)
    {
        let is_carried = |role: Role| {
            let mut feeds = config.feeds.iter();
            feeds.any(|feed| feed.station == what.station && carries(config, feed, role))
        };
        let is_key = |role: Role| what.group_by.contains(&Key::Role(role));
        let within = STRATA.into_iter();
        let within = within.filter(|role| !is_key(*role) && is_carried(*role));
        found.extend(within.map(Key::Role));
    }
    Ok(found)
}

/// Tells the points of a stretch of a stream's chart apart by a key.
pub(crate) fn tell(
    config: &Config,
    reader: &Reader,
    (streams, facts): (&[StreamRow], &ChartFacts),
    (key, shown): (Key, std::ops::Range<usize>),
    chart: &mut view::Chart,
) -> Result<(), CommandError> {
    let (stream, points) = (&facts.stream, &facts.points[shown]);
    let Some((first, last)) = points.first().zip(points.last()) else {
        return Ok(());
    };
    let window = (first.at, last.at.saturating_add(1));
    let what = characteristic(config, stream)?;
    let place = what.group_by.iter().position(|own| *own == key);
    let strata = match (place, key) {
        (Some(place), _) => {
            let levels = of_siblings(reader, streams, (stream, place), &[window])?;
            between(config, &stream.keys[place], levels, chart)
        }
        (None, Key::Role(role)) => {
            let found = archived(reader, (what, stream), role, window)?;
            within(config, by_level(&found, 0), chart)
        }
        (None, Key::Line) => None,
    };
    chart.strata = strata.map(|strata| view::Strata {
        key: key.name().to_owned(),
        ..strata
    });
    Ok(())
}

/// The archived means of a stream's units at each value of a stratum.
fn archived(
    reader: &Reader,
    (what, stream): (&Characteristic, &StreamRow),
    role: Role,
    (from, to): (i64, i64),
) -> Result<Vec<Stratum>, CommandError> {
    let Subject::Measure(measure) = &what.subject else {
        return Ok(Vec::new());
    };
    let filter = StrataFilter {
        readings: ReadingFilter {
            station: what.station,
            measure,
            keys: wanted_keys(what, stream),
            from,
            to,
        },
        beside: Vec::new(),
        unit: match what.subgroup {
            Subgroup::Panel => [Role::Panel, Role::Board],
            _ => [Role::Board, Role::Panel],
        },
        by: vec![role],
    };
    Ok(reader.strata(&filter)?)
}

/// A stream is one stratum of its key; its siblings stand beside it.
fn between(
    config: &Config,
    own: &str,
    mut levels: Levels,
    chart: &mut view::Chart,
) -> Option<view::Strata> {
    levels.remove(own);
    if levels.is_empty() {
        return None;
    }
    for point in &mut chart.points {
        point.stratum = Some(0);
    }
    Some(beside(config, own.to_owned(), levels))
}

/// Parts of a stream's own units: where each unit is of one stratum, its point has the shape of
/// that; where units have parts in several, these stand beside the points.
fn within(config: &Config, levels: Levels, chart: &mut view::Chart) -> Option<view::Strata> {
    let levels: Levels = levels
        .into_iter()
        .filter(|(value, _)| !value.is_empty())
        .collect();
    if levels.len() < 2 {
        return None;
    }
    let mut of_unit: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
    for (place, seen) in levels.values().enumerate() {
        for one in seen {
            of_unit.entry(&one.unit).or_default().insert(place);
        }
    }
    if of_unit.values().any(|places| places.len() > 1) {
        for point in &mut chart.points {
            point.stratum = Some(0);
        }
        return Some(beside(config, "all together".to_owned(), levels));
    }
    let mut names: Vec<String> = levels.keys().cloned().collect();
    let unknown = names.len();
    for point in &mut chart.points {
        let places = of_unit.get(point.board.as_str());
        point.stratum = places
            .and_then(|places| places.first().copied())
            .or(Some(unknown));
    }
    if chart
        .points
        .iter()
        .any(|point| point.stratum == Some(unknown))
    {
        names.push("not known".to_owned());
    }
    Some(view::Strata {
        names,
        ..view::Strata::default()
    })
}

/// The chart's own stratum with the points of others beside it, in time order.
fn beside(config: &Config, own: String, levels: Levels) -> view::Strata {
    let mut names = vec![own];
    let mut all: Vec<(usize, Seen)> = Vec::new();
    for (value, seen) in levels {
        all.extend(seen.into_iter().map(|one| (names.len(), one)));
        names.push(value);
    }
    all.sort_by(|(a, one), (b, other)| (one.at, &one.unit, a).cmp(&(other.at, &other.unit, b)));
    let one_in = thin(&mut all);
    let point = |(stratum, one): (usize, Seen)| view::Beside {
        at_label: local(config, one.at),
        x: one.at as f64 / 1e6,
        board: one.unit,
        value: one.value,
        stratum,
    };
    view::Strata {
        key: String::new(),
        names,
        beside: all.into_iter().map(point).collect(),
        one_in,
    }
}

/// Leaves one in so many of each stratum's points, whatever order they come in, so that at most
/// [`BESIDE_MAX`] are left; tells of how many. Strata begin at different ones of their points: else
/// many short strata would all be shown where the chart begins.
fn thin(all: &mut Vec<(usize, Seen)>) -> usize {
    let mut met: BTreeMap<usize, usize> = BTreeMap::new();
    let ranks: Vec<(usize, usize)> = all
        .iter()
        .map(|(stratum, _)| {
            let next = met.entry(*stratum).or_insert(0);
            *next += 1;
            (*stratum, *next - 1)
        })
        .collect();
    let is_kept = |one_in: usize, (stratum, rank): (usize, usize)| {
        (rank + (begin(stratum) * one_in as f64) as usize).is_multiple_of(one_in)
    };
    let count = |one_in| ranks.iter().filter(|one| is_kept(one_in, **one)).count();
    let mut one_in = all.len().div_ceil(BESIDE_MAX).max(1);
    while count(one_in) > BESIDE_MAX {
        one_in += one_in.div_ceil(8);
    }
    let mut ranks = ranks.iter();
    all.retain(|_| ranks.next().is_some_and(|one| is_kept(one_in, *one)));
    one_in
}

/// A share from 0 to 1 for each stratum. Multiples of the golden ratio lie evenly, wherever one
/// stops (common knowledge of low-discrepancy sequences).
fn begin(stratum: usize) -> f64 {
    (stratum as f64 * 0.618_033_988_749_895).fract()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn config() -> Config {
        let text = "[plant]\nname = \"Invented\"\ntime_zone = \"UTC\"\n\
            [[shift]]\nname = \"day\"\nstarts = \"00:00\"\n\
            [[feed]]\nname = \"p\"\nline = \"L1\"\nstation = \"paste\"\nfolder = \"p\"\n\
            time = { columns = [\"At\"], format = \"rfc3339\" }\n\
            measure = [{ name = \"height\", column = \"H\", unit = \"um\" }]\n\
            [feed.roles]\npanel = \"Panel\"\nstroke = \"Stroke\"\n\
            [[characteristic]]\nname = \"height\"\nstation = \"paste\"\nmeasure = \"height\"\n\
            group_by = [\"line\"]\nsubgroup = \"panel\"\nchart = \"individuals\"\n";
        crate::config::read::read(text, std::path::Path::new("/")).unwrap()
    }

    fn seen(of: impl IntoIterator<Item = i64>) -> Vec<Seen> {
        let one = |at: i64| Seen {
            at: at * 1_000_000,
            unit: format!("P{at}"),
            value: at as f64,
        };
        of.into_iter().map(one).collect()
    }

    fn chart(units: i64) -> view::Chart {
        let point = |at: i64| view::Point {
            board: format!("P{at}"),
            x: at as f64,
            ..view::Point::default()
        };
        view::Chart {
            points: (0..units).map(point).collect(),
            ..view::Chart::default()
        }
    }

    fn shapes(chart: &view::Chart) -> Vec<Option<usize>> {
        chart.points.iter().map(|point| point.stratum).collect()
    }

    #[test]
    fn units_of_one_stratum_each_have_its_shape_and_those_of_none_say_so() {
        let levels = || {
            let strokes = [("back", seen([0, 2])), ("front", seen([1, 3]))];
            strokes.map(|(name, seen)| (name.to_owned(), seen))
        };
        let mut view = chart(4);
        let found = within(&config(), levels().into(), &mut view).unwrap();
        assert_eq!(found.names, ["back", "front"]);
        assert!(found.beside.is_empty());
        assert_eq!(shapes(&view), [Some(0), Some(1), Some(0), Some(1)]);
        let mut more = chart(5);
        let found = within(&config(), levels().into(), &mut more).unwrap();
        assert_eq!(found.names, ["back", "front", "not known"]);
        assert_eq!(more.points[4].stratum, Some(2));
        let mut alone = chart(2);
        let one = Levels::from([
            ("back".to_owned(), seen([0, 1])),
            (String::new(), seen([2])),
        ]);
        assert_eq!(within(&config(), one, &mut alone), None);
        assert_eq!(shapes(&alone), [None, None]);
    }

    #[test]
    fn parts_of_a_unit_stand_beside_its_point() {
        let families = [("chip", seen([0, 1])), ("fine", seen([0, 1]))];
        let levels = families.map(|(name, seen)| (name.to_owned(), seen));
        let mut view = chart(2);
        let found = within(&config(), levels.into(), &mut view).unwrap();
        assert_eq!(found.names, ["all together", "chip", "fine"]);
        assert_eq!(shapes(&view), [Some(0), Some(0)]);
        let places: Vec<(f64, usize)> = found
            .beside
            .iter()
            .map(|one| (one.x, one.stratum))
            .collect();
        assert_eq!(places, [(0.0, 1), (0.0, 2), (1.0, 1), (1.0, 2)]);
        assert_eq!(found.beside[0].at_label, "1970-01-01 00:00:00");
    }

    #[test]
    fn many_short_strata_are_shown_all_along_the_chart() {
        for (count, length) in [(400, 12), (5_000, 3), (5_000, 1), (7, 5_000)] {
            let name = |fixture: i64| format!("F{fixture:04}");
            let mut levels: Levels = (0..count)
                .map(|fixture| (name(fixture), seen(0..length)))
                .collect();
            levels.insert("own".to_owned(), seen(0..length));
            let mut view = chart(length);
            let found = between(&config(), "own", levels, &mut view).unwrap();
            let left = found.beside.len();
            assert!((100..=BESIDE_MAX).contains(&left), "{left} of {count}");
            // Each quarter of the time has about a quarter of them.
            let quarters = length.min(4);
            for quarter in 0..quarters {
                let own = |one: &&view::Beside| one.x as i64 * quarters / length == quarter;
                let share = found.beside.iter().filter(own).count() * quarters as usize;
                assert!((left / 2..=left * 2).contains(&share), "{share} of {left}");
            }
        }
    }

    #[test]
    fn of_many_points_beside_every_stratum_keeps_the_same_share() {
        let fixtures = [
            ("F1", seen([0])),
            ("F2", seen(0..300)),
            ("F3", seen(300..600)),
        ];
        let levels = fixtures.map(|(name, seen)| (name.to_owned(), seen));
        let mut view = chart(1);
        let found = between(&config(), "F1", levels.into(), &mut view).unwrap();
        assert_eq!(found.names, ["F1", "F2", "F3"]);
        assert_eq!((found.one_in, found.beside.len()), (3, BESIDE_MAX));
        let of = |stratum| {
            found
                .beside
                .iter()
                .filter(|one| one.stratum == stratum)
                .count()
        };
        assert_eq!((of(1), of(2)), (100, 100));
        assert!(found.beside.windows(2).all(|pair| pair[0].x <= pair[1].x));
        assert_eq!(shapes(&view), [Some(0)]);
        let alone = Levels::from([("F1".to_owned(), seen([0]))]);
        assert_eq!(between(&config(), "F1", alone, &mut view), None);
    }
}
