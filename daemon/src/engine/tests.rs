//! The engine against its promise: order, cutting and stopping change no digit.

mod baseline;
mod pads;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use proptest::prelude::*;

use super::{AlertFacts, Effects, Engine, LimitsVersion, PointKind, Stream};
use crate::block::{Block, Column, Lines, Values};
use crate::config::{Characteristic, Config, read};
use crate::words::{Call, Review, Role};
use spc::rules::Side;

const MINUTE: i64 = 60_000_000;

/// An invented plant with one paste feed.
fn config(chart: &str, subgroup: &str, lateness_minutes: u32) -> Arc<Config> {
    config_with(chart, subgroup, lateness_minutes, "")
}

fn config_with(chart: &str, subgroup: &str, lateness_minutes: u32, more: &str) -> Arc<Config> {
    config_from(&text(chart, subgroup, lateness_minutes, more))
}

fn config_from(text: &str) -> Arc<Config> {
    Arc::new(read::read(text, Path::new("/invented")).unwrap())
}

/// A chart of several measures takes both, and no run rules.
fn text(chart: &str, subgroup: &str, lateness_minutes: u32, more: &str) -> String {
    let charted = match chart {
        "t-squared" => "measures = [\"height\", \"area\"]",
        _ => "measure = \"height\"\nrules = [\"run_9\", \"two_of_three_2s\", \"trend_6\"]",
    };
    format!(
        r#"
[plant]
name = "Invented"
time_zone = "UTC"
lateness_minutes = {lateness_minutes}
[[shift]]
name = "day"
starts = "06:00"
[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "paste"
[feed.time]
columns = ["Time"]
format = "rfc3339"
[feed.roles]
panel = "Panel"
board = "Board"
stencil = "Stencil"
stroke = "Stroke"
[[feed.measure]]
name = "height"
column = "Height"
unit = "um"
[[feed.measure]]
name = "area"
column = "Area"
unit = "mm2"
[[characteristic]]
name = "height"
station = "paste"
{charted}
group_by = ["line", "stroke"]
subgroup = {subgroup}
chart = "{chart}"
baseline = 20
restart_on = ["stencil"]
{more}
"#
    )
}

/// Individuals without run rules.
fn watched(more: &str) -> Arc<Config> {
    let rules = r#"rules = ["run_9", "two_of_three_2s", "trend_6"]"#;
    config_from(&text("individuals", "\"panel\"", 10, more).replace(rules, ""))
}

/// A characteristic to rehearse, without run rules.
pub(super) fn rehearsed(chart: &str, baseline: usize) -> Characteristic {
    let rules = r#"rules = ["run_9", "two_of_three_2s", "trend_6"]"#;
    let text = text(chart, "\"panel\"", 10, "").replace(rules, "");
    let text = text.replace("baseline = 20", &format!("baseline = {baseline}"));
    config_from(&text).characteristics[0].clone()
}

/// One reading.
#[derive(Clone, Debug)]
struct Row {
    minute: i64,
    panel: usize,
    value: f64,
    stencil: &'static str,
    stroke: &'static str,
}

fn block(rows: &[Row]) -> Block {
    let word = |text: String| -> Arc<str> { Arc::from(text) };
    let column = |texts: Vec<Arc<str>>| Column::PerRow {
        codes: (0..texts.len() as u32).collect(),
        words: texts,
    };
    let mut keys = [const { Column::Absent }; Role::COUNT];
    keys[Role::Panel.index()] = column(
        rows.iter()
            .map(|row| word(format!("P{}", row.panel)))
            .collect(),
    );
    keys[Role::Board.index()] = column(
        rows.iter()
            .map(|row| word(format!("B{}", row.panel)))
            .collect(),
    );
    keys[Role::Stencil.index()] = column(
        rows.iter()
            .map(|row| word(row.stencil.to_owned()))
            .collect(),
    );
    keys[Role::Stroke.index()] =
        column(rows.iter().map(|row| word(row.stroke.to_owned())).collect());
    Block {
        feed: 0,
        rows: rows.len(),
        at: rows.iter().map(|row| row.minute * MINUTE).collect(),
        keys,
        attempt: vec![1; rows.len()],
        call: vec![Call::Absent; rows.len()],
        review: vec![Review::Pending; rows.len()],
        opportunities: vec![0; rows.len()],
        values: Values::Wide(vec![
            rows.iter().map(|row| row.value).collect(),
            rows.iter().map(area).collect(),
        ]),
        lines: Lines::default(),
    }
}

/// A second measure that follows the first in part; one reading of five is missing.
fn area(row: &Row) -> f64 {
    let own = (row.value * 1e3).rem_euclid(7.0);
    if row.minute % 5 == 4 {
        f64::NAN
    } else {
        0.4 * row.value + own
    }
}

/// What was said of a point: bits of size and value, version, baseline, signals.
type Said = (u64, u64, u32, bool, String);

/// What a store holds after effects were applied to it; a stream is told by its stroke.
#[derive(Debug, Default, PartialEq)]
struct Kept {
    points: BTreeMap<(Arc<str>, i64, Arc<str>, PointKind), Said>,
    limits: BTreeMap<(Arc<str>, u32), LimitsVersion>,
    alerts: BTreeMap<(Arc<str>, i64, Arc<str>), AlertFacts>,
}

impl Kept {
    fn apply(&mut self, engine: &Engine, effects: Effects) {
        let of = |stream: usize| Arc::clone(&engine.streams()[stream].name().keys[1]);
        for (stream, at, unit, kind) in effects.gone_points {
            self.points.remove(&(of(stream), at, unit, kind));
        }
        for point in effects.points {
            let facts = (
                point.value.to_bits(),
                point.spread.map_or(0, f64::to_bits),
                point.version,
                point.baseline,
                format!("{:?}", point.signals),
            );
            let key = (of(point.stream), point.at, point.unit, point.kind);
            self.points.insert(key, facts);
        }
        for (stream, end) in effects.limits_end {
            self.limits
                .retain(|(stroke, version), _| *stroke != of(stream) || *version <= end);
        }
        for (stream, limits) in effects.limits {
            self.limits.insert((of(stream), limits.version), limits);
        }
        for (stream, at, unit) in effects.withdrawn {
            self.alerts.remove(&(of(stream), at, unit));
        }
        for mut alert in effects.alerts {
            let key = (
                of(alert.stream),
                alert.first_at,
                Arc::clone(&alert.first_unit),
            );
            // Where it stands depends on which came first.
            alert.stream = 0;
            self.alerts.insert(key, alert);
        }
    }

    fn signals_by(&self, by: &str) -> usize {
        let fired = |said: &&Said| said.4.contains(by);
        self.points.values().filter(fired).count()
    }
}

fn at_once(config: &Arc<Config>, rows: &[Row]) -> Kept {
    in_pieces(config, rows, rows.len())
}

fn in_pieces(config: &Arc<Config>, rows: &[Row], piece: usize) -> Kept {
    let mut engine = Engine::new(Arc::clone(config));
    let mut kept = Kept::default();
    for piece in rows.chunks(piece) {
        engine.absorb(&block(piece));
        let effects = engine.settle();
        kept.apply(&engine, effects);
    }
    kept
}

/// Panels of four readings whose level jumps halfway, so that rules fire and alerts open.
fn rows() -> impl Strategy<Value = Vec<Row>> {
    let panels = prop::collection::vec(prop::array::uniform4(-3.0..3.0_f64), 25..70);
    (panels, -2.0..2.0_f64, any::<bool>()).prop_map(|(panels, jump, changes)| {
        let half = panels.len() / 2;
        let mut rows = Vec::new();
        for (panel, values) in panels.into_iter().enumerate() {
            for (place, value) in values.into_iter().enumerate() {
                rows.push(Row {
                    minute: panel as i64 * 2 + place as i64 / 3,
                    panel,
                    value: 120.0 + value + if panel > half { 2.0 * jump } else { 0.0 },
                    stencil: if changes && panel > half + 3 {
                        "S2"
                    } else {
                        "S1"
                    },
                    stroke: "front",
                });
            }
        }
        rows
    })
}

const CHARTS: [(&str, &str); 7] = [
    ("t-squared", "\"panel\""),
    ("individuals", "\"panel\""),
    ("mean-range", "\"panel\""),
    ("mean-s", "{ consecutive = 3 }"),
    ("three-way", "\"panel\""),
    ("mean-s", "{ minutes = 5 }"),
    ("median", "{ consecutive = 3 }"),
];

/// What differs, in few words.
fn difference(found: &Kept, expected: &Kept) -> Option<String> {
    let point = |kept: &Kept| kept.points.clone().into_iter().collect::<Vec<_>>();
    let (a, b) = (point(found), point(expected));
    if let Some((a, b)) = a.iter().zip(&b).find(|(a, b)| a != b) {
        return Some(format!("point {a:?} instead of {b:?}"));
    }
    if a.len() != b.len() {
        return Some(format!("{} points instead of {}", a.len(), b.len()));
    }
    if found.limits != expected.limits {
        return Some(format!(
            "limits {:?} instead of {:?}",
            found.limits, expected.limits
        ));
    }
    (found.alerts != expected.alerts)
        .then(|| format!("alerts {:?} instead of {:?}", found.alerts, expected.alerts))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn order_and_cutting_change_no_digit(
        rows in rows(),
        order in any::<u64>(),
        piece in 1..60_usize,
        chart in 0..CHARTS.len(),
    ) {
        let (chart, subgroup) = CHARTS[chart];
        let config = config(chart, subgroup, 10_000);
        let expected = at_once(&config, &rows);
        prop_assert!(!expected.points.is_empty());

        prop_assert_eq!(difference(&in_pieces(&config, &rows, piece), &expected), None);
        let mut shuffled = rows;
        let mut state = order;
        for place in (1..shuffled.len()).rev() {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            shuffled.swap(place, (state >> 33) as usize % (place + 1));
        }
        prop_assert_eq!(difference(&in_pieces(&config, &shuffled, piece), &expected), None);
    }

    /// A short horizon settles most units; the outcome is that of a horizon that settles none.
    #[test]
    fn settling_changes_no_digit(rows in rows(), piece in 1..60_usize, chart in 0..CHARTS.len()) {
        let (chart, subgroup) = CHARTS[chart];
        let open = config(chart, subgroup, 10_000);
        let short = config(chart, subgroup, 12);
        let expected = at_once(&open, &rows);
        prop_assert_eq!(difference(&in_pieces(&short, &rows, piece), &expected), None);
    }
}

/// Two strokes of one line, of which the second starts later: its points, and rows that came late
/// for the first, change how often the line is judged while baselines end.
fn two_strokes() -> impl Strategy<Value = Vec<Row>> {
    let panels = prop::collection::vec((-3.0..3.0_f64, 0..7_i64), 60..110);
    (panels, -3.0..3.0_f64).prop_map(|(panels, jump)| {
        let half = panels.len() * 2 / 3;
        let mut minute = 0;
        let mut row = |(panel, (value, pause)): (usize, (f64, i64))| {
            minute += pause / 3;
            Row {
                minute,
                panel,
                value: 120.0 + value + if panel > half { jump } else { 0.0 },
                stencil: "S1",
                stroke: if panel > 10 && panel % 3 == 0 {
                    "back"
                } else {
                    "front"
                },
            }
        };
        panels.into_iter().enumerate().map(&mut row).collect()
    })
}

/// Swaps rows no farther than so many minutes.
fn delayed(rows: &[Row], minutes: u64, seed: u64) -> Vec<Row> {
    let mut state = seed;
    let mut arrivals: Vec<(i64, &Row)> = rows
        .iter()
        .map(|row| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (row.minute + ((state >> 33) % minutes) as i64, row)
        })
        .collect();
    arrivals.sort_by_key(|(at, _)| *at);
    arrivals.into_iter().map(|(_, row)| row.clone()).collect()
}

const WATCHED: [&str; 3] = [
    "",
    "detection = [\"limits\", \"cusum\", \"ewma\"]",
    "detection = [\"cusum\"]\nin_control_run_length = 100",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Thresholds follow from how often the whole line is judged, and that from all its streams.
    #[test]
    fn thresholds_and_detectors_change_no_digit_with_the_order(
        rows in two_strokes(),
        seed in any::<u64>(),
        piece in 1..40_usize,
        watched in 0..WATCHED.len(),
    ) {
        let open = config_with("individuals", "\"panel\"", 10_000, WATCHED[watched]);
        let short = config_with("individuals", "\"panel\"", 12, WATCHED[watched]);
        let expected = at_once(&open, &rows);
        prop_assert!(!expected.limits.is_empty());
        prop_assert_eq!(difference(&in_pieces(&short, &rows, piece), &expected), None);
        let late = delayed(&rows, 12, seed);
        prop_assert_eq!(difference(&in_pieces(&short, &late, piece), &expected), None);
        prop_assert_eq!(difference(&in_pieces(&open, &late, piece), &expected), None);
    }
}

/// A series of one stroke: a baseline of scatter, then a shift of so many times that scatter.
fn shifted(sigmas: f64) -> Vec<Row> {
    // SplitMix64 (G. Steele, D. Lea and C. Flood, Fast splittable pseudorandom number generators,
    // 2014); twelve uniform numbers make nearly a normal one.
    let mut state = 2_026_u64;
    let mut uniform = || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((mixed ^ (mixed >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut draw = || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
    (0..140_usize)
        .map(|panel| Row {
            minute: panel as i64 * 3,
            panel,
            value: 100.0 + draw() + if panel >= 60 { sigmas } else { 0.0 },
            stencil: "S1",
            stroke: "front",
        })
        .collect()
}

#[test]
fn a_lasting_shift_of_one_sigma_is_found_by_the_sums_and_not_by_limits() {
    let config = watched("in_control_run_length = 1000");
    let quiet = at_once(&config, &shifted(0.0));
    assert_eq!(quiet.signals_by("cusum"), 0);
    let kept = at_once(&config, &shifted(1.2));
    assert!(kept.signals_by("cusum") > 5 && kept.signals_by("beyond_limits") == 0);
    let alert = kept.alerts.values().next().unwrap();
    assert!(alert.first_at >= 60 * 3 * MINUTE && alert.first_at < 85 * 3 * MINUTE);
    assert_eq!(alert.side, Side::Upper);
    assert!(
        alert.size_sigma > 0.6 && alert.size_sigma < 2.5,
        "{alert:?}"
    );
    assert!(!alert.returned, "the shift lasts");
    let limits = kept.limits.values().next().unwrap();
    assert!((limits.detection.run_length - 1000.0).abs() < 1e-9);
    assert!(limits.detection.width.unwrap() > 3.0);
}

#[test]
fn an_alert_of_the_sums_returns_when_the_shift_is_over() {
    let config = watched("in_control_run_length = 1000");
    let mut rows = shifted(2.0);
    for row in rows.iter_mut().filter(|row| row.panel >= 90) {
        row.value -= 2.0;
    }
    let kept = at_once(&config, &rows);
    assert_eq!(kept.alerts.len(), 1, "{:?}", kept.alerts);
    let alert = kept.alerts.values().next().unwrap();
    let returned = alert.returned_at.unwrap();
    assert!(
        returned > 92 * 3 * MINUTE && returned < 125 * 3 * MINUTE,
        "{alert:?}"
    );
}

#[test]
fn counts_are_summed_up_only_where_that_is_asked_for() {
    let usual = watched("");
    assert_eq!(usual.characteristics[0].detection.len(), 2);
    let alone = watched("detection = [\"limits\"]\nlimit_width = 3.0\nwiden = false");
    let kept = at_once(&alone, &shifted(1.2));
    assert_eq!(kept.signals_by("cusum"), 0);
    let limits = kept.limits.values().next().unwrap();
    assert!((limits.limits.width - 3.0).abs() < 1e-12);
}

/// A budget of one false alert for more points in a shift means a longer run length.
#[test]
fn a_busier_line_is_judged_more_cautiously() {
    let config = watched("");
    let run_length = |step: i64| {
        let mut rows = shifted(0.0);
        for row in &mut rows {
            row.minute = row.panel as i64 * step;
        }
        let kept = at_once(&config, &rows);
        kept.limits.values().next().unwrap().detection.clone()
    };
    let (slow, busy) = (run_length(10), run_length(1));
    assert!((slow.run_length - 370.0).abs() < 1e-9);
    // A point a minute in a shift of a day: 1,440, rounded up to the next step of twenty a decade.
    assert!((busy.points_per_shift.unwrap() - 1_440.0).abs() < 1e-9);
    assert!(busy.run_length >= 1_440.0 && busy.run_length < 1_440.0 * 1.13);
    assert!(busy.width > slow.width);
    assert!(busy.cusums.unwrap()[0].threshold > slow.cusums.unwrap()[0].threshold);
}

#[test]
fn a_unit_behind_the_horizon_is_late_and_changes_nothing() {
    let config = config("individuals", "\"panel\"", 10);
    let row = |minute, panel, value| Row {
        minute,
        panel,
        value,
        stencil: "S1",
        stroke: "front",
    };
    let rows: Vec<Row> = (0..60_i64)
        .map(|n| row(n * 2, n as usize, 100.0 + (n % 7) as f64))
        .collect();
    let mut engine = Engine::new(Arc::clone(&config));
    let mut kept = Kept::default();
    engine.absorb(&block(&rows));
    let effects = engine.settle();
    kept.apply(&engine, effects);
    let before = (kept.points.len(), kept.limits.clone(), kept.alerts.clone());

    engine.absorb(&block(&[row(3, 99, 500.0)]));
    let effects = engine.settle();
    kept.apply(&engine, effects);

    let late: Vec<_> = kept
        .points
        .keys()
        .filter(|key| key.3 == PointKind::Late)
        .collect();
    assert_eq!(late.len(), 1);
    assert_eq!((kept.points.len() - 1, kept.limits, kept.alerts), before);
}

#[test]
fn a_change_of_a_restart_key_begins_a_new_baseline() {
    let config = config("individuals", "\"panel\"", 10);
    let rows: Vec<Row> = (0..60_i64)
        .map(|n| Row {
            minute: n * 2,
            panel: n as usize,
            value: 100.0 + (n * n % 11) as f64,
            stencil: if n < 30 { "S1" } else { "S2" },
            stroke: "front",
        })
        .collect();
    let kept = at_once(&config, &rows);
    let versions: Vec<u32> = kept.limits.keys().map(|key| key.1).collect();
    assert_eq!(versions, [1, 2]);
    let second = kept.limits.values().last().unwrap();
    assert_eq!(second.from.0, 60 * MINUTE);
    assert_eq!(second.limits.subgroups, 20);
}

#[test]
fn a_stream_that_is_kept_and_taken_back_goes_on_as_if_never_stopped() {
    let config = config("individuals", "\"panel\"", 10);
    let rows: Vec<Row> = (0..80_i64)
        .map(|n| Row {
            minute: n * 2,
            panel: n as usize,
            value: 100.0 + (n * 5 % 13) as f64 + if n > 60 { 25.0 } else { 0.0 },
            stencil: "S1",
            stroke: "front",
        })
        .collect();
    let expected = at_once(&config, &rows);
    assert_eq!(interrupted(&config, &rows, 63), expected);
    assert!(!expected.alerts.is_empty());
}

/// What is kept of rows of one stream when the program is stopped after so many.
fn interrupted(config: &Arc<Config>, rows: &[Row], stop: usize) -> Kept {
    let mut engine = Engine::new(Arc::clone(config));
    let mut kept = Kept::default();
    engine.absorb(&block(&rows[..stop]));
    let effects = engine.settle();
    let facts = effects.streams.last().unwrap();
    let (state, through, newest) = (facts.state.clone(), facts.settled_through, facts.newest);
    let open = effects.points.iter().filter(|point| point.at > through);
    let tail = open.map(|point| point.atom.clone()).collect();
    let name = engine.streams()[0].name().clone();
    let units: Vec<(i64, u64)> = effects.points.iter().map(|point| (point.at, 1)).collect();
    kept.apply(&engine, effects);

    let mut again = Engine::new(Arc::clone(config));
    let stream = Stream::kept(name, state, through, newest, tail, Vec::new());
    again.restore(stream, &units);
    again.settle();
    again.absorb(&block(&rows[stop..]));
    let effects = again.settle();
    kept.apply(&again, effects);
    kept
}
